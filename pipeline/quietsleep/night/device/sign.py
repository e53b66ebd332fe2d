"""In which direction flow and pressures of an export run, and what tells it.

Flow and airway pressure turned together look like neither turned, so the shape of breaths, which
asks flow alone, comes first; pressure is then held against flow. A contradiction is no answer.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from quietsleep.intake.propose.columns import BY_BREATHS, BY_OCCLUSIONS, BY_SQUEEZES, NOT_KNOWN
from quietsleep.records import FloatArray, Recording
from quietsleep.signals.polarity import breath_polarity, flow_polarity
from quietsleep.signals.quantiles import NAN, median, percentile

_CLOSED_KPA = 0.1
_STILL_SHARE = 0.1  # of the usual flow: below it flow stands still
_LEAST_R = 0.5
_FEWEST_S = 0.1


@dataclass(frozen=True, slots=True)
class Signs:
    """Channel -> (whether it is turned against inspiration or above, how sure)."""

    turned: Mapping[str, tuple[bool, str]] = field(default_factory=dict)
    hint: str = ""


def signs_of(recording: Recording) -> Signs:
    """Tell the signs of a recording that was read with flow as inspiration, pressures as above."""
    pressures = dict(recording.pressures_kpa)
    turned: dict[str, tuple[bool, str]] = {}
    if (jacket := pressures.get("jacket_pressure")) is not None:
        is_turned = _turned_jacket(jacket)
        turned["jacket_pressure"] = (is_turned, BY_SQUEEZES)
        pressures["jacket_pressure"] = -jacket if is_turned else jacket
    shape = breath_polarity(recording)
    driven = NAN
    if {"airway_pressure", "jacket_pressure"} & {*pressures}:
        driven = flow_polarity(replace(recording, pressures_kpa=pressures))
    airway = pressures.get("airway_pressure")
    held = NAN if airway is None else _held_kpa(recording.flow_ml_s, airway, recording.rate_hz)
    flow, pressure, hint = _decided(shape, driven, held)
    turned["flow"] = flow
    if airway is not None:
        turned["airway_pressure"] = pressure
    if (box := pressures.get("box_pressure")) is not None:
        turned["box_pressure"] = _box(box, airway, pressure, recording)
    return Signs(turned, hint)


Sign = tuple[bool, str]


def _decided(shape: float, driven: float, held: float) -> tuple[Sign, Sign, str]:
    """Return the signs of flow and of airway pressure, and what to look at.

    `shape` and `driven` are 1 where flow runs in, 0 where it is turned, NaN where nothing tells;
    `held` is the pressure behind a shutter that stays closed.
    """
    asked: Sign = (False, NOT_KNOWN)
    if np.isnan(driven):
        flow: Sign = asked if np.isnan(shape) else (shape == 0.0, BY_BREATHS)
        return flow, asked, ""
    if np.isnan(shape):
        # A lung that is held at the end of inspiration presses outwards.
        if held > 0.0:
            return (driven == 0.0, BY_OCCLUSIONS), (False, BY_OCCLUSIONS), ""
        return asked, asked, "Pressure and flow fit each other in two ways, both turned or neither."
    if shape == driven:
        return (shape == 0.0, BY_BREATHS), (False, BY_OCCLUSIONS), ""
    if held < 0.0:
        return (shape == 0.0, BY_BREATHS), (True, BY_OCCLUSIONS), ""
    return asked, asked, "The shape of breaths says one direction, and pressure the other."


def _turned_jacket(jacket_kpa: FloatArray) -> bool:
    rest = median(jacket_kpa)
    return percentile(jacket_kpa - rest, 99.9) < -percentile(jacket_kpa - rest, 0.1)


def _held_kpa(flow_ml_s: FloatArray, airway_kpa: FloatArray, rate_hz: float) -> float:
    """Median pressure from rest while flow stands still and the airway is closed; NaN if never."""
    closed = _closed(flow_ml_s, airway_kpa)
    if closed.sum() < _FEWEST_S * rate_hz:
        return NAN
    return median(airway_kpa[closed]) - median(airway_kpa)


def _closed(flow_ml_s: FloatArray, airway_kpa: FloatArray) -> FloatArray:
    still = np.abs(flow_ml_s) < _STILL_SHARE * percentile(np.abs(flow_ml_s), 90.0)
    return np.asarray(still & (np.abs(airway_kpa - median(airway_kpa)) > _CLOSED_KPA))


def _box(
    box_kpa: FloatArray, airway_kpa: FloatArray | None, airway: Sign, recording: Recording
) -> Sign:
    """Efforts against a shutter thin the air in the lung and press that of the box together."""
    if airway_kpa is None or airway[1] == NOT_KNOWN:
        return False, NOT_KNOWN
    closed = _closed(recording.flow_ml_s, airway_kpa)
    if closed.sum() < _FEWEST_S * recording.rate_hz:
        return False, NOT_KNOWN
    box, mouth = box_kpa[closed], airway_kpa[closed]
    if not (np.ptp(box) > 0.0 and np.ptp(mouth) > 0.0):
        return False, NOT_KNOWN
    r = float(np.corrcoef(box, mouth)[0, 1]) * (-1.0 if airway[0] else 1.0)
    return (r > 0.0, BY_OCCLUSIONS) if abs(r) > _LEAST_R else (False, NOT_KNOWN)
