"""Frozen types that travel between the stages of a night. They hold data and no behaviour.

Units are part of the names. Inside the pipeline every array is a plain float64 array in
mL, mL/s, kPa or s; inspiration is positive; volumes and flows are at BTPS.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

RecordingState = Literal["measured", "no_trial", "quarantined", "crashed"]
TrialStatus = Literal["accepted", "rejected", "not_judgeable"]
VerdictState = Literal["pass", "fail", "not_applicable", "not_judged", "waived"]


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with one delivery, in words a site can act on.

    `kind` is a short stable key (for example ``bad_cell``), `where` the table or file inside the
    delivery, `row` the line of the file as an editor shows it (the header is line 1). `value`,
    is empty wherever the value could identify a person.
    """

    centre: str
    delivery: str
    kind: str
    where: str
    sentence: str
    expected: str
    remedy: str
    session: str | None = None
    recording: str | None = None
    row: int | None = None
    column: str | None = None
    value: str | None = None


@dataclass(frozen=True, slots=True)
class RawSignal:
    """Samples as a device wrote them: raw column name -> values, and the time of each sample."""

    time_s: FloatArray
    columns: Mapping[str, FloatArray]


@dataclass(frozen=True, slots=True, order=True)
class SampleRun:
    """Samples [start, end) of one channel, or of all where `channel` is empty.

    Nothing lies in it where `start` is `end`: then something is missing just before that sample.
    """

    start: int
    end: int
    channel: str = ""


@dataclass(frozen=True, slots=True)
class Channels:
    """Calibrated channels on one uniform time base.

    `values` maps ``flow_ml_s`` (still as at the flow head), ``airway_pressure_kpa``,
    ``box_pressure_kpa``, ``jacket_pressure_kpa``, ``spo2_pct``, ``heart_rate_per_min`` to arrays
    of shape (n,). `gap_s` is the longest stretch without samples, `clipped_share_pct` the largest
    share of samples of any needed channel that stand at the end of their range, `clipped` those
    stretches of all needed channels. `lost` is what was never measured and was bridged.
    """

    rate_hz: float
    values: Mapping[str, FloatArray]
    gap_s: float
    clipped_share_pct: float
    clipped: tuple[SampleRun, ...] = ()
    lost: tuple[SampleRun, ...] = ()


@dataclass(frozen=True, slots=True)
class Breaths:
    """Breaths of one recording as sample indices, each of shape (n_breaths,).

    `start` begins inspiration, `turn` begins expiration, `end` is the start of the next breath.
    `eel_ml` is the volume at `start`; `noise_ml_s` is the SD of the noise of flow from sample to
    sample. `settled_ml` is the end-expiratory level that breathing would settle at, as each breath
    tells it (signals/recovery.py): NaN for breaths that are irregular or hold a manoeuvre, empty
    where nobody asked.
    """

    start: IntArray
    turn: IntArray
    end: IntArray
    eel_ml: FloatArray
    noise_ml_s: float
    settled_ml: FloatArray = field(default_factory=lambda: np.zeros(0))


@dataclass(frozen=True, slots=True, eq=False)
class Recording:
    """One recording ready for its technique; equal to nothing but itself.

    `context` holds the numbers of the session, the recording, the device and its checks that a
    technique may use (see the table columns for their names): for example
    ``barometric_pressure_kpa``, ``weight_kg``, ``apparatus_resistance_kpa_s_l``,
    ``box_factor_ml_kpa``, ``box_half_life_s``, ``known_volume_ml``.
    """

    name: str
    technique: str
    rate_hz: float
    flow_ml_s: FloatArray
    volume_ml: FloatArray
    pressures_kpa: Mapping[str, FloatArray]
    breaths: Breaths
    context: Mapping[str, float]
    gap_s: float = 0.0
    clipped_share_pct: float = 0.0
    clipped: tuple[SampleRun, ...] = ()
    lost: tuple[SampleRun, ...] = ()


@dataclass(frozen=True, slots=True)
class Trial:
    """One manoeuvre found in a recording: samples [start, end), counted from 1.

    `landmarks` are sample indices that the technique found once and uses again when it measures
    and marks the trial. `read` are the stretches [start, end) that its outcomes are read from,
    where these are not the whole of it.
    """

    index: int
    start: int
    end: int
    landmarks: Mapping[str, int] = field(default_factory=dict)
    read: tuple[tuple[int, int], ...] = ()


class Measures(dict[str, float]):
    """Quantity name -> value in the unit of the contract; NaN where `reasons` says why not."""

    def __init__(self, values: Mapping[str, float] | None = None) -> None:
        super().__init__(values or {})
        self.reasons: dict[str, str] = {}

    def miss(self, names: tuple[str, ...], reason: str) -> None:
        """Record that these quantities cannot be computed, and why in a few words."""
        for name in names:
            self[name] = float("nan")
            self.reasons[name] = reason


@dataclass(frozen=True, slots=True)
class Mark:
    """One labelled point, span or line for the picture of a trial.

    `axis` names the picture: ``flow``, ``volume``, ``airway_pressure``, ``box_pressure``,
    ``jacket_pressure`` (against time, `x` in s from the start of the recording) or ``loop``.
    One point when `x` has one element, a line through all of them otherwise. `quantity` is the
    quantity the mark explains, so that a page can show the marks of a failed rule first; `also`
    are others that have their place there.
    """

    axis: str
    label: str
    x: tuple[float, ...]
    y: tuple[float, ...]
    quantity: str | None = None
    also: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class MeasuredTrial:
    """What is stored of one trial: where it is and what was measured on it."""

    index: int
    start_s: float
    end_s: float
    values: Mapping[str, float]
    reasons: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class Measured:
    """What is stored of one recording or check under its content key."""

    key: str
    item: str
    technique: str
    state: RecordingState
    rate_hz: float
    duration_s: float
    trials: tuple[MeasuredTrial, ...] = ()
    test_values: Mapping[str, float] = field(default_factory=dict)
    problems: tuple[Problem, ...] = ()
    sentence: str = ""
    traceback: str = ""
