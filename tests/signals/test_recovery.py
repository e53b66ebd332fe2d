"""Levels that breathing would settle at, from breaths whose memory is written down here."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietsleep.records import Breaths, FloatArray, IntArray
from quietsleep.signals.recovery import settled_levels

RATE_HZ = 100.0
VT_ML, TI_S, TE_S = 50.0, 0.6, 0.9


def breathing(
    tau_s: float,
    *,
    stretches: int = 5,
    breaths: int = 6,
    step_ml: float = 0.0,
    vt_sd: float = 0.1,
    te_sd: float = 0.06,
    empties: bool = True,
    seed: int = 1,
) -> tuple[Breaths, IntArray, FloatArray, FloatArray]:
    """Breaths that empty with `tau_s` towards a rest that moves by a step at every manoeuvre.

    Each manoeuvre lets the lung empty to its rest. Returns breaths, the stretch of each, volume,
    and the level that each would settle at.
    """
    rng = np.random.default_rng(seed)
    kept = np.exp(-TE_S / tau_s)
    level = VT_ML * kept / (1.0 - kept)
    starts, turns, ends, stretch, knots, truth = [], [], [], [], [(0.0, 0.0)], []
    now, volume, rest = 0.0, level, 0.0
    for number in range(stretches):
        for _ in range(breaths):
            starts.append(now)
            depth = VT_ML * (1.0 + vt_sd * rng.standard_normal())
            te_s = TE_S * (1.0 + te_sd * rng.standard_normal())
            top = volume + depth
            volume = rest + (top - rest) * np.exp(-te_s / tau_s)
            knots += [(now + TI_S, top), (now + TI_S + te_s, volume)]
            now += TI_S + te_s
            turns.append(starts[-1] + TI_S)
            ends.append(now)
            stretch.append(number)
            truth.append(rest + level)
        now += 2.0
        rest += step_ml
        volume = rest if empties else volume + step_ml
        knots.append((now, volume))
    at, ml = np.array(knots).T
    time = np.arange(round(now * RATE_HZ) + 2) / RATE_HZ
    start, turn, end = (
        np.round(np.array(x) * RATE_HZ).astype(np.int64) for x in (starts, turns, ends)
    )
    breaths_found = Breaths(start, turn, end, np.zeros(len(starts)), 0.0)
    return breaths_found, np.array(stretch), np.interp(time, at, ml), np.array(truth)


def settled(made: tuple[Breaths, IntArray, FloatArray, FloatArray]) -> FloatArray:
    breaths, stretch, volume, _ = made
    return settled_levels(breaths, np.arange(breaths.start.size), stretch, volume, RATE_HZ)


@pytest.mark.parametrize("tau_s", [0.25, 0.5, 0.8])
def test_recovery_from_rest_and_uneven_breaths_are_no_change_of_level(tau_s: float) -> None:
    made = breathing(tau_s)
    level, raw = settled(made), made[2][made[0].end]
    assert np.abs(level - made[3]).max() < 0.06 * VT_ML
    assert np.std(level - made[3]) < 0.35 * np.std(raw - made[3]) + 0.01 * VT_ML


@pytest.mark.parametrize("share", [0.05, 0.15, 0.3])
def test_gas_lost_in_a_manoeuvre_stays_a_step_from_the_first_breath_on(share: float) -> None:
    made = breathing(0.6, step_ml=share * VT_ML)
    level, stretch = settled(made), made[1]
    means = np.array([level[stretch == s].mean() for s in range(5)])
    assert np.diff(means) == pytest.approx(np.full(4, share * VT_ML), abs=0.02 * VT_ML)
    first = np.array([level[stretch == s][0] for s in range(1, 5)])
    assert first == pytest.approx(means[1:], abs=0.06 * VT_ML)


def test_breathing_without_memory_is_left_as_it_is() -> None:
    """Expiration that ends at rest: what follows does not depend on how deep it began."""
    made = breathing(0.1, te_sd=0.0)
    assert settled(made) == pytest.approx(made[2][made[0].end], abs=0.02 * VT_ML)


def test_too_few_breaths_tell_no_memory() -> None:
    breaths, stretch, volume, _ = breathing(0.6, stretches=1, breaths=5)
    chosen = np.arange(5)
    assert (settled_levels(breaths, chosen, stretch, volume, RATE_HZ) == volume[breaths.end]).all()
    none = np.zeros(0, dtype=np.int64)
    assert settled_levels(breaths, none, none, volume, RATE_HZ).size == 0


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(-200.0, 200.0), min_size=40, max_size=40),
    st.integers(1, 6),
)
def test_any_volumes_give_finite_levels(values: list[float], stretches: int) -> None:
    knots = np.array(values)
    places = np.arange(0, 39, 3)
    breaths = Breaths(places, places + 1, places + 2, knots[places], 0.0)
    stretch = np.sort(places % stretches)
    level = settled_levels(breaths, np.arange(places.size), stretch, knots, 1.0)
    assert np.isfinite(level).all()
