"""What a schedule expects, day by day: windows with both borders, deliveries, calls, techniques."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietsleep.judge.expected import Expected, SeenSession, expected_of_centre
from quietsleep.study.schedule import PlannedVisit, Schedule

BORN = date(2026, 1, 1)
FIRST = PlannedVisit(
    visit="6 weeks",
    age_days=42.0,
    earliest_age_days=35.0,
    latest_age_days=56.0,
    techniques=("tidal", "single_occlusion"),
    also_called=("V1",),
)
SECOND = PlannedVisit(
    visit="6 months", age_days=182.0, earliest_age_days=168.0, latest_age_days=196.0
)
SCHEDULE = Schedule(
    visits=(FIRST, SECOND),
    deliveries_every_days=14,
    delivery_grace_days=7,
    followup_call_within_days=3,
)
WAIT = 21


def at_age(days: int) -> date:
    return BORN + timedelta(days=days)


def session(
    code: str, *, age: int, visit: str = "6 weeks", called: bool = True, infant: str = "i1"
) -> SeenSession:
    techniques = frozenset({"tidal", "single_occlusion"})
    return SeenSession(code, infant, visit, at_age(age), float(age), called, techniques)


def expect(
    *sessions: SeenSession,
    today: date,
    schedule: Schedule = SCHEDULE,
    last: date | None = None,
    retired_on: date | None = None,
) -> dict[tuple[str, str], Expected]:
    found = expected_of_centre(
        schedule, sessions, last_arrival=last, today=today, retired_on=retired_on
    )
    assert len({(e.what, e.item) for e in found}) == len(found)
    return {(e.what, e.item): e for e in found}


@pytest.mark.parametrize(
    ("age", "state"),
    [
        (43, "not_yet"),
        (167, "not_yet"),
        (168, "due"),
        (196, "due"),
        (197, "overdue"),
        (196 + WAIT, "overdue"),
        (197 + WAIT, "missing"),
        (2000, "missing"),
    ],
)
def test_a_visit_that_has_not_come(age: int, state: str) -> None:
    found = expect(session("s1", age=42), today=at_age(age))
    visit = found["visit", "i1/6 months"]
    assert visit.state == state and visit.session is None
    assert (visit.earliest_on, visit.due_on, visit.latest_on) == (
        at_age(168),
        at_age(182),
        at_age(196),
    )


@pytest.mark.parametrize(
    ("age", "state", "off"),
    [(34, "early", -8), (35, "received", -7), (42, "received", 0), (56, "received", 14),
     (57, "late", 15)],
)  # fmt: skip
def test_a_visit_that_came_inside_or_outside_its_window(age: int, state: str, off: int) -> None:
    visit = expect(session("s1", age=age), today=at_age(400))["visit", "i1/6 weeks"]
    assert (visit.state, visit.days_off, visit.session, visit.changes_on) == (
        state,
        off,
        "s1",
        None,
    )


def test_of_several_sessions_of_a_visit_the_one_nearest_its_age_counts() -> None:
    sessions = [session("s1", age=20), session("s2", age=44, visit="v1"), session("s3", age=90)]
    found = expect(*sessions, today=at_age(100))
    assert found["visit", "i1/6 weeks"].session == "s2"
    assert found["visit", "i1/6 weeks"].state == "received"


def test_a_session_of_a_visit_that_nobody_planned_is_named() -> None:
    found = expect(session("s1", age=42), session("s2", age=60, visit="Visit 9"), today=at_age(60))
    assert found["visit", "i1/s2"].state == "unplanned"
    only_deliveries = Schedule(deliveries_every_days=14)
    assert expect(session("s2", age=60, visit="Visit 9"), today=at_age(60),
                  schedule=only_deliveries) == {}  # fmt: skip


def test_techniques_that_a_visit_plans_and_nobody_attempted() -> None:
    seen = session("s1", age=42)._replace(techniques=frozenset({"tidal", "raised_volume"}))
    found = expect(seen, session("s2", age=182, visit="6 months"), today=at_age(200))
    techniques = {item: e.state for (what, item), e in found.items() if what == "technique"}
    assert techniques == {"s1/single_occlusion": "missing", "s1/tidal": "received"}


@pytest.mark.parametrize(
    ("days", "called", "state"),
    [
        (0, True, "received"),
        (0, False, "due"),
        (3 + WAIT, False, "due"),
        (4 + WAIT, False, "overdue"),
        (4 + WAIT, True, "received"),
    ],
)
def test_follow_up_calls(days: int, called: bool, state: str) -> None:
    seen = session("s1", age=42, called=called)
    call = expect(seen, today=at_age(42 + days))["followup_call", "s1"]
    assert call.state == state and call.due_on == at_age(45)


@pytest.mark.parametrize(
    ("days", "state"), [(0, "not_yet"), (13, "not_yet"), (14, "due"), (21, "due"), (22, "overdue")]
)
def test_the_next_delivery(days: int, state: str) -> None:
    last = date(2026, 5, 1)
    found = expect(today=last + timedelta(days=days), last=last)
    delivery = found["delivery", "next delivery"]
    assert delivery.state == state and delivery.days_off == days - 14
    if state != "overdue":
        assert delivery.changes_on is not None


def test_a_centre_that_has_delivered_nothing_is_asked_from_the_day_the_study_starts() -> None:
    assert expect(today=date(2027, 1, 1)) == {}
    started = Schedule(deliveries_every_days=14, starts_on=date(2026, 5, 1))
    found = expect(today=date(2026, 5, 16), schedule=started)
    assert found["delivery", "next delivery"].state == "overdue"


def test_a_centre_that_left_is_asked_for_nothing_more() -> None:
    left = at_age(170)
    found = expect(session("s1", age=42), today=at_age(400), last=at_age(50), retired_on=left)
    assert ("delivery", "next delivery") not in found and ("visit", "i1/6 months") not in found
    assert found["visit", "i1/6 weeks"].state == "received"
    later = expect(session("s1", age=42), today=at_age(400), retired_on=at_age(196))
    assert later["visit", "i1/6 months"].state == "missing"


def test_infants_of_two_centres_or_without_an_age_are_no_trouble() -> None:
    ageless = session("s1", age=42)._replace(age_days=None)
    found = expect(ageless, today=at_age(400))
    assert found["visit", "i1/6 weeks"].state == "received"
    assert ("visit", "i1/6 months") not in found


SEEN = st.builds(
    lambda n, age, visit, called: session(
        f"s{n}-{age}", age=age, visit=visit, called=called, infant=f"i{n}"
    ),
    st.integers(1, 3),
    st.integers(0, 400),
    st.sampled_from(["6 weeks", "6 months", "Visit 9"]),
    st.booleans(),
)


@given(
    st.lists(SEEN, max_size=5, unique_by=lambda s: s.session),
    st.integers(0, 600),
    st.one_of(st.none(), st.integers(0, 600)),
)
def test_states_change_on_the_day_they_say_and_on_no_other(
    sessions: list[SeenSession], today: int, last: int | None
) -> None:
    def on(day: date) -> dict[tuple[str, str], Expected]:
        return expect(*sessions, today=day, last=None if last is None else at_age(last))

    before = on(at_age(today))
    for ahead in (1, 5, 40):
        day = at_age(today + ahead)
        for key, later in on(day).items():
            due = before[key].changes_on
            assert (later.state != before[key].state) == (due is not None and due <= day)
