"""The monthly letter of a centre: one page, and the same as plain text.

How the month stood, the place among the other centres, which stay without a name, three things to
do, and what went well. Every sentence of it is made here.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime
from typing import NamedTuple

from quietsleep import contract
from quietsleep.site import words
from quietsleep.site.folder import PageFolder, digest_of
from quietsleep.site.pages.lost import lost_reasons
from quietsleep.site.read import CentreData, Row, grouped
from quietsleep.site.words import count, technique_title
from quietsleep.study.study import Study

THINGS = 3
WIDTH = 76
ALL = "all"


class LetterLine(NamedTuple):
    """One technique in the table of a letter."""

    title: str
    tests: int
    accepted: int
    share: str
    place: str


class Letter(NamedTuple):
    """What one letter says."""

    month: str
    title: str
    centre: str
    opening: str
    lines: tuple[LetterLine, ...]
    todo: tuple[str, ...]
    well: tuple[str, ...]
    closing: str


def letters_of(data: CentreData) -> list[tuple[str, str]]:
    """Return the months that have a letter, the newest first, with their words."""
    months = {words.month(test["tested_on"]) for test in data.tests} - {words.UNDATED}
    return [(key, words.month_words(key)) for key in sorted(months, reverse=True)]


def month_in_full(key: str) -> str:
    """Turn ``2026-03`` into ``March 2026``."""
    return datetime.strptime(key, "%Y-%m").strftime("%B %Y")


def things_to_do(letter: Letter) -> str:
    """Head the list of what to do, by how much there is."""
    return {1: "One thing to do", 2: "Two things to do"}.get(len(letter.todo), "Three things to do")


def write_letters(folder: PageFolder, study: Study, data: CentreData) -> None:
    """Write the letter of every month in which the centre tested."""
    tests = grouped(data.tests, "tested_on")
    of_month: dict[str, list[Row]] = {}
    for day, rows in tests.items():
        of_month.setdefault(words.month(day), []).extend(rows)
    places = grouped(data.places, "month")
    lost = grouped(data.lost, "month")
    for number, (key, _) in enumerate(letters_of(data)):
        letter = _letter(
            data, key, of_month[key], places.get(key, []), lost.get(key, []), is_newest=not number
        )
        folder.put_page(
            f"letters/{key}.html", "letter.html.jinja", {"l": letter, "to_do": things_to_do(letter)}
        )
        folder.put(
            f"letters/{key}.txt",
            digest_of([letter, study.title]),
            lambda letter=letter: as_text(letter, study.title),  # type: ignore[misc]
        )


def _letter(
    data: CentreData,
    month: str,
    tests: Sequence[Row],
    places: Sequence[Row],
    lost: Sequence[Row],
    *,
    is_newest: bool,
) -> Letter:
    by_technique = {row["technique"]: row for row in places}
    order = {key: at for at, key in enumerate(contract.TECHNIQUES)}
    own = sorted(grouped(tests, "technique").items(), key=lambda pair: order.get(pair[0], 99))
    lines = tuple(_line(key, rows, by_technique.get(key)) for key, rows in own)
    said = month_in_full(month)
    return Letter(
        month,
        said,
        data.title,
        _opening(tests, by_technique.get(ALL), said),
        lines,
        tuple(_todo(data, lost, is_newest=is_newest))[:THINGS]
        or ("Go on as it is: nothing was lost.",),
        tuple(_well(data, month, tests, lines))[:THINGS],
        _closing(is_newest=is_newest),
    )


def _line(technique: str, tests: Sequence[Row], place: Row | None) -> LetterLine:
    accepted = sum(test["status"] == "accepted" for test in tests)
    return LetterLine(
        technique_title(technique),
        len(tests),
        accepted,
        words.share(accepted, len(tests)),
        place_said(place),
    )


def place_said(place: Row | None) -> str:
    """Say the place among the centres of a month, which stay without a name."""
    if place is None or place["n_centres"] < 2:
        return "–"
    return f"{place['place']} of {place['n_centres']}"


def _opening(tests: Sequence[Row], place: Row | None, month: str) -> str:
    accepted = sum(test["status"] == "accepted" for test in tests)
    sessions = len({test["session"] for test in tests})
    said = (
        f"In {month} you measured {count(len(tests), 'test')} in {count(sessions, 'session')}; "
        f"{accepted or 'none'} of them {'are' if accepted > 1 else 'is'} accepted "
        f"({words.share(accepted, len(tests))})."
    )
    if place is not None and place["n_centres"] > 1:
        said += (
            f" Of all techniques together this is place {place['place']} of the "
            f"{place['n_centres']} centres that tested in the month."
        )
    return said


def _todo(data: CentreData, lost: Sequence[Row], *, is_newest: bool) -> Iterator[str]:
    """Yield what to do, the dearest first; open queries stand in the newest letter only."""
    asked = grouped((q for q in data.queries if q["state"] == "open"), "kind")
    kinds = [kind for kind in contract.QUERIES.kinds.values() if kind.name in asked]
    if is_newest and kinds:
        parts = [count(len(asked[kind.name]), kind.one, kind.many) for kind in kinds[:4]]
        more = sum(len(asked[kind.name]) for kind in kinds[4:])
        said = ", ".join([*parts, *([f"{more} more"] if more else [])])
        yield f"Answer the open queries: {said}."
    for reason in lost_reasons(data, lost):
        yield f"{reason.technique}: {reason.reason} ({reason.cost}). {reason.remedy}".strip()


def _well(
    data: CentreData, month: str, tests: Sequence[Row], lines: Iterable[LetterLine]
) -> Iterator[str]:
    whole = [line for line in lines if line.tests == line.accepted]
    if whole:
        named = ", ".join(f"{line.title.lower()} ({line.tests})" for line in whole)
        yield f"Every test was accepted: {named}."
    first = [line.title.lower() for line in lines if line.place.startswith("1 of ")]
    if first:
        yield f"No centre had a larger share accepted: {', '.join(first)}."
    checks = [c for c in data.checks if words.month(c["done_on"]) == month]
    good = sum(c["status"] == "accepted" for c in checks)
    if checks and good == len(checks):
        yield f"All {count(good, 'equipment check')} were in tolerance."
    elif checks:
        yield f"{good} of {count(len(checks), 'equipment check')} were in tolerance."
    sessions = {test["session"] for test in tests}
    if not any(data.sessions.get(name, {}).get("n_alerts") for name in sessions):
        yield "No session raised a safety alert."


def _closing(*, is_newest: bool) -> str:
    said = "Shares and places are of tests done in the month, as the rules of tonight judge them."
    return said + (" Queries are those open tonight." if is_newest else "")


def as_text(letter: Letter, study: str) -> str:
    """Return a letter as plain text."""
    widest = max([len("Technique"), *(len(line.title) for line in letter.lines)])
    rows = [("Technique", "Tests", "Accepted", "Share", "Place"), *letter.lines]
    table = [
        f"{row[0]:<{widest}}  {row[1]!s:>5}  {row[2]!s:>8}  {row[3]:>6}  {row[4]}" for row in rows
    ]
    parts = [
        f"{study}\nMonthly letter to {letter.centre}, {letter.title}",
        _wrapped(letter.opening),
        "\n".join(table),
        _list_text(things_to_do(letter), letter.todo),
        _list_text("What went well", letter.well),
        _wrapped(letter.closing),
        _wrapped(words.CAUTION),
    ]
    return words.seen_lines("\n\n".join(part for part in parts if part)) + "\n"


def _wrapped(text: str, first: str = "", then: str = "") -> str:
    return textwrap.fill(
        text, WIDTH, initial_indent=first, subsequent_indent=then, break_on_hyphens=False
    )


def _list_text(title: str, said: Sequence[str]) -> str:
    lines = [_wrapped(text, f"{at}. ", "   ") for at, text in enumerate(said, start=1)]
    return "\n".join([title, *lines]) if said else ""
