"""What the study expects against what came: visits, techniques, follow-up calls, deliveries.

Pure functions of dates. Nothing is expected without a schedule, and nothing of a centre from the
day on which it left. A visit that was done may still be on its way with the next delivery; so it
is overdue first and missing only after that.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any, Literal, NamedTuple

import pandas as pd

from quietsleep import contract
from quietsleep.study.devices import Centre
from quietsleep.study.schedule import PlannedVisit, Schedule
from quietsleep.study.study import Study

What = Literal["visit", "technique", "followup_call", "delivery"]
State = Literal[
    "received", "early", "late", "not_yet", "due", "overdue", "missing", "unplanned"
]  # fmt: skip
NEXT_DELIVERY = "next delivery"


class SeenSession(NamedTuple):
    """What the schedule asks of a session; `age_days` is the age by which it counts."""

    session: str
    infant: str
    visit: str
    on: date
    age_days: float | None
    is_called: bool
    techniques: frozenset[str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """One thing that is expected, and what came of it.

    `changes_on` is the day on which the state becomes another one if nothing arrives.
    """

    what: What
    item: str
    state: State
    infant: str | None = None
    visit: str | None = None
    session: str | None = None
    technique: str | None = None
    due_on: date | None = None
    earliest_on: date | None = None
    latest_on: date | None = None
    days_off: int | None = None
    changes_on: date | None = None


def expected_of_centre(
    schedule: Schedule,
    sessions: Sequence[SeenSession],
    *,
    last_arrival: date | None,
    today: date,
    retired_on: date | None = None,
) -> list[Expected]:
    """Return all that is expected of one centre, in order of what it is and its item."""
    found = [
        *_visits(schedule, sessions, today, retired_on),
        *_techniques(schedule, sessions),
        *_calls(schedule, sessions, today),
        *_next_delivery(schedule, last_arrival, today, retired_on),
    ]
    return sorted(found, key=lambda e: (e.what, e.item))


def _visits(
    schedule: Schedule, sessions: Sequence[SeenSession], today: date, retired_on: date | None
) -> Iterator[Expected]:
    """Yield each planned visit of each known infant, and sessions of visits that none plans."""
    by_infant: dict[str, list[SeenSession]] = {}
    for seen in sorted(sessions, key=lambda s: (s.on, s.session)):
        by_infant.setdefault(seen.infant, []).append(seen)
        if schedule.visits and schedule.planned(seen.visit) is None:
            yield Expected(
                what="visit",
                item=f"{seen.infant}/{seen.session}",
                state="unplanned",
                infant=seen.infant,
                visit=seen.visit,
                session=seen.session,
            )
    for infant, own in by_infant.items():
        first = next((s for s in own if s.age_days is not None), None)
        for visit in schedule.visits:
            done = [s for s in own if schedule.planned(s.visit) is visit]
            day_at = _days_by_age(first) if first else None
            if done:
                yield _received(infant, visit, done, day_at)
            elif day_at is not None:
                yield from _outstanding(
                    infant,
                    visit,
                    day_at,
                    wait_days=schedule.wait_days,
                    today=today,
                    retired_on=retired_on,
                )


def _days_by_age(first: SeenSession) -> Callable[[float], date]:
    """Return which day an infant is of which age, counted from its first session."""
    age_days = first.age_days or 0.0
    return lambda age: first.on + timedelta(days=round(age - age_days))


def _received(
    infant: str,
    visit: PlannedVisit,
    done: Sequence[SeenSession],
    day_at: Callable[[float], date] | None,
) -> Expected:
    """Return a visit that came; of several sessions the one nearest to the planned age counts."""

    def off(seen: SeenSession) -> float:
        return float("inf") if seen.age_days is None else abs(seen.age_days - visit.age_days)

    best = min(done, key=off)
    state: State = "received"
    if best.age_days is not None and best.age_days < visit.earliest_age_days:
        state = "early"
    elif best.age_days is not None and best.age_days > visit.latest_age_days:
        state = "late"
    known = best.age_days is not None
    return Expected(
        what="visit",
        item=f"{infant}/{visit.visit}",
        state=state,
        infant=infant,
        visit=visit.visit,
        session=best.session,
        due_on=day_at(visit.age_days) if day_at else None,
        earliest_on=day_at(visit.earliest_age_days) if day_at else None,
        latest_on=day_at(visit.latest_age_days) if day_at else None,
        days_off=round((best.age_days or 0.0) - visit.age_days) if known else None,
    )


def _outstanding(
    infant: str,
    visit: PlannedVisit,
    day_at: Callable[[float], date],
    *,
    wait_days: int,
    today: date,
    retired_on: date | None,
) -> Iterator[Expected]:
    """Yield a visit that has not come, unless its centre left before its window was over."""
    due = day_at(visit.age_days)
    earliest, latest = day_at(visit.earliest_age_days), day_at(visit.latest_age_days)
    if retired_on is not None and latest > retired_on:
        return
    state, changes_on = _open_state(today, earliest, latest, wait_days)
    yield Expected(
        what="visit",
        item=f"{infant}/{visit.visit}",
        state=state,
        infant=infant,
        visit=visit.visit,
        due_on=due,
        earliest_on=earliest,
        latest_on=latest,
        changes_on=changes_on,
    )


def _open_state(
    today: date, earliest: date, latest: date, wait_days: int
) -> tuple[State, date | None]:
    """Return the state of what has not come on a day, and the day on which it becomes another."""
    after = latest + timedelta(days=1)
    given_up = after + timedelta(days=wait_days)
    if today < earliest:
        return "not_yet", earliest
    if today < after:
        return "due", after
    if today < given_up:
        return "overdue", given_up
    return "missing", None


def _techniques(schedule: Schedule, sessions: Iterable[SeenSession]) -> Iterator[Expected]:
    """Yield each technique that a visit plans, and whether a recording of it came."""
    for seen in sessions:
        planned = schedule.planned(seen.visit)
        for technique in planned.techniques if planned else ():
            yield Expected(
                what="technique",
                item=f"{seen.session}/{technique}",
                state="received" if technique in seen.techniques else "missing",
                infant=seen.infant,
                visit=planned.visit if planned else None,
                session=seen.session,
                technique=technique,
            )


def _calls(schedule: Schedule, sessions: Iterable[SeenSession], today: date) -> Iterator[Expected]:
    """Yield the follow-up call of each session; word of it may come with the next delivery."""
    within = schedule.followup_call_within_days
    if within is None:
        return
    for seen in sessions:
        due = seen.on + timedelta(days=within)
        told = due + timedelta(days=schedule.wait_days + 1)
        waits = not seen.is_called and today < told
        yield Expected(
            what="followup_call",
            item=seen.session,
            state="received" if seen.is_called else "due" if waits else "overdue",
            infant=seen.infant,
            visit=seen.visit,
            session=seen.session,
            due_on=due,
            changes_on=told if waits else None,
        )


def _next_delivery(
    schedule: Schedule, last_arrival: date | None, today: date, retired_on: date | None
) -> Iterator[Expected]:
    """Yield the next delivery of a centre, unless it has left or nothing says when one is due."""
    every, last = schedule.deliveries_every_days, last_arrival or schedule.starts_on
    if every is None or last is None or (retired_on is not None and retired_on <= today):
        return
    due = last + timedelta(days=every)
    late = due + timedelta(days=schedule.delivery_grace_days + 1)
    state: State = "not_yet" if today < due else "due" if today < late else "overdue"
    yield Expected(
        what="delivery",
        item=NEXT_DELIVERY,
        state=state,
        due_on=due,
        latest_on=late - timedelta(days=1),
        days_off=(today - due).days,
        changes_on=due if today < due else late if today < late else None,
    )


def day_of(centre: Centre, at: datetime) -> date:
    """Return the local day of a moment at a centre; that of UTC where it names no time zone."""
    return at.astimezone(centre.zone or UTC).date()


def expected_frame(
    study: Study,
    *,
    sessions: pd.DataFrame,
    recordings: pd.DataFrame,
    last_arrivals: Mapping[str, datetime],
    now: datetime,
) -> pd.DataFrame:
    """Return the warehouse table `expected`.

    `sessions` has centre, session, infant, visit, tested_on, followup_call_done and the ages;
    `recordings` centre, session, technique. `last_arrivals` is when the last delivery of a centre
    arrived, `now` when the night began.
    """
    names = [column.name for column in contract.TABLES["expected"].columns]
    if study.schedule is None:
        return pd.DataFrame(columns=names)
    seen = _seen(study.schedule, sessions, recordings)
    rows: list[dict[str, Any]] = []
    for centre in study.centres.values():
        last = last_arrivals.get(centre.centre)
        expected = expected_of_centre(
            study.schedule,
            seen.get(centre.centre, []),
            last_arrival=None if last is None else day_of(centre, last),
            today=day_of(centre, now),
            retired_on=centre.retired_on,
        )
        rows += [{"centre": centre.centre, **asdict(each)} for each in expected]
    return pd.DataFrame(rows, columns=names)


def _seen(
    schedule: Schedule, sessions: pd.DataFrame, recordings: pd.DataFrame
) -> dict[str, list[SeenSession]]:
    """Return by centre the sessions that came with an infant, a visit and a day."""
    came: dict[tuple[Any, Any], set[str]] = {}
    known = recordings.dropna(subset=["session", "technique"])
    for key in zip(known["centre"], known["session"], known["technique"], strict=True):
        came.setdefault(key[:2], set()).add(key[2])
    found: dict[str, list[SeenSession]] = {}
    row: Any
    for row in sessions.dropna(subset=["infant", "visit", "tested_on"]).itertuples():
        age_days = getattr(row, schedule.by)
        found.setdefault(row.centre, []).append(
            SeenSession(
                session=row.session,
                infant=row.infant,
                visit=row.visit,
                on=row.tested_on,
                age_days=None if pd.isna(age_days) else float(age_days),
                is_called=row.followup_call_done == "yes",
                techniques=frozenset(came.get((row.centre, row.session), ())),
            )
        )
    return found
