"""One matrix of centres and techniques: share accepted, the last weeks, a mark where it stands out.

Shares and marks are those of the table `standing`, weeks those of `acceptance_weeks`. What a centre
is asked for stands beside its name: its open queries, and what slips there.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from markupsafe import Markup

from quietsleep.site import words
from quietsleep.site.pages.centre import techniques_in
from quietsleep.site.read import PublishedNight, Row, grouped
from quietsleep.site.strips import Week, weeks_strip
from quietsleep.site.words import Sign, technique_title

ALL = "all"
SLIPS = Sign("▼", "slips", "act")
BELOW = Sign("◣", "low", "watch")
ABOVE = Sign("◥", "high", "quiet")


class MatrixCell(NamedTuple):
    """One centre in one technique."""

    share: str
    said: str
    strip: Markup
    marks: tuple[Sign, ...]
    href: str


class CentreRow(NamedTuple):
    """One centre: its delivery, what it is asked for, and its cells; None where it has no test."""

    centre: str
    title: str
    sign: Sign
    last_delivery: str
    n_sessions: int
    n_open: int
    slips: tuple[str, ...]
    low: tuple[str, ...]
    cells: tuple[MatrixCell | None, ...]


class Matrix(NamedTuple):
    """The matrix: titles of its columns, and a row a centre."""

    titles: tuple[str, ...]
    rows: tuple[CentreRow, ...]


def matrix_of(night: PublishedNight, open_of: Mapping[str, int]) -> Matrix:
    """Return the matrix; centres that are asked for something come first."""
    standing = night.rows("SELECT * FROM standing")
    of_cell = {(row["centre"], row["technique"]): row for row in standing}
    weeks = grouped(
        night.rows("SELECT * FROM acceptance_weeks ORDER BY week"), "centre", "technique"
    )
    keys = [key for key in techniques_in(standing) if key != ALL]
    keys = [ALL, *keys] if keys else []
    rows = [
        _centre(row, [(of_cell.get((row["centre"], key)), weeks.get((row["centre"], key), []))
                      for key in keys], open_of.get(row["centre"], 0))
        for row in night.centres()
    ]  # fmt: skip
    rows.sort(key=lambda r: (not r.slips, not r.low, -r.n_open, r.title))
    return Matrix(tuple("All" if k == ALL else technique_title(k) for k in keys), tuple(rows))


def _centre(row: Row, cells: Sequence[tuple[Row | None, list[Row]]], n_open: int) -> CentreRow:
    drawn = tuple(_cell(standing, weeks) if standing else None for standing, weeks in cells)
    known = [standing for standing, _ in cells if standing]
    return CentreRow(
        centre=row["centre"],
        title=row["title"] or row["centre"],
        sign=words.sign(row["state"]),
        last_delivery=words.day(row["last_delivery_at"]),
        n_sessions=row["n_sessions"],
        n_open=n_open,
        slips=tuple(_named(s) for s in known if s["slipping"]),
        low=tuple(_named(s) for s in known if s["funnel_mark"] == "below" and not s["slipping"]),
        cells=drawn,
    )


def _named(standing: Row) -> str:
    technique = standing["technique"]
    return "all techniques" if technique == ALL else technique_title(technique).lower()


def _cell(standing: Row, weeks: Sequence[Row]) -> MatrixCell:
    technique = standing["technique"]
    n, accepted = standing["n_tests"], standing["n_accepted"]
    said = f"{accepted} of {words.count(n, 'test')}"
    marks = []
    if standing["slipping"]:
        marks.append(SLIPS)
        said += f", slipping since {words.day(standing['since'])}"
    if standing["funnel_mark"] in ("below", "above"):
        marks.append(BELOW if standing["funnel_mark"] == "below" else ABOVE)
        said += f", {standing['funnel_mark']} the 99.8 % limits of all centres"
    filtered = "" if technique == ALL else f"#technique={technique}"
    return MatrixCell(
        share=words.share(accepted, n),
        said=said,
        strip=weeks_strip([Week(w["n_accepted"], w["n_tests"]) for w in weeks]),
        marks=tuple(marks),
        href=f"../{standing['centre']}/tests.html{filtered}",
    )
