"""What changed since the night before: session by session in words, by cause; the cells as a csv.

Sentences are those of the table `session_changes`, cells those of `changes`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from quietsleep.site.csv_text import csv_text
from quietsleep.site.folder import PageFolder, digest_of, session_file
from quietsleep.site.read import PublishedNight, Row, grouped
from quietsleep.site.words import night_said

# So many sessions of one cause, and cells, stand on the page; the csv holds more.
MOST_SESSIONS = 150
MOST_CELLS = 100
MOST_IN_CSV = 50_000
COLUMNS = ("table_name", "key", "column_name", "before", "after", "cause")
CAUSES = {
    "file": "What deliveries brought",
    "first measured": "Measured for the first time",
    "code": "The same formula in other code",
    "formula": "A formula that is defined anew",
    "device": "A device that is registered anew",
    "rule": "Another limit in the contract",
    "limit": "A limit that the study changed",
    "confirmation": "A limit that was compared with print",
    "waiver": "A waiver",
    "review": "What readers decided",
    "withdrawal": "What was withdrawn",
    "not known": "A cause that is not known",
}


class ChangedSession(NamedTuple):
    """One session of which something differs, in one sentence."""

    centre: str
    title: str
    sentence: str
    n_cells: int
    href: str


class ChangeCause(NamedTuple):
    """The sessions that changed for one cause."""

    key: str
    title: str
    n: int
    sessions: tuple[ChangedSession, ...]


def write_changes(folder: PageFolder, night: PublishedNight, titles: Mapping[str, str]) -> None:
    """Write the page of changes and the csv beside it, which is there when nothing changed too:
    whoever fetches it each night finds it."""
    cells = night.rows(
        f"SELECT {', '.join(COLUMNS)} FROM changes WHERE night = ? "
        f"ORDER BY table_name, key, column_name LIMIT {MOST_IN_CSV}",
        night.night["night"],
    )
    folder.put("changes.csv", digest_of(cells), lambda: csv_of(cells))
    folder.put_page("changes.html", "changes.html.jinja", _page(night, titles, cells))


def _page(night: PublishedNight, titles: Mapping[str, str], cells: Sequence[Row]) -> dict[str, Any]:
    counts = change_counts(night)
    sessions = night.rows("SELECT * FROM session_changes ORDER BY centre, session")
    return {
        "causes": causes_of(sessions, titles),
        "n_sessions": len(sessions),
        "counts": counts,
        "n_cells": sum(sum(c[1:]) for c in counts),
        "n_in_csv": len(cells),
        "cells": [row for row in cells if row["column_name"]][:MOST_CELLS],
        "night_said": night_said(night),
    }


def causes_of(sessions: Sequence[Row], titles: Mapping[str, str]) -> list[ChangeCause]:
    """Group changed sessions by their cause, that of most sessions first."""
    by_cause = grouped(({**row, "cause": row["cause"] or "not known"} for row in sessions), "cause")
    return [
        ChangeCause(
            key=f"cause-{i}",
            title=cause_words(cause),
            n=len(rows),
            sessions=tuple(
                ChangedSession(
                    row["centre"],
                    titles.get(row["centre"], row["centre"]),
                    row["sentence"],
                    row["n_cells"],
                    # A session that is gone has no page.
                    f"../{row['centre']}/"
                    + ("index.html" if row["what"] == "gone" else session_file(row["session"])),
                )
                for row in rows[:MOST_SESSIONS]
            ),
        )
        for i, (cause, rows) in enumerate(
            sorted(by_cause.items(), key=lambda pair: (-len(pair[1]), pair[0]))
        )
    ]


def cause_words(cause: str) -> str:
    """Say one cause, or several joined by a comma, as a heading."""
    said = []
    for one in cause.split(", "):
        name, _, more = one.partition(" (")
        title = CAUSES.get(name, one)
        said.append(f"{title} ({more}" if more and name in CAUSES else title)
    first, *rest = said
    return " and ".join([first, *(part[:1].lower() + part[1:] for part in rest)])


def change_counts(night: PublishedNight) -> list[tuple[str, int, int, int]]:
    """Return rows added, rows removed and values changed of each table."""
    return night.tuples(
        "SELECT table_name, count(DISTINCT key) FILTER (column_name = '' AND before IS NULL), "
        "count(DISTINCT key) FILTER (column_name = '' AND after IS NULL), "
        "count(*) FILTER (column_name <> '') FROM changes WHERE night = ? "
        "GROUP BY table_name ORDER BY table_name",
        night.night["night"],
    )


def csv_of(rows: Sequence[Row]) -> str:
    """Return changed cells as csv, under their names."""
    return csv_text([COLUMNS, *([row[name] for name in COLUMNS] for row in rows)])
