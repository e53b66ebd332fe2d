"""Raw samples to calibrated channels on a uniform time base, and channels to a `Recording`.

Gaps and jitter are measured and bridged here, clipping is measured, nothing is judged: limits live
in the contracts.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from quietsleep import contract
from quietsleep.records import BoolArray, Channels, FloatArray, RawSignal, Recording, SampleRun
from quietsleep.signals.breaths import find_breaths, integrate, level_volume, manoeuvres
from quietsleep.signals.clipping import clipped_share_pct, find_clipped, held_by
from quietsleep.signals.gas import AS_MEASURED, GasFactors, flow_at_btps, gas_factors
from quietsleep.signals.quantiles import longest_run, median, runs
from quietsleep.study.study import ChannelMap, Device

_NEGATIVE = ("expiration", "below")

# Times this close to the uniform grid (in sample periods) are taken as rounding of the export.
_JITTER_PERIODS = 0.1
# A registered rate is trusted when the file's own agrees this well; else the file's own is used.
_SAME_RATE = 1e-3
_LIKE_RATE = 0.3
# A step of time this long (in sample periods) has lost a sample; jitter is shorter.
_LOST_PERIODS = 1.85


@dataclass(frozen=True, slots=True)
class _TimeBase:
    """Which raw samples are kept, where they lie, and the uniform grid to bring them to.

    `gaps` are the places among the kept samples before which others were lost.
    """

    kept: BoolArray | slice
    time_s: FloatArray
    rate_hz: float
    grid_s: FloatArray | None
    gap_s: float
    gaps: tuple[int, ...] = ()


def calibrate(raw: RawSignal, device: Device, spec_channels: Sequence[str]) -> Channels:
    """Bring a raw signal to calibrated channels on one uniform time base.

    value = sign * (raw - offset) * gain * unit factor, in mL/s, kPa, % or /min; shape (n,). Flow
    is still as at the flow head: `assemble` brings it to BTPS. Every registered channel that the
    raw signal has is returned; gaps and clipping are those of flow and of `spec_channels`.
    Samples whose time does not advance are left out, missing values and gaps are bridged by a
    straight line, and jittered times are resampled by linear interpolation. A channel without one
    number is all zero, with a gap as long as the recording. Never raises for bad samples; raises
    `contract.ContractError` for a unit that the contracts do not know.
    """
    base = _time_base(raw.time_s, device.rate_hz)
    needed = {"flow", *spec_channels}
    values: dict[str, FloatArray] = {}
    gap_s = base.gap_s
    lost = [_hole(base, place, place) for place in base.gaps]
    for mapped in device.channels:
        column = raw.columns.get(mapped.column)
        if column is None:
            continue
        samples = _scaled(column, mapped)[base.kept]
        missing = ~np.isfinite(samples)
        if missing.any():
            if mapped.channel in needed:
                gap_s = max(gap_s, longest_run(missing) / base.rate_hz)
            lost += [_hole(base, *run, mapped.channel) for run in runs(missing)]
            samples = _bridged(samples, missing, base.time_s)
        values[contract.SIGNALS[mapped.channel].key] = samples
    there = {mapped.channel for mapped in device.channels if mapped.column in raw.columns}
    clipped_pct, clipped = clipped_in(values, needed & there)
    if base.grid_s is not None:
        values = {key: np.interp(base.grid_s, base.time_s, each) for key, each in values.items()}
        clipped = tuple(_on_grid(run, base, base.grid_s) for run in clipped)
    return Channels(base.rate_hz, values, gap_s, clipped_pct, clipped, tuple(sorted(lost)))


def assemble(
    channels: Channels,
    *,
    name: str,
    technique: str,
    device: Device | None,
    context: Mapping[str, float],
) -> Recording:
    """Bring channels to BTPS, integrate, take out drift, find breaths: a `Recording`.

    Without a device, flow is at BTPS already.

    `pressures_kpa` is keyed by channel (``airway_pressure``, ``box_pressure``,
    ``jacket_pressure``) and holds what the device recorded. `flow_ml_s` keeps whatever offset it
    has; only `volume_ml` has the drift taken out, and it is zero at the median level of the
    end-expiratory points. Equipment checks move room air both ways, so their flow stays as
    measured and their volume keeps its drift; a check of the box alone has no flow, which is zero.
    """
    is_check = technique in contract.CHECKS
    factors = AS_MEASURED if is_check else _factors(device, context)
    flow_ml_s = flow_at_btps(_flow(channels), factors)
    pressures = {
        signal.name: channels.values[signal.key]
        for signal in contract.SIGNALS.values()
        if signal.kind == "pressure" and signal.key in channels.values
    }
    volume_ml = integrate(flow_ml_s, channels.rate_hz)
    breaths = find_breaths(flow_ml_s, volume_ml, channels.rate_hz)
    if not is_check:
        volume_ml, breaths = level_volume(
            flow_ml_s,
            volume_ml,
            breaths,
            manoeuvres(pressures, flow_ml_s, channels.rate_hz),
            channels.rate_hz,
            has_shutter=_has_shutter(technique),
        )
    return Recording(
        name=name,
        technique=technique,
        rate_hz=channels.rate_hz,
        flow_ml_s=flow_ml_s,
        volume_ml=volume_ml,
        pressures_kpa=pressures,
        breaths=breaths,
        context=context,
        gap_s=channels.gap_s,
        clipped_share_pct=channels.clipped_share_pct,
        clipped=channels.clipped,
        lost=channels.lost,
    )


def clipped_in(
    values: Mapping[str, FloatArray], channels: Iterable[str]
) -> tuple[float, tuple[SampleRun, ...]]:
    """Largest clipped share (%) of channels by name, and the clipped stretches of all of them.

    `values` holds the samples under the keys of `contract.SIGNALS`, shape (n,).
    """
    share, found, together = 0.0, [], sorted(set(channels))
    for name in together:
        samples = values[contract.SIGNALS[name].key]
        at_rail = find_clipped(samples, held=held_by(name, together))
        share = max(share, clipped_share_pct(at_rail, samples.size))
        found += [SampleRun(start, end, name) for start, end in at_rail]
    return share, tuple(sorted(found))


def _on_grid(run: SampleRun, base: _TimeBase, grid_s: FloatArray) -> SampleRun:
    """A stretch of kept samples as a stretch of the uniform grid."""
    last_s = base.time_s[run.end - 1]
    start, last = np.searchsorted(grid_s, [base.time_s[run.start], last_s])
    return SampleRun(int(start), int(last) + 1, run.channel)


def _hole(base: _TimeBase, start: int, end: int, channel: str = "") -> SampleRun:
    """What is bridged between the kept samples before `start` and from `end` on, on the grid."""
    grid_s, time_s, near_s = base.grid_s, base.time_s, _JITTER_PERIODS / base.rate_hz
    if grid_s is None:
        return SampleRun(start, end, channel)
    first = np.searchsorted(grid_s, time_s[start - 1] + near_s) if start > 0 else 0
    last = np.searchsorted(grid_s, time_s[end] - near_s) if end < time_s.size else grid_s.size
    return SampleRun(int(first), max(int(first), int(last)), channel)


def _scaled(column: FloatArray, mapped: ChannelMap) -> FloatArray:
    scale = mapped.gain * _unit_factor(mapped.channel, mapped.unit)
    return (column - mapped.offset) * (-scale if mapped.positive in _NEGATIVE else scale)


@lru_cache(maxsize=64)
def _unit_factor(channel: str, unit: str) -> float:
    wanted = contract.SIGNALS[channel].unit
    if unit == wanted:
        return 1.0
    from quietsleep.contract.units import factor  # a unit library is slow to import

    return factor(unit, wanted)


def _bridged(samples: FloatArray, missing: BoolArray, time_s: FloatArray) -> FloatArray:
    if missing.all():
        return np.zeros_like(samples)
    there = ~missing
    return np.interp(time_s, time_s[there], samples[there])


def _time_base(time_s: FloatArray, registered_hz: float) -> _TimeBase:
    """Keep the samples whose time advances; see whether they lie on a uniform grid."""
    kept: BoolArray | slice = slice(None)
    lost, gaps = 0, []
    steps = np.diff(time_s)
    if not (steps > 0.0).all():
        mask, lost = _advancing(time_s)
        # Times that stand twice by rounding are no gap.
        before = np.cumsum(mask)
        gaps = [int(before[s - 1]) for s, e in runs(~mask) if e - s > 1 and s > 0]
        kept, time_s = mask, time_s[mask]
        steps = np.diff(time_s)
    if time_s.size < 2:
        return _TimeBase(kept, time_s, registered_hz, None, lost / registered_hz)
    period_s = _period(steps, registered_hz)
    rate_hz = 1.0 / period_s
    if abs(rate_hz / registered_hz - 1.0) < _SAME_RATE:
        rate_hz = registered_hz
    longest_s = float(steps.max()) - period_s
    gap_s = max(lost * period_s, longest_s if longest_s > 0.5 * period_s else 0.0)
    gaps += (1 + np.flatnonzero(steps > _LOST_PERIODS * period_s)).tolist()
    places = tuple(sorted({place for place in gaps if place < time_s.size}))
    n = round((time_s[-1] - time_s[0]) / period_s) + 1
    grid_s = time_s[0] + np.arange(n) * period_s
    if n == time_s.size and np.abs(time_s - grid_s).max() <= _JITTER_PERIODS * period_s:
        return _TimeBase(kept, time_s, rate_hz, None, gap_s, places)
    return _TimeBase(kept, time_s, rate_hz, grid_s, gap_s, places)


def _advancing(time_s: FloatArray) -> tuple[BoolArray, int]:
    """Mask of samples later than every sample before them; longest stretch of the others."""
    finite = np.where(np.isfinite(time_s), time_s, -np.inf)
    latest = np.maximum.accumulate(finite)
    kept = np.isfinite(time_s)
    kept[1:] &= finite[1:] > latest[:-1]
    return kept, longest_run(~kept)


def _period(steps: FloatArray, registered_hz: float) -> float:
    """Duration over the number of periods in it; neither jitter, rounding nor gaps bias it.

    A step near two periods may be jitter or one lost sample: as many count for two as bring the
    period closest to the usual one.
    """
    usual_s = 1.0 / registered_hz
    if max(steps.max() - usual_s, usual_s - steps.min()) <= _LIKE_RATE * usual_s:
        return float(steps.sum()) / steps.size  # no step is anything but one period
    middle_s = median(steps)
    if abs(middle_s * registered_hz - 1.0) > _LIKE_RATE:
        usual_s = middle_s
    periods = steps / usual_s
    gaps = periods[periods > 2.5]
    least = periods.size + int((np.rint(gaps) - 1.0).sum())
    unsure = int(((periods > 1.5) & (periods <= 2.5)).sum())
    count = min(max(round(float(periods.sum())), least), least + unsure)
    return float(steps.sum()) / count


def _flow(channels: Channels) -> FloatArray:
    """Flow (n,); zero where the device recorded none."""
    flow_ml_s = channels.values.get("flow_ml_s")
    if flow_ml_s is not None:
        return flow_ml_s
    return np.zeros(next((values.size for values in channels.values.values()), 0))


def _has_shutter(technique: str) -> bool:
    """Whether a technique rests on the check of a shutter, so that its recordings close one."""
    spec = contract.TECHNIQUES.get(technique)
    return spec is not None and "shutter_hold" in spec.needs_checks


def _factors(device: Device | None, context: Mapping[str, float]) -> GasFactors:
    if device is None or device.gas_state == "btps":
        return AS_MEASURED
    return gas_factors(
        room_temperature_c=context["room_temperature_c"],
        room_humidity_pct=context["room_humidity_pct"],
        expired_temperature_c=device.expired_temperature_c,
        expired_humidity_pct=device.expired_humidity_pct,
        barometric_pressure_kpa=context["barometric_pressure_kpa"],
    )
