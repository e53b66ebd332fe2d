"""What the analysis makes of infants from physics: the one place where the two meet."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from quietsleep.contract import TECHNIQUES
from quietsleep.records import Channels, Measures, Recording
from quietsleep.signals.channels import assemble
from quietsleep.techniques.interface import technique_of
from tests.physics.bodies import Floats
from tests.physics.infants import BodyKind, DeviceOf, Ward
from tests.physics.sensors import recorded
from tests.physics.ventilation import FINE_HZ, Tape, breathe


@dataclass(frozen=True, slots=True)
class SeenTrial:
    """One occlusion of one infant: truth in mL and percent of VT, and what was measured."""

    lost_pct: float
    level_sd_pct: float
    values: Measures
    broken: frozenset[str]

    @property
    def is_sound(self) -> bool:
        """Nothing was lost, and the level before was as steady as the rules ask."""
        return self.lost_pct < 0.5 and self.level_sd_pct <= 10.0


@dataclass(frozen=True, slots=True)
class SeenInfant:
    """Truth of an infant in kPa.s/L, mL/kPa and s, its device, and its trials."""

    number: int
    kind: BodyKind
    elevation_pct: float
    device: DeviceOf
    crs_ml_kpa: float
    rrs_kpa_s_l: float
    tau_s: float
    slow_s: float
    miscounted: int
    trials: tuple[SeenTrial, ...]

    def mean(self, quantity: str) -> float:
        """Mean over the accepted trials, over all where none is accepted."""
        values = [t.values[quantity] for t in self.trials if not t.broken]
        values = values or [t.values[quantity] for t in self.trials]
        return float(np.nanmean(values)) if np.isfinite(values).any() else float("nan")

    def error_pct(self, quantity: str) -> float:
        return 100.0 * (self.mean(quantity) / float(getattr(self, quantity)) - 1.0)


# Of infants: every level of breathing, rate and filter.
CLASSES: dict[str, Callable[[SeenInfant], bool]] = {
    "level below 10 %": lambda infant: infant.elevation_pct < 10.0,
    "level 10 to 20 %": lambda infant: 10.0 <= infant.elevation_pct < 20.0,
    "level 20 to 30 %": lambda infant: 20.0 <= infant.elevation_pct < 30.0,
    "level above 30 %": lambda infant: infant.elevation_pct >= 30.0,
    "100 to 125 Hz": lambda infant: infant.device.rate_hz <= 125.0,
    "200 to 250 Hz": lambda infant: 200.0 <= infant.device.rate_hz <= 250.0,
    "500 to 1000 Hz": lambda infant: infant.device.rate_hz >= 500.0,
    "filters of order 2 to 4": lambda infant: infant.device.flow.order <= 4,
    "filters of order 5 to 8": lambda infant: infant.device.flow.order >= 5,
}


def trials_of(infants: list[SeenInfant]) -> list[SeenTrial]:
    """All trials of some infants."""
    return [trial for infant in infants for trial in infant.trials]


def broken_rules(technique: str, values: Measures) -> frozenset[str]:
    """Rules of the contract that reject these values, judged here without the pipeline's judge."""
    broken = set()
    for rule in TECHNIQUES[technique].rules:
        if rule.level != "trial" or rule.severity != "reject" or rule.quantity not in values:
            continue
        observed = values[rule.quantity]
        low = -np.inf if rule.low is None else rule.low
        high = np.inf if rule.high is None else rule.high
        if not low <= observed <= high and not (np.isnan(observed) and rule.missing != "fail"):
            broken.add(rule.name)
    return frozenset(broken)


def see(ward: Ward, technique: str, *, rng: np.random.Generator) -> list[SeenInfant]:
    """Let a ward breathe, record it, and measure every recording."""
    bodies, slow = ward.bodies, ward.bodies.slow_s()
    tau = bodies.compliance * (bodies.resistance + bodies.apparatus)
    seen = []
    for i, tape in enumerate(breathe(bodies, ward.pattern, ward.plan, rng=rng)):
        recording = recording_of(ward, i, tape, technique, rng)
        module = technique_of(technique)
        measured = [module.measure_trial(recording, t) for t in module.find_trials(recording)]
        truths = _truths(tape)
        trials = tuple(
            SeenTrial(lost, sd, values, broken_rules(technique, values))
            for (lost, sd), values in zip(truths, measured, strict=False)
        )
        seen.append(
            SeenInfant(
                number=i,
                kind=ward.kind[i],
                elevation_pct=_elevation_pct(tape),
                device=ward.devices[i],
                crs_ml_kpa=float(bodies.compliance[i]),
                rrs_kpa_s_l=1000.0 * float(bodies.resistance[i]),
                tau_s=float(tau[i]),
                slow_s=float(slow[i]),
                miscounted=len(truths) - len(measured),
                trials=trials,
            )
        )
    return seen


def recording_of(
    ward: Ward, i: int, tape: Tape, technique: str, rng: np.random.Generator, **more: Any
) -> Recording:
    """What the pipeline makes of one tape on the device of its infant."""
    device = replace(ward.devices[i], **more)
    channels = recorded(
        tape,
        rate_hz=device.rate_hz,
        flow=device.flow,
        pressure=device.pressure,
        head=device.head,
        rng=rng,
    )
    context = {
        "apparatus_resistance_kpa_s_l": 1000.0 * float(ward.bodies.apparatus[i]),
        "weight_kg": float(ward.bodies.weight_kg[i]),
    }
    return assemble(
        Channels(device.rate_hz, channels, 0.0, 0.0),
        name="recording",
        technique=technique,
        device=None,
        context=context,
    )


def joined(wards: list[Ward]) -> Ward:
    """Wards side by side, so that all breathe in one loop."""

    def together(parts: list[Any]) -> Any:
        first = parts[0]
        made = {}
        for f in fields(first):
            values = [getattr(part, f.name) for part in parts]
            made[f.name] = values[0] if np.isscalar(values[0]) else np.concatenate(values)
        return type(first)(**made)

    return Ward(
        bodies=together([w.bodies for w in wards]),
        pattern=together([w.pattern for w in wards]),
        plan=together([w.plan for w in wards]),
        devices=tuple(d for w in wards for d in w.devices),
        kind=tuple(k for w in wards for k in w.kind),
        elevation=np.concatenate([w.elevation for w in wards]),
    )


def _tidal_ml(tape: Tape, first: int) -> tuple[Floats, Floats]:
    """Level at the start and depth of each breath that starts before a sample of the tape."""
    starts = np.round(tape.starts * FINE_HZ).astype(np.int64)
    ends = np.append(starts[1:], tape.volume_ml.size)
    chosen = starts <= first
    level = tape.volume_ml[starts[chosen]].astype(np.float64)
    top = [
        float(tape.volume_ml[a:b].max()) for a, b in zip(starts[chosen], ends[chosen], strict=True)
    ]
    return level, np.array(top) - level


def _truths(tape: Tape) -> list[tuple[float, float]]:
    """Gas lost over each trial, and SD of the level over the five breaths before, % of VT."""
    found = []
    for closes, end in zip(tape.closes, tape.ends, strict=True):
        first, last = round(closes[0] * FINE_HZ), min(round(end * FINE_HZ), tape.lost_ml.size - 1)
        level, depth = _tidal_ml(tape, first)
        tidal = float(depth[-5:].mean())
        lost = float(tape.lost_ml[last] - tape.lost_ml[first])
        found.append((100.0 * lost / tidal, 100.0 * float(level[-5:].std(ddof=1)) / tidal))
    return found


def _elevation_pct(tape: Tape) -> float:
    """Level of the breaths before the first occlusion above relaxation volume, % of VT."""
    level, depth = _tidal_ml(tape, round(tape.closes[0, 0] * FINE_HZ))
    return 100.0 * float(level[-3:].mean() / depth[-3:].mean())


def recordings_of(
    ward: Ward, technique: str, *, rng: np.random.Generator, after: int = 5
) -> list[tuple[Recording, Tape]]:
    """Let a ward breathe and return each recording with the tape that it was made from."""
    tapes = breathe(ward.bodies, ward.pattern, ward.plan, rng=rng, after=after)
    return [(recording_of(ward, i, tape, technique, rng), tape) for i, tape in enumerate(tapes)]
