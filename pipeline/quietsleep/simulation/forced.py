"""Forced expirations by jacket, from end-inspiration and from a raised volume, with known truth.

Flow is the smaller of what the driving pressure could push through the total resistance and of
the infant's flow limit at that volume, joined smoothly, and integrated at 2 kHz.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from quietsleep.simulation.physiology import FloatArray, Infant, Setting, SimulatedRecording
from quietsleep.simulation.quiet import breathe_quietly, elastic_pressure_kpa, passive_expiration
from quietsleep.simulation.tape import (
    FINE_HZ,
    Tape,
    Variation,
    draw_breath,
    expiration_flow,
    inspiration_flow,
    mean_of,
    whole,
)


@dataclass(frozen=True, slots=True)
class SimulatedSqueeze:
    """One jacket inflation and what goes wrong with it.

    `jacket_tau_s`: time constant of the pressure rise (10-90 % rise = tau ln 9). `opening_s`: how
    slowly the airway opens to the flow head (a valve that sticks). `late_share`:
    share of VT breathed out before the squeeze. `stop_share`: an early breath ends the forced
    expiration when this share of the volume is still in. `glottis`: at this share the larynx
    closes and a short breath comes in. Shares are of the volume above EEL for squeezes from
    end-inspiration, of the volume above residual volume for those from a raised volume.
    `transmission`: share of jacket pressure that reaches the chest.
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


@dataclass(frozen=True, slots=True)
class ForcedCurve:
    """Noiseless fine-grained forced expiration: flow out is positive here."""

    flow_ml_s: FloatArray
    out_ml: FloatArray
    jacket_kpa: FloatArray


def force_out(
    infant: Infant, setting: Setting, squeeze: SimulatedSqueeze, *, from_ml: float, end_share: float
) -> ForcedCurve:
    """Integrate dV/dt = -min(drive / R, limit(V)) until flow is below `end_share` of its peak.

    drive = recoil + transmission * jacket pressure; R = Rrs + R_app; the two flows join as
    (a^-8 + b^-8)^(-1/8). All from the volume `from_ml` above EEL.
    """
    resistance = infant.rrs_kpa_s_l + setting.apparatus_resistance_kpa_s_l
    volume = start = from_ml + infant.reserve_ml
    floor = (squeeze.stop_share or 0.0) * start
    stop_flow, glottis_at = 0.0, -1.0 if squeeze.glottis is None else squeeze.glottis * start
    flows, jackets, peak, step = [], [], 0.0, 1.0 / FINE_HZ
    decay = np.exp(-step / squeeze.jacket_tau_s)
    jacket = 0.0
    for i in range(4 * FINE_HZ):
        recoil = (volume - infant.reserve_ml + infant.elevation_ml) / infant.crs_ml_kpa
        drive = max(recoil + squeeze.transmission * jacket, 1e-6) * 1000.0 / resistance
        limit = max(infant.maximal_flow_ml_s(volume), 1e-6)
        flow = (drive**-8 + limit**-8) ** -0.125 * (1.0 - np.exp(-i * step / squeeze.opening_s))
        peak, stop_flow = max(peak, flow), end_share * peak
        if i * step > 0.12 and (flow < stop_flow or volume < floor):
            break
        flows.append(float(flow))
        jackets.append(jacket)
        volume -= flow * step
        jacket = squeeze.pressure_kpa + (jacket - squeeze.pressure_kpa) * decay
        if volume < glottis_at:
            gasp = inspiration_flow(0.05 * infant.vt_ml, 0.1)
            flows += list(-gasp)
            jackets += [jacket] * len(gasp)
            volume += 0.05 * infant.vt_ml
            glottis_at = -1.0
    fall = round(0.02 * FINE_HZ)
    flows += list(flows[-1] * (1.0 - np.arange(1, fall + 1) / fall))
    jackets += [jackets[-1]] * fall
    flow_array = np.asarray(flows)
    out = np.concatenate([[0.0], np.cumsum((flow_array[1:] + flow_array[:-1]) / 2.0)]) * step
    return ForcedCurve(flow_array, out, np.asarray(jackets))


def above_rv(infant: Infant, squeeze: SimulatedSqueeze, *, above_ml: float) -> SimulatedSqueeze:
    """Shares of the volume above EEL, as shares of the volume above residual volume."""

    def moved(share: float | None) -> float | None:
        if share is None:
            return None
        return (infant.reserve_ml + share * above_ml) / (infant.reserve_ml + above_ml)

    return replace(squeeze, stop_share=moved(squeeze.stop_share), glottis=moved(squeeze.glottis))


def scattered(rng: np.random.Generator, infant: Infant, squeeze: SimulatedSqueeze) -> Infant:
    """The infant with this squeeze's flow limit: it varies a little from one to the next."""
    factor = 1.0 + squeeze.flow_scatter * float(np.clip(rng.standard_normal(), -2.0, 2.0))
    return replace(infant, emptying_per_s=infant.emptying_per_s * factor)


def squeeze_out(tape: Tape, curve: ForcedCurve) -> None:
    """Write the forced expiration and the breath that follows while the jacket empties."""
    tape.note("squeeze")
    after = tape.volume_ml - float(curve.out_ml[-1])
    tape.add(-curve.flow_ml_s, volume_ml=after, jacket_kpa=curve.jacket_kpa)
    tape.note("squeeze_end")
    before = tape.samples
    ti = whole(tape.infant.ttot_s * tape.infant.ti_ttot)
    tape.inspire(max(tape.infant.vt_ml, tape.volume_ml + 0.9 * tape.infant.vt_ml), ti)
    n = tape.samples - before
    flow, airway, chest, _ = tape.parts[-1]
    emptying = curve.jacket_kpa[-1] * np.exp(-np.arange(n) / FINE_HZ / 0.06)
    tape.parts[-1] = (flow, airway, chest, emptying)
    tape.expire(0.0, whole(tape.infant.ttot_s - ti), tape.infant.tptef_te)


def tidal_forced_expiration(
    infant: Infant,
    *,
    rng: np.random.Generator,
    rate_hz: float = 200.0,
    setting: Setting | None = None,
    manoeuvres: int | Sequence[SimulatedSqueeze] = 4,
    variation: Variation | None = None,
    breaths_between: int = 6,
) -> SimulatedRecording:
    """Jacket squeezes at end-inspiration that pass EEL; truth includes V'maxFRC."""
    tape, usual = Tape(infant, setting or Setting()), variation or Variation()
    squeezes = (
        [SimulatedSqueeze()] * manoeuvres if isinstance(manoeuvres, int) else list(manoeuvres)
    )
    rows = []
    for squeeze in squeezes:
        breathe_quietly(tape, rng, usual, breaths_between)
        breath = draw_breath(rng, infant, usual)
        tape.inspire(tape.volume_ml + breath.vt_ml, breath.ti_s)
        if squeeze.late_share:
            flow = expiration_flow(breath.vt_ml, breath.te_s, breath.tptef_te)
            gone = -np.cumsum(flow) / FINE_HZ
            n = int(np.searchsorted(gone, squeeze.late_share * breath.vt_ml))
            tape.add(flow[:n], volume_ml=tape.volume_ml - float(gone[n - 1]))
        today = scattered(rng, infant, squeeze)
        above = tape.volume_ml
        exact = above_rv(infant, squeeze, above_ml=above)
        curve = force_out(today, tape.setting, exact, from_ml=above, end_share=0.1)
        rows.append(tidal_forced_truth(today, squeeze, curve, from_ml=above, vt_ml=breath.vt_ml))
        squeeze_out(tape, curve)
    breathe_quietly(tape, rng, usual, 4)
    trials = tuple(rows)
    return tape.play(
        "tidal_forced_expiration",
        rate_hz=rate_hz,
        truth=mean_of(trials),
        trials=trials,
        context={"jacket_pressure_set_kpa": max(s.pressure_kpa for s in squeezes)},
        channels=("flow", "airway_pressure", "jacket_pressure"),
    )


def tidal_forced_truth(
    infant: Infant, squeeze: SimulatedSqueeze, curve: ForcedCurve, *, from_ml: float, vt_ml: float
) -> dict[str, float]:
    """Flow of the integrated curve where the volume passes EEL, and where its peak lies."""
    passes = bool(curve.out_ml.max() > from_ml)
    at_eel = float(np.interp(from_ml, curve.out_ml, curve.flow_ml_s)) if passes else float("nan")
    if squeeze.glottis is not None and passes:
        at_eel = float(curve.flow_ml_s[int(np.argmax(curve.out_ml > from_ml))])
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


def inflate(tape: Tape, pressure_kpa: float, seconds: float) -> None:
    """Raise the relaxed lung towards an airway pressure.

    Pao = P0 + (P - P0)(1 - exp(-t/a)); x' = (C Pao - x) / tau, tau = Rrs C, solved in closed
    form for x = volume above rest:
    x = x0 + C (P - P0) (1 - (tau e^(-t/tau) - a e^(-t/a)) / (tau - a)).
    """
    infant, rise = tape.infant, 0.06
    tau = infant.tau_s()
    from_kpa = elastic_pressure_kpa(tape)
    t = np.arange(round(seconds * FINE_HZ) + 1) / FINE_HZ
    slow, fast = np.exp(-t / tau), np.exp(-t / rise)
    span = infant.crs_ml_kpa * (pressure_kpa - from_kpa)
    volume = tape.volume_ml + span * (1.0 - (tau * slow - rise * fast) / (tau - rise))
    flow = span * (slow - fast) / (tau - rise)
    airway = from_kpa + (pressure_kpa - from_kpa) * (1.0 - fast)
    tape.add(flow[:-1], volume_ml=float(volume[-1]), airway_kpa=airway[:-1])


def raised_volume(
    infant: Infant,
    *,
    rng: np.random.Generator,
    rate_hz: float = 200.0,
    setting: Setting | None = None,
    manoeuvres: int | Sequence[SimulatedSqueeze] = 1,
    variation: Variation | None = None,
    breaths_before: int = 6,
) -> SimulatedRecording:
    """Inflations to about 3 kPa, the last one squeezed out to near residual volume."""
    tape, usual = Tape(infant, setting or Setting()), variation or Variation()
    squeezes = (
        [SimulatedSqueeze()] * manoeuvres if isinstance(manoeuvres, int) else list(manoeuvres)
    )
    rows = []
    for squeeze in squeezes:
        breathe_quietly(tape, rng, usual, breaths_before)
        for _ in range(squeeze.inflations):
            tape.note("inflation")
            inflate(tape, squeeze.inflation_kpa, 1.4)
            passive_expiration(tape, to_ml=-0.9 * infant.elevation_ml)
        tape.note("inflation")
        inflate(tape, squeeze.inflation_kpa, 1.6)
        today = scattered(rng, infant, squeeze)
        curve = force_out(today, tape.setting, squeeze, from_ml=tape.volume_ml, end_share=0.02)
        rows.append(raised_truth(squeeze, curve))
        squeeze_out(tape, curve)
    breathe_quietly(tape, rng, usual, 3)
    trials = tuple(rows)
    return tape.play(
        "raised_volume",
        rate_hz=rate_hz,
        truth=mean_of(trials),
        trials=trials,
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
        index = int(np.argmax(curve.out_ml >= share * fvc))
        return float(curve.flow_ml_s[index]), float(t[index])

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
