"""The tape on which a simulated recording is written, segment by segment, at 2 kHz.

Every segment has a closed form or an integrated equation; the tape keeps the lung volume that
follows from it, so that the volume needs no later integration and no error builds up.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from quietsleep.simulation.physiology import (
    FloatArray,
    Infant,
    Setting,
    SimulatedRecording,
    context_of,
)

FINE_HZ = 2000
DECLINE = 1.2  # how far the falling limb of tidal expiration bends, dimensionless


@dataclass(frozen=True, slots=True)
class Breath:
    """Parameters of one breath, and where it ends above EEL."""

    vt_ml: float
    ti_s: float
    te_s: float
    tptef_te: float
    end_ml: float = 0.0


@dataclass(frozen=True, slots=True)
class Variation:
    """Breath-to-breath variation: coefficients of variation, and EEL scatter as share of VT."""

    vt: float = 0.05
    timing: float = 0.05
    tptef_te: float = 0.08
    eel: float = 0.012


STEADY = Variation(0.0, 0.0, 0.0, 0.0)


def draw_breath(rng: np.random.Generator, infant: Infant, variation: Variation) -> Breath:
    """One breath around the infant's pattern; scatter is kept within 2.5 SD."""
    draws = np.clip(rng.standard_normal(5), -2.5, 2.5)
    ttot = infant.ttot_s
    return Breath(
        vt_ml=infant.vt_ml * (1.0 + variation.vt * draws[0]),
        ti_s=whole(ttot * infant.ti_ttot * (1.0 + variation.timing * draws[1])),
        te_s=whole(ttot * (1.0 - infant.ti_ttot) * (1.0 + variation.timing * draws[2])),
        tptef_te=infant.tptef_te * (1.0 + variation.tptef_te * draws[3]),
        end_ml=infant.vt_ml * variation.eel * draws[4],
    )


def whole(seconds: float) -> float:
    """Seconds rounded to the fine time base."""
    return round(seconds * FINE_HZ) / FINE_HZ


def inspiration_flow(volume_ml: float, ti_s: float) -> FloatArray:
    """Half a sine: flow = V pi / (2 tI) sin(pi t / tI), mL/s; its integral over tI is V."""
    t = np.arange(round(ti_s * FINE_HZ)) / FINE_HZ
    return volume_ml * np.pi / (2.0 * ti_s) * np.sin(np.pi * t / ti_s)


def expiration_areas(te_s: float, tptef_te: float) -> tuple[float, float]:
    """Areas before and after the peak of an expiration of peak flow 1, s."""
    rise = tptef_te * te_s
    fall = te_s - rise
    floor = np.exp(-DECLINE)
    return 2.0 * rise / np.pi, float(fall * ((1 - floor) / DECLINE - floor) / (1 - floor))


def expiration_flow(volume_ml: float, te_s: float, tptef_te: float) -> FloatArray:
    """A quarter sine up to the peak, then a declining limb that meets zero at tE; negative.

    f(s) = (exp(-k s) - exp(-k)) / (1 - exp(-k)), s from 0 at the peak to 1 at the end.
    """
    t = np.arange(round(te_s * FINE_HZ)) / FINE_HZ
    rise = tptef_te * te_s
    floor = np.exp(-DECLINE)
    s = np.clip((t - rise) / (te_s - rise), 0.0, 1.0)
    shape = np.where(
        t < rise, np.sin(0.5 * np.pi * t / rise), (np.exp(-DECLINE * s) - floor) / (1 - floor)
    )
    return -volume_ml / sum(expiration_areas(te_s, tptef_te)) * shape


@dataclass(slots=True)
class Tape:
    """Grows by segments; `volume_ml` is the lung volume above nominal EEL at the last sample."""

    infant: Infant
    setting: Setting
    volume_ml: float = 0.0
    samples: int = 0
    parts: list[tuple[FloatArray, FloatArray, FloatArray, FloatArray]] = field(default_factory=list)
    events: dict[str, list[float]] = field(default_factory=dict)

    @property
    def now_s(self) -> float:
        """Time at the end of the tape, s."""
        return self.samples / FINE_HZ

    def note(self, event: str) -> None:
        """Keep the present time under a name."""
        self.events.setdefault(event, []).append(self.now_s)

    def add(
        self,
        flow_ml_s: FloatArray,
        *,
        volume_ml: float,
        airway_kpa: FloatArray | None = None,
        chest_ml: FloatArray | None = None,
        jacket_kpa: FloatArray | None = None,
    ) -> None:
        """Append one segment that ends at `volume_ml`.

        Without `airway_kpa` the shutter is open and Pao = -flow * R_app. `chest_ml` is thoracic
        movement without flow (shutter closed), which is all that moves the box.
        """
        n = len(flow_ml_s)
        resistance = self.setting.apparatus_resistance_kpa_s_l
        airway = -flow_ml_s / 1000.0 * resistance if airway_kpa is None else airway_kpa
        chest = np.zeros(n) if chest_ml is None else chest_ml
        jacket = np.zeros(n) if jacket_kpa is None else jacket_kpa
        self.parts.append((flow_ml_s, airway, chest, jacket))
        self.samples += n
        self.volume_ml = volume_ml

    def inspire(self, to_ml: float, ti_s: float) -> None:
        """Inspire to a volume above EEL."""
        self.add(inspiration_flow(to_ml - self.volume_ml, ti_s), volume_ml=to_ml)

    def expire(self, to_ml: float, te_s: float, tptef_te: float) -> None:
        """Expire quietly to a volume above EEL."""
        self.add(expiration_flow(self.volume_ml - to_ml, te_s, tptef_te), volume_ml=to_ml)

    def breathe(self, breath: Breath) -> None:
        """One quiet breath; it inspires `vt_ml` and expires to `end_ml`."""
        self.inspire(self.volume_ml + breath.vt_ml, breath.ti_s)
        self.expire(breath.end_ml, breath.te_s, breath.tptef_te)

    def rest(self, seconds: float) -> None:
        """No flow, shutter open."""
        self.add(np.zeros(round(seconds * FINE_HZ)), volume_ml=self.volume_ml)

    def box_pressure_kpa(self, chest_ml: FloatArray) -> FloatArray:
        """Box pressure of chest movement, with the infant in the box."""
        return leaking(
            chest_ml,
            factor_ml_kpa=self.setting.box_factor_with_infant_ml_kpa(self.infant.weight_kg),
            half_life_s=self.setting.box_half_life_s,
        )

    def play(
        self,
        technique: str,
        *,
        rate_hz: float,
        truth: Mapping[str, float],
        trials: tuple[Mapping[str, float], ...] = (),
        context: Mapping[str, float] | None = None,
        channels: tuple[str, ...] = ("flow", "airway_pressure"),
    ) -> SimulatedRecording:
        """Take every n-th fine sample and hand the recording over."""
        step = round(FINE_HZ / rate_hz)
        if step < 1 or abs(step * rate_hz - FINE_HZ) > 1e-9:
            raise ValueError(f"{rate_hz} Hz does not divide {FINE_HZ} Hz")
        flow, airway, chest, jacket = (
            np.concatenate([part[i] for part in self.parts]) for i in range(4)
        )
        every = {
            "flow": ("flow_ml_s", flow),
            "airway_pressure": ("airway_pressure_kpa", airway),
            "jacket_pressure": ("jacket_pressure_kpa", jacket),
        }
        if "box_pressure" in channels:
            every["box_pressure"] = ("box_pressure_kpa", self.box_pressure_kpa(chest))
        kept = dict(every[channel] for channel in channels)
        n = len(flow[::step])
        return SimulatedRecording(
            technique=technique,
            rate_hz=float(rate_hz),
            time_s=np.arange(n) / float(rate_hz),
            channels={name: values[::step].copy() for name, values in kept.items()},
            context=context_of(self.infant, self.setting) | dict(context or {}),
            truth=dict(truth),
            trials=tuple(dict(trial) for trial in trials),
            events={name: tuple(times) for name, times in self.events.items()},
        )


def leaking(volume_ml: FloatArray, *, factor_ml_kpa: float, half_life_s: float) -> FloatArray:
    """Pressure of a box that leaks: dP/dt = (dV/dt) / factor - P ln2 / t_half.

    Exact for volume that is linear between fine samples.
    """
    from scipy.signal import lfilter

    leak = np.log(2.0) / half_life_s / FINE_HZ
    keep = float(np.exp(-leak))
    gain = (1.0 - keep) / leak / factor_ml_kpa
    steps = np.diff(volume_ml, prepend=volume_ml[0])
    return np.asarray(lfilter([gain], [1.0, -keep], steps), dtype=np.float64)


def mean_of(trials: tuple[Mapping[str, float], ...]) -> dict[str, float]:
    """The mean of each quantity over the trials."""
    return {name: float(np.mean([trial[name] for trial in trials])) for name in trials[0]}
