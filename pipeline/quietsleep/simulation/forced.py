"""Forced expirations by jacket, from end-inspiration and from a raised volume, with known truth.

Gas leaves as fast as muscle, recoil and jacket can push it through body and apparatus, but no
faster than the infant's flow limit at that volume; both join smoothly. Integrated with error
control (LSODA) and told at 2 kHz.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import exp

import numpy as np

from quietsleep.simulation.bodies import FINE_HZ, FloatArray, modes_of
from quietsleep.simulation.breathing import (
    Breath,
    Variation,
    begin_of,
    breathe_quietly,
    draw_breath,
    inspire,
)
from quietsleep.simulation.occlusions import empty
from quietsleep.simulation.physiology import Infant, Setting, SimulatedRecording, muscle_pull
from quietsleep.simulation.tape import (
    TIGHT,
    Leak,
    Stretch,
    Tape,
    cut,
    mean_of,
    resisting_leak,
)

JACKET_EMPTIES_S = 0.04
EARLY_DRIVE = 2.0  # a breath that ends a squeeze early is that much stronger
LONGEST_S = 4.0
SHARPNESS = 8  # how sharply driven and limited flow join
GASP_S = 0.1


@dataclass(frozen=True, slots=True)
class SimulatedSqueeze:
    """One jacket inflation and what goes wrong with it.

    `jacket_tau_s`: time constant of the pressure rise (10-90 % rise = tau ln 9). `opening_s`: how
    slowly the airway opens to the flow head (a valve that sticks). `late_share`: share of the
    inspired volume breathed out before the squeeze. `stop_share`: an early breath ends the forced
    expiration when this share of the volume is still in. `glottis`: at this share the larynx
    closes and a short breath comes in. Shares are of the volume above EEL for squeezes from
    end-inspiration, of the volume above residual volume for those from a raised volume.
    `transmission`: share of jacket pressure that reaches the chest. `leak_share`: share of forced
    flow that leaves past the flow head, by a mask that lifts under the squeeze. `inflation_leak`:
    share of each inflation's volume that leaves through a hole while the mask is under pressure.
    """

    pressure_kpa: float = 6.0
    jacket_tau_s: float = 0.02
    opening_s: float = 0.008
    late_share: float = 0.0
    stop_share: float | None = None
    glottis: float | None = None
    transmission: float = 0.7
    flow_scatter: float = 0.012
    inflation_kpa: float = 3.0
    inflations: int = 4
    leak_share: float = 0.0
    inflation_leak: float = 0.0


@dataclass(frozen=True, slots=True)
class ForcedCurve:
    """Noiseless fine-grained forced expiration of the infant: flow out is positive here."""

    flow_ml_s: FloatArray
    out_ml: FloatArray
    jacket_kpa: FloatArray


@dataclass(frozen=True, slots=True)
class Approach:
    """A pressure or share on its way: end + (start - end) exp(-t / tau)."""

    start: float
    end: float
    tau_s: float

    def at(self, t: float) -> float:
        """Value at one time."""
        return self.end + (self.start - self.end) * exp(-t / self.tau_s)

    def over(self, t: FloatArray) -> FloatArray:
        """Values at many times."""
        return np.asarray(self.end + (self.start - self.end) * np.exp(-t / self.tau_s))

    def later(self, seconds: float) -> Approach:
        """The same, counted from a later time."""
        return replace(self, start=self.at(seconds))


OPEN = Approach(1.0, 1.0, 1.0)


@dataclass(frozen=True, slots=True)
class Pushed:
    """The equations of a body that is pushed: x' = M x - b f, f the flow out.

    `muscle` (n,) at the fine samples, `jacket` pressure and how far the airway is open over time.
    """

    tape: Tape
    today: Infant
    transmission: float
    leak: Leak
    muscle: FloatArray
    jacket: Approach
    opening: Approach

    def run(self, seconds: float) -> Stretch:
        """Integrate from the state of the tape, and what the head sees of it."""
        from scipy.integrate import solve_ivp

        t = np.arange(round(seconds * FINE_HZ) + 1) / FINE_HZ
        solved = solve_ivp(
            self.equations(), (0.0, float(t[-1])), list(self.tape.state), method="LSODA", t_eval=t,
            rtol=1e-8, atol=1e-8, max_step=0.02,
        )  # fmt: skip
        states = np.asarray(solved.y, dtype=np.float64)
        jacket, body = self.jacket.over(t), self.tape.body
        muscle = self.muscle[: len(t)] - self.transmission * jacket
        volume = body.volume_ml(states[0], states[1])
        driven = body.recoil[0] * states[0] + body.recoil[1] * states[1] - muscle
        driven = driven / self.total
        limit = np.maximum(self.today.maximal_flow_ml_s(volume + self.above_rv_ml), 1e-6)
        ratio = np.maximum(driven, 0.0) / limit
        held_back = (1.0 + np.minimum(ratio, 1.0) ** SHARPNESS) ** (-1.0 / SHARPNESS)
        limited = limit * (1.0 + np.maximum(ratio, 1.0) ** -SHARPNESS) ** (-1.0 / SHARPNESS)
        out = np.where(ratio > 1.0, limited, driven * held_back)
        out = np.where(driven > 0.0, out * self.opening.over(t), driven)
        before = 1.0 / self.tape.apparatus
        seen = out * before / (before + self.leak.conductance)
        return Stretch(
            -seen, -out, seen * self.tape.apparatus, muscle, states, np.ones(len(t)), jacket, volume
        )

    @property
    def total(self) -> float:
        """Resistance of the body and of what stands before it, kPa.s/mL."""
        return self.tape.body.resistance + 1.0 / (1.0 / self.tape.apparatus + self.leak.conductance)

    @property
    def above_rv_ml(self) -> float:
        """Relaxation volume above residual volume."""
        return self.today.reserve_ml - self.tape.steady.elevation_ml

    def equations(self) -> Callable[[float, FloatArray], list[float]]:
        """x' at a time and state; f = (driven^-8 + limit^-8)^(-1/8), inwards unlimited."""
        body, total, rest = self.tape.body, self.total, self.above_rv_ml
        (p1, p2), (b1, b2), (h1, h2) = body.recoil, body.inflow, body.holds
        m11, m12, m21, m22 = body.drift
        limit_of, jacket, opening = self.today.maximal_flow_ml_s, self.jacket, self.opening
        pull, last, through = self.muscle.tolist(), len(self.muscle) - 2, self.transmission

        def rates(t: float, state: FloatArray) -> list[float]:
            x, y = float(state[0]), float(state[1])
            place = t * FINE_HZ
            i = min(int(place), last)
            muscle = pull[i] + (place - i) * (pull[i + 1] - pull[i])
            out = (p1 * x + p2 * y - muscle + through * jacket.at(t)) / total
            if out > 0.0:
                limit = max(float(limit_of(h1 * x + h2 * y + rest)), 1e-6)
                ratio = out / limit
                if ratio > 1.0:
                    out = limit * (1.0 + ratio**-SHARPNESS) ** (-1.0 / SHARPNESS)
                else:
                    out *= (1.0 + ratio**SHARPNESS) ** (-1.0 / SHARPNESS)
                out *= opening.at(t)
            return [m11 * x + m12 * y - b1 * out, m21 * x + m22 * y - b2 * out]

        return rates


def squeeze_out(
    tape: Tape,
    squeeze: SimulatedSqueeze,
    today: Infant,
    *,
    from_ml: float,
    end_share: float,
    breath: Breath,
) -> ForcedCurve:
    """Force the infant to breathe out, let it breathe in, and write both.

    `from_ml` is the volume above residual volume to which the squeeze's shares belong. The muscles
    are lax until the breath that ends the squeeze; then the jacket empties.
    """
    rest = today.reserve_ml - tape.steady.elevation_ml
    floor = (squeeze.stop_share or 0.0) * from_ml
    pushed = Pushed(
        tape=tape,
        today=today,
        transmission=squeeze.transmission,
        leak=squeeze_leak(tape, squeeze),
        muscle=tape.relaxing(LONGEST_S, tape.infant.relaxation_s),
        jacket=Approach(0.0, squeeze.pressure_kpa, squeeze.jacket_tau_s),
        opening=Approach(0.0, 1.0, squeeze.opening_s),
    )
    tape.note("squeeze")
    whole, stop = run_out(pushed, end_share=end_share, floor_ml=floor - rest)
    parts = []
    if squeeze.glottis is not None:
        closed = whole.volume[: stop + 1] < squeeze.glottis * from_ml - rest
        if closed.any():
            closes = int(np.argmax(closed))
            parts += [tape.write(whole, closes), gasp(tape, 0.05 * tape.infant.vt_ml, squeeze)]
            pushed = replace(
                pushed,
                muscle=np.zeros_like(pushed.muscle),
                jacket=pushed.jacket.later(closes / FINE_HZ),
                opening=OPEN,
            )
            whole, stop = run_out(pushed, end_share=end_share, floor_ml=floor - rest)
    parts.append(tape.write(whole, stop))
    tape.note("squeeze_end")
    if squeeze.stop_share:
        breath = replace(breath, drive_kpa=EARLY_DRIVE * breath.drive_kpa)
    parts.append(breathe_in(tape, pushed, breath))
    return joined(parts)


def run_out(pushed: Pushed, *, end_share: float, floor_ml: float) -> tuple[Stretch, int]:
    """A forced expiration, and the sample at which the infant breathes in.

    That is where flow falls below a share of its peak, or volume below a floor.
    """
    for seconds in (0.4 * LONGEST_S, LONGEST_S):
        stretch = pushed.run(seconds)
        out = -stretch.gas
        ended = (out < end_share * np.maximum.accumulate(out)) | (stretch.volume < floor_ml)
        ended[: round(0.12 * FINE_HZ)] = False
        if ended.any():
            return stretch, int(np.argmax(ended))
    return stretch, len(out) - 1


def joined(parts: Sequence[Stretch]) -> ForcedCurve:
    """The forced expiration of consecutive stretches."""
    flow = np.concatenate([-part.gas[:-1] for part in parts] + [-parts[-1].gas[-1:]])
    volume = np.concatenate([part.volume[:-1] for part in parts] + [parts[-1].volume[-1:]])
    jacket = np.concatenate([part.jacket[:-1] for part in parts] + [parts[-1].jacket[-1:]])
    return ForcedCurve(flow, volume[0] - volume, jacket)


def squeeze_leak(tape: Tape, squeeze: SimulatedSqueeze) -> Leak:
    """The leak under a squeeze."""
    if not squeeze.leak_share:
        return TIGHT
    return resisting_leak(squeeze.leak_share, tape.setting.apparatus_resistance_kpa_s_l)


def gasp(tape: Tape, volume_ml: float, squeeze: SimulatedSqueeze) -> Stretch:
    """A short breath in, imposed on the body: half a sine of flow of 0.1 s."""
    t = np.arange(round(GASP_S * FINE_HZ) + 1) / FINE_HZ
    flow = volume_ml * np.pi / (2.0 * GASP_S) * np.sin(np.pi * t / GASP_S)
    gained = 0.5 * volume_ml * (1.0 - np.cos(np.pi * t / GASP_S))
    states = np.array(tape.state)[:, None] + np.array(tape.body.inflow)[:, None] * gained
    n, volume = len(t), tape.body.volume_ml(states[0], states[1])
    jacket = np.full(n, squeeze.pressure_kpa)
    lax = np.full(n, tape.tone_kpa)
    return tape.write(
        Stretch(flow, flow, -flow * tape.apparatus, lax, states, np.ones(n), jacket, volume)
    )


def breathe_in(tape: Tape, pushed: Pushed, breath: Breath) -> Stretch:
    """The breath that ends a squeeze, while the jacket empties.

    Returns what still flows out until the muscle has overcome recoil and jacket.
    """
    pull = muscle_pull(breath.drive_kpa, breath.ti_s, breath.ttot_s, breath.braking_s)
    jacket = Approach(pushed.jacket.end, 0.0, JACKET_EMPTIES_S)
    own = replace(pushed, muscle=pull, jacket=jacket, opening=OPEN, leak=TIGHT)
    tape.tone_kpa = 0.0
    stretch = own.run(breath.ttot_s)
    tape.write(stretch)
    tape.tone_kpa = 0.0
    return cut(stretch, 0, max(begin_of(stretch), 1))


def scattered(rng: np.random.Generator, infant: Infant, squeeze: SimulatedSqueeze) -> Infant:
    """The infant with this squeeze's flow limit: it varies a little from one to the next."""
    factor = 1.0 + squeeze.flow_scatter * float(np.clip(rng.standard_normal(), -2.0, 2.0))
    return replace(infant, emptying_per_s=infant.emptying_per_s * factor)


def tidal_forced_expiration(
    infant: Infant,
    *,
    rng: np.random.Generator,
    rate_hz: float = 200.0,
    setting: Setting | None = None,
    manoeuvres: int | Sequence[SimulatedSqueeze] = 4,
    variation: Variation | None = None,
    breaths_between: int = 8,
) -> SimulatedRecording:
    """Jacket squeezes at end-inspiration that pass EEL; truth includes V'maxFRC."""
    tape, usual = Tape(infant, setting or Setting()), variation or Variation()
    squeezes = (
        [SimulatedSqueeze()] * manoeuvres if isinstance(manoeuvres, int) else list(manoeuvres)
    )
    rows, facts = [], []
    for squeeze in squeezes:
        breathe_quietly(tape, rng, usual, breaths_between)
        vt = inspire(tape, draw_breath(rng, tape, usual), late_share=squeeze.late_share)
        level, level_sd = tape.level_ml, tape.level_sd_pct
        today = scattered(rng, infant, squeeze)
        above = tape.volume_ml - level
        exact = above_rv(infant, squeeze, above_ml=above)
        before = len(tape.parts)
        curve = squeeze_out(
            tape, exact, today, from_ml=above + infant.reserve_ml, end_share=0.1,
            breath=draw_breath(rng, tape, usual),
        )  # fmt: skip
        row = tidal_forced_truth(today, squeeze, curve, from_ml=above, vt_ml=vt)
        rows.append(row | {"eel_sd_pct": level_sd})
        lost = sum(float((p.flow - p.gas).sum()) for p in tape.parts[before:]) / FINE_HZ
        facts.append(
            {
                "elevation_pct": 100.0 * level / infant.vt_ml,
                "lost_pct": 100.0 * lost / infant.vt_ml,
                "inspired_ml": vt,
                "flow_limit_at_eel_ml_s": today.vmaxfrc_ml_s,
            }
        )
    breathe_quietly(tape, rng, usual, 6)
    trials = tuple(rows)
    return tape.play(
        "tidal_forced_expiration",
        rate_hz=rate_hz,
        truth=mean_of(trials),
        trials=trials,
        facts=tuple(facts),
        context={"jacket_pressure_set_kpa": max(s.pressure_kpa for s in squeezes)},
        channels=("flow", "airway_pressure", "jacket_pressure"),
    )


def above_rv(infant: Infant, squeeze: SimulatedSqueeze, *, above_ml: float) -> SimulatedSqueeze:
    """Shares of the volume above EEL, as shares of the volume above residual volume."""

    def moved(share: float | None) -> float | None:
        if share is None:
            return None
        return (infant.reserve_ml + share * above_ml) / (infant.reserve_ml + above_ml)

    return replace(squeeze, stop_share=moved(squeeze.stop_share), glottis=moved(squeeze.glottis))


def tidal_forced_truth(
    infant: Infant, squeeze: SimulatedSqueeze, curve: ForcedCurve, *, from_ml: float, vt_ml: float
) -> dict[str, float]:
    """Flow of the integrated curve where the volume passes EEL, and where its peak lies."""
    passes = bool(curve.out_ml.max() > from_ml)
    at_eel = float("nan")
    if passes:
        after = int(np.argmax(curve.out_ml > from_ml))
        here = slice(max(after - 1, 0), after + 1)
        at_eel = float(np.interp(from_ml, curve.out_ml[here], curve.flow_ml_s[here]))
    peak = int(np.argmax(curve.flow_ml_s))
    early = vt_ml - from_ml
    return {
        "vmaxfrc_ml_s": at_eel,
        "peak_flow_ml_s": float(curve.flow_ml_s[peak]),
        "peak_flow_volume_pct": 100.0 * (float(curve.out_ml[peak]) + early) / vt_ml,
        "jacket_pressure_kpa": squeeze.pressure_kpa,
        "jacket_rise_s": squeeze.jacket_tau_s * float(np.log(9.0)),
        "passes_eel": float(passes),
        "flow_reversals": float(squeeze.glottis is not None),
        "squeeze_onset_pct": 100.0 * squeeze.late_share,
        "flow_limit_at_eel_ml_s": infant.vmaxfrc_ml_s,
    }


def inflate(
    tape: Tape, pressure_kpa: float, seconds: float, *, leak_share: float, mark: bool = True
) -> float:
    """Raise the relaxed lung towards an airway pressure; returns what leaked, mL.

    Mask pressure rises as P0 + (P - P0)(1 - exp(-t / 60 ms)); the head sees what goes into the
    lung and what leaves through a hole of the mask.
    """
    if mark:
        tape.note("inflation")
    t = np.arange(round(seconds * FINE_HZ) + 1) / FINE_HZ
    muscle = tape.relaxing(seconds, tape.infant.relaxation_s)
    start = max(tape.recoil_kpa - tape.tone_kpa, 0.0)
    mask = start + (pressure_kpa - start) * (1.0 - np.exp(-t / 0.06))
    body = tape.body
    states = modes_of(body, 0.0).run(tape.state, muscle + mask)
    gas = muscle + mask - body.recoil[0] * states[0] - body.recoil[1] * states[1]
    gas = gas / body.resistance
    wanted = leak_share * tape.infant.crs_ml_kpa * pressure_kpa
    hole = Leak(orifice=wanted / float(np.sqrt(mask).sum() / FINE_HZ))
    leaking = hole.flow_ml_s(mask)
    volume, n = body.volume_ml(states[0], states[1]), len(t)
    tape.write(Stretch(gas + leaking, gas, mask, muscle, states, np.ones(n), np.zeros(n), volume))
    return float(leaking[:-1].sum()) / FINE_HZ


def raised_volume(
    infant: Infant,
    *,
    rng: np.random.Generator,
    rate_hz: float = 200.0,
    setting: Setting | None = None,
    manoeuvres: int | Sequence[SimulatedSqueeze] = 1,
    variation: Variation | None = None,
    breaths_before: int = 8,
) -> SimulatedRecording:
    """Inflations to about 3 kPa, the last one squeezed out to near residual volume."""
    tape, usual = Tape(infant, setting or Setting()), variation or Variation()
    squeezes = (
        [SimulatedSqueeze()] * manoeuvres if isinstance(manoeuvres, int) else list(manoeuvres)
    )
    rows, facts = [], []
    for squeeze in squeezes:
        breathe_quietly(tape, rng, usual, breaths_before)
        level, leaked = tape.level_ml, 0.0
        for _ in range(squeeze.inflations):
            leaked += inflate(tape, squeeze.inflation_kpa, 1.4, leak_share=squeeze.inflation_leak)
            empty(tape, constants=4.0)
        leaked += inflate(tape, squeeze.inflation_kpa, 1.6, leak_share=squeeze.inflation_leak)
        today = scattered(rng, infant, squeeze)
        before, above = len(tape.parts), tape.volume_ml - tape.steady.elevation_ml
        curve = squeeze_out(
            tape, squeeze, today, from_ml=above + infant.reserve_ml, end_share=0.02,
            breath=draw_breath(rng, tape, usual),
        )  # fmt: skip
        row = raised_truth(squeeze, curve)
        lost = sum(float((p.flow - p.gas).sum()) for p in tape.parts[before:]) / FINE_HZ
        rows.append(row)
        facts.append(
            {
                "elevation_pct": 100.0 * level / infant.vt_ml,
                "lost_pct": 100.0 * lost / row["fvc_ml"],
                "inflation_lost_pct": 100.0 * squeeze.inflation_leak,
            }
        )
    breathe_quietly(tape, rng, usual, 5)
    trials = tuple(rows)
    return tape.play(
        "raised_volume",
        rate_hz=rate_hz,
        truth=mean_of(trials),
        trials=trials,
        facts=tuple(facts),
        context={
            "jacket_pressure_set_kpa": max(s.pressure_kpa for s in squeezes),
            "inflation_pressure_set_kpa": 3.0,
        },
        channels=("flow", "airway_pressure", "jacket_pressure"),
    )


def raised_truth(squeeze: SimulatedSqueeze, curve: ForcedCurve) -> dict[str, float]:
    """Forced volumes and flows of the noiseless curve.

    Time zero by back-extrapolation: t0 = t_peak - V_peak / flow_peak (E7: ATS/ERS statement,
    AJRCCM 2005;172:1463-1471). FEV_t is the volume out at t0 + t; NaN when the forced expiration
    is shorter. FEF_x is the flow when x % of FVC is out.
    """
    t = np.arange(len(curve.flow_ml_s)) / FINE_HZ
    fvc = float(curve.out_ml.max())
    peak = int(np.argmax(curve.flow_ml_s))
    zero = float(t[peak] - curve.out_ml[peak] / curve.flow_ml_s[peak])
    forced = float(t[-1]) - zero

    def timed(seconds: float) -> float:
        return float(np.interp(zero + seconds, t, curve.out_ml)) if forced >= seconds else np.nan

    def at_share(share: float) -> tuple[float, float]:
        after = int(np.argmax(curve.out_ml >= share * fvc))
        here = slice(max(after - 1, 0), after + 1)
        out, wanted = curve.out_ml[here], share * fvc
        return (
            float(np.interp(wanted, out, curve.flow_ml_s[here])),
            float(np.interp(wanted, out, t[here])),
        )

    flows = {share: at_share(share / 100.0) for share in (25, 50, 75, 85)}
    fev4, fev5 = timed(0.4), timed(0.5)
    return {
        "inflation_pressure_kpa": squeeze.inflation_kpa,
        "onset_volume_ml": float(np.interp(zero, t, curve.out_ml)),
        "fvc_ml": fvc,
        "fev0_4_ml": fev4,
        "fev0_5_ml": fev5,
        "fev0_5_fvc": fev5 / fvc,
        **{f"fef{share}_ml_s": flow for share, (flow, _) in flows.items()},
        "fef25_75_ml_s": 0.5 * fvc / (flows[75][1] - flows[25][1]),
        "peak_flow_ml_s": float(curve.flow_ml_s[peak]),
        "peak_flow_volume_pct": 100.0 * float(curve.out_ml[peak]) / fvc,
        "flow_reversals": float(squeeze.glottis is not None),
        "forced_time_s": forced,
        "jacket_pressure_kpa": squeeze.pressure_kpa,
        "fvc_fev0_5_ml": fvc + fev5,
        "fvc_fev0_4_ml": fvc + fev4,
    }
