"""Whole-body plethysmography: lung volume from breathing efforts against a closed shutter.

In the closed box thoracic gas is compressed and expanded by the efforts; Boyle's law, without its
linear short form, gives its volume from how far the chest moves for a change of airway pressure.
Source of the method: Stocks
et al., Eur Respir J 2001;17:302-312.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

import numpy as np

from quietsleep.contract import TECHNIQUES
from quietsleep.records import FloatArray, Mark, MeasuredTrial, Measures, Recording, Trial
from quietsleep.signals.end_expiratory_level import eel_shift_pct
from quietsleep.signals.fits import (
    NAN,
    Line,
    cv_pct,
    fit_both_noisy,
    fit_plane,
    noise_sd,
    values_of,
)
from quietsleep.signals.gas import BODY_C, saturated_vapour_kpa
from quietsleep.signals.occlusions import (
    Occlusion,
    airway_before,
    running_mean,
)
from quietsleep.signals.reasons import give_reasons
from quietsleep.signals.shutter_trials import find_shutter_trials, levels_around
from quietsleep.signals.timing import likely_delay_s, try_delays

SPEC = TECHNIQUES["plethysmography"]
SETTINGS = SPEC.settings
_NO_BOX = "no box factor or no box half-life: the check of that day is missing"
_NO_EFFORT = "no complete effort against the shutter"
REASONS = {
    "fit_r2": _NO_EFFORT,
    "loop_opening_pct": _NO_EFFORT,
    "slope_ml_kpa": _NO_EFFORT,
    "tgv_ml": "no slope or no barometric pressure",
    "volume_above_eel_ml": "too few breaths before the occlusion",
    "frc_ml": "no thoracic gas volume, or too few breaths before the occlusion",
    "frc_ml_kg": "no functional residual capacity or no body weight",
    "eel_sd_pct": "too few breaths before the occlusion",
    "eel_shift_pct": "too few breaths before or after the occlusion",
    "box_closed_s": "not recorded when the box was closed",
}


@dataclass(frozen=True, slots=True)
class _Loop:
    """Complete efforts of one occlusion, samples from `start`: airway pressure and box volume.

    `pressure_kpa` is above that of an open airway without flow, `compression_kpa` what Boyle's law
    makes of it; `line` is that of volume on compression. `returns` are the samples, counted from
    `start`, between which the efforts lie.
    """

    start: int
    pressure_kpa: FloatArray
    compression_kpa: FloatArray
    volume_ml: FloatArray
    returns: tuple[int, ...]
    line: Line


def find_trials(recording: Recording) -> list[Trial]:
    """Find each closed shutter; a trial holds the inspiration before and the expiration after."""
    return list(_occlusions(recording))


@lru_cache(maxsize=1)
def _occlusions(recording: Recording) -> tuple[Trial, ...]:
    """Kept for the recording in hand: its channels are brought in step over all of them."""
    return tuple(find_shutter_trials(recording, SETTINGS))


def measure_trial(recording: Recording, trial: Trial) -> Measures:
    """Measure the efforts of one occlusion."""
    loop, context = _loop(recording, trial), recording.context
    before, after = levels_around(recording, trial, SETTINGS)
    occlusion = _occlusion(trial)
    occluded_ml = float(recording.volume_ml[occlusion.start : occlusion.end].mean())
    slope = abs(loop.line.slope)
    volumes = lung_volumes(
        slope_ml_kpa=slope,
        barometric_pressure_kpa=context.get("barometric_pressure_kpa", NAN),
        volume_above_eel_ml=occluded_ml - before.eel_ml,
        compressible_dead_space_ml=context.get("compressible_dead_space_ml", NAN),
    )
    weight_kg = context.get("weight_kg", NAN)
    measures = Measures(
        {
            "n_efforts": float(max(len(loop.returns) - 1, 0)),
            "fit_r2": loop.line.r2,
            "loop_opening_pct": _opening_pct(loop),
            "slope_ml_kpa": slope,
            **volumes,
            "volume_above_eel_ml": occluded_ml - before.eel_ml,
            "frc_ml_kg": volumes["frc_ml"] / weight_kg if weight_kg > 0 else NAN,
            "eel_sd_pct": before.sd_pct,
            "eel_shift_pct": eel_shift_pct(before, after),
            "box_closed_s": context.get("box_closed_s", NAN),
            "channel_delay_s": _loops(recording)[0],
        }
    )
    if not np.isfinite(_box_factor_ml_kpa(context) * context.get("box_half_life_s", NAN)):
        measures.miss(("fit_r2", "loop_opening_pct", "slope_ml_kpa", "tgv_ml"), _NO_BOX)
        measures.miss(("frc_ml", "frc_ml_kg"), _NO_BOX)
    return give_reasons(measures, REASONS)


def lung_volumes(
    *,
    slope_ml_kpa: float,
    barometric_pressure_kpa: float,
    volume_above_eel_ml: float,
    compressible_dead_space_ml: float,
) -> dict[str, float]:
    """Thoracic gas volume and functional residual capacity, mL.

    TGV = K * slope, K = PB - PH2O(37 C), slope that of box volume on `compression_kpa`; FRC = TGV -
    volume above EEL - compressible dead space. All three are volumes at ambient pressure: TGV is
    that of the gas behind the shutter once its pressure is let off, volume above EEL passed the
    flow head, and at EEL nothing flows. The relative error of TGV is that of the slope plus
    dPB / K.
    Source: Stocks et al., Eur Respir J 2001;17:302-312, without its linear short form.
    """
    tgv_ml = dry_pressure_kpa(barometric_pressure_kpa) * slope_ml_kpa
    return {"tgv_ml": tgv_ml, "frc_ml": tgv_ml - volume_above_eel_ml - compressible_dead_space_ml}


def dry_pressure_kpa(barometric_pressure_kpa: float) -> float:
    """Pressure of the dry part of thoracic gas that is not compressed, kPa: K = PB - PH2O(37 C)."""
    return barometric_pressure_kpa - saturated_vapour_kpa(BODY_C)


def compression_kpa(pressure_kpa: FloatArray, *, dry_kpa: float) -> FloatArray:
    """Pressure whose share of K is the share by which gas is compressed: K P / (K + P), kPa.

    Gas of volume TGV at ambient pressure has TGV K / (K + P) at a pressure P above it (Boyle 1662,
    water vapour taken out because it stays saturated), so it loses TGV P / (K + P). P itself is the
    limit of small pressures. P (n,) in kPa, above that of the open airway at rest; without a K the
    short form is left.
    """
    if not dry_kpa > 0.0:
        return pressure_kpa
    return np.asarray(dry_kpa * pressure_kpa / (dry_kpa + pressure_kpa), dtype=np.float64)


def measure_test(trials: Sequence[MeasuredTrial]) -> Measures:
    """Count the accepted trials and measure how far FRC lies apart."""
    measures = Measures(
        {
            "n_accepted": float(len(trials)),
            "frc_cv_pct": cv_pct(values_of(trials, "frc_ml")),
        }
    )
    return give_reasons(measures, dict.fromkeys(measures, "fewer than two accepted trials"))


def mark_trial(recording: Recording, trial: Trial) -> list[Mark]:
    """Mark the complete efforts, the fitted line on the loop, and the levels."""
    loop, rate, occlusion = _loop(recording, trial), recording.rate_hz, _occlusion(trial)
    before, after = levels_around(recording, trial, SETTINGS)
    span_s = (trial.start / rate, trial.end / rate)
    airway = recording.pressures_kpa["airway_pressure"]
    held_s = (occlusion.start / rate, (occlusion.end - 1) / rate)
    occluded_ml = float(recording.volume_ml[occlusion.start : occlusion.end].mean())
    level, shift = "eel_sd_pct", "eel_shift_pct"
    marks = [
        Mark("volume", "end-expiratory level before", span_s, (before.eel_ml,) * 2, level),
        Mark("volume", "end-expiratory level after", span_s, (after.eel_ml,) * 2, shift),
        Mark("volume", "shutter closed", held_s, (occluded_ml,) * 2, "volume_above_eel_ml"),
    ]
    edges, of_loop = [loop.start + edge for edge in loop.returns], ("loop_opening_pct",)
    for number, (first, last) in enumerate(pairwise(edges), start=1):
        ends = (float(airway[first]), float(airway[min(last, airway.size - 1)]))
        times = (first / rate, last / rate)
        marks.append(Mark("airway_pressure", f"effort {number}", times, ends, "n_efforts", of_loop))
    if np.isfinite(loop.line.slope):
        # The picture shows box volume as recorded, with its leak and drift: meet it in its middle.
        shown = recording.pressures_kpa["box_pressure"][loop.start :][: loop.volume_ml.size]
        lift = _box_factor_ml_kpa(recording.context) * float(shown.mean()) - loop.volume_ml.mean()
        spread = np.linspace(loop.pressure_kpa.min(), loop.pressure_kpa.max(), 9)
        compression = compression_kpa(spread, dry_kpa=_dry_kpa(recording))
        fitted = loop.line.slope * compression + loop.line.intercept
        along, up = tuple((spread + _open_kpa(recording, trial)).tolist()), (fitted + lift).tolist()
        marks.append(Mark("loop", "fitted line", along, tuple(up), "fit_r2", ("frc_ml_kg",)))
        marks += _opening_marks(recording, loop)
    return marks


def _opening_marks(recording: Recording, loop: _Loop) -> list[Mark]:
    """Across the loop of each effort where it is widest.

    The loop is that of the signals as recorded, like the picture.
    """
    factor = _box_factor_ml_kpa(recording.context)
    airway = recording.pressures_kpa["airway_pressure"]
    box_ml = factor * recording.pressures_kpa["box_pressure"]
    marks = []
    for number, (first, last) in enumerate(pairwise(loop.returns), start=1):
        pressure = airway[loop.start + first : loop.start + last]
        volume = box_ml[loop.start + first : loop.start + last]
        low = int(np.argmin(pressure)) if pressure.size else 0
        if low < 2 or pressure.size - low < 3:
            continue
        back, forth = pressure[:low][::-1], pressure[low:]
        inward, outward = np.maximum.accumulate(back), np.maximum.accumulate(forth)
        levels = np.linspace(pressure[low], min(inward[-1], outward[-1]), 41)[1:-1]
        one = np.interp(levels, inward, volume[:low][::-1])
        other = np.interp(levels, outward, volume[low:])
        widest = int(np.argmax(np.abs(one - other)))
        across = (float(one[widest]), float(other[widest]))
        at, name = (float(levels[widest]),) * 2, f"opening of effort {number}"
        marks.append(Mark("loop", name, at, across, "loop_opening_pct"))
    return marks


def _occlusion(trial: Trial) -> Occlusion:
    return Occlusion(trial.landmarks["closed"], trial.landmarks["released"])


def _box_factor_ml_kpa(context: Mapping[str, float]) -> float:
    return box_factor_ml_kpa(context, body_density_kg_l=SETTINGS["body_density_kg_l"])


@dataclass(frozen=True, slots=True)
class _Course:
    """One occlusion without the moving of the shutter, samples from `start`, and its efforts."""

    start: int
    pressure_kpa: FloatArray
    volume_ml: FloatArray
    returns: tuple[int, ...]


def _course(recording: Recording, trial: Trial) -> _Course:
    """Airway pressure above the open airway, and chest movement with the leak of the box undone."""
    rate, occlusion = recording.rate_hz, _occlusion(trial)
    moving = round(SETTINGS["shutter_moving_s"] * rate)
    start, end = occlusion.start + moving, occlusion.end - moving
    pressure = recording.pressures_kpa["airway_pressure"][start:end] - _open_kpa(recording, trial)
    volume = undo_leak(
        recording.pressures_kpa["box_pressure"][start:end] * _box_factor_ml_kpa(recording.context),
        half_life_s=recording.context.get("box_half_life_s", NAN),
        rate_hz=rate,
    )
    returns = complete_efforts(pressure, rate, share=SETTINGS["effort_share"])
    return _Course(start, pressure, volume, returns)


def _loop(recording: Recording, trial: Trial) -> _Loop:
    """Loop of the complete efforts of one occlusion, its two channels brought in step."""
    found = _loops(recording)[1].get(trial.landmarks["closed"])
    return found or _fit_loop(recording, _course(recording, trial), delay_s=0.0)


def _fit_loop(recording: Recording, course: _Course, *, delay_s: float) -> _Loop:
    """Box volume against compression over the complete efforts, drift removed.

    A box that drifts adds a straight line in time: it is the time coefficient of the plane of box
    volume on compression and time, so efforts need not begin and end at one pressure.
    """
    pressure, volume, returns = course.pressure_kpa, course.volume_ml, course.returns
    if len(returns) < 2:
        nothing = Line(NAN, NAN, NAN, 0, 0)
        unknown = np.full(pressure.size, NAN)
        return _Loop(course.start, pressure, pressure, unknown, returns, nothing)
    if delay_s:
        place = np.arange(pressure.size, dtype=np.float64)
        pressure = np.interp(place + delay_s * recording.rate_hz, place, pressure)
    whole = slice(returns[0], returns[-1])
    pressure, volume = pressure[whole], volume[whole]
    compression = compression_kpa(pressure, dry_kpa=_dry_kpa(recording))
    if np.isfinite(volume).all():
        time = np.arange(volume.size) / recording.rate_hz
        (_, _, drift_ml_s), _ = fit_plane(volume, compression, time)
        volume = volume - drift_ml_s * time
    line = fit_both_noisy(
        compression, volume, x_noise=noise_sd(compression), y_noise=noise_sd(volume)
    )
    shifted = tuple(edge - returns[0] for edge in returns)
    return _Loop(course.start + returns[0], pressure, compression, volume, shifted, line)


@lru_cache(maxsize=1)
def _loops(recording: Recording) -> tuple[float, dict[int, _Loop]]:
    """Delay between the channels, s, and the loop of each occlusion by where it is closed.

    The delay is by how much airway pressure comes later than box pressure because of the device. It
    is one for all occlusions of a recording, and is asked only where a loop is open: unlike
    filters ahead of the converter open it without moving lung volume. A leak and a larynx that
    throttles leave other traces and are left in the loop (`quietsleep.signals.timing`). 0 where
    no delay explains what is open.
    """
    courses = {t.landmarks["closed"]: _course(recording, t) for t in _occlusions(recording)}
    loops = {at: _fit_loop(recording, each, delay_s=0.0) for at, each in courses.items()}
    if not any(_opening_pct(loop) > SETTINGS["delay_asked_pct"] for loop in loops.values()):
        return 0.0, loops
    tried = [
        try_delays(
            compression_kpa(each.pressure_kpa, dry_kpa=_dry_kpa(recording)),
            each.volume_ml,
            recording.rate_hz,
            most_s=SETTINGS["delay_most_s"],
        )
        for each in courses.values()
        if len(each.returns) > 1
    ]
    known = [each for each in tried if each is not None]
    delay_s = likely_delay_s(known, least_gain=SETTINGS["delay_gain"]) if known else 0.0
    if delay_s:
        loops = {at: _fit_loop(recording, c, delay_s=delay_s) for at, c in courses.items()}
    return delay_s, loops


def _dry_kpa(recording: Recording) -> float:
    return dry_pressure_kpa(recording.context.get("barometric_pressure_kpa", NAN))


def _open_kpa(recording: Recording, trial: Trial) -> float:
    """Airway pressure of the breaths before the occlusion where nothing flows, kPa."""
    breaths = int(SETTINGS["eel_breaths_most"])
    airway = recording.pressures_kpa["airway_pressure"]
    return airway_before(recording, _occlusion(trial), airway, breaths=breaths).zero_kpa


def complete_efforts(pressure_kpa: FloatArray, rate_hz: float, *, share: float) -> tuple[int, ...]:
    """Samples between which complete efforts lie: one more than there are efforts, or none.

    An effort pulls airway pressure (kPa, shape (n,)) down and lets it come back; both the fall and
    the return reach `share` of the largest swing. The samples are the highest pressures before,
    between and after the efforts.
    """
    if pressure_kpa.size < 8:
        return ()
    step = max(1, round(0.01 * rate_hz))
    smooth = running_mean(pressure_kpa, 2 * step)[::step]
    turns = _turning_points(smooth.tolist(), least=share * float(np.ptp(smooth)))
    if len(turns) > 1 and smooth[turns[0]] < smooth[turns[1]]:
        turns = turns[1:]
    return tuple(step * turn for turn in turns[::2]) if len(turns) > 2 else ()


def _turning_points(values: Sequence[float], *, least: float) -> list[int]:
    """Places of highest and lowest values in turn, each at least `least` from the one before."""
    turns: list[int] = []
    high = low = direction = 0
    for place, value in enumerate(values):
        high = place if value > values[high] else high
        low = place if value < values[low] else low
        if direction >= 0 and values[high] - value >= least > 0:
            turns.append(high)
            direction, low = -1, place
        elif direction <= 0 and value - values[low] >= least > 0:
            turns.append(low)
            direction, high = 1, place
    if turns:
        turns.append(high if direction > 0 else low)
    return turns


def _opening_pct(loop: _Loop) -> float:
    """Mean area of the loops of the efforts over the product of the spans, percent.

    The area of a closed loop is |sum of (P dV - V dP)| / 2; noise cancels in the signed sum.
    """
    size = loop.volume_ml.size
    spans = float(np.ptp(loop.volume_ml) * np.ptp(loop.compression_kpa)) if size else 0.0
    if len(loop.returns) < 2 or not spans > 0:
        return NAN
    areas = []
    for first, last in zip(loop.returns[:-1], loop.returns[1:], strict=True):
        p, v = loop.compression_kpa[first:last], loop.volume_ml[first:last]
        p, v = np.append(p - p[0], 0.0), np.append(v - v[0], 0.0)
        areas.append(abs(float(np.add.reduce(p[:-1] * v[1:] - v[:-1] * p[1:]))) / 2.0)
    return 100.0 * float(np.mean(areas)) / spans


def box_factor_ml_kpa(context: Mapping[str, float], *, body_density_kg_l: float) -> float:
    """Box factor with the infant inside, mL of chest movement per kPa of box pressure.

    A box that was calibrated empty holds less gas with an infant in it:
    factor * (V_box - weight / density) / V_box, volumes in L, weight in kg. NaN where the factor,
    or a number the correction needs, is missing.
    """
    factor = context.get("box_factor_ml_kpa", NAN)
    if context.get("box_calibrated_empty", NAN) == 0.0:
        return factor
    box_l = context.get("box_volume_l", NAN)
    body_l = context.get("weight_kg", NAN) / body_density_kg_l
    return factor * (box_l - body_l) / box_l if box_l > body_l else NAN


def undo_leak(volume_ml: FloatArray, *, half_life_s: float, rate_hz: float) -> FloatArray:
    """Volume that the chest moved from the volume that a leaking box shows.

    The box loses pressure as dP/dt = -P ln2 / t_half, so V_true = V + (ln2 / t_half) integral V dt
    from the first sample on. volume mL: shape (n,), zero at atmospheric box pressure; an offset
    of the box channel turns into a straight line in time, which is removed later.
    """
    steps = 0.5 * (volume_ml[1:] + volume_ml[:-1]) / rate_hz
    lost = np.concatenate(([0.0], np.cumsum(steps)))
    return np.asarray(volume_ml + np.log(2.0) / half_life_s * lost, dtype=np.float64)
