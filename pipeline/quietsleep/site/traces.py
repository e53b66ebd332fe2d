"""Traces of trials: signals reduced without losing a peak, and the marks on them.

Recordings are read again and drawn in the processes that measure them. A trial in which a rule is
not plainly met keeps its full detail; of others less is kept, but every breath and effort.

They are drawn by a small script of our own (`static/trace.js`, 28 kB, 9 kB compressed) and not by a
charting library (plotly.js, 4.8 MB in every centre's folder): it loads at once, takes its colours
from the style sheet, so that dark screens and paper need no redrawing, breaks lines at gaps, keeps
numbers of marks apart, and has the height that the page has reserved for it.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Iterable, Iterator, Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np

from quietsleep import contract
from quietsleep.contract import Spec
from quietsleep.contract.model import Axis
from quietsleep.intake.files.request import Unreadable
from quietsleep.measure.plan import Job
from quietsleep.measure.pool import Pool
from quietsleep.measure.recording import load_recording, whole_of
from quietsleep.records import FloatArray, IntArray, Mark, Recording, SampleRun, Trial
from quietsleep.signals.lost import mark_signal
from quietsleep.site.folder import PageFolder, digest_of, trace_file
from quietsleep.site.packing import PackedTrial, pack_script, pack_trial
from quietsleep.site.read import CentreData, Row
from quietsleep.site.words import seen
from quietsleep.techniques.interface import technique_of

AROUND_S = 1.0
# Where a mark lies further off than this, what is between is left out.
FAR_S = 6.0
RECORDINGS_AT_ONCE = 8


class Detail(NamedTuple):
    """How much of a trial is kept: buckets of this length, at most so many, and steps of value."""

    bucket_s: float
    most: int
    steps: int


# A short trial has as many, or the bend of a forced expiration would be a corner.
LEAST_BUCKETS = 80
FULL = Detail(0.02, 700, 1500)
SOUND = Detail(0.12, 200, 400)


def peaks_kept(values: FloatArray, buckets: int) -> IntArray:
    """Return indices of `values` (n,) that draw the same picture: the ends, and the least and the
    greatest of each of `buckets` equal stretches, in order of time."""
    n = len(values)
    if n <= 2 * buckets:
        return np.arange(n, dtype=np.int64)
    edges = np.linspace(0, n, buckets + 1).astype(np.int64)
    width = int(np.max(np.diff(edges)))
    places = np.minimum(edges[:-1, None] + np.arange(width), (edges[1:] - 1)[:, None])
    held = values[places]
    least = np.argmin(np.where(np.isnan(held), np.inf, held), axis=1)
    greatest = np.argmax(np.where(np.isnan(held), -np.inf, held), axis=1)
    rows = np.arange(buckets)
    kept = np.concatenate([places[rows, least], places[rows, greatest], [0, n - 1]])
    return np.unique(kept).astype(np.int64)


class Wanted(NamedTuple):
    """Traces of one recording that are to be drawn: index of the trial -> whether in full."""

    centre: str
    item: str
    trials: dict[int, bool]


# Draws what is wanted, in order: for each recording its trials by index, none where it cannot.
Draw = Callable[[Sequence[Wanted]], Iterable[dict[int, PackedTrial]]]


def is_sound(trial: Row) -> bool:
    """Say whether every rule is plainly met in a trial."""
    return bool(trial["status"] == "accepted" and not trial["flagged"])


def write_traces(folder: PageFolder, data: CentreData, draw: Draw | None) -> dict[str, str]:
    """Write the traces of every test; return the file of each test that has one.

    Signals are read only for tests whose traces do not stand there already.
    """
    there: dict[str, str] = {}
    if draw is None:
        return there
    asked: list[tuple[Row, str, list[Wanted]]] = []
    for test in data.tests:
        name, wanted, digest = _wanted(data, test)
        if wanted and folder.holds(name, digest):
            folder.keep(name)
            there[test["test"]] = name
        elif wanted:
            asked.append((test, digest, wanted))
    drawn = iter(draw([each for _, _, wanted in asked for each in wanted]))
    for test, digest, wanted in asked:
        pieces = [
            PackedTrial({**piece.head, "item": each.item, "index": index}, piece.body)
            for each, found in zip(wanted, drawn, strict=False)
            for index, piece in sorted(found.items())
        ]
        if pieces:
            name, spec = trace_file(test["test"]), contract.TECHNIQUES[test["technique"]]
            script = pack_script(name, common_of(spec), pieces)
            folder.put(name, digest, lambda script=script: script)  # type: ignore[misc]
            there[test["test"]] = name
    return there


def _wanted(data: CentreData, test: Row) -> tuple[str, list[Wanted], str]:
    """Return the file of a test, what is to be drawn in it, and a digest of what it is made of."""
    key = (test["session"], test["technique"])
    trials: dict[str, dict[int, bool]] = {}
    for trial in data.trials.get(key, []):
        of_recording = trials.setdefault(trial["recording"], {})
        of_recording[trial["trial_index"]] = not is_sound(trial)
    wanted, made_of = [], []
    for recording in data.recordings.get(key, []):
        if own := trials.get(recording["recording"]):
            wanted.append(Wanted(recording["centre"], recording["item"], own))
            made_of.append(
                [recording["content_key"], recording["code_fingerprint"], sorted(own.items())]
            )
    return trace_file(test["test"]), wanted, digest_of(made_of)


def common_of(spec: Spec) -> dict[str, Any]:
    """Return what is the same in all trials of a technique: its panels and its loops."""
    names = ("flow", "volume", *(c for c in spec.channels if c != "flow"))
    return {
        "panels": [_panel(name) for name in names],
        "loops": [[_axis(loop.along), _axis(loop.up)] for loop in spec.loops],
    }


def _panel(name: str) -> dict[str, str]:
    signal = contract.SIGNALS[name]
    return {"name": name, "title": signal.title, "unit": signal.unit}


def _axis(axis: Axis) -> dict[str, Any]:
    said: dict[str, Any] = _panel(axis.signal)
    said["title"] = axis.title or said["title"]
    return said | {"turned": axis.turned, "fromTop": axis.from_top}


def trace_of(
    recording: Recording, trial: Trial, marks: Sequence[Mark], detail: Detail = FULL
) -> PackedTrial:
    """Return the reduced signals of one trial with its marks, its gaps and what is clipped."""
    signals, rate = signals_of(recording), recording.rate_hz
    segments = _segments(recording, trial, marks)
    spec = contract.TECHNIQUES[recording.technique]
    window = _loop_window(spec, recording, trial, marks)
    inside = [each for each in (*recording.lost, *recording.clipped) if _touches(each, segments)]
    edges = [e for s in inside for e in (s.start - 1, s.start, s.end - 1, s.end)]
    edges += [window[0], window[1] - 1, trial.start, trial.end - 1]
    kept = _kept(signals, segments, edges, rate, detail)
    drawn = {name: values[kept] for name, values in signals.items()}
    head: dict[str, Any] = {
        "rate": rate,
        "trial": [_short(trial.start / rate), _short((trial.end - 1) / rate)],
        "segments": [[_short(a / rate), _short((b - 1) / rate)] for a, b in segments],
        "loop": [_short(window[0] / rate), _short((window[1] - 1) / rate)],
        "marks": [_mark(mark) for mark in marks],
        "lost": [
            [s.channel, _short((s.start - 1) / rate), _short(s.end / rate)]
            for s in recording.lost
            if _touches(s, segments)
        ],
        "clipped": [
            [s.channel, _short(s.start / rate), _short((s.end - 1) / rate)]
            for s in recording.clipped
            if _touches(s, segments)
        ],
    }
    factor = recording.context.get("box_factor_ml_kpa", float("nan"))
    if "box_pressure" in signals and np.isfinite(factor):
        head["derived"] = {"box_volume": ["box_pressure", float(f"{factor:.6g}")]}
    return pack_trial(head, kept, drawn, steps=detail.steps)


def signals_of(recording: Recording) -> dict[str, FloatArray]:
    """Return the signals of a recording that its technique needs, by the names that marks use."""
    signals = {"flow": recording.flow_ml_s, "volume": recording.volume_ml}
    wanted = contract.TECHNIQUES[recording.technique].channels
    return signals | {n: v for n, v in recording.pressures_kpa.items() if n in wanted}


def _segments(recording: Recording, trial: Trial, marks: Sequence[Mark]) -> list[tuple[int, int]]:
    """Return the stretches [start, end) of samples to show: the trial with a second around it and
    every mark near it, and apart from it what is marked far off."""
    rate, n = recording.rate_hz, len(recording.flow_ml_s)
    spans = [(trial.start / rate - AROUND_S, trial.end / rate + AROUND_S)]
    for mark in marks:
        times = [x for x in mark.x if np.isfinite(x)]
        if mark.axis != "loop" and times:
            spans.append((min(times) - 0.2, max(times) + 0.2))
    joined: list[tuple[float, float]] = []
    for first, last in sorted(spans):
        if joined and first - joined[-1][1] < FAR_S:
            joined[-1] = (joined[-1][0], max(last, joined[-1][1]))
        else:
            joined.append((first, last))
    found = [(max(0, int(a * rate)), min(n, int(b * rate) + 1)) for a, b in joined]
    return [(a, b) for a, b in found if b > a]


def _kept(
    signals: Mapping[str, FloatArray],
    segments: Sequence[tuple[int, int]],
    edges: Sequence[int],
    rate_hz: float,
    detail: Detail,
) -> IntArray:
    """Return the samples that are kept of all channels: peaks of each, and the given edges."""
    kept = []
    for start, end in segments:
        wanted = int((end - start) / rate_hz / detail.bucket_s) + 1
        buckets = min(max(wanted, LEAST_BUCKETS), detail.most)
        kept += [start + peaks_kept(values[start:end], buckets) for values in signals.values()]
        kept.append(np.array([e for e in edges if start <= e < end], dtype=np.int64))
    return np.unique(np.concatenate(kept)).astype(np.int64)


def _touches(stretch: SampleRun, segments: Sequence[tuple[int, int]]) -> bool:
    return any(stretch.start <= end and stretch.end >= start for start, end in segments)


def _loop_window(
    spec: Spec, recording: Recording, trial: Trial, marks: Sequence[Mark]
) -> tuple[int, int]:
    """Return the samples of a loop: the trial, or only the efforts that are marked."""
    times = [x for mark in marks if mark.quantity == "n_efforts" for x in mark.x]
    if spec.loop_over == "trial" or not times:
        return trial.start, trial.end
    return int(min(times) * recording.rate_hz), int(max(times) * recording.rate_hz) + 1


def _mark(mark: Mark) -> list[Any]:
    quantities = " ".join(q for q in (mark.quantity, *mark.also) if q)
    x = [_number(v, 4) for v in mark.x]
    return [mark.axis, seen(mark.label), x, [_number(v, 5) for v in mark.y], quantities]


def _number(value: float, digits: int) -> float | None:
    return float(f"{value:.{digits}f}") if np.isfinite(value) else None


def _short(seconds: float) -> float:
    return round(seconds, 4)


def draw_in(pool: Pool, jobs: Mapping[tuple[str, str], Job], measured: Container[str]) -> Draw:
    """Return what draws in a pool, given the job of each centre and recording.

    A recording that was not measured as it would be now is not drawn: its picture could contradict
    the numbers beside it.
    """

    def draw(wanted: Sequence[Wanted]) -> Iterator[dict[int, PackedTrial]]:
        given = [(jobs.get((each.centre, each.item)), each.trials) for each in wanted]
        usable = [(j if j and j.key in measured else None, trials) for j, trials in given]
        places = range(0, len(usable), RECORDINGS_AT_ONCE)
        for pieces in pool.stream(
            draw_some, [usable[at : at + RECORDINGS_AT_ONCE] for at in places]
        ):
            yield from pieces

    return draw


def draw_some(
    given: Sequence[tuple[Job | None, Mapping[int, bool]]],
) -> list[dict[int, PackedTrial]]:
    """Read recordings again and draw their trials; nothing of one that cannot be read any more."""
    return [_pieces(job, trials) for job, trials in given]


def _pieces(job: Job | None, trials: Mapping[int, bool]) -> dict[int, PackedTrial]:
    """Return the trials of a recording that are wanted, by index."""
    if job is None:
        return {}
    try:
        recording = load_recording(job)
    except Unreadable:
        return {}
    technique = technique_of(job.technique)
    marked = [
        (trial, technique.mark_trial(recording, trial))
        for trial in technique.find_trials(recording)
        if trial.index in trials
    ]
    return {
        trial.index: trace_of(
            recording,
            trial,
            [*mark_signal(recording, trial), *marks],
            FULL if trials[trial.index] else SOUND,
        )
        for trial, marks in marked or [(whole_of(recording), [])]
        if trial.index in trials
    }
