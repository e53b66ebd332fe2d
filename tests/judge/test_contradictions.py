"""Sessions that say against each other: one sentence for each, that names both sides."""

from __future__ import annotations

from datetime import date, timedelta
from types import SimpleNamespace
from typing import Any

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietsleep import contract
from quietsleep.judge import causes
from quietsleep.judge.contradictions import Contradiction, contradictions_of
from quietsleep.judge.plausible import with_history
from quietsleep.measure.roster import Roster

FIRST = date(2026, 3, 2)
RULES = tuple(contract.RULES.values())
(SLACK,) = contract.RULES["session.age_plausible"].limit
SIDES = ["centre", "session", "recording", "file_sha256"]


def session(code: str, *, day: int = 0, **values: Any) -> dict[str, Any]:
    """A session of one infant, so many days after the first and as many days older."""
    return {
        "centre": "larch", "session": code, "infant": "i1", "on": FIRST + timedelta(days=day),
        "sex": "female", "gestation_weeks": 39.5, "birth_weight_kg": 3.4,
        "age_days": 100.0 + day, "held": False,
        "length_cm": 60.0, "length_z": 0.0, "weight_z": 0.0,
    } | values  # fmt: skip


def found_in(
    *sessions: dict[str, Any], recordings: Any = (), checks: Any = ()
) -> list[Contradiction]:
    of_check = pd.DataFrame(list(checks), columns=["centre", "check_id", "file_sha256"])
    nothing = pd.DataFrame()
    rows = pd.DataFrame(list(sessions), columns=list(session("s"))).astype({"held": "bool"})
    return contradictions_of(
        Roster(
            sessions=with_history(rows),
            recordings=pd.DataFrame(list(recordings), columns=SIDES),
            checks=of_check,
            reported=nothing,
            session_checks=nothing,
            superseded=nothing,
            delivered=nothing,
            withdrawn=nothing,
            sessions_without_consent=nothing,
        ),
        RULES,
    )


def test_sessions_that_agree_say_nothing() -> None:
    sound = [session(f"s{n}", day=30 * n) for n in range(4)]
    recordings = [("larch", f"s{n}", "tidal1", f"sha{n}") for n in range(4)]
    missing = session("s9", day=200, birth_weight_kg=None, infant=None, sex=None, age_days=None)
    assert found_in(*sound, missing, recordings=recordings) == []
    assert found_in() == []


@pytest.mark.parametrize("n", [2, 3, 400])
def test_the_same_bytes_are_one_sentence_however_often(n: int) -> None:
    recordings = [("larch", f"s{i:03d}", "tidal1", "a" * 64) for i in range(n)]
    (said,) = found_in(recordings=recordings)
    assert said.key == f"same_bytes|larch|signal {'a' * 12}" and len(said.sessions) == n
    assert f"delivered {n} times, in {n} sessions" in said.sentence
    assert "tidal1 of s000" in said.sentence and len(said.sentence) < 300


def test_the_same_bytes_of_one_session_of_a_check_and_of_two_centres() -> None:
    recordings = [("larch", "s1", "tidal1", "a"), ("larch", "s1", "tidal2", "a")]
    (said,) = found_in(recordings=recordings)
    assert "tidal1 of s1 and tidal2 of s1" in said.sentence and "sessions" not in said.sentence
    checks = [("larch", "c1", "b"), ("larch", "c2", "b"), ("larch", "c3", None)]
    (said,) = found_in(checks=checks)
    assert "c1 and c2" in said.sentence and said.sessions == ()
    recordings = [("larch", "s1", "tidal1", "a"), ("rowan", "s1", "tidal1", "a")]
    (said,) = found_in(recordings=recordings)
    assert said.centre == "" and "tidal1 of s1 at larch and tidal1 of s1 at rowan" in said.sentence


def test_one_infant_on_one_day_under_several_sessions() -> None:
    (said,) = found_in(session("s1"), session("s2"), session("s3", day=30))
    assert said.kind == "same_infant_and_day" and said.sessions == ("s1", "s2")
    assert "s1 and s2 are of the same infant, i1" in said.sentence
    other = session("s1", centre="rowan")
    assert found_in(session("s1"), other) == []
    assert found_in(session("s1"), session("s2", held=True)) == []


@pytest.mark.parametrize(
    ("column", "value", "words"),
    [
        ("sex", "male", "sex is female in s1 and s3 and male in s2"),
        ("gestation_weeks", 38.0, "gestation is 38 weeks in s2 and 39.5 weeks in s1 and s3"),
        ("birth_weight_kg", 3.5, "birth weight is 3.4 kg in s1 and s3 and 3.5 kg in s2"),
    ],
)
def test_what_is_true_for_life_and_changes(column: str, value: Any, words: str) -> None:
    rows = [session("s1"), session("s2", day=30, **{column: value}), session("s3", day=60)]
    (said,) = found_in(*rows)
    assert said.key == f"infant_differs|larch|infant i1 ({column})"
    assert words in said.sentence and said.sessions == ("s1", "s2", "s3")
    assert found_in(rows[0], rows[1] | {column: None}) == []


@given(st.integers(0, 400), st.integers(-60, 60))
def test_ages_that_do_not_grow_by_the_days_between(days: int, off: int) -> None:
    later = session("s2", day=days + 1, age_days=100.0 + days + 1 + off)
    found = found_in(session("s1"), later)
    assert len(found) == (abs(off) > SLACK)
    if found:
        assert found[0].kind == "ages_and_days_differ" and found[0].sessions == ("s1", "s2")
        assert f"{days + 1} days passed" in found[0].sentence
        assert "2026" not in found[0].sentence  # no day from which a date of birth follows


def test_one_wrong_age_is_one_sentence_that_names_the_worst_step() -> None:
    rows = [session(f"s{n}", day=30 * n) for n in range(5)]
    rows[2]["age_days"] = 400.0
    (said,) = found_in(*rows)
    assert said.sessions == ("s1", "s2", "s3") and "In doubt: s2." in said.sentence


def test_the_order_of_rows_changes_nothing() -> None:
    rows = [
        session("s1"),
        session("s2", sex="male"),
        session("s3", day=30, age_days=300.0),
        session("s4", infant="i2"),
        session("s5", infant="i2"),
    ]
    forward, back = found_in(*rows), found_in(*reversed(rows))
    assert forward == back and len({c.key for c in forward}) == len(forward) == 4


def test_it_concerns_the_infant_of_its_own_centre_where_another_uses_the_same_codes() -> None:
    sessions = pd.DataFrame(
        [("larch", "s1", "i1"), ("larch", "s2", "i1"), ("willow", "s1", "i7")],
        columns=["centre", "session", "infant"],
    )
    told = Contradiction("infant_differs", "larch", "i1", ("s1", "s2"), "", "", "")
    judged: Any = SimpleNamespace(sessions=sessions, contradictions=[told])
    ((_, draft),) = causes._of_contradictions(judged)
    assert draft.infant == "i1"
