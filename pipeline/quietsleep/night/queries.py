"""The data queries of a night: found in what was judged, and written down.

Night state, closing sentences and pages read the table that comes out of this and nothing else.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pandas as pd

from quietsleep.judge.causes import causes_of
from quietsleep.judge.study import JudgedStudy
from quietsleep.night.night import Night
from quietsleep.review.queries import (
    NOT_FOUND,
    DataQuery,
    QueryList,
    causes_published,
    events_of_night,
    queries_frame,
    queries_of,
)
from quietsleep.store.tables import in_contract
from quietsleep.study.history import History


def with_queries(night: Night, judged: JudgedStudy) -> JudgedStudy:
    """Open and close the queries of this night, keep their table, and number problems by them."""
    causes = causes_of(judged, list(dict.fromkeys(night.notices)))
    known = queries_of(night.register)
    cured_by = cures_of_night(judged, night.history, night.name)
    if events := events_of_night(known, causes.found, cured_by):
        night.register.append("query", {"night": night.name, "events": events}, at=night.started_at)
        known.follow(night.register)
    frame = queries_frame(known, causes.found, night.history, night=night.name)
    night.queries = in_contract(frame, "queries")
    numbers = [known.number_of(subject) for subject in causes.of_problems]
    of_problems = pd.Series(numbers, index=judged.problems.index, dtype="Int64")
    return replace(judged, problems=judged.problems.assign(query=of_problems))


def cures_of_night(judged: JudgedStudy, history: History, night: str) -> Callable[[DataQuery], str]:
    """Return what says why a query is closed: the delivery of this night that cured it, if any."""
    came: dict[str, list[str]] = {}
    for centre, delivery in sorted(history.brought, key=lambda name: history.place_of(*name)):
        if history.brought[centre, delivery][-1].night == night:
            came.setdefault(centre, []).append(delivery)
    now: dict[tuple[str, str], str] = {}
    for frame, name in ((judged.sessions, "session"), (judged.checks, "check_id")):
        keys = zip(frame["centre"], frame[name], strict=True)
        now |= dict(zip(keys, frame["delivery"], strict=True))

    def cured_by(query: DataQuery) -> str:
        subject = query.subject
        new = came.get(subject.centre)
        if not new:
            return NOT_FOUND
        own = {now.get((subject.centre, code)) for code in (subject.session, subject.item)}
        return f"cured by delivery {next((d for d in new if d in own), new[-1])}"

    return cured_by


def queries_by_now(
    queries: pd.DataFrame, known: QueryList, history: History, night: str
) -> pd.DataFrame:
    """Return a published table of queries with what people answered since."""
    frame = queries_frame(known, causes_published(queries), history, night=night)
    return in_contract(frame, "queries")
