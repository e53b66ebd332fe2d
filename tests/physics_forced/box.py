"""An infant in a closed box: gas that obeys Boyle's law, a shutter, a box that leaks.

The gas in lungs, airways and mask is G, its volume at ambient pressure; it fills the volume Vg of
thorax and dead space at the pressure P above ambient, isothermally and saturated:

    (K + P) Vg = K G,  K = barometric pressure - 6.28 kPa (water at 37 C, any steam table)

Muscles and recoil move the chest against P and tissue resistance, P drives gas through airway,
flow head and shutter:

    R_tissue dV/dt = P + P_muscle - V / C - P_relaxing
    dG/dt = -P / (R_airway + R_apparatus + R_shutter) - leak conductance * P

What the box sees is the chest less the gas that came from the box, through its pump factor and
its own leak.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from math import exp, log
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from tests.physics_forced.lungs import Body, _unit_effort

Array = NDArray[np.float64]
BOX_HZ = 4000.0
WATER_37_KPA = 6.28


@dataclass(frozen=True, slots=True)
class BoxTest:
    """One recording in the box. `leak` is mL/s per kPa behind the closed shutter."""

    at: Literal["end_expiration", "end_inspiration"] = "end_inspiration"
    occlusions: int = 3
    efforts: int = 3
    breaths_between: int = 6
    barometric_kpa: float = 101.325
    dead_ml: float = 8.0
    closing_s: float = 0.008
    factor_ml_kpa: float = 500.0
    half_life_s: float = 9.0
    thermal_share: float = 0.03
    leak: float = 0.0
    lag_s: float = 0.0
    airway_zero_kpa: float = 0.0


@dataclass(frozen=True, slots=True)
class BoxCourse:
    """Fine signals of a recording, and FRC at the mean level before each occlusion."""

    channels: Mapping[str, Array]
    frc_ml: tuple[float, ...]
    tgv_ml: tuple[float, ...]
    context: Mapping[str, float]
    elevation: float  # of the breathing level above relaxation, share of VT


class _Gas:
    """The motion itself, in Euler steps of 0.25 ms."""

    def __init__(self, body: Body, test: BoxTest) -> None:
        self.body, self.test = body, test
        self.k = test.barometric_kpa - WATER_37_KPA
        self.rest_ml = body.frc_ml + test.dead_ml
        self.volume = 0.0
        self.gas = self.rest_ml
        self.relaxing = 0.0
        self.rows: dict[str, list[float]] = {"flow": [], "mouth": [], "chest": [], "gas": []}

    @property
    def n(self) -> int:
        return len(self.rows["flow"])

    def move(
        self, muscle: Array, *, opening: Array | None = None, until_still: bool = False
    ) -> None:
        """Integrate; `opening` is the open share of the shutter, 1 where left out."""
        body, k, rest_ml = self.body, self.k, self.rest_ml
        step = 1.0 / BOX_HZ
        tissue, airway = 0.3 * body.resistance, 0.7 * body.resistance
        apparatus = body.apparatus
        stiff = 1.0 / body.compliance_ml_kpa
        second, fade = body.relaxing_share * stiff, exp(-step / body.relaxing_s)
        free = airway + apparatus
        paths = [free] * muscle.size
        if opening is not None:  # none where the shutter is as good as closed
            paths = [
                free + apparatus * (1.0 / share**2 - 1.0) if share > 0.02 else 0.0
                for share in opening.tolist()
            ]
        leak, volume, content, relaxing = self.test.leak, self.volume, self.gas, self.relaxing
        flows: list[float] = []
        mouths: list[float] = []
        chests: list[float] = []
        gases: list[float] = []
        for i, (pull, path) in enumerate(zip(muscle.tolist(), paths, strict=True)):
            pressure = k * (content / (rest_ml + volume) - 1.0)
            if path:
                flow, escaping = -pressure / path, 0.0
            else:
                flow, escaping = 0.0, leak * pressure
            moved = (pressure + pull - volume * stiff - relaxing) / tissue * step
            flows.append(flow)
            mouths.append(pressure + flow * airway)
            chests.append(volume)
            gases.append(content)
            volume += moved
            relaxing = (relaxing + second * moved) * fade
            content += (flow - escaping) * step
            if until_still and i > 400 and flow <= 0.0:
                break
        self.volume, self.gas, self.relaxing = volume, content, relaxing
        for name, seen in zip(self.rows, (flows, mouths, chests, gases), strict=True):
            self.rows[name] += seen


@cache
def _gain(body: Body, barometric_kpa: float, dead_ml: float) -> float:
    """Muscle pressure that gives the tidal volume at this altitude, the shutter standing open."""
    test = BoxTest(barometric_kpa=barometric_kpa, dead_ml=dead_ml)
    unit, _ = _at_box_rate(body, 1.0)
    gain = body.tidal_ml / body.compliance_ml_kpa
    for _ in range(4):
        probe = _Gas(body, test)
        for _ in range(5):
            probe.move(gain * unit)
        last = np.array(probe.rows["gas"][-unit.size :])
        gain *= body.tidal_ml / float(last.max() - last[0])
    return gain


def record_box(body: Body, test: BoxTest, rng: np.random.Generator) -> BoxCourse:
    """Breathe in the box and close the shutter now and then."""
    gas = _Gas(body, test)
    unit, _ = _at_box_rate(body, 1.0)
    gain = _gain(body, test.barometric_kpa, test.dead_ml)
    for _ in range(4):
        gas.move(gain * unit)
    gas.rows = {name: [] for name in gas.rows}
    levels: list[float] = []
    truths: list[float] = []
    held_gas: list[float] = []
    for _ in range(test.occlusions):
        _breathe(gas, gain, test.breaths_between, rng, levels)
        levels.append(gas.gas)
        if test.at == "end_inspiration":
            muscle, _ = _at_box_rate(body, 1.0)
            gas.move(gain * (1 + 0.05 * rng.standard_normal()) * muscle, until_still=True)
            held = float(gain)
        else:
            held = 0.0
        truths.append(float(np.mean(levels[-5:])) - test.dead_ml)
        muscle, opening = _occlusion(body, test, gain, held, rng)
        begun = gas.n
        gas.move(muscle, opening=opening)
        held_gas.append(gas.rows["gas"][begun + int(np.flatnonzero(opening < 0.02)[0]) + 1])
        levels.clear()
    _breathe(gas, gain, test.breaths_between, rng, levels)
    return _course(gas, test, truths, held_gas)


def _occlusion(
    body: Body, test: BoxTest, gain: float, held: float, rng: np.random.Generator
) -> tuple[Array, Array]:
    """Muscle pressure and shutter of one occlusion: fading, a pause, efforts, release."""
    pause = np.arange(round((0.25 if held else 0.02) * body.cycle_s * BOX_HZ)) / BOX_HZ
    parts = [held * np.exp(-pause / 0.05)]
    for number in range(test.efforts):
        size = 1.0 + 0.18 * number + 0.08 * rng.standard_normal()
        muscle, _ = _at_box_rate(body, 1.0 + 0.05 * rng.standard_normal())
        parts.append(gain * size * muscle)
    # Released where an effort has died away, with time to breathe out.
    parts.append(np.zeros(round(float(rng.uniform(0.55, 0.9)) * body.cycle_s * BOX_HZ)))
    release = parts[-1].size
    whole = np.concatenate(parts)
    opening = np.zeros(whole.size)
    closing = round(test.closing_s * BOX_HZ)
    opening[:closing] = 1.0 - np.arange(1, closing + 1) / closing
    opening[-release:] = np.minimum(np.arange(1, release + 1) / closing, 1.0)
    return whole, opening


def _breathe(
    gas: _Gas, gain: float, breaths: int, rng: np.random.Generator, levels: list[float]
) -> None:
    body = gas.body
    for _ in range(breaths):
        levels.append(gas.gas)
        depth = 1.0 + body.scatter * float(np.clip(rng.standard_normal(), -2.5, 2.5))
        pace = 1.0 + 0.6 * body.scatter * float(np.clip(rng.standard_normal(), -2.5, 2.5))
        muscle, _ = _at_box_rate(body, pace)
        gas.move(gain * depth * muscle)


def _at_box_rate(body: Body, pace: float) -> tuple[Array, Array]:
    muscle, brake = _unit_effort(body, pace=pace)
    return np.repeat(muscle, 2), np.repeat(brake, 2)


def _course(gas: _Gas, test: BoxTest, truths: list[float], held_gas: list[float]) -> BoxCourse:
    flow, mouth, chest, content = (
        np.array(gas.rows[name]) for name in ("flow", "mouth", "chest", "gas")
    )
    if test.lag_s:
        keep = exp(-1.0 / (test.lag_s * BOX_HZ))
        mouth = np.asarray(lfilter([1.0 - keep], [1.0, -keep], mouth), dtype=np.float64)
    inhaled = np.cumsum(flow) / BOX_HZ
    seen = (chest - chest[0] - (1.0 - test.thermal_share) * inhaled) / test.factor_ml_kpa
    keep = exp(-log(2.0) / (test.half_life_s * BOX_HZ))
    box = np.asarray(lfilter([1.0, -1.0], [1.0, -keep], seen), dtype=np.float64)
    body = gas.body
    context = {
        "barometric_pressure_kpa": test.barometric_kpa,
        "compressible_dead_space_ml": test.dead_ml,
        "box_closed_s": 150.0,
        "box_factor_ml_kpa": test.factor_ml_kpa,
        "box_half_life_s": test.half_life_s,
        "box_calibrated_empty": 0.0,
        "box_volume_l": 65.0,
        "weight_kg": body.weight_kg,
        "apparatus_resistance_kpa_s_l": 1000.0 * body.apparatus,
    }
    return BoxCourse(
        {"flow": flow, "airway_pressure": mouth + test.airway_zero_kpa, "box_pressure": box},
        tuple(truths),
        tuple(held_gas),
        context,
        (float(np.mean(content)) * 0.0 + truths[0] - body.frc_ml) / body.tidal_ml,
    )
