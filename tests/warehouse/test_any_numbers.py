"""Every score and statistic of data that degenerate: a number or a reason, no error, no warning.

Values are drawn of the worst: none, one or two of them, all alike, infinite, missing, denormal, so
large that their squares are no numbers. Warnings are errors here, as in all tests.
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

import duckdb
import numpy as np
import pandas as pd
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from quietsleep.contract import CHECKS, OUTCOMES, RULES, TABLES
from quietsleep.judge.agreement import agreement_frame
from quietsleep.judge.numbers import only_finite, quotient, usable, usable_in_sql, usable_or_nan
from quietsleep.judge.scores import Subject, load_references, score, score_by, with_growth
from quietsleep.warehouse import standing
from quietsleep.warehouse.comparability import between_share, between_share_interval
from quietsleep.warehouse.drifts import bent_line, drifts_frame, run_rule, usual_range
from quietsleep.warehouse.equation_check import equation_check_frame
from quietsleep.warehouse.funnel import funnel_mark, funnel_range
from quietsleep.warehouse.repeatability import repeatability_frame
from quietsleep.warehouse.sample_size import infants_per_group, sample_size_frame
from quietsleep.warehouse.spread import clean_values, mean_interval, sd_interval
from quietsleep.warehouse.statistics import (
    agreement_limits_frame,
    comparability_frame,
    kappa,
    repeatability,
    share_interval,
)
from quietsleep.warehouse.unit_slips import unit_slips_frame
from tests.warehouse.planted import connect
from tests.warehouse.test_repeatability import trials_of

SOME = settings(max_examples=20, deadline=None)
# Each of these makes a database.
FEW = settings(max_examples=8, deadline=None)
NO_NUMBER = re.compile(r"\b(nan|inf)\b")
NASTY = (
    0.0, -0.0, 1.0, 1.0 + 1e-15, -1.0, 52.1, 5e-324, -5e-324, 1e-300, 1e-160, 1e-29, 1e29, 1e154,
    1.7e308, -1.7e308, math.inf, -math.inf, math.nan,
)  # fmt: skip
ANY = st.one_of(st.sampled_from(NASTY), st.floats(), st.floats(1, 200))
GROUPS = st.lists(st.lists(ANY, max_size=5), max_size=4)
CENTRES = ("alder", "larch", "maple", "rowan")
OUTCOME = "vt_ml"


def no_infinity(frame: pd.DataFrame) -> None:
    """Hold every cell against the promise: no number of a table is infinite."""
    for name in frame.columns:
        for value in frame[name]:
            assert not (isinstance(value, float) and math.isinf(value)), (name, value)
            assert not (isinstance(value, str) and NO_NUMBER.search(value)), value


def study_of(groups: Sequence[Sequence[float]], lengths: Sequence[float]) -> dict[str, Any]:
    """Return outcomes, sessions and devices: a centre of each group, an infant of each value."""
    outcomes, sessions = [], []
    for centre, values in zip(CENTRES, groups, strict=False):
        for n, value in enumerate(values):
            at = {"centre": centre, "session": f"s{n}"}
            outcomes.append(
                {
                    **at,
                    "technique": "tidal",
                    "outcome": OUTCOME,
                    "unit": "mL",
                    "value": value,
                    "z": value,
                    "equation": "e",
                    "status": "accepted",
                }
            )
            body = lengths[n % len(lengths)]
            sessions.append({**at, "infant": f"{centre}{n}", "tested_on": date(2026, 1, 5),
                             "sex": "male", "length_cm": body, "weight_kg": body, "age_days": body,
                             "corrected_age_days": body, "gestation_weeks": body, "device": "set",
                             "device_valid_from": date(2026, 1, 1)})  # fmt: skip
    columns = {
        "outcomes": ["centre", "session", "technique", "outcome", "unit", "value", "z", "equation",
                     "status"],
        "sessions": ["centre", "session", "infant", "tested_on", "sex", "length_cm", "weight_kg",
                     "age_days", "corrected_age_days", "gestation_weeks", "device",
                     "device_valid_from"],
        "devices": ["centre", "device", "valid_from", "equipment_class"],
    }  # fmt: skip
    rows = {"outcomes": outcomes, "sessions": sessions, "devices": list[dict[str, Any]]()}
    frames = {name: pd.DataFrame(rows[name], columns=columns[name]) for name in columns}
    number = ["value", "z"], ["length_cm", "weight_kg", "age_days", "corrected_age_days"]
    frames["outcomes"] = frames["outcomes"].astype(dict.fromkeys(number[0], "float64"))
    frames["sessions"] = frames["sessions"].astype(dict.fromkeys(number[1], "float64"))
    return frames


@SOME
@given(ANY)
def test_one_rule_says_what_can_be_computed_with(value: float) -> None:
    (one,) = usable(np.array([value]))
    assert one == math.isfinite(usable_or_nan(value))
    sql = f"SELECT coalesce({usable_in_sql('value')}, false) FROM (SELECT ?::DOUBLE AS value)"
    with duckdb.connect() as connection:
        ((asked,),) = connection.execute(sql, [value]).fetchall()
    assert asked == one
    if one:
        assert math.isfinite((value * value + value * value) ** 2 * 1e6)
        assert value == 0 or math.isfinite((value * value / 1e-60) ** 2)


@settings(deadline=None)
@given(ANY, ANY)
def test_a_quotient_is_a_number_or_missing(numerator: float, denominator: float) -> None:
    assert not math.isinf(quotient(numerator, denominator))


def test_what_is_infinite_is_missing_with_a_reason() -> None:
    found = only_finite({"a": math.inf, "b": 1.0, "why": None})
    assert math.isnan(found["a"]) and found["b"] == 1.0 and "no number" in found["why"]
    assert only_finite({"a": math.nan, "why": None})["why"] is None
    assert only_finite({"a": -math.inf, "why": "said"})["why"] == "said"


@SOME
@given(GROUPS, st.lists(ANY, min_size=1, max_size=4))
@example([[50.0] * 3] * 3, [65.0])
@example([[1e-160, 2e-160, 3e-160]] * 3, [65.0])
@example([[1e308, 1.7e308]] * 4, [5e-324, 1e308])
def test_of_any_study(groups: list[list[float]], lengths: list[float]) -> None:
    study = study_of(groups, lengths)
    no_infinity(comparability_frame(study["outcomes"], study["sessions"], study["devices"]))
    values = clean_values(study["outcomes"], study["sessions"], study["devices"])
    sizes = sample_size_frame(values)
    no_infinity(sizes)
    if len(sizes):
        assert sizes["why"].notna()[sizes["between_infant_sd"].isna()].all() \
            if "between_infant_sd" in sizes else sizes["why"].notna().all()  # fmt: skip
    no_infinity(equation_check_frame(values, load_references()))
    nothing = pd.DataFrame(columns=["centre", "session", "item", "sentence", "technique", "n_tests",
                                    "outcome", "reported_converted", "central_value",
                                    "suspected_cause"])  # fmt: skip
    no_infinity(unit_slips_frame(nothing, study["outcomes"], study["sessions"], nothing, nothing))
    grown = with_growth(study["sessions"].drop(columns="corrected_age_days"))
    no_infinity(grown.drop(columns=["length_cm", "weight_kg", "age_days", "gestation_weeks"]))


@SOME
@given(st.lists(st.tuples(ANY, ANY), max_size=6), ANY, st.sampled_from(["L", "mL", "no unit"]),
       st.sampled_from(["BTPS", "ATPS", "ATPD", None]))  # fmt: skip
@example([(1e-200, 1e200)] * 4, 22.0, "mL", "BTPS")
@example([(50.0, 50.0)] * 4, -300.0, "L", "ATPS")
def test_of_any_pairs(
    pairs: list[tuple[float, float]], room: float, unit: str, conditions: str | None
) -> None:
    shared: dict[str, Any] = {"centre": "larch", "technique": "tidal", "outcome": OUTCOME}
    key = [shared | {"session": f"s{n}"} for n in range(len(pairs))]
    reported = pd.DataFrame(
        [k | {"value": a, "unit": unit, "conditions": conditions}
         for k, (a, _) in zip(key, pairs, strict=True)],
        columns=["centre", "session", "technique", "outcome", "value", "unit", "conditions"],
    )  # fmt: skip
    outcomes = pd.DataFrame(
        [k | {"value": b, "status": "accepted"} for k, (_, b) in zip(key, pairs, strict=True)],
        columns=["centre", "session", "technique", "outcome", "value", "status"],
    )
    sessions = pd.DataFrame(
        [{"centre": "larch", "session": f"s{n}", "infant": f"i{n}", "length_cm": 65.0,
          "room_temperature_c": room, "room_humidity_pct": room, "barometric_pressure_kpa": room}
         for n in range(len(pairs))],
        columns=["centre", "session", "infant", "length_cm", "room_temperature_c",
                 "room_humidity_pct", "barometric_pressure_kpa"],
    )  # fmt: skip
    found = agreement_frame(reported, outcomes, sessions)
    assert len(found) == len(pairs)
    no_infinity(found)
    if len(found):
        no_infinity(agreement_limits_frame(found))
        nothing = pd.DataFrame(columns=["centre", "item", "technique", "n_tests", "sentence"])
        no_infinity(unit_slips_frame(found, outcomes, sessions, nothing, nothing))


@SOME
@given(ANY, ANY, ANY, st.sampled_from(["male", "female", None]))
def test_of_any_subject(value: float, size: float, age: float, sex: str | None) -> None:
    references = load_references()
    subject = Subject(sex, size, size, age, age, "unknown")
    found = [score(outcome, value, subject, references) for outcome in OUTCOMES]
    for reference in references.published.values():
        found.append(score_by(reference, value, subject))
    for each in found:
        assert not math.isinf(each.z) and not math.isinf(each.percent_predicted)
        assert math.isfinite(each.z) or each.why


@FEW
@given(st.lists(st.lists(ANY, min_size=1, max_size=4), max_size=6))
def test_of_any_trials_and_sessions(readings: list[list[float]]) -> None:
    outcomes = [
        {"centre": "larch", "session": f"i{n}-{k}", "outcome": OUTCOME, "value": value,
         "z": value, "equation": "e", "status": "accepted"}
        for n, row in enumerate(readings) for k, value in enumerate(row)
    ]  # fmt: skip
    visits = [
        {"centre": "larch", "session": f"i{n}-{k}", "infant": f"i{n}", "position": k + 1,
         "contradictions": None, "tested_on": date(2026, 1, 5) + timedelta(days=k)}
        for n, row in enumerate(readings) for k in range(len(row))
    ]  # fmt: skip
    numbers = dict.fromkeys(["value", "z"], "float64")
    frames = (
        pd.DataFrame(outcomes, columns=["centre", "session", "outcome", "value", "z", "equation",
                                        "status"]).astype(numbers),
        pd.DataFrame(visits, columns=["centre", "session", "infant", "position", "contradictions",
                                      "tested_on"]),
    )  # fmt: skip
    with trials_of(readings) as connection:
        found = repeatability_frame(connection, *frames)
    no_infinity(found)
    if len(found):
        lacks = found.reindex(columns=["within_sd"])["within_sd"].isna()
        assert found["why"].notna()[lacks].all()


@SOME
@given(GROUPS)
@example([[1e-170, 2e-170], [5e-170, 9e-170]])
@example([[1e200, 2e200], [5e200, 9e200]])
def test_of_any_groups(groups: list[list[float]]) -> None:
    arrays = [np.array(group, dtype=np.float64) for group in groups]
    with np.errstate(all="ignore"):
        share, _ = between_share(arrays)
        low, high = between_share_interval(arrays)
    assert math.isnan(share) or 0 <= share <= 1
    assert math.isnan(low) or math.isnan(high) or 0 <= low <= high <= 1
    for array in arrays:
        mean, interval = mean_interval(array)
        assert not any(map(math.isinf, (mean, *interval)))
        twice = repeatability(array, array[::-1])
        assert not math.isinf(twice)


@SOME
@given(ANY, ANY, ANY, st.integers(-2, 3))
def test_of_any_single_numbers(a: float, b: float, c: float, n: int) -> None:
    assert (found := infants_per_group(a, b, power_pct=80, design_effect=c)) is None or found > 0
    assert not any(map(math.isinf, sd_interval(a, n)))
    assert not math.isinf(kappa([[a, b], [c, a]]))
    low, high = share_interval(n, 2)
    assert 0 <= low <= high <= 1
    low, high = funnel_range(n, a)
    assert 0 <= low <= high <= 1 and funnel_mark(0, n, a) in ("inside", "below", "above")


@SOME
@given(st.lists(st.tuples(st.sampled_from(CENTRES), st.integers(0, 3), st.integers(0, 3),
                          st.integers(0, 3), st.integers(0, 400)), max_size=60))  # fmt: skip
def test_of_any_days(drawn: list[tuple[str, int, int, int, int]]) -> None:
    """Days without session or test are counted too; none is more accepted than attempted."""
    rows = [
        (centre, "tidal", pd.Timestamp(2026, 1, 1) + pd.Timedelta(days=day), sessions, tests,
         min(accepted, tests))
        for centre, sessions, tests, accepted, day in drawn
    ]  # fmt: skip
    columns = ["centre", "technique", "tested_on", "n_sessions", "n_tests", "n_accepted"]
    days = pd.DataFrame(rows, columns=columns)
    days = days.groupby(["centre", "technique", "tested_on"], as_index=False).sum()
    no_infinity(standing.standing_frame(days.sort_values("tested_on")))


@FEW
@given(st.lists(ANY, max_size=24), st.integers(0, 2))
@example([1e-170, 2e-170] * 8, 1)
@example([1.0, -1.0] * 8, 1)
@example([1.7e308, -1.7e308] * 8, 1)
def test_of_any_checks(values: list[float], days_apart: int) -> None:
    """All on one day, day by day, or every second day."""
    kind = next(iter(CHECKS))
    quantity = next(q.name for q in CHECKS[kind].quantities if q.of_device)
    at = [pd.Timestamp(2026, 1, 1) + pd.Timedelta(days=days_apart * n) for n in range(len(values))]
    named = [f"c{n}" for n in range(len(values))]
    checks = pd.DataFrame({"centre": "larch", "check_id": named, "device": "set", "kind": kind,
                           "done_on": at, "done_at": at, "status": "accepted",
                           "device_valid_from": date(2026, 1, 1)})  # fmt: skip
    held = pd.DataFrame({"centre": "larch", "check_id": named, "kind": kind, "level": "check",
                         "item": named, "quantity": quantity,
                         "value": np.array(values, dtype=np.float64)})  # fmt: skip
    if values:
        rules = list(RULES.values()) if days_apart else []
        with connect({"checks": checks, "check_values": held}) as connection:
            found = drifts_frame(connection, rules)
        no_infinity(found)
        assert len(found) == (1 if usable(np.array(values)).any() else 0)
    weeks = np.arange(len(values), dtype=np.float64) * days_apart
    given_values = np.array(values, dtype=np.float64)
    with np.errstate(all="ignore"):
        line = bent_line(weeks, given_values)
        if len(values) > 1:
            usual_range(given_values)
            run_rule(given_values, up=True)
    assert line is None or math.isfinite(line.slope)


def test_tables_of_statistics_have_a_place_for_the_reason() -> None:
    for name in ("agreement_limits", "standing", "drifts", "repeatability", "sample_size",
                 "equation_check"):  # fmt: skip
        assert "why" in {column.name for column in TABLES[name].columns}


@pytest.mark.parametrize("value", [math.inf, 1e300, 5e-324])
def test_a_value_that_cannot_be_computed_with_is_left_out_and_not_everyone(value: float) -> None:
    """The attack: one impossible number of one centre among sound ones of others."""
    sound = [50.0, 55.0, 61.0, 58.0]
    study = study_of([[value, value, value], sound, sound, sound], [60.0, 65.0, 70.0])
    found = comparability_frame(study["outcomes"], study["sessions"], study["devices"])
    assert set(found["centre"]) == {"larch", "maple", "rowan"}
    assert np.isfinite(found["mean"]).all()
