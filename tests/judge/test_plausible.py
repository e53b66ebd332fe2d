"""Air against altitude, and an infant's sessions against each other."""

from __future__ import annotations

import math
from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietsleep import contract
from quietsleep.judge.evidence import session_values
from quietsleep.judge.plausible import (
    CHANGES,
    predicted_frc_ml,
    pressure_at_altitude_kpa,
    with_history,
    with_surroundings,
)
from quietsleep.judge.rules import judge
from quietsleep.judge.scores import weight_for_length_z, with_growth
from quietsleep.study.study import Centre

FIRST = date(2026, 1, 12)


@pytest.mark.parametrize(
    ("altitude_m", "pressure_kpa"),
    # Rows of the table of ISO 2533:1975, hPa to two places (from memory).
    [(0, 101.325), (500, 95.461), (1000, 89.876), (1500, 84.559), (2000, 79.501), (2500, 74.691)],
)
def test_the_standard_atmosphere(altitude_m: float, pressure_kpa: float) -> None:
    assert pressure_at_altitude_kpa(altitude_m) == pytest.approx(pressure_kpa, abs=0.01)


def test_predicted_frc_within_its_range_only() -> None:
    # Pediatr Pulmonol 1993;15:357-361: 70 cm 166.3 mL.
    assert predicted_frc_ml(70.0) == pytest.approx(166.3, abs=0.05)
    assert math.isnan(predicted_frc_ml(49.9)) and math.isnan(predicted_frc_ml(90.1))
    assert math.isnan(predicted_frc_ml(math.nan))


def session(code: str, **changed: object) -> dict[str, object]:
    return {
        "centre": "larch", "session": code, "infant": "i1", "on": FIRST, "held": False, "why": "",
        "device": "set-1", "sex": "female", "gestation_weeks": 40.0, "age_days": 120.0,
        "weight_kg": 6.2, "length_cm": 62.0, "room_temperature_c": 23.0,
        "room_humidity_pct": 45.0, "barometric_pressure_kpa": 101.0,
        "sedation_to_sleep_min": math.nan, "days_since_respiratory_infection": 60.0,
        "noisy_breathing": False, "staff_present": 2, "resuscitation_equipment_checked": True,
        "consent": True, "spo2_min_pct": 96.0, "followup_call_done": "yes",
    } | changed  # fmt: skip


def prepared(*rows: dict[str, object], altitude_m: float | None = 20.0) -> pd.DataFrame:
    centres = {"larch": Centre("larch", "Larch", altitude_m, {})}
    return with_history(with_surroundings(with_growth(pd.DataFrame(rows)), centres))


def states(*rows: dict[str, object], altitude_m: float | None = 20.0) -> dict[str, dict[str, str]]:
    """Session -> rule -> state, of the rules on the session."""
    sessions = prepared(*rows, altitude_m=altitude_m)
    values = session_values(sessions).merge(sessions[["centre", "session", "on"]])
    values = values.assign(technique="session", item=values["session"])
    verdicts = judge(values, contract.SESSION.rules, (), level="session")
    found: dict[str, dict[str, str]] = {}
    for row in verdicts.itertuples():
        found.setdefault(str(row.item), {})[str(row.rule).partition(".")[2]] = str(row.state)
    return found


def failing(*rows: dict[str, object], altitude_m: float | None = 20.0) -> dict[str, set[str]]:
    return {
        code: {rule for rule, state in of_rule.items() if state in {"fail", "not_judged"}}
        for code, of_rule in states(*rows, altitude_m=altitude_m).items()
    }


def test_a_sound_session_fails_nothing() -> None:
    assert failing(session("s1")) == {"s1": set()}


@pytest.mark.parametrize("altitude_m", [0.0, 150.0, 800.0, 1600.0, 2500.0])
def test_pressure_of_sea_level_at_a_high_centre_is_refused(altitude_m: float) -> None:
    expected = pressure_at_altitude_kpa(altitude_m)
    for weather in (-4.9, 0.0, 4.9):
        sound = session("s1", barometric_pressure_kpa=expected + weather)
        assert failing(sound, altitude_m=altitude_m) == {"s1": set()}
    typed = session("s1", barometric_pressure_kpa=101.3)
    wrong = failing(typed, altitude_m=altitude_m)["s1"]
    assert wrong == ({"barometric_pressure_plausible"} if altitude_m > 450 else set())


def test_the_sentence_names_what_is_expected_at_that_altitude() -> None:
    sessions = prepared(session("s1", barometric_pressure_kpa=101.3), altitude_m=2500.0)
    values = session_values(sessions).merge(sessions[["centre", "session", "on"]])
    values = values.assign(technique="session", item=values["session"])
    rule = contract.RULES["session.barometric_pressure_plausible"]
    sentence = str(judge(values, [rule], (), level="session")["sentence"][0])
    assert "101 kPa; at the registered altitude of 2500 m 74.7 kPa is expected" in sentence
    assert "off by 26.6 kPa" in sentence and "sea level" in sentence


def test_a_centre_without_altitude_is_not_judged_by_it() -> None:
    rows = states(session("s1", barometric_pressure_kpa=60.0), altitude_m=None)
    assert rows["s1"]["barometric_pressure_plausible"] == "not_applicable"


@pytest.mark.parametrize(
    ("humidity", "wrong"),
    [(0.0, True), (0.45, True), (1.0, True), (2.0, False), (8.0, False), (100.0, False)],
)
def test_humidity_as_a_share_is_refused(humidity: float, wrong: bool) -> None:
    found = failing(session("s1", room_humidity_pct=humidity))["s1"]
    assert found == ({"humidity_plausible"} if wrong else set())


def later(code: str, days: int, **changed: object) -> dict[str, object]:
    """The same girl some days later, grown along the WHO medians."""
    age = 120.0 + days
    length = {60: 66.5, 180: 73.2}[days]
    weight = {60: 7.4, 180: 9.1}[days]
    return (
        session(
            code, on=FIRST + timedelta(days=days), age_days=age, length_cm=length, weight_kg=weight
        )
        | changed
    )


def test_sessions_of_one_infant_that_agree_fail_nothing() -> None:
    found = failing(session("s1"), later("s2", 60), later("s3", 180))
    assert found == {"s1": set(), "s2": set(), "s3": set()}


def test_one_session_cannot_be_compared() -> None:
    found = prepared(session("s1"), session("s2", infant="i2"), session("s3", centre="birch"))
    assert found[list(CHANGES)].isna().all(axis=None)
    assert set(found["length_z_change_why"]) == {"No other session of this infant can be compared."}


def test_held_sessions_and_sessions_without_an_infant_are_not_compared() -> None:
    found = prepared(session("s1"), later("s2", 60, held=True), later("s3", 60, infant=None))
    assert found[list(CHANGES)].isna().all(axis=None)


def test_of_three_sessions_the_wrong_one_is_told() -> None:
    wrong = later("s2", 60, age_days=526.0)
    found = states(session("s1"), wrong, later("s3", 180))
    assert [found[code]["age_plausible"] for code in ("s1", "s2", "s3")] == ["pass", "fail", "pass"]
    assert [found[c]["length_change_plausible"] for c in ("s1", "s2", "s3")] == [
        "pass", "fail", "pass",
    ]  # fmt: skip


def test_of_two_sessions_both_are_in_doubt() -> None:
    found = states(session("s1"), later("s2", 60, age_days=526.0))
    assert found["s1"]["age_plausible"] == found["s2"]["age_plausible"] == "fail"
    sound = states(session("s1"), later("s2", 60, age_days=182.6))
    assert sound["s1"]["age_plausible"] == sound["s2"]["age_plausible"] == "pass"


@pytest.mark.parametrize("share", [0.9, 1.1])
def test_length_ten_per_cent_off_is_seen_against_another_session(share: float) -> None:
    found = failing(session("s1"), later("s2", 60, length_cm=66.5 * share))
    assert "length_change_plausible" in found["s1"] and "length_change_plausible" in found["s2"]
    assert ("length_kept" in found["s2"]) == (66.5 * share < 61.0)


def test_an_infant_does_not_shrink() -> None:
    found = states(session("s1", length_cm=64.0), later("s2", 60, length_cm=62.9))
    assert found["s1"]["length_kept"] == found["s2"]["length_kept"] == "fail"
    within = states(session("s1", length_cm=64.0), later("s2", 60, length_cm=63.1))
    assert within["s1"]["length_kept"] == within["s2"]["length_kept"] == "pass"


@pytest.mark.parametrize("share", [0.9, 1.1])
def test_length_ten_per_cent_off_is_seen_alone_by_age(share: float) -> None:
    infant = {"sex": "male", "age_days": 204.0, "weight_kg": 8.1, "length_cm": 68.4 * share}
    assert "length_unusual" in failing(session("s1", **infant))["s1"]


def test_length_ten_per_cent_off_is_seen_alone_by_weight() -> None:
    """Short for age to begin with, so that ten per cent more are usual for age."""
    infant = {"sex": "male", "age_days": 204.0, "weight_kg": 6.6, "length_cm": 66.0 * 1.1}
    found = failing(session("s1", **infant))["s1"]
    assert "weight_for_length_unusual" in found and "length_unusual" not in found
    plain = infant | {"length_cm": 66.0}
    assert failing(session("s1", **plain)) == {"s1": set()}


def test_a_weight_that_no_length_goes_with_is_refused() -> None:
    infant = {"sex": "male", "age_days": 204.0, "weight_kg": 5.0, "length_cm": 78.4}
    assert "weight_for_length_plausible" in failing(session("s1", **infant))["s1"]


def test_age_of_526_for_204_days_is_seen_alone() -> None:
    infant = {"sex": "male", "age_days": 526.0, "weight_kg": 8.1, "length_cm": 68.4}
    assert "length_unusual" in failing(session("s1", **infant))["s1"]


def test_weight_for_length_is_that_of_who_whatever_the_age() -> None:
    # WHO weight-for-length, simplified field table, girls, 65.0 cm: median 7.1 kg (from memory).
    assert weight_for_length_z(7.1, 65.0, sex="female").z == pytest.approx(0.0, abs=0.1)
    old = with_growth(pd.DataFrame([session("s1", age_days=1000.0)]))
    young = with_growth(pd.DataFrame([session("s1", age_days=10.0)]))
    assert old["weight_for_length_z"][0] == young["weight_for_length_z"][0]
    for length in (44.9, 110.1):
        assert "45 to 110" in weight_for_length_z(7.0, length, sex="male").why
    assert "not known" in weight_for_length_z(math.nan, 60.0, sex="male").why
    assert "sex" in weight_for_length_z(7.0, 60.0, sex=None).why


@settings(max_examples=40, deadline=None)
@given(data=st.data(), n=st.integers(2, 5))
def test_order_of_rows_does_not_matter_and_agreeing_sessions_never_contradict(
    data: st.DataObject, n: int
) -> None:
    days = sorted(data.draw(st.sets(st.integers(0, 300), min_size=n, max_size=n)))
    rows = [
        session(f"s{d}", on=FIRST + timedelta(days=d), age_days=100.0 + d, length_cm=60.0 + d / 20)
        for d in days
    ]
    shuffled = data.draw(st.permutations(rows))
    one = prepared(*rows).sort_values("session")[list(CHANGES)].to_numpy()
    other = prepared(*shuffled).sort_values("session")[list(CHANGES)].to_numpy()
    np.testing.assert_allclose(one, other)
    found = prepared(*rows)
    assert (found["age_contradiction_days"] == 0.0).all()
    assert (found["length_lost_cm"] <= 0.0).all()
