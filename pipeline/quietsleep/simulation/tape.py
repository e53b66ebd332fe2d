"""The tape on which a simulated recording is written, stretch by stretch, at 2 kHz.

A body answers to muscle pressure behind what closes the airway opening: apparatus, shutter, leak,
larynx. Stretches in which nothing of that changes are exact (`bodies.Modes`), short ones in which
a shutter moves are integrated (`bodies.march`). The tape keeps what is true (volume of the infant)
beside what instruments see (flow through the head, which a leak bypasses).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Literal

import numpy as np

from quietsleep.simulation.bodies import CLOSED, FINE_HZ, Body, FloatArray, march, modes_of
from quietsleep.simulation.physiology import (
    ChannelFilter,
    Infant,
    Setting,
    SimulatedRecording,
    Steady,
    context_of,
    steady_breathing,
)

WATER_VAPOUR_37C_KPA = 6.2795  # CRC Handbook of Chemistry and Physics 1992-93
SHUTTER_HALF_KPA_S_ML = 0.4e-3  # resistance of the shutter where it is open by 1/sqrt(2)
CHANNELS = {
    "flow": "flow_ml_s",
    "airway_pressure": "airway_pressure_kpa",
    "box_pressure": "box_pressure_kpa",
    "jacket_pressure": "jacket_pressure_kpa",
}


@dataclass(frozen=True, slots=True)
class Leak:
    """A leak beside the flow head at the mask.

    `conductance` (mL/s per kPa) for a channel that resists, flow in proportion to pressure;
    `orifice` (mL/s per sqrt(kPa)) for a hole, flow with the root of pressure. `ways`: whether gas
    passes outwards (mask pressure above atmosphere), inwards, or both.
    """

    conductance: float = 0.0
    orifice: float = 0.0
    ways: Literal["both", "out", "in"] = "both"

    def open_to(self, outwards: bool) -> bool:
        """Whether gas passes in this direction."""
        return self.ways == "both" or (self.ways == "out") == outwards

    def flow_ml_s(self, airway_kpa: FloatArray) -> FloatArray:
        """Flow out of the mask through the leak at a mask pressure."""
        passes = np.where(airway_kpa > 0.0, self.open_to(True), self.open_to(False))
        root = np.sign(airway_kpa) * np.sqrt(np.abs(airway_kpa))
        return np.asarray(passes * (self.conductance * airway_kpa + self.orifice * root))


TIGHT = Leak()


def resisting_leak(
    share: float, resistance_kpa_s_l: float, ways: Literal["both", "out", "in"] = "both"
) -> Leak:
    """The leak that takes `share` of flow beside an apparatus resistance."""
    return Leak(conductance=share / (1.0 - share) / (resistance_kpa_s_l / 1000.0), ways=ways)


@dataclass(frozen=True, slots=True)
class Stretch:
    """What happened at n fine samples; the last is where the next stretch begins.

    `flow` passes the head and `gas` the airway opening (both inwards, mL/s), `airway` is mask
    pressure, `muscle` all that pulls the chest inwards, `states` (2, n) the body.
    """

    flow: FloatArray
    gas: FloatArray
    airway: FloatArray
    muscle: FloatArray
    states: FloatArray
    open_share: FloatArray
    jacket: FloatArray
    volume: FloatArray


def cut(stretch: Stretch, start: int, stop: int) -> Stretch:
    """Samples from `start` to `stop`, the last included."""
    here = slice(start, stop + 1)
    return Stretch(
        stretch.flow[here],
        stretch.gas[here],
        stretch.airway[here],
        stretch.muscle[here],
        stretch.states[:, here],
        stretch.open_share[here],
        stretch.jacket[here],
        stretch.volume[here],
    )


@dataclass(slots=True)
class Tape:
    """Grows by stretches. `volume_ml` is lung volume above relaxation volume at the last sample.

    `tone_kpa` is muscle pressure there. `levels` holds the volumes at which breaths began, since
    the last manoeuvre; `lost_ml` what has left past the flow head.
    """

    infant: Infant
    setting: Setting
    leak: Leak = TIGHT
    state: tuple[float, float] = (0.0, 0.0)
    tone_kpa: float = 0.0
    samples: int = 0
    parts: list[Stretch] = field(default_factory=list)
    events: dict[str, list[float]] = field(default_factory=dict)
    levels: list[float] = field(default_factory=list)
    body: Body = field(init=False)

    def __post_init__(self) -> None:
        self.body = self.infant.body
        self.state = self.steady.state

    @property
    def steady(self) -> Steady:
        """Steady breathing of this infant through this apparatus."""
        return steady_breathing(self.infant, self.setting.apparatus_resistance_kpa_s_l)

    @property
    def apparatus(self) -> float:
        """Apparatus resistance, kPa.s/mL."""
        return self.setting.apparatus_resistance_kpa_s_l / 1000.0

    @property
    def volume_ml(self) -> float:
        """Lung volume above relaxation volume."""
        return self.body.holds[0] * self.state[0] + self.body.holds[1] * self.state[1]

    @property
    def gas_at_rest_ml(self) -> float:
        """Gas at relaxation volume: FRC less what steady breathing stands above it."""
        return self.infant.frc_ml - self.steady.elevation_ml

    @property
    def recoil_kpa(self) -> float:
        """Pressure of the relaxed body at the airway opening if nothing flows."""
        return self.body.recoil[0] * self.state[0] + self.body.recoil[1] * self.state[1]

    @property
    def now_s(self) -> float:
        """Time at the end of the tape, s."""
        return self.samples / FINE_HZ

    @property
    def level_ml(self) -> float:
        """End-expiratory level: the mean over the last five breaths."""
        return float(np.mean(self.levels[-5:]))

    @property
    def level_sd_pct(self) -> float:
        """SD of the levels of the last five breaths, % of the infant's tidal volume."""
        return 100.0 * float(np.std(self.levels[-5:], ddof=1)) / self.infant.vt_ml

    def note(self, event: str) -> None:
        """Keep the present time under a name."""
        self.events.setdefault(event, []).append(self.now_s)

    # --- what happens next ---------------------------------------------------------------------

    def look(
        self,
        muscle: FloatArray,
        *,
        closed: bool = False,
        leak: Leak | None = None,
        jacket: FloatArray | None = None,
    ) -> Stretch:
        """What follows with the shutter open or closed all the time; `muscle` (n,), kPa."""
        hole = self.leak if leak is None else leak
        if hole.orifice:
            gate = np.full(len(muscle), 0.0 if closed else 1.0)
            return self.look_through(muscle, gate, leak=hole, jacket=jacket)
        before = CLOSED if closed else self.apparatus
        if hole.ways == "both" or not hole.conductance:
            states = modes_of(self.body, beside(before, hole.conductance)).run(self.state, muscle)
        else:
            states = self._one_way(muscle, before, hole)
        share = np.full(len(muscle), 0.0 if closed else 1.0)
        return self._seen(states, muscle, before, hole, gate=share, jacket=jacket)

    def _one_way(self, muscle: FloatArray, before: float, hole: Leak) -> FloatArray:
        """States where a leak opens in one direction: two exact answers, each in its turn."""
        done, state, at = [], self.state, 0
        p1, p2 = self.body.recoil
        while at < len(muscle):
            outwards = p1 * state[0] + p2 * state[1] >= muscle[at]
            conductance = hole.conductance if hole.open_to(outwards) else 0.0
            states = modes_of(self.body, beside(before, conductance)).run(state, muscle[at:])
            turned = (p1 * states[0] + p2 * states[1] >= muscle[at:]) != outwards
            turned[0] = False
            n = int(np.argmax(turned)) if turned.any() else len(muscle) - at
            done.append(states[:, :n])
            if n == len(muscle) - at:
                break
            state, at = (float(states[0, n]), float(states[1, n])), at + n
        return np.concatenate(done, axis=1)

    def look_through(
        self,
        muscle: FloatArray,
        gate: FloatArray,
        *,
        leak: Leak | None = None,
        larynx: FloatArray | None = None,
        jacket: FloatArray | None = None,
    ) -> Stretch:
        """What follows while the shutter moves: `gate` (n,) 1 open, 0 closed.

        `larynx` (n,) is resistance added to the body's, kPa.s/mL. An orifice is taken at the
        pressure of the sample before, which at 2 kHz is as good as now.
        """
        hole = self.leak if leak is None else leak
        inner = np.zeros(len(muscle)) if larynx is None else larynx
        with np.errstate(divide="ignore"):
            before = self.apparatus + SHUTTER_HALF_KPA_S_ML * (gate**-2.0 - 1.0)
        if hole.orifice:
            states = self._through_orifice(muscle, inner, before, hole)
        else:
            with np.errstate(divide="ignore"):
                outer = 1.0 / (1.0 / before + hole.conductance)
            if hole.ways != "both" and hole.conductance:
                open_now = hole.open_to(self.recoil_kpa >= muscle[0])
                outer = outer if open_now else before
            states = march(self.body, self.state, muscle, inner, outer)
        return self._seen(states, muscle, before, hole, gate=gate, larynx=inner, jacket=jacket)

    def _through_orifice(
        self, muscle: FloatArray, inner: FloatArray, before: FloatArray, hole: Leak
    ) -> FloatArray:
        """States beside a hole: sample by sample with the conductance of the hole there."""
        states = np.empty((2, len(muscle)))
        states[:, 0] = state = self.state
        for i in range(1, len(muscle)):
            drive = self.body.recoil[0] * state[0] + self.body.recoil[1] * state[1] - muscle[i - 1]
            inside = self.body.resistance + inner[i - 1]
            airway = pressure_at_hole(drive, inside, float(before[i - 1]), hole)
            beyond = drive - airway
            outer = airway / (beyond / inside) if abs(beyond) > 1e-12 else CLOSED
            here = slice(i - 1, i + 1)
            step = march(self.body, state, muscle[here], inner[here], np.full(2, outer))
            state = float(step[0, 1]), float(step[1, 1])
            states[:, i] = state
        return states

    def _seen(
        self,
        states: FloatArray,
        muscle: FloatArray,
        before: float | FloatArray,
        hole: Leak,
        *,
        gate: FloatArray,
        larynx: FloatArray | None = None,
        jacket: FloatArray | None = None,
    ) -> Stretch:
        """Flows and mask pressure that belong to the states."""
        drive = self.body.recoil[0] * states[0] + self.body.recoil[1] * states[1] - muscle
        inside = self.body.resistance + (np.zeros(1) if larynx is None else larynx)
        if hole.orifice:
            rows = np.broadcast_arrays(drive, inside, before)
            airway = np.array(
                [
                    pressure_at_hole(float(here), float(within), float(outside), hole)
                    for here, within, outside in zip(*rows, strict=True)
                ]
            )
            gas = (airway - drive) / inside
            flow = -(airway / before)
        else:
            passes = np.where(drive >= 0.0, hole.open_to(True), hole.open_to(False))
            with np.errstate(divide="ignore", invalid="ignore"):
                outer = 1.0 / (1.0 / np.asarray(before) + passes * hole.conductance)
                gas = -drive / (inside + outer)
                airway = np.where(np.isinf(outer), drive, -gas * outer)
            flow = -airway / before
        jackets = np.zeros(len(muscle)) if jacket is None else jacket
        volume = self.body.volume_ml(states[0], states[1])
        return Stretch(flow, gas, airway, muscle, states, gate, jackets, volume)

    def write(self, stretch: Stretch, stop: int | None = None) -> Stretch:
        """Put a stretch on the tape, up to a sample; that sample begins what follows."""
        last = len(stretch.gas) - 1 if stop is None else stop
        if last:
            self.parts.append(cut(stretch, 0, last - 1))
        self.samples += last
        self.state = float(stretch.states[0, last]), float(stretch.states[1, last])
        self.tone_kpa = float(stretch.muscle[last])
        return cut(stretch, 0, last)

    def relaxing(self, seconds: float, relaxation_s: float) -> FloatArray:
        """Muscle pressure that dies away from what it is now."""
        t = np.arange(round(seconds * FINE_HZ) + 1) / FINE_HZ
        return np.asarray(self.tone_kpa * np.exp(-t / relaxation_s))

    # --- the end -------------------------------------------------------------------------------

    def whole(self, name: str) -> FloatArray:
        """One array of all stretches."""
        return np.concatenate([getattr(part, name) for part in self.parts], axis=-1)

    def chest_ml(self) -> FloatArray:
        """What compression of the gas moves the chest, by Boyle's law for saturated gas.

        (PB - PH2O(37) + P) V is constant: V(P) - V(0) = -V(0) P / (K + P), K = PB - PH2O(37), for
        the gas of each part of the lung at its own pressure and the dead space at mask pressure.
        Breathing itself moves no box: the infant breathes its gas.
        """
        dry = self.setting.barometric_pressure_kpa - WATER_VAPOUR_37C_KPA
        dead, airway = self.setting.compressible_dead_space_ml, self.whole("airway")
        moved = -dead * airway / (dry + airway)
        for share, above, pressure in self.body.gas(self.whole("states"), self.whole("muscle")):
            moved -= (share * self.gas_at_rest_ml + above) * pressure / (dry + pressure)
        return moved

    def box_pressure_kpa(self) -> FloatArray:
        """Box pressure of chest movement, with the infant in the box."""
        return leaking(
            self.chest_ml(),
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
        facts: tuple[Mapping[str, float], ...] = (),
        context: Mapping[str, float] | None = None,
        channels: tuple[str, ...] = ("flow", "airway_pressure"),
        airway_kpa: FloatArray | None = None,
    ) -> SimulatedRecording:
        """Filter and delay each channel, take every n-th fine sample, hand the recording over."""
        step = round(FINE_HZ / rate_hz)
        if step < 1 or abs(step * rate_hz - FINE_HZ) > 1e-9:
            raise ValueError(f"{rate_hz} Hz does not divide {FINE_HZ} Hz")
        fine = {"flow": self.whole("flow")}
        fine["airway_pressure"] = self.whole("airway") if airway_kpa is None else airway_kpa
        if "box_pressure" in channels:
            fine["box_pressure"] = self.box_pressure_kpa()
        if "jacket_pressure" in channels:
            fine["jacket_pressure"] = self.whole("jacket")
        filters = dict(self.setting.filters)
        kept = {
            CHANNELS[name]: through(fine[name], filters.get(name))[::step].copy()
            for name in channels
        }
        n = len(kept["flow_ml_s"])
        return SimulatedRecording(
            technique=technique,
            rate_hz=float(rate_hz),
            time_s=np.arange(n) / float(rate_hz),
            channels=kept,
            context=context_of(self.infant, self.setting) | dict(context or {}),
            truth=dict(truth),
            trials=tuple(dict(trial) for trial in trials),
            events={name: tuple(times) for name, times in self.events.items()},
            facts=tuple(dict(fact) for fact in facts),
            open_share=self.whole("open_share")[::step].copy(),
        )


def beside(before: float, conductance: float) -> float:
    """A resistance with a leak beside it, kPa.s/mL."""
    total = 1.0 / before + conductance
    return 1.0 / total if total else CLOSED


def pressure_at_hole(drive: float, inside: float, before: float, hole: Leak) -> float:
    """Mask pressure where flow out of the body divides between apparatus and hole.

    (drive - P) / inside = P / before + G P + k sqrt(P), solved for y = sqrt(|P|).
    """
    outwards = drive >= 0.0
    if not hole.open_to(outwards):
        return drive * before / (inside + before) if np.isfinite(before) else drive
    square = 1.0 / before + hole.conductance + 1.0 / inside
    y = -hole.orifice + np.sqrt(hole.orifice**2 + 4.0 * square * abs(drive) / inside)
    y /= 2.0 * square
    return float(y * y if outwards else -y * y)


def through(values: FloatArray, channel: ChannelFilter | None) -> FloatArray:
    """A channel behind its low-pass and delay, at the fine samples."""
    if channel is None:
        return values
    from scipy.signal import sosfilt, sosfilt_zi

    filtered = values
    if channel.order:
        sections = sections_of(channel)
        filtered, _ = sosfilt(sections, values, zi=sosfilt_zi(sections) * values[0])
    late = round(channel.delay_s * FINE_HZ)
    if late:
        filtered = np.concatenate([np.full(late, filtered[0]), filtered[:-late]])
    return np.asarray(filtered, dtype=np.float64)


@lru_cache(maxsize=64)
def sections_of(channel: ChannelFilter) -> FloatArray:
    """Second-order sections of a low-pass with 3 dB at its corner."""
    from scipy.signal import bessel, butter

    if channel.kind == "bessel":
        found = bessel(channel.order, channel.corner_hz, fs=FINE_HZ, norm="mag", output="sos")
    else:
        found = butter(channel.order, channel.corner_hz, fs=FINE_HZ, output="sos")
    return np.asarray(found, dtype=np.float64)


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
