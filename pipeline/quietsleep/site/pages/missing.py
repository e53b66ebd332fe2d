"""What is missing: what the schedule expects against what came, and what waits at a centre.

Rows are those of the table `expected`, and open queries of the kinds that say that something has
not come or was not taken in.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from quietsleep import contract
from quietsleep.site import words
from quietsleep.site.read import PublishedNight, Row, grouped
from quietsleep.site.words import Sign, technique_title

MOST_ITEMS = 300
WHAT = {
    "visit": "visit", "technique": "technique", "followup_call": "follow-up call",
    "delivery": "delivery",
}  # fmt: skip
OVERDUE = Sign("◆", "Overdue", "watch")
MISSING = Sign("▲", "Missing", "act")
# Kinds of queries that are about what is not there.
KINDS = (
    "identifier_refused", "delivery_refused", "delivery_gone", "delivery_in_part",
    "delivery_arriving", "session_held", "recording_held", "check_held", "check_missing",
    "delivery_late", "nothing_delivered", "visit_missing", "call_overdue", "technique_missing",
)  # fmt: skip


class ExpectedLine(NamedTuple):
    """What one centre was expected to bring of one kind, and what came of it."""

    title: str
    what: str
    received: int
    overdue: int
    missing: int
    later: int


class MissingItem(NamedTuple):
    """One thing that has not come."""

    title: str
    sign: Sign
    what: str
    item: str
    due: str


def missing_page(
    night: PublishedNight, titles: Mapping[str, str], waiting: Sequence[Row]
) -> dict[str, Any]:
    """Return what the page of what is missing says; `waiting` are the open queries."""
    rows = night.rows(
        "SELECT * FROM expected WHERE state IN ('overdue', 'missing') "
        "ORDER BY state = 'overdue', due_on NULLS LAST, centre, what, item"
    )
    kinds = grouped((q for q in waiting if q["kind"] in KINDS), "kind")
    return {
        "lines": _lines(night, titles),
        "items": [_item(row, titles) for row in rows[:MOST_ITEMS]],
        "n_items": len(rows),
        "silent": [
            (row["centre"], row["title"] or row["centre"], words.sign(row["state"]),
             words.day(row["last_delivery_at"]))
            for row in night.centres() if row["state"] in ("late", "nothing")
        ],
        "kinds": [
            (words.count(len(kinds[kind]), spec.one, spec.many), len(kinds[kind]))
            for kind, spec in contract.QUERIES.kinds.items() if kind in kinds
        ],
        "night_said": words.night_said(night),
    }  # fmt: skip


def _lines(night: PublishedNight, titles: Mapping[str, str]) -> list[ExpectedLine]:
    rows = night.tuples(
        "SELECT centre, what, "
        "count(*) FILTER (state IN ('received', 'early', 'late', 'unplanned')), "
        "count(*) FILTER (state = 'overdue'), count(*) FILTER (state = 'missing'), "
        "count(*) FILTER (state IN ('not_yet', 'due')) FROM expected GROUP BY centre, what"
    )
    order = list(WHAT)
    rows.sort(key=lambda row: (titles.get(row[0], row[0]), order.index(row[1])))
    return [ExpectedLine(titles.get(row[0], row[0]), WHAT[row[1]], *row[2:]) for row in rows]


def _item(row: Row, titles: Mapping[str, str]) -> MissingItem:
    about = row["item"]
    if row["technique"]:
        about = f"{row['session']}, {technique_title(row['technique']).lower()}"
    return MissingItem(
        title=titles.get(row["centre"], row["centre"]),
        sign=OVERDUE if row["state"] == "overdue" else MISSING,
        what=WHAT[row["what"]],
        item=about,
        due=words.day(row["due_on"]),
    )
