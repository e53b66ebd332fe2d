"""Between-centre comparability on data whose answer is known."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from quietsleep.warehouse.comparability import (
    between_share,
    between_share_interval,
    compare_centres,
    length_residuals,
)


def rows(centre: str, values: Any, lengths_cm: Any = 65.0, **more: Any) -> pd.DataFrame:
    values = np.asarray(values, dtype=float)
    return pd.DataFrame(
        {
            "centre": centre, "infant": [f"{centre}{i}" for i in range(values.size)],
            "outcome": "vt_ml", "value": values, "length_cm": lengths_cm, "z": np.nan,
            "equation": None, "equipment_class": "box",
        } | more
    )  # fmt: skip


def test_share_equals_the_balanced_analysis_of_variance() -> None:
    rng = np.random.default_rng(5)
    groups = [rng.normal(shift, 1.0, 20) for shift in rng.normal(0, 0.8, 8)]
    n, k = 20, 8
    means = np.array([g.mean() for g in groups])
    msb = n * means.var(ddof=1)
    msw = np.mean([g.var(ddof=1) for g in groups])
    # For equal groups restricted maximum likelihood is the analysis of variance, in closed form.
    expected = (msb - msw) / (msb + (n - 1) * msw)
    share, said = between_share(groups)
    assert share == pytest.approx(expected, abs=1e-4)
    assert said == []
    lower, upper = between_share_interval(groups)
    assert lower < expected < upper
    from scipy import stats

    f = msb / msw / stats.f.ppf(0.975, k - 1, k * (n - 1))
    assert lower == pytest.approx((f - 1) / (f + n - 1))


def test_the_interval_covers_the_truth_about_as_often_as_it_says() -> None:
    rng = np.random.default_rng(11)
    true = 0.25 / 1.25
    hits = 0
    for _ in range(400):
        groups = [rng.normal(shift, 1.0, 12) for shift in rng.normal(0, 0.5, 6)]
        lower, upper = between_share_interval(groups)
        hits += lower <= true <= upper
    assert 0.92 <= hits / 400 <= 0.98


def test_no_difference_between_centres_is_a_small_share() -> None:
    rng = np.random.default_rng(2)
    share, _ = between_share([rng.normal(0, 1, 40) for _ in range(6)])
    assert share < 0.05


def test_length_is_taken_out_without_taking_the_centre_out() -> None:
    rng = np.random.default_rng(3)
    short, tall = rng.uniform(55, 65, 30), rng.uniform(70, 80, 30)
    lengths = np.concatenate([short, tall])
    centres = np.array(["a"] * 30 + ["b"] * 30, dtype=object)
    values = 2.0 * lengths + np.where(centres == "b", 10.0, 0.0)
    residuals = length_residuals(values, lengths, centres)
    assert residuals[30:].mean() - residuals[:30].mean() == pytest.approx(10.0)
    assert residuals[:30].std() == pytest.approx(0.0, abs=1e-9)
    lengths[0] = np.nan
    assert np.isnan(length_residuals(values, lengths, centres)[0])


def test_a_centre_that_reads_ten_percent_high_is_seen() -> None:
    rng = np.random.default_rng(4)
    frames = []
    for number in range(5):
        lengths = rng.uniform(55, 80, 30)
        high = 1.10 if number == 0 else 1.0
        values = high * 0.02 * lengths**2 * np.exp(rng.normal(0, 0.05, 30))
        frames.append(rows(f"c{number}", values, lengths))
    (found,) = compare_centres(pd.concat(frames))
    means = {c.centre: c.mean for c in found.centres}
    others = np.mean([means[f"c{i}"] for i in range(1, 5)])
    assert means["c0"] - others == pytest.approx(100 * np.log(1.10), abs=3.0)
    assert found.centres[0].lower > others
    assert found.unit == "%"
    assert found.between_share > 0.2
    assert found.warnings == ()


def test_equipment_is_kept_apart_and_small_counts_are_warned_of() -> None:
    one = rows("c1", [50.0, 55.0, 60.0], [60.0, 62.0, 64.0])
    other = rows("c2", [150.0, 155.0, 160.0], [60.0, 62.0, 64.0], equipment_class="bag")
    lost = rows("c3", [50.0], [60.0], equipment_class=None)
    found = compare_centres(pd.concat([one, other, lost]))
    assert [f.equipment_class for f in found] == ["bag", "box", "not registered"]
    assert all(np.isnan(f.between_share) for f in found)
    assert found[1].warnings[0] == "c1: only 3 infants, fewer than 10."
    assert "Only 1 centres" in found[1].warnings[1]
    *apart, mixed = compare_centres(pd.concat([one, other, lost]), across_equipment=True)
    assert [f.equipment_class for f in apart] == ["bag", "box", "not registered"]
    assert (mixed.equipment_class, len(mixed.centres)) == ("all classes", 3)
    assert mixed.warnings[0].startswith("3 classes of equipment are mixed here")


def test_z_scores_are_used_only_when_all_are_by_one_equation() -> None:
    a = rows("a", [50.0, 55.0], z=[0.0, 1.0], equation="eq1")
    b = rows("b", [50.0, 55.0], z=[2.0, 3.0], equation="eq1")
    (found,) = compare_centres(pd.concat([a, b]))
    assert found.measure == "z-score by eq1"
    assert [c.mean for c in found.centres] == [0.5, 2.5]
    mixed = pd.concat([a, b.assign(equation="eq2")])
    (found,) = compare_centres(mixed)
    assert found.measure.startswith("residual")
    assert "by 2 equations" in found.warnings[0]


def test_two_sessions_of_one_infant_count_once() -> None:
    a = rows("a", [50.0, 60.0], z=[0.0, 2.0], equation="eq1").assign(infant="same")
    (found,) = compare_centres(a)
    assert (found.n_infants, found.centres[0].n_infants) == (1, 1)
    assert found.centres[0].mean == 1.0
    assert np.isnan(found.centres[0].lower)


def test_nothing_to_compare() -> None:
    assert compare_centres(rows("a", [])) == []
    assert np.isnan(between_share_interval([np.array([1.0]), np.array([2.0])])[0])


ALIKE = st.sampled_from([0.0, 1.0, 1.0, 1.0 + 1e-12, 3.0])


@settings(deadline=None, max_examples=40)
@given(st.lists(st.lists(ALIKE, min_size=1, max_size=4), min_size=1, max_size=4))
@example([[1.0, 1.0, 1.0], [1.0, 1.0, 1.0]])
@example([[0.0, 0.0], [0.0, 0.0]])
@example([[1.0, 1.0], [3.0, 3.0]])
def test_values_that_hardly_vary_give_a_share_or_a_reason_and_never_an_error(
    groups: list[list[float]],
) -> None:
    arrays = [np.array(group) for group in groups]
    share, said = between_share(arrays)
    lower, upper = between_share_interval(arrays)
    assert np.isnan(share) or 0.0 <= share <= 1.0
    assert np.isnan(lower) or 0.0 <= lower <= upper <= 1.0
    if all(len(set(group)) == 1 for group in groups) and sum(map(len, groups)) > len(groups) > 1:
        assert np.isnan(share) and said
