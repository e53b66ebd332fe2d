"""What each problem, and each row that is held, is a query about.

Every problem belongs to one query: of the session, recording or check that it holds, of its
delivery where that was refused, or of what else it names. What is held only because its delivery
is gone or was edited belongs to the query of that delivery.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NamedTuple

import pandas as pd

from quietsleep.intake.find import CLOSED
from quietsleep.intake.reference import UNREAD_COLUMNS
from quietsleep.judge.border import (
    EDITED,
    GONE,
    LOST,
    NO_CONSENT,
    REFUSED,
    WITHDRAWN_NAMED,
    table_of,
)
from quietsleep.judge.contradictions import KINDS as CONTRADICTIONS
from quietsleep.measure.roster import GONE as ROW_GONE
from quietsleep.store.items import recording_item

if TYPE_CHECKING:
    from quietsleep.judge.study import JudgedStudy

IDENTIFIES = "person"
# Kinds of problems of deliveries that were taken in, and the kinds of queries that they are.
OF_DELIVERY = {
    GONE: "delivery_gone",
    LOST: "delivery_gone",
    EDITED: "delivery_edited",
    REFUSED: "delivery_refused",
    WITHDRAWN_NAMED: "withdrawn_delivered",
    "created_ahead": "clock_wrong",
}
# Those by which rows of a delivery are held that are not there any more.
TAKES_ROWS = (LOST, EDITED, REFUSED)


class QuerySubject(NamedTuple):
    """What a query is about, for life; what does not apply is empty."""

    kind: str
    centre: str = ""
    delivery: str = ""
    session: str = ""
    item: str = ""


Key = tuple[str, str]  # a centre, and a session or item of it
ByDelivery = tuple[str, str, str]  # a centre, a delivery, and a file or code in it
Line = tuple[str, str, str, int]  # a centre, a delivery, a table of it and a row


@dataclass(frozen=True, slots=True)
class HeldItems:
    """What is held tonight, with the query of each; lines, files, codes and contents lead there.

    `why` says in words why something is held.
    """

    deliveries: dict[Key, QuerySubject] = field(default_factory=dict)
    sessions: dict[Key, QuerySubject] = field(default_factory=dict)
    recordings: dict[Key, QuerySubject] = field(default_factory=dict)
    checks: dict[Key, QuerySubject] = field(default_factory=dict)
    lines: dict[Line, QuerySubject] = field(default_factory=dict)
    files: dict[ByDelivery, QuerySubject] = field(default_factory=dict)
    codes: dict[ByDelivery, QuerySubject] = field(default_factory=dict)
    contents: dict[str, QuerySubject] = field(default_factory=dict)
    why: dict[QuerySubject, tuple[str, str]] = field(default_factory=dict)

    def all_subjects(self) -> Iterator[QuerySubject]:
        """Yield the query of each thing that is held."""
        for each in (self.deliveries, self.sessions, self.recordings, self.checks):
            yield from each.values()


def held_tonight(judged: JudgedStudy) -> HeldItems:
    """Find what is held, and what each is a query about."""
    found = HeldItems()
    problems = judged.problems
    of_people = problems[problems["kind"] == IDENTIFIES]
    refused_for = {*zip(of_people["centre"], of_people["delivery"], strict=True)}
    covered = {}
    for row in problems[problems["kind"].isin(TAKES_ROWS)].to_dict("records"):
        name = (row["centre"], row["delivery"])
        covered[name] = QuerySubject(OF_DELIVERY[row["kind"]], *name)
    kinds = {"quarantined": "delivery_refused", "arriving": "delivery_arriving"}
    for row in judged.deliveries.to_dict("records"):
        if row["state"] not in kinds:
            continue
        name = (row["centre"], row["delivery"])
        kind = "identifier_refused" if name in refused_for else kinds[row["state"]]
        found.deliveries[name] = QuerySubject(kind, *name)
        if name in covered:
            covered[name] = found.deliveries[name]
    _hold_sessions(found, judged, covered)
    _hold_recordings(found, judged, covered)
    _hold_checks(found, judged, covered)
    return found


def _hold_sessions(found: HeldItems, judged: JudgedStudy, covered: dict[Key, QuerySubject]) -> None:
    sessions = judged.sessions
    for row in sessions[sessions["status"] == "quarantined"].to_dict("records"):
        own = QuerySubject("session_held", row["centre"], session=row["session"])
        subject = _query_of(found, row, own, covered)
        found.sessions[row["centre"], row["session"]] = subject
        found.lines[_line(row, "sessions")] = subject


def _hold_recordings(
    found: HeldItems, judged: JudgedStudy, covered: dict[Key, QuerySubject]
) -> None:
    for row in judged.remarks.unread.to_dict("records"):
        session = text(row["session"])
        of_session = found.sessions.get((row["centre"], session))
        own = QuerySubject("recording_held", row["centre"], session=session, item=row["item"])
        subject = of_session or _query_of(found, row, own, covered)
        found.recordings[row["centre"], row["item"]] = subject
        _lead_to(found, row, "recordings", subject)


def _hold_checks(found: HeldItems, judged: JudgedStudy, covered: dict[Key, QuerySubject]) -> None:
    checks = judged.checks
    for row in checks[checks["recorded"] == "quarantined"].to_dict("records"):
        own = QuerySubject("check_held", row["centre"], item=row["check_id"])
        subject = _query_of(found, row, own, covered)
        found.checks[row["centre"], row["check_id"]] = subject
        found.codes[row["centre"], row["delivery"], text(row["check_code"])] = subject
        _lead_to(found, row, "checks", subject)


def _query_of(
    found: HeldItems, row: dict[Any, Any], own: QuerySubject, covered: dict[Key, QuerySubject]
) -> QuerySubject:
    """Return the query of something held: its own, or that of the delivery that took it away."""
    why = text(row["why"])
    name = (row["centre"], text(row["delivery"]))
    if why == ROW_GONE.format(delivery=name[1]) and name in covered:
        return covered[name]
    found.why[own] = (name[1], why)
    return own


def _line(row: dict[Any, Any], table: str) -> Line:
    return row["centre"], text(row["delivery"]), table, int(row["row"])


def _lead_to(found: HeldItems, row: dict[Any, Any], table: str, subject: QuerySubject) -> None:
    found.lines[_line(row, table)] = subject
    found.files[row["centre"], text(row["delivery"]), text(row["file"])] = subject
    if key := text(row["content_key"]):
        found.contents[key] = subject


def subjects_of_problems(problems: pd.DataFrame, held: HeldItems) -> list[QuerySubject]:
    """Return what each problem is a query about, in the order of the problems."""
    return [subject_of_problem(row, held) for row in problems.to_dict("records")]


def subject_of_problem(problem: dict[Any, Any], held: HeldItems) -> QuerySubject:
    """Return what one problem is a query about."""
    centre, delivery, kind = (text(problem[name]) for name in ("centre", "delivery", "kind"))
    if not delivery or kind in CONTRADICTIONS:
        return _of_no_delivery(problem)
    if (centre, delivery) in held.deliveries:
        return held.deliveries[centre, delivery]
    if (own := _of_its_kind(problem, held)) is not None:
        return own
    return _of_what_it_holds(problem, held) or QuerySubject("delivery_in_part", centre, delivery)


def _of_no_delivery(problem: dict[Any, Any]) -> QuerySubject:
    centre, kind = text(problem["centre"]), problem["kind"]
    if kind in CONTRADICTIONS:
        return QuerySubject(kind, centre, item=text(problem["where_found"]))
    kinds = {NO_CONSENT: "consent_missing", CLOSED: "folder_closed"}
    return QuerySubject(kinds.get(kind, "folder_stray"), centre)


def _of_its_kind(problem: dict[Any, Any], held: HeldItems) -> QuerySubject | None:
    """Return the query of a problem that is one by its kind.

    Whether a recording is of another day is open while its session is held: one time of a session
    that cannot be would be asked about once more by each of its recordings.
    """
    centre, delivery, kind = (text(problem[name]) for name in ("centre", "delivery", "kind"))
    session = text(problem["session"])
    if kind in OF_DELIVERY:
        return QuerySubject(OF_DELIVERY[kind], centre, delivery)
    if kind == "replaces_nothing":
        return QuerySubject(kind, centre, delivery, session)
    if kind in UNREAD_COLUMNS:
        return QuerySubject("column_unread", centre, item=text(problem["column_name"]))
    if kind == "other_day":
        if (centre, session) in held.sessions:
            return held.sessions[centre, session]
        item = recording_item(session, text(problem["recording"]))
        return QuerySubject("clock_wrong", centre, session=session, item=item)
    return None


def _of_what_it_holds(problem: dict[Any, Any], held: HeldItems) -> QuerySubject | None:
    """Return the query of the session, recording or check that a problem holds."""
    centre, delivery, session, recording, where = (
        text(problem[name])
        for name in ("centre", "delivery", "session", "recording", "where_found")
    )
    row = problem["row"]
    line = None if pd.isna(row) else (centre, delivery, table_of(where), int(row))
    return (
        held.contents.get(text(problem["content_key"]))
        or held.files.get((centre, delivery, where))
        or (held.lines.get(line) if line else None)
        or held.sessions.get((centre, session))
        or held.recordings.get((centre, recording_item(session, recording)))
        or (None if session else held.codes.get((centre, delivery, recording)))
    )


def text(value: object) -> str:
    """Return a cell as text; empty where it is missing."""
    return value if isinstance(value, str) else ""
