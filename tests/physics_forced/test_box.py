"""Lung volume in the box against exact gas, over elevations, altitudes, rates, filters, delays."""

from __future__ import annotations

from collections.abc import Mapping
from copy import deepcopy
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Any

import numpy as np
import pytest

from quietsleep.contract import TECHNIQUES
from quietsleep.records import Measures
from quietsleep.techniques import plethysmography as technique
from tests.physics_forced.box import BOX_HZ, BoxCourse, BoxTest, record_box
from tests.physics_forced.device import Chain, recording_of
from tests.physics_forced.lungs import Body, draw_body

ELEVATIONS = (0.02, 0.12, 0.22, 0.32)
CHAINS = ((100.0, 2, 80.0), (200.0, 8, 28.0), (250.0, 4, 40.0), (1000.0, 8, 25.0))
LOOP_LIMIT = next(r for r in TECHNIQUES["plethysmography"].rules if r.name == "no_looping").high
R2_LIMIT = next(r for r in TECHNIQUES["plethysmography"].rules if r.name == "line_up").low


@dataclass(frozen=True, slots=True)
class Seen:
    """One occlusion: how it was made, what was measured, and the errors, percent."""

    case: Mapping[str, Any]
    values: Measures
    tgv_pct: float
    frc_pct: float
    n_efforts: int


@lru_cache(maxsize=12)  # as many as cases ask for again before others come
def course_of(
    seed: int, rate_hz: int, elevation: float, more: tuple[tuple[str, Any], ...]
) -> tuple[BoxCourse, Body, int, np.random.Generator]:
    """Move an infant once for all filters that look at it; with what is drawn next."""
    rng = np.random.default_rng([seed, round(100 * elevation), rate_hz])
    weight_kg = float(rng.uniform(3.2, 11.5))
    body = draw_body(rng, weight_kg=weight_kg, elevation=elevation, relaxing=bool(seed % 2))
    drawn = {
        "efforts": int(rng.integers(2, 5)),
        "closing_s": float(rng.uniform(0.002, 0.02)),
        "airway_zero_kpa": float(rng.normal(0.0, 0.02)),
        "half_life_s": float(rng.uniform(7.2, 10.8)),
    }
    test = BoxTest(**(drawn | dict(more)))
    course = record_box(body, test, rng)
    assert len(course.tgv_ml) == test.occlusions
    return course, body, test.efforts, rng


def occlusions(
    seed: int,
    *,
    chain: Chain,
    elevation: float,
    half_life_said_s: float | None = None,
    **more: Any,
) -> list[Seen]:
    course, body, n_efforts, rng = course_of(
        seed, round(chain.rate_hz), elevation, tuple(more.items())
    )
    rng = deepcopy(rng)
    recording = recording_of(
        course.channels,
        technique="plethysmography",
        chain=chain,
        fine_hz=BOX_HZ,
        rng=rng,
        context=dict(course.context)
        | ({"box_half_life_s": half_life_said_s} if half_life_said_s else {}),
    )
    trials = technique.find_trials(recording)
    assert len(trials) == len(course.tgv_ml)
    assert recording.clipped == ()
    found = []
    for trial, tgv_ml, frc_ml in zip(trials, course.tgv_ml, course.frc_ml, strict=True):
        values = technique.measure_trial(recording, trial)
        found.append(
            Seen(
                {"elevation": elevation, "chain": chain, "weight_kg": body.weight_kg} | more,
                values,
                100.0 * (values["tgv_ml"] / tgv_ml - 1.0),
                100.0 * (values["frc_ml"] / frc_ml - 1.0),
                n_efforts,
            )
        )
    return found


@cache
def grid() -> tuple[Seen, ...]:
    """Every chain at both ends of a breath, at sea level and at 2,500 m."""
    found: list[Seen] = []
    for number, (rate_hz, order, cutoff_hz) in enumerate(CHAINS):
        for at in ("end_expiration", "end_inspiration"):
            for barometric_kpa in (101.3, 74.7):
                for elevation in ELEVATIONS:
                    delay_s = (-0.004, 0.0, 0.004)[(number + len(found)) % 3]
                    chain = Chain(rate_hz, order, cutoff_hz, delay_s={"box_pressure": delay_s})
                    found += occlusions(
                        number,
                        chain=chain,
                        elevation=elevation,
                        at=at,
                        barometric_kpa=barometric_kpa,
                    )
    return tuple(found)


def of(**wanted: Any) -> list[Seen]:
    return [s for s in grid() if all(s.case[name] == value for name, value in wanted.items())]


@pytest.mark.parametrize("at", ["end_expiration", "end_inspiration"])
@pytest.mark.parametrize("barometric_kpa", [101.3, 74.7])
def test_thoracic_gas_volume_has_no_bias_from_either_end_at_any_altitude(
    at: str, barometric_kpa: float
) -> None:
    errors = np.array([seen.tgv_pct for seen in of(at=at, barometric_kpa=barometric_kpa)])
    assert abs(errors.mean()) < 0.1
    assert np.percentile(np.abs(errors), 95) < 0.3
    assert np.abs(errors).max() < 0.5


@pytest.mark.parametrize("at", ["end_expiration", "end_inspiration"])
@pytest.mark.parametrize("elevation", ELEVATIONS)
def test_functional_residual_capacity_within_2_pct(at: str, elevation: float) -> None:
    errors = np.array([seen.frc_pct for seen in of(at=at, elevation=elevation)])
    assert np.percentile(np.abs(errors), 95) < 2.0


def test_sound_efforts_are_counted_and_lie_on_one_line() -> None:
    for seen in grid():
        assert seen.values["n_efforts"] == seen.n_efforts, seen.case
        assert seen.values["fit_r2"] > 0.99, seen.case
        assert seen.values["loop_opening_pct"] < 4.0, seen.case


@pytest.mark.parametrize("rate_hz", [100.0, 200.0, 1000.0])
@pytest.mark.parametrize(
    "own",
    [
        {"box_pressure": (8, 25.0), "airway_pressure": (2, 100.0)},
        {"box_pressure": (2, 100.0), "airway_pressure": (8, 25.0)},
        {"box_pressure": (4, 30.0), "airway_pressure": (2, 80.0)},
    ],
)
def test_unlike_filters_open_no_loop_and_move_no_volume(
    own: Mapping[str, tuple[int, float]], rate_hz: float
) -> None:
    for seed in range(3):
        for seen in occlusions(seed, chain=Chain(rate_hz, own=own), elevation=0.12):
            assert LOOP_LIMIT is not None and R2_LIMIT is not None
            assert seen.values["loop_opening_pct"] < 0.4 * LOOP_LIMIT
            assert seen.values["fit_r2"] > R2_LIMIT
            assert abs(seen.tgv_pct) < 0.5


@pytest.mark.parametrize("rate_hz", [100.0, 500.0])
@pytest.mark.parametrize("own", [None, {"box_pressure": (8, 25.0)}, {"airway_pressure": (8, 25.0)}])
@pytest.mark.parametrize("fault", [{"lag_s": 0.045}, {"lag_s": 0.1}, {"leak": 5.0}, {"leak": 20.0}])
def test_a_throttling_larynx_and_a_leak_are_no_delay_of_the_device(
    fault: Mapping[str, float], own: Mapping[str, tuple[int, float]] | None, rate_hz: float
) -> None:
    """Refused by the loop or the line, whatever the filters of the channels make of it."""
    found = [
        seen
        for seed in range(2)
        for seen in occlusions(seed, chain=Chain(rate_hz, own=own), elevation=0.12, **fault)
    ]
    assert LOOP_LIMIT is not None and R2_LIMIT is not None
    for seen in found:
        opening, r2 = seen.values["loop_opening_pct"], seen.values["fit_r2"]
        assert opening > LOOP_LIMIT or r2 < R2_LIMIT, seen.values


def test_a_leak_of_the_box_is_undone_and_would_open_loops() -> None:
    """Most of it looks like drift and goes with it; what is left opens loops and moves volume."""
    known, unknown = (
        occlusions(3, chain=Chain(), elevation=0.12, half_life_s=5.0, half_life_said_s=said_s)
        for said_s in (5.0, 1e9)
    )
    for undone, left in zip(known, unknown, strict=True):
        assert undone.values["loop_opening_pct"] < 0.5 < left.values["loop_opening_pct"]
        assert abs(undone.tgv_pct) < 0.1 < abs(left.tgv_pct)
