"""Tidal breathing: timing, volumes and flows of the longest run of regular quiet breaths.

Source: Bates et al., Eur Respir J 2000;16:1180-1192.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from quietsleep.contract import TECHNIQUES
from quietsleep.records import (
    BoolArray,
    FloatArray,
    IntArray,
    Mark,
    MeasuredTrial,
    Measures,
    Recording,
    Trial,
)
from quietsleep.signals.breaths import integrate, shape_breaths
from quietsleep.signals.end_expiratory_level import drift_ml_s
from quietsleep.signals.fits import values_of
from quietsleep.signals.quantiles import median, runs

SPEC = TECHNIQUES["tidal"]
SETTINGS = SPEC.settings

REGULAR, SIGH, APNOEA, ARTEFACT = range(4)
_COUNTED = {"n_sighs": SIGH, "n_apnoeas": APNOEA, "n_artefacts": ARTEFACT}
# Breath-wise quantity -> names of its SD and its CV.
_SPREAD = {
    "rr_per_min": ("rr_sd_per_min", "rr_cv_pct"),
    "vt_ml": ("vt_sd_ml", "vt_cv_pct"),
    "ti_s": ("ti_sd_s", "ti_cv_pct"),
    "te_s": ("te_sd_s", "te_cv_pct"),
    "ti_ttot": ("ti_ttot_sd", "ti_ttot_cv_pct"),
    "tptef_te": ("tptef_te_sd", "tptef_te_cv_pct"),
    "vptef_ve": ("vptef_ve_sd", "vptef_ve_cv_pct"),
    "ptef_ml_s": ("ptef_sd_ml_s", "ptef_cv_pct"),
}


@dataclass(frozen=True, slots=True)
class _Table:
    """Every breath of a recording; arrays of shape (n_breaths,).

    `kind` is REGULAR, SIGH, APNOEA or ARTEFACT; `ptef_at` the sample of peak expiratory flow,
    with fraction; `raw_*` are volumes before drift is removed.
    """

    kind: IntArray
    ptef_at: FloatArray
    raw_inspired_ml: FloatArray
    raw_expired_ml: FloatArray
    values: Mapping[str, FloatArray]


def find_trials(recording: Recording) -> list[Trial]:
    """Find the longest run of regular breaths; a lone sigh or the like inside it is stepped over.

    No trial where no two regular breaths follow each other.
    """
    if recording.breaths.start.size == 0:
        return []
    regular = _tabulate(recording).kind == REGULAR
    first, last = _longest_run(regular)
    if last <= first:
        return []
    start, end = recording.breaths.start, recording.breaths.end
    read = tuple(
        (int(start[first + begun]), int(end[first + stopped - 1]))
        for begun, stopped in runs(regular[first : last + 1])
    )
    return [Trial(1, int(start[first]), int(end[last]), read=read)]


def measure_trial(recording: Recording, trial: Trial) -> Measures:
    """Mean, SD (n - 1) and CV of every breath-wise quantity over the regular breaths."""
    table = _tabulate(recording)
    inside = _inside(recording, trial)
    regular = inside & (table.kind == REGULAR)
    measures = Measures({"n_breaths": float(regular.sum()), "n_epochs": float(_n_epochs(table))})
    for name, kind in _COUNTED.items():
        measures[name] = float((inside & (table.kind == kind)).sum())
    values = np.stack([table.values[name][regular] for name in _SPREAD])
    means, sds = values.mean(axis=1).tolist(), values.std(axis=1, ddof=1).tolist()
    for (name, (sd_name, cv_name)), mean, sd in zip(_SPREAD.items(), means, sds, strict=True):
        measures[name], measures[sd_name], measures[cv_name] = mean, sd, 100.0 * sd / mean
    measures["minute_ventilation_ml_min"] = measures["vt_ml"] * measures["rr_per_min"]
    weight_kg = recording.context.get("weight_kg", float("nan"))
    if weight_kg > 0:
        measures["vt_ml_kg"] = measures["vt_ml"] / weight_kg
    else:
        measures.miss(("vt_ml_kg",), "no body weight")
    inspired_ml = float(table.raw_inspired_ml[regular].sum())
    expired_ml = float(table.raw_expired_ml[regular].sum())
    measures["volume_imbalance_pct"] = 100.0 * abs(inspired_ml - expired_ml) / inspired_ml
    return measures


def measure_test(trials: Sequence[MeasuredTrial]) -> Measures:
    """Count the accepted trials and the separate epochs of enough regular breaths in them."""
    epochs = values_of(trials, "n_epochs")
    return Measures({"n_accepted": float(len(trials)), "n_epochs": float(epochs.sum())})


def mark_trial(recording: Recording, trial: Trial) -> list[Mark]:
    """Mark the run, peak flows, EEL, breaths left out, and the volume that did not come back."""
    table, breaths = _tabulate(recording), recording.breaths
    inside, rate = _inside(recording, trial), recording.rate_hz
    regular = np.flatnonzero(inside & (table.kind == REGULAR))
    marks = [
        Mark(
            "flow",
            "Regular breaths",
            (trial.start / rate, trial.end / rate),
            (0.0, 0.0),
            "n_breaths",
            ("n_epochs",),
        ),
        Mark(
            "volume",
            "End-expiratory level",
            tuple((breaths.start[regular] / rate).tolist()),
            tuple(breaths.eel_ml[regular].tolist()),
            "vt_ml",
            ("vt_cv_pct", "vt_ml_kg"),
        ),
        _drift_mark(recording, trial),
    ]
    for i in regular:
        at, peak = float(table.ptef_at[i]) / rate, -float(table.values["ptef_ml_s"][i])
        marks.append(Mark("flow", "Peak expiratory flow", (at,), (peak,), "tptef_te"))
    for kind, label, quantity in (
        (SIGH, "Sigh", "n_sighs"),
        (APNOEA, "Apnoea", "n_apnoeas"),
        (ARTEFACT, "Disturbed breath", "n_artefacts"),
    ):
        for i in np.flatnonzero(inside & (table.kind == kind)):
            span = (breaths.start[i] / rate, breaths.end[i] / rate)
            marks.append(Mark("flow", label, span, (0.0, 0.0), quantity))
    return marks


def _drift_mark(recording: Recording, trial: Trial) -> Mark:
    """Line from the level at the start of the run to where it stood without drift removal."""
    raw_ml = integrate(recording.flow_ml_s, recording.rate_hz)
    last = min(trial.end, raw_ml.size - 1)
    level_ml = float(recording.volume_ml[trial.start])
    return Mark(
        "volume",
        "End-expiratory level before drift is removed",
        (trial.start / recording.rate_hz, last / recording.rate_hz),
        (level_ml, level_ml + float(raw_ml[last] - raw_ml[trial.start])),
        "volume_imbalance_pct",
    )


def _inside(recording: Recording, trial: Trial) -> BoolArray:
    breaths = recording.breaths
    return (breaths.start >= trial.start) & (breaths.end <= trial.end)


def _n_epochs(table: _Table) -> int:
    """Runs of regular breaths in a recording that are long enough to stand for themselves."""
    least = SETTINGS["epoch_breaths"]
    return sum(places.size >= least for places in _runs(table.kind == REGULAR))


def _longest_run(regular: BoolArray) -> tuple[int, int]:
    """First and last breath of the run with most regular ones; (0, -1) when there is none."""
    found = _runs(regular)
    if not found:
        return 0, -1
    best = max(found, key=len)
    return int(best[0]), int(best[-1])


def _runs(regular: BoolArray) -> list[IntArray]:
    """Places of the regular breaths of each run; a lone irregular breath does not end one."""
    places = np.flatnonzero(regular)
    if places.size == 0:
        return []
    bridged = round(SETTINGS["bridged_breaths"])
    return np.split(places, np.flatnonzero(np.diff(places) > bridged + 1) + 1)


@lru_cache(maxsize=1)
def _tabulate(recording: Recording) -> _Table:
    """Measure every breath; VT is the mean of inspired and expired volume. n_breaths >= 1.

    Kept for the recording in hand: finding, measuring and marking its trial all rest on it.
    """
    breaths, flow, rate = recording.breaths, recording.flow_ml_s, recording.rate_hz
    noise = recording.breaths.noise_ml_s
    window_s = _window_s(flow, noise)
    shapes = shape_breaths(breaths, flow, recording.volume_ml, rate, smoothing_s=window_s)
    inspired = shapes.turn_ml - shapes.begin_ml
    expired = shapes.turn_ml - shapes.end_ml
    ti, te = (shapes.turn - shapes.begin) / rate, (shapes.end - shapes.turn) / rate
    values = {
        "rr_per_min": 60.0 / (ti + te),
        "vt_ml": 0.5 * (inspired + expired),
        "ti_s": ti,
        "te_s": te,
        "ti_ttot": ti / (ti + te),
        "tptef_te": (shapes.peak - shapes.turn) / (rate * te),
        "vptef_ve": (shapes.turn_ml - shapes.peak_ml) / expired,
        # Drift was taken out of volume only: the zero of the flow head is put right here.
        "ptef_ml_s": shapes.peak_flow_ml_s + drift_ml_s(recording),
    }
    raw_ml = integrate(flow, rate)
    begin, turn, end = (raw_ml[edges] for edges in (breaths.start, breaths.turn, breaths.end))
    kind = _kinds(recording, values, roughness=shapes.roughness, noise_ml_s=noise)
    return _Table(kind, shapes.peak, turn - begin, turn - end, values)


def _window_s(flow_ml_s: FloatArray, noise_ml_s: float) -> float:
    """Time over which flow is smoothed for its peak, longer the more noise there is in it."""
    usual = float(np.abs(flow_ml_s).mean())
    wanted = SETTINGS["smoothing_per_noise_s"] * noise_ml_s / usual if usual > 0 else 0.0
    return min(max(wanted, SETTINGS["smoothing_s"]), SETTINGS["smoothing_most_s"])


def _kinds(
    recording: Recording,
    values: Mapping[str, FloatArray],
    *,
    roughness: FloatArray,
    noise_ml_s: float,
) -> IntArray:
    """Tell regular breaths from sighs, apnoeas and disturbed breaths by the medians of all.

    A sigh is deep, an apnoea pauses at the end of expiration; what is otherwise far from the
    median in volume, duration or peak flow, or has many more ripples of flow, is disturbed.
    """
    breaths, flow = recording.breaths, recording.flow_ml_s
    vt, ttot, ptef = values["vt_ml"], values["ti_s"] + values["te_s"], values["ptef_ml_s"]
    usual_vt, usual_ttot = median(vt), median(ttot)
    usual_ptef = median(ptef)
    still = max(SETTINGS["still_share"] * usual_ptef, SETTINGS["still_noise_sds"] * noise_ml_s)
    moving = np.maximum.accumulate(np.where(flow < -still, np.arange(flow.size), -1))
    pause_s = (breaths.end - 1 - moving[breaths.end - 1]) / recording.rate_hz
    low, high = SETTINGS["disturbed_below"], SETTINGS["disturbed_above"]
    odd = (vt < low * usual_vt) | (ttot < low * usual_ttot) | (ttot > high * usual_ttot)
    odd |= roughness > SETTINGS["disturbed_roughness"] * median(roughness)
    odd |= (ptef < low * usual_ptef) | (ptef > high * usual_ptef)
    kind = np.where(odd, ARTEFACT, REGULAR)
    kind = np.where(vt > SETTINGS["sigh_factor"] * usual_vt, SIGH, kind)
    return np.where(pause_s > SETTINGS["apnoea_factor"] * usual_ttot, APNOEA, kind)
