"""Air that cannot be: which tests of a session fall with it, and which stand."""

from __future__ import annotations

from datetime import date
from typing import Any

import pandas as pd
import pytest

from quietsleep import contract
from quietsleep.judge.tests import Evidence, Judged, judge_study
from quietsleep.study.study import Waiver

DAY = date(2026, 3, 1)
AIR = tuple(
    contract.RULES[f"session.{name}"]
    for name in ("barometric_pressure_plausible", "humidity_plausible", "consent")
)
TECHNIQUES = ("plethysmography", "tidal")
GASES = ("measured", "btps")


def frame(rows: list[dict[str, Any]], *names: str) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=list(names) if names else None)


def judged(*waivers: Waiver, **numbers: float) -> Judged:
    """Judge one session on a device of each gas state, both with these numbers of the session."""
    sound = {"consent": 1.0, "room_humidity_pct": 45.0, "barometric_pressure_difference_kpa": 0.3}
    sessions = [
        {"centre": "c", "session": gas, "on": DAY, "held": False, "why": "", "gas_state": gas}
        for gas in GASES
    ]
    recordings = [
        {"centre": "c", "session": gas, "technique": technique, "recording": f"{gas}-{technique}"}
        | {"on": DAY, "state": "measured"}
        for gas in GASES
        for technique in TECHNIQUES
    ]
    values = [
        {"centre": "c", "session": gas, "quantity": name, "value": value}
        for gas in GASES
        for name, value in {**sound, **numbers}.items()
    ]
    item = ("centre", "session", "technique", "recording", "trial", "trial_index", "on")
    evidence = Evidence(
        sessions=frame(sessions),
        recordings=frame(recordings),
        trials=frame([], *item, "start_s", "end_s"),
        trial_values=frame([], "centre", "trial", "technique", "quantity", "value", "reason"),
        checks=frame([], "centre", "check_id", "kind", "on", "state"),
        check_values=frame([], "centre", "check_id", "level", "quantity", "value"),
        session_values=frame(values),
        session_checks=frame([], "centre", "session", "kind", "check_id"),
    )
    return judge_study(evidence, rules=AIR, waivers=waivers)


def statuses(found: Judged) -> dict[tuple[str, str], str]:
    rows = found.tests[["session", "technique", "status"]].itertuples(index=False, name=None)
    return {(session, technique): status for session, technique, status in rows}


def test_sound_air_refuses_nothing() -> None:
    found = judged()
    assert set(statuses(found).values()) == {"accepted"}
    assert not found.sessions["flagged"].any() and set(found.sessions["why"]) == {""}


@pytest.mark.parametrize(
    ("numbers", "refused_at_btps"),
    [
        ({"barometric_pressure_difference_kpa": 26.6}, {"plethysmography"}),
        ({"room_humidity_pct": 0.45}, set()),
    ],
)
def test_only_tests_that_rest_on_the_air_fall_with_it(
    numbers: dict[str, float], refused_at_btps: set[str]
) -> None:
    found = judged(**numbers)
    for (gas, technique), status in statuses(found).items():
        refused = gas == "measured" or technique in refused_at_btps
        assert status == ("rejected" if refused else "accepted"), (gas, technique)
    sessions = found.sessions.set_index("session")
    assert sessions.loc["measured", "status"] == "rejected"
    # The session stands where some of its tests do, and says what is wrong all the same.
    assert sessions.loc["btps", "status"] == "accepted"
    assert set(found.sessions.loc[found.sessions["session"] == "btps", "flagged"]) == {True}
    said = set(found.sessions["why"])
    assert len(said) == 1 and "" not in said
    why = found.tests.set_index(["session", "technique"])["why"]
    for key, status in statuses(found).items():
        assert (why[key] != "") == (status == "rejected")


def test_what_was_not_recorded_is_not_judgeable() -> None:
    found = judged(room_humidity_pct=float("nan"))
    assert statuses(found)["measured", "tidal"] == "not_judgeable"
    assert statuses(found)["btps", "tidal"] == statuses(found)["btps", "plethysmography"]
    assert statuses(found)["btps", "tidal"] == "accepted"


def test_another_rule_refuses_the_whole_session_as_before() -> None:
    found = judged(consent=0.0, barometric_pressure_difference_kpa=26.6)
    assert set(statuses(found).values()) == {"rejected"}
    why = found.tests.set_index(["session", "technique"])["why"]["btps", "plethysmography"]
    assert why.count("Barometric pressure was recorded") == 1


def test_a_waiver_lifts_it() -> None:
    rule = "session.barometric_pressure_plausible"
    waivers = [
        Waiver(f"w-{gas}", "c", "session", gas, rule, "barometer replaced", "lead-1", DAY)
        for gas in GASES
    ]
    found = judged(*waivers, barometric_pressure_difference_kpa=26.6)
    assert set(statuses(found).values()) == {"accepted"}
