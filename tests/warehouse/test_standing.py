"""Statistics of standing and drift: borders, degenerate data, exact tails."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, timedelta
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom

from quietsleep import contract
from quietsleep.warehouse import standing
from quietsleep.warehouse.drifts import bent_line, drifts_frame, last_step, run_rule, usual_range
from quietsleep.warehouse.funnel import funnel_limits, funnel_mark, funnel_range
from quietsleep.warehouse.lost_tests import lost_tests_frame
from quietsleep.warehouse.standing import Day, follow, lower_tail, standing_frame, weeks_frame
from quietsleep.warehouse.unit_slips import unit_slips_frame
from tests.warehouse.planted import connect

MONDAY = date(2025, 1, 6)
SOME = settings(max_examples=60, deadline=None)
numbers = st.floats(allow_nan=False, allow_infinity=False)


def test_twelve_of_twelve_is_inside() -> None:
    assert binom.sf(11, 12, 0.806) == pytest.approx(0.075, abs=0.001)
    assert funnel_mark(12, 12, 0.806) == "inside"
    assert funnel_mark(100, 100, 0.806) == "above"
    assert funnel_mark(3, 12, 0.806) == "below"


@SOME
@given(n=st.integers(0, 400), mean=st.floats(0, 1), share=st.floats(0, 1))
def test_a_mark_is_what_the_exact_tails_say(n: int, mean: float, share: float) -> None:
    accepted = round(share * n)
    mark = funnel_mark(accepted, n, mean)
    if n == 0 or not 0 < mean < 1:
        assert mark == "inside"
        return
    assert (mark == "below") == (binom.cdf(accepted, n, mean) < 0.001)
    assert (mark == "above") == (binom.sf(accepted - 1, n, mean) < 0.001)
    low, high = funnel_range(n, mean)
    lower, upper = funnel_limits(n, mean, 0.001)
    assert 0 <= lower <= low <= high <= upper <= 1


@SOME
@given(n=st.integers(1, 300), k=st.integers(0, 300), p=st.floats(0.01, 0.99))
def test_the_lower_tail_is_the_binomial_one_at_whole_numbers(n: int, k: int, p: float) -> None:
    if k <= n:
        assert lower_tail(k / n, p, n) == pytest.approx(binom.cdf(k, n, p), rel=1e-6, abs=1e-12)


days = st.lists(
    st.tuples(st.integers(0, 9), st.integers(1, 4), st.integers(1, 6), st.floats(0, 1)),
    max_size=120,
)


@SOME
@given(days)
def test_a_chart_of_any_days_stays_within_shares(drawn: list[tuple[int, int, int, float]]) -> None:
    on, given_days = MONDAY, []
    for gap, n_sessions, a_session, share in drawn:
        on += timedelta(days=gap + 1)
        n = n_sessions * a_session
        given_days.append(Day(on, n_sessions, n, round(share * n)))
    chart = follow(given_days)
    for value in (chart.expected, chart.weighted, chart.limit):
        assert value is None or 0 <= value <= 1
    assert chart.since is None or any(day.on == chart.since for day in given_days)


def days_frame(rows: list[tuple[str, str, Any, int, int]]) -> pd.DataFrame:
    names = ["centre", "technique", "tested_on", "n_tests", "n_accepted"]
    frame = pd.DataFrame(rows, columns=names)
    on = pd.to_datetime(frame["tested_on"])
    return frame.assign(tested_on=on, n_sessions=frame["n_tests"])


def test_one_test_no_day_and_one_centre_have_reasons_and_no_error() -> None:
    found = standing_frame(
        days_frame([("larch", "tidal", MONDAY, 1, 0), ("maple", "raised_volume", None, 2, 2)])
    )
    assert len(found) == 2 and found["why"].str.contains("No other centre").all()
    assert "No test has a known day" in found.iloc[1]["why"]
    assert not found["slipping"].any()
    assert standing_frame(days_frame([])).empty and weeks_frame(days_frame([])).empty


def test_a_line_with_one_of_two_reasons_and_one_with_both_stand_together() -> None:
    """One centre alone in a technique has no funnel; all are too young for a chart."""
    rows: list[tuple[str, str, Any, int, int]] = [
        ("larch", "tidal", MONDAY, 4, 4),
        ("sedge", "tidal", MONDAY, 4, 3),
        ("larch", "single_occlusion", MONDAY, 2, 2),
    ]
    found = standing_frame(days_frame(rows)).set_index(["centre", "technique"])["why"]
    assert all(isinstance(why, str) and "nan" not in why for why in found)
    assert found["larch", "single_occlusion"] != found["sedge", "tidal"]


def test_a_centre_whose_statistics_fail_leaves_the_others(monkeypatch: pytest.MonkeyPatch) -> None:
    failed: list[str] = []

    @contextmanager
    def guard(word: str) -> Iterator[None]:
        try:
            yield
        except ArithmeticError:
            failed.append(word)

    def fail_on_larch(given_days: list[Day]) -> standing.Chart:
        if given_days[0].n_tests == 7:
            raise ArithmeticError
        return follow(given_days)

    monkeypatch.setattr(standing, "follow", fail_on_larch)
    rows = [("larch", "tidal", MONDAY, 7, 6), ("maple", "tidal", MONDAY, 8, 6)]
    found = standing_frame(days_frame(rows), guard=guard)
    assert found["centre"].tolist() == ["maple"] and failed == ["standing of tidal at larch"]


@SOME
@given(st.lists(st.tuples(st.floats(0, 3), numbers), min_size=8, max_size=80))
def test_lines_of_any_values_are_numbers_or_none(drawn: list[tuple[float, float]]) -> None:
    weeks = np.cumsum([gap for gap, _ in drawn])
    values = np.array([value for _, value in drawn])
    line = bent_line(weeks, values)
    if line is not None:
        assert np.isfinite([line.slope, line.low, line.high, line.at_end]).all()
        assert line.low <= line.slope <= line.high and 0 <= line.chance <= 1
    with np.errstate(all="ignore"):
        assert 0 <= last_step(values) < len(values)
        run_rule(values, up=True)


@SOME
@given(slope=st.floats(-5, 5).filter(lambda s: abs(s) > 0.01), level=st.floats(-10, 10))
def test_a_line_that_bends_is_found_again(slope: float, level: float) -> None:
    weeks = np.linspace(0, 12, 40)
    line = bent_line(weeks, level + slope * np.maximum(0, weeks - weeks[15]))
    assert line is not None and line.slope == pytest.approx(slope, rel=1e-6) and line.first == 15


def test_equal_values_and_one_moment_have_no_line() -> None:
    assert bent_line(np.arange(9.0), np.full(9, 2.0)) is None
    assert bent_line(np.zeros(9), np.arange(9.0)) is None
    assert bent_line(np.arange(7.0), np.arange(7.0)) is None


def test_the_usual_range_is_that_of_an_individuals_chart() -> None:
    # Moving ranges are all 2, so the limits are 11 +/- 2.66 * 2.
    assert usual_range(np.array([10.0, 12.0] * 4)) == pytest.approx((11.0, 5.68, 16.32))


def test_a_repair_is_a_step_and_no_drift() -> None:
    rng = np.random.default_rng(2)
    values = np.concatenate([rng.normal(1.5, 0.2, 30), rng.normal(-0.5, 0.2, 30)])
    assert abs(last_step(values) - 30) <= 1
    assert last_step(values[:30]) == 0


@pytest.mark.parametrize("n", [0, 1, 2])
def test_few_checks_and_infinite_ones_have_a_reason(n: int) -> None:
    values = [float("inf"), *[0.1] * n]
    checks = pd.DataFrame(
        {
            "centre": "larch", "check_id": [f"c{i}" for i in range(n + 1)], "device": "set",
            "kind": "syringe", "done_on": MONDAY, "done_at": pd.Timestamp(MONDAY, tz="UTC"),
            "status": "accepted", "device_valid_from": MONDAY,
        }
    )  # fmt: skip
    rows = checks[["centre", "check_id", "kind"]].assign(
        level="check", item=checks["check_id"], quantity="error_inspired_pct", value=values
    )
    with connect({"checks": checks, "check_values": rows}) as connection:
        found = drifts_frame(connection, list(contract.RULES.values()))
    assert len(found) == (1 if n else 0)
    assert n == 0 or (not found["drifting"].any() and "Fewer than" in found["why"].iloc[0])


def test_empty_tables_give_empty_answers() -> None:
    with connect({}) as connection:
        assert drifts_frame(connection, []).empty
        assert lost_tests_frame(connection, []).empty
        tables = standing.standing_tables(connection)
    assert all(frame.empty for frame in tables.values())
    nothing = pd.DataFrame(columns=["centre", "session", "item", "outcome", "unit", "value",
                                    "status", "suspected_cause", "reported_converted",
                                    "central_value", "infant", "length_cm", "technique",
                                    "n_tests"])  # fmt: skip
    assert unit_slips_frame(nothing, nothing, nothing, nothing, nothing).empty


def verdict(item: str, kind: str, rule: str, state: str = "fail", **more: Any) -> dict[str, Any]:
    found = contract.RULES[rule]
    return {"centre": "larch", "session": item.partition("/")[0], "technique": "raised_volume",
            "item_kind": kind, "item": item, "rule": rule, "quantity": found.quantity,
            "limit_low": found.low, "limit_high": found.high, "unit": "1", "state": state,
            "severity": "reject", "observed": 1.0, "sentence": "said"} | more  # fmt: skip


def test_a_reason_counts_the_tests_it_cost_and_those_it_cost_alone() -> None:
    tests = pd.DataFrame(
        {
            "centre": "larch", "technique": "raised_volume", "status": "rejected",
            "session": ["a", "b", "c", "d"], "tested_on": MONDAY, "operator": "op1", "why": "said",
            "device": None, "test": [f"{s}/raised_volume" for s in "abcd"],
        }
    )  # fmt: skip
    tests.loc[3, "status"] = "quarantined"
    few, leak = "raised_volume.enough_trials", "raised_volume.no_leak"
    verdicts = pd.DataFrame(
        [
            # a: too few trials, all of them for a leak; b: for a leak and a clipped signal.
            verdict("a/raised_volume", "test", few),
            verdict("a/r1#1", "trial", leak, observed=14.0),
            verdict("a/r1#2", "trial", leak, observed=16.0),
            verdict("b/raised_volume", "test", few),
            verdict("b/r1#1", "trial", leak, observed=20.0),
            verdict("b/r1#2", "trial", "raised_volume.manoeuvre_clipped"),
            # c: no check; a trial that failed cost nothing, as enough others were left.
            verdict("c/raised_volume", "test", "raised_volume.syringe_check", observed=None),
            verdict("c/r1#1", "trial", leak, observed=30.0),
        ]
    )
    with connect({"tests": tests, "verdicts": verdicts}) as connection:
        found = lost_tests_frame(connection, list(contract.RULES.values())).set_index("rule")
    counts = found[["n_tests", "n_tests_alone"]].to_dict("index")
    assert counts[leak] == {"n_tests": 2, "n_tests_alone": 1}
    assert counts[few] == {"n_tests": 2, "n_tests_alone": 0}
    assert counts["raised_volume.syringe_check"] == {"n_tests": 1, "n_tests_alone": 1}
    assert counts["raised_volume.manoeuvre_clipped"] == {"n_tests": 1, "n_tests_alone": 0}
    assert counts["quarantined"] == {"n_tests": 1, "n_tests_alone": 1}
    assert found.loc[leak, "observed"] == 16.0 and "leak" in str(found.loc[leak, "reason"])
    assert found.loc["raised_volume.syringe_check", "is_missing"]
