"""Raised volume: forced volumes and flows of one squeeze from an inflated lung.

Source: ATS/ERS statement, Am J Respir Crit Care Med 2005;172:1463-1471.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from quietsleep.contract import TECHNIQUES
from quietsleep.records import FloatArray, Mark, MeasuredTrial, Measures, Recording, Trial
from quietsleep.signals.breaths import integrate
from quietsleep.signals.end_expiratory_level import drift_ml_s
from quietsleep.signals.fits import fit_line, values_of
from quietsleep.signals.inflations import (
    Span,
    balance_gas,
    find_inflations,
    resting_zero_ml_s,
)
from quietsleep.signals.reasons import give_reasons
from quietsleep.signals.squeezes import (
    Forced,
    find_reversals,
    find_squeezes,
    follow_forced,
    smoothed_noise_ml_s,
)

SPEC = TECHNIQUES["raised_volume"]
SETTINGS = SPEC.settings

_TIMED = {"fev0_4_ml": 0.4, "fev0_5_ml": 0.5}
_SHARES = {"fef25_ml_s": 0.25, "fef50_ml_s": 0.5, "fef75_ml_s": 0.75, "fef85_ml_s": 0.85}


def find_trials(recording: Recording) -> list[Trial]:
    """Find each jacket squeeze and follow the expiration it forces; inflations are no trials."""
    jacket = recording.pressures_kpa.get("jacket_pressure")
    if jacket is None:
        return []
    trials: list[Trial] = []
    found: list[dict[str, int]] = []
    for squeeze in find_squeezes(jacket, recording.rate_hz, least_kpa=SETTINGS["squeeze_kpa"]):
        zero = _drift_ml_s(recording, squeeze.onset)
        forced = _follow(recording, squeeze.onset, zero_ml_s=zero)
        if forced is None:
            continue
        window = round(SETTINGS["inflation_window_s"] * recording.rate_hz)
        start = max(min(squeeze.onset - window, forced.start), 0)
        marks = {
            "onset": squeeze.onset,
            "full": squeeze.full,
            "release": squeeze.release,
            "start": forced.start,
            "peak": forced.peak,
            "end": forced.end,
            "free": trials[-1].end if trials else 0,
        }
        trials.append(Trial(len(trials) + 1, start, forced.end + 1, marks))
        found.append(marks)
    for marks, following in zip(found, [*found[1:], None], strict=bool(found)):
        marks["until"] = _next_inflation(recording, marks["end"], following)
    return trials


def measure_trial(recording: Recording, trial: Trial) -> Measures:
    """Measure one forced expiration: pressures, forced volumes, flows and their quality."""
    zero = _zero_ml_s(recording, trial)
    forced = _trial_forced(recording, trial, zero_ml_s=zero)
    rate = recording.rate_hz
    fvc_ml = float(forced.out_ml[-1])
    measures = forced_values(forced, rate)
    measures["inflation_pressure_kpa"] = _inflation_kpa(recording, trial)
    measures["jacket_pressure_kpa"] = _jacket_kpa(recording, trial)
    measures["peak_flow_ml_s"] = forced.peak_flow_ml_s
    measures["peak_flow_volume_pct"] = 100.0 * forced.peak_out_ml / fvc_ml
    measures["flow_reversals"] = float(len(_reversals(recording, forced)))
    measures["end_flow_pct"] = _end_flow_pct(forced, rate)
    measures["inflation_leak_pct"] = _leak_pct(recording, trial, fvc_ml=fvc_ml, zero_ml_s=zero)
    return give_reasons(
        measures, {"inflation_leak_pct": "no breathing and no inflations around it"}
    )


def forced_values(forced: Forced, rate_hz: float) -> Measures:
    """Forced volumes and flows of one forced expiration.

    Time zero by back-extrapolation of the steepest part: t0 = t_peak - V_peak / flow_peak.
    FVC = all that came out; FEVt = V(t0 + t), NaN where the expiration is shorter than t; FEFx =
    flow when x % of FVC is out; FEF25-75 = 0.5 FVC / (t75 - t25). Units mL, mL/s, s. Flow
    error is that of the flow head; an error of e in t0 moves FEVt by e times the flow at t.
    Source: ATS/ERS statement, Am J Respir Crit Care Med 2005;172:1463-1471.
    """
    out_ml, flow_out_ml_s = forced.out_ml, forced.flow_out_ml_s
    time_s = np.arange(out_ml.size) / rate_hz
    fvc_ml, peak = float(out_ml[-1]), forced.peak - forced.start
    zero_s = forced.peak_at / rate_hz - forced.peak_out_ml / forced.peak_flow_ml_s
    forced_s = float(time_s[-1]) - zero_s
    measures = Measures(
        {
            "onset_volume_ml": float(np.interp(zero_s, time_s, out_ml)),
            "fvc_ml": fvc_ml,
            "forced_time_s": forced_s,
        }
    )
    for name, seconds in _TIMED.items():
        sum_name = f"fvc_{name}"
        if forced_s < seconds:
            measures.miss((name, sum_name), f"forced expiration shorter than {seconds} s")
            continue
        measures[name] = float(np.interp(zero_s + seconds, time_s, out_ml))
        measures[sum_name] = fvc_ml + measures[name]
    if "fev0_5_ml" in measures.reasons:
        measures.miss(("fev0_5_fvc",), measures.reasons["fev0_5_ml"])
    else:
        measures["fev0_5_fvc"] = measures["fev0_5_ml"] / fvc_ml
    for name, share in _SHARES.items():
        measures[name] = _flow_at(share, out_ml[peak:], flow_out_ml_s[peak:])
    middle_s = _time_of(0.75, out_ml, time_s) - _time_of(0.25, out_ml, time_s)
    measures["fef25_75_ml_s"] = 0.5 * fvc_ml / middle_s
    return measures


def measure_test(trials: Sequence[MeasuredTrial]) -> Measures:
    """Count the accepted trials and compare the two largest of each forced volume."""
    measures = Measures({"n_accepted": float(len(trials))})
    for name in ("fvc_ml", *_TIMED):
        closeness = name.replace("_ml", "_closeness_pct")
        values = np.sort(values_of(trials, name))[::-1]
        if values.size < 2:
            measures.miss((closeness,), "fewer than two accepted trials have it")
        else:
            measures[closeness] = float(100.0 * (values[0] - values[1]) / values[0])
    return measures


def mark_trial(recording: Recording, trial: Trial) -> list[Mark]:
    """Mark inflation, squeeze, time zero, forced volumes and flows, and what went wrong."""
    values = measure_trial(recording, trial)
    forced = _trial_forced(recording, trial, zero_ml_s=_zero_ml_s(recording, trial))
    rate = recording.rate_hz
    peak_at = forced.start + forced.peak_at
    start_s, peak_s, end_s = (at / rate for at in (forced.start, peak_at, forced.end))
    zero_s, onset_s = end_s - values["forced_time_s"], trial.landmarks["onset"] / rate
    inflated = (values["inflation_pressure_kpa"],) * 2
    window = (onset_s - SETTINGS["inflation_window_s"], onset_s)
    squeezed, pressed = (
        (trial.landmarks["full"] / rate, _held_until(trial) / rate),
        (values["jacket_pressure_kpa"],) * 2,
    )
    peak = (-values["peak_flow_ml_s"],)
    last = (-values["end_flow_pct"] / 100.0 * values["peak_flow_ml_s"],)
    marks = [
        Mark("airway_pressure", "Inflation pressure", window, inflated, "inflation_pressure_kpa"),
        Mark("jacket_pressure", "Squeeze", squeezed, pressed, "jacket_pressure_kpa"),
        Mark("flow", "Peak flow", (peak_s,), peak, "peak_flow_volume_pct"),
        Mark("flow", "Flow at the end", (end_s,), last, "end_flow_pct"),
    ]
    for begin, stop in _reversals(recording, forced):
        span = (start_s + begin / rate, start_s + stop / rate)
        marks.append(Mark("flow", "Flow stops or turns", span, (0.0, 0.0), "flow_reversals"))
    marks += _leak_marks(recording, trial)
    return marks + _volume_marks(
        values, top_ml=float(recording.volume_ml[forced.start]), zero_s=zero_s, end_s=end_s
    )


def _leak_marks(recording: Recording, trial: Trial) -> list[Mark]:
    """Where gas was given, and where breathing resumed at the level that tells what came back."""
    span, volume, rate = _span(trial), recording.volume_ml, recording.rate_hz
    marks = [
        Mark("airway_pressure", "Inflation", (start / rate, (end - 1) / rate),
             (SETTINGS["inflation_least_kpa"],) * 2, "inflation_leak_pct")
        for start, end in _inflations(recording, span)
    ]  # fmt: skip
    starts = recording.breaths.start
    after = starts[(starts > span.forced_end) & (starts < span.until)][1:5]
    if after.size > 1:
        times, levels = after / rate, volume[after]
        label = "End-expiratory level once breathing has resumed"
        marks.append(
            Mark("volume", label, tuple(times.tolist()), tuple(levels.tolist()),
                 "inflation_leak_pct")
        )  # fmt: skip
    return marks


def _volume_marks(values: Measures, *, top_ml: float, zero_s: float, end_s: float) -> list[Mark]:
    """Forced volumes on the volume trace, forced flows on the flow-volume loop."""
    fvc_ml = values["fvc_ml"]
    onset = (top_ml - values["onset_volume_ml"],)
    marks = [
        Mark("volume", "Time zero", (zero_s,), onset, "onset_volume_ml"),
        Mark("volume", "Forced vital capacity", (end_s,), (top_ml - fvc_ml,), "fvc_ml",
             ("fvc_ml_kg", *(n for n in _TIMED if n in values.reasons))),
    ]  # fmt: skip
    for name, seconds in _TIMED.items():
        if name not in values.reasons:
            at, level = (zero_s + seconds,), (top_ml - values[name],)
            marks.append(Mark("volume", f"FEV{seconds}", at, level, name))
    for name, share in _SHARES.items():
        label, at = f"FEF{100 * share:.0f}", (top_ml - share * fvc_ml,)
        marks.append(Mark("loop", label, at, (-values[name],), name))
    return marks


def _reversals(recording: Recording, forced: Forced) -> list[tuple[int, int]]:
    """Stretches of the forced expiration, counted from its start, where flow stops or turns.

    A turn at its very end is the breath that follows.
    """
    noise = smoothed_noise_ml_s(recording, smoothing_s=SETTINGS["smoothing_s"])
    peak, n = forced.peak - forced.start, forced.flow_out_ml_s.size
    found = find_reversals(forced.flow_out_ml_s, peak=peak, noise_ml_s=noise)
    return [(start, end) for start, end in found if end < n]


def _follow(recording: Recording, onset: int, *, zero_ml_s: float) -> Forced | None:
    """Follow the expiration of one squeeze in the seconds about it, where its end has to be."""
    rate = recording.rate_hz
    first = max(onset - round(SETTINGS["follow_before_s"] * rate), 0)
    last = onset + round(SETTINGS["follow_after_s"] * rate)
    flow = recording.flow_ml_s[first:last] - zero_ml_s
    forced = follow_forced(
        flow,
        integrate(flow, rate),
        rate,
        onset=onset - first,
        least_breath_share=SETTINGS["breath_share"],
        smoothing_s=SETTINGS["smoothing_s"],
    )
    if forced is None:
        return None
    return replace(
        forced, start=forced.start + first, peak=forced.peak + first, end=forced.end + first
    )


def _drift_ml_s(recording: Recording, onset: int) -> float:
    """Zero of the flow head as the whole recording tells it over the second from the onset on."""
    return drift_ml_s(recording, onset, onset + round(recording.rate_hz))


def _zero_ml_s(recording: Recording, trial: Trial) -> float:
    """Zero of the flow head by the breathing about a manoeuvre; where that is too short, by all."""
    span = _span(trial)
    zero = resting_zero_ml_s(recording, span, _inflations(recording, span))
    return zero if np.isfinite(zero) else _drift_ml_s(recording, trial.landmarks["onset"])


def _span(trial: Trial) -> Span:
    marks = trial.landmarks
    return Span(marks["free"], marks["onset"], marks["end"], marks["until"])


def _trial_forced(recording: Recording, trial: Trial, *, zero_ml_s: float) -> Forced:
    """Follow the expiration of a trial, by the zero that found it where `zero_ml_s` leaves none.

    Breathing about a manoeuvre tells no zero where flow runs the wrong way.
    """
    onset = trial.landmarks["onset"]
    for zero in (zero_ml_s, _drift_ml_s(recording, onset)):
        forced = _follow(recording, onset, zero_ml_s=zero)
        if forced is not None:
            return forced
    raise ValueError("a trial of raised volume has a forced expiration")


def _inflations(recording: Recording, span: Span) -> list[tuple[int, int]]:
    airway = recording.pressures_kpa.get("airway_pressure")
    if airway is None:
        return []
    least_kpa = SETTINGS["inflation_least_kpa"]
    return find_inflations(airway, recording.rate_hz, span, least_kpa=least_kpa)


def _next_inflation(recording: Recording, end: int, following: Mapping[str, int] | None) -> int:
    """Sample at which the inflations of the manoeuvre that follows begin, or the recording ends."""
    if following is None:
        return int(recording.flow_ml_s.size)
    span = Span(end, following["onset"], following["end"], following["end"])
    inflations = _inflations(recording, span)
    return inflations[0][0] if inflations else following["onset"]


def _leak_pct(recording: Recording, trial: Trial, *, fvc_ml: float, zero_ml_s: float) -> float:
    span = _span(trial)
    balance = balance_gas(
        recording,
        span,
        _inflations(recording, span),
        zero_ml_s=zero_ml_s,
        most_breaths=int(SETTINGS["leak_breaths_most"]),
    )
    return balance.largest_pct(forced_ml=fvc_ml)


def _inflation_kpa(recording: Recording, trial: Trial) -> float:
    """Mean airway pressure (kPa) over the last window before it falls; NaN without samples.

    It falls as the airway opens for the squeeze, which the jacket shows a little earlier or later
    where the filters and delays of the two channels are unlike: the window may end that far from
    where the jacket begins to fill, and the one with the highest mean is the last before the fall.
    """
    airway, rate = recording.pressures_kpa.get("airway_pressure"), recording.rate_hz
    onset, window = trial.landmarks["onset"], round(SETTINGS["inflation_window_s"] * rate)
    reach = round(SETTINGS["inflation_reach_s"] * rate)
    if airway is None or window < 1 or onset < 1:
        return float("nan")
    part = airway[max(onset - reach - window, 0) : onset + reach]
    sums = np.concatenate(([0.0], np.cumsum(part)))
    if part.size <= window:
        return float(part.mean())
    return float((sums[window:] - sums[:-window]).max()) / window


def _held_until(trial: Trial) -> int:
    """Last sample of a full jacket in the forced expiration; it may empty before flow turns."""
    marks = trial.landmarks
    return max(min(marks["release"], marks["end"]), marks["full"])


def _jacket_kpa(recording: Recording, trial: Trial) -> float:
    """Mean jacket pressure (kPa) during the forced expiration, while the jacket is full."""
    jacket = recording.pressures_kpa["jacket_pressure"]
    return float(jacket[trial.landmarks["full"] : _held_until(trial) + 1].mean())


def _end_flow_pct(forced: Forced, rate_hz: float) -> float:
    """Flow just before the end in percent of peak flow.

    Mean over a short window that ends shortly before flow turns, because the turn itself takes
    time: an expiration cut off at high flow passes through every lower flow on its way to zero.
    """
    flow, peak = forced.flow_out_ml_s, forced.peak - forced.start
    last = max(flow.size - round(SETTINGS["end_flow_before_s"] * rate_hz), peak + 1)
    first = max(last - max(round(SETTINGS["end_flow_window_s"] * rate_hz), 1), peak)
    return 100.0 * float(flow[first:last].mean()) / forced.peak_flow_ml_s


def _flow_at(share: float, out_ml: FloatArray, flow_out_ml_s: FloatArray) -> float:
    """Flow (mL/s) when a share of all that comes out is out, by a line of flow on volume.

    The line is fitted to the samples within 5 % (setting) of the whole volume on either side,
    which evens out noise and heart beats; with fewer than four, flow is read between samples.
    """
    fvc_ml = float(out_ml[-1])
    near = np.abs(out_ml - share * fvc_ml) <= SETTINGS["flow_window_share"] * fvc_ml
    if near.sum() < 4:
        reached = np.maximum.accumulate(out_ml)
        return float(np.interp(share * fvc_ml, reached, flow_out_ml_s))
    line = fit_line(out_ml[near], flow_out_ml_s[near])
    return line.intercept + line.slope * share * fvc_ml


def _time_of(share: float, out_ml: FloatArray, time_s: FloatArray) -> float:
    """Time (s) at which a share of all that comes out is first out, between samples by a line."""
    reached = np.maximum.accumulate(out_ml)
    wanted = share * float(out_ml[-1])
    after = max(int(np.searchsorted(reached, wanted)), 1)
    low, high = float(reached[after - 1]), float(reached[after])
    part = (wanted - low) / (high - low) if high > low else 1.0
    return float(time_s[after - 1]) + part * float(time_s[after] - time_s[after - 1])
