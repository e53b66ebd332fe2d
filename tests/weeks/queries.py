"""The data queries that should be open, against those that are.

A query of the oracle is there if an open row of its kind and centre names all that it is about; an
open row is right if a query of the oracle is of its kind and centre and names what it names. So a
row may gather several contradictions of one infant. What names stand in which column does not
matter. Until there is a table of queries, the problems of the night are asked, as far as they say
what is open.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from tests.weeks.oracle import Expected, Query
from tests.weeks.standing import NAMES, Published, has_table

# What the oracle asks about, and the kinds of rows of `queries` that do.
KINDS: Mapping[str, frozenset[str]] = {
    "vanished": frozenset({"delivery_gone"}),
    "edited": frozenset({"delivery_edited"}),
    "created_ahead": frozenset({"clock_wrong"}),
    "refused": frozenset({"delivery_refused"}),
    "held": frozenset({"session_held", "recording_held", "check_held"}),
    "check": frozenset({"check_failed", "check_missing"}),
    "alert": frozenset({"safety_alert"}),
    "consent": frozenset({"consent_missing"}),
    "late": frozenset({"delivery_late"}),
    "other_day": frozenset({"clock_wrong"}),
    "same_infant_and_day": frozenset({"same_infant_and_day"}),
    "infant_differs": frozenset({"infant_differs"}),
    "same_bytes": frozenset({"same_bytes"}),
}
OPEN = "state IN ('open', 'answered')"
# Kinds of which the problems of a night are all that is open.
OF_PROBLEMS = (
    "vanished",
    "edited",
    "consent",
    "same_infant_and_day",
    "infant_differs",
    "same_bytes",
)
NAMED_BY_CENTRE = {"consent", "late"}  # no code of a session is published there


@dataclass(frozen=True, slots=True)
class Asked:
    """One open row."""

    kind: str
    centre: str
    words: frozenset[str]
    told: str


def differences_of_queries(ask: Published, expected: Expected) -> list[str]:
    """Open queries that should not be, and the other way."""
    whole = has_table(ask, "queries")
    whats = set(KINDS) if whole else set(OF_PROBLEMS)
    rows = open_rows(ask, "queries" if whole else "problems")
    kinds = frozenset().union(*(KINDS[what] for what in whats))
    should = {query for query in expected.queries if query[0] in whats}
    said = [f"no query about {query}" for query in should if not any(fits(query, r) for r in rows)]
    said += [
        f"query that should not be open: {row.told}"
        for row in rows
        if row.kind in kinds and not any(fits(query, row) for query in should)
    ]
    return sorted(said)


def fits(query: Query, row: Asked) -> bool:
    """Whether a row is about what a query is about."""
    what, centre, names = query
    named = what in NAMED_BY_CENTRE or names <= row.words
    return row.kind in KINDS[what] and row.centre == centre and named


def open_rows(ask: Published, table: str) -> list[Asked]:
    """Rows of a table that are open, with all their words."""
    named = f"table_name = '{NAMES[table]}'"
    columns = ask(f"SELECT column_name FROM information_schema.columns WHERE {named}")
    where = f"WHERE {OPEN}" if table == "queries" else ""
    found = []
    names = [name for (name,) in columns]
    for row in ask(f"SELECT {', '.join(names)} FROM {NAMES[table]} {where}"):
        cells = dict(zip(names, row, strict=True))
        told = " ".join(str(cell) for cell in row if cell is not None)
        words = frozenset(re.split(r"[\s,;/.]+", told))
        found.append(Asked(str(cells["kind"]), str(cells["centre"]), words, told))
    return found
