"""Traces of trials: signals reduced without losing a peak, their loop, and the marks on both.

Recordings are read again and drawn in the processes that measure them.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Iterable, Iterator, Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from quietsleep import contract
from quietsleep.contract import Spec
from quietsleep.intake.files.request import Unreadable
from quietsleep.measure.plan import Job
from quietsleep.measure.pool import Pool
from quietsleep.measure.recording import load_recording, whole_of
from quietsleep.records import FloatArray, IntArray, Mark, Recording, Trial
from quietsleep.site.folder import PageFolder, digest_of, for_script, trace_file
from quietsleep.site.read import CentreData, Row
from quietsleep.site.words import seen
from quietsleep.techniques.interface import technique_of

TIME_BUCKETS = 900
LOOP_BUCKETS = 800
AROUND_S = 1.0
MOST_SOUND_SHOWN = 8
RECORDINGS_AT_ONCE = 8


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
    """Traces of one recording that are to be drawn: index of the trial -> name of its file."""

    centre: str
    item: str
    names: dict[int, str]


# Draws what is wanted, in order: for each recording the scripts by name, none where it cannot.
Draw = Callable[[Sequence[Wanted]], Iterable[dict[str, str]]]


def needs_pictures(data: CentreData, test: Row) -> bool:
    """Say whether traces are kept: for every test in which any rule is not plainly met."""
    if test["status"] != "accepted" or test["flagged"]:
        return True
    trials = data.trials.get((test["session"], test["technique"]), [])
    return any(t["status"] != "accepted" or t["flagged"] for t in trials)


def write_traces(folder: PageFolder, data: CentreData, draw: Draw | None) -> set[str]:
    """Write the traces of every test that needs pictures; return which trace files there are.

    Signals are read only for recordings whose traces do not stand there already.
    """
    there: set[str] = set()
    wanted: list[tuple[Wanted, str]] = []
    if draw is None:
        return there
    for test in data.tests:
        if needs_pictures(data, test):
            wanted += _wanted(folder, data, test, there)
    drawn = draw([each for each, _ in wanted])
    for (_, digest), scripts in zip(wanted, drawn, strict=True):
        for name, script in scripts.items():
            folder.put(name, digest, lambda script=script: script)  # type: ignore[misc]
            there.add(name)
    return there


def _wanted(
    folder: PageFolder, data: CentreData, test: Row, there: set[str]
) -> Iterator[tuple[Wanted, str]]:
    """Yield what is to be drawn of one test, and a digest of what it is drawn from."""
    key = (test["session"], test["technique"])
    trials: dict[str, list[Row]] = {}
    for trial in shown_trials(data.trials.get(key, [])):
        trials.setdefault(trial["recording"], []).append(trial)
    for recording in data.recordings.get(key, []):
        own = trials.get(recording["recording"], [])
        item = recording["item"]
        names = {t["trial_index"]: trace_file(item, t["trial_index"]) for t in own}
        digest = digest_of([recording["content_key"], recording["code_fingerprint"]])
        if names and all(folder.holds(name, digest) for name in names.values()):
            for name in names.values():
                folder.keep(name)
                there.add(name)
        elif names:
            yield Wanted(recording["centre"], item, names), digest


def shown_trials(trials: Sequence[Row]) -> list[Row]:
    """Return the trials that have a picture: all that are not plainly accepted, and some that are.

    To see what is wrong with a trial takes a few good ones beside it, not all of a long test.
    """
    shown, sound = [], 0
    for trial in trials:
        is_sound = trial["status"] == "accepted" and not trial["flagged"]
        sound += is_sound
        if not is_sound or sound <= MOST_SOUND_SHOWN:
            shown.append(trial)
    return shown


def trace_script(name: str, recording: Recording, trial: Trial, marks: Sequence[Mark]) -> str:
    """Return the script that hands one trace to the page; a script, since a page opened from a
    file share may not read other files in any other way."""
    key = for_script(name.rpartition("/")[2])
    return f"quietsleep.trace({key},{for_script(trace_of(recording, trial, marks))});\n"


def trace_of(recording: Recording, trial: Trial, marks: Sequence[Mark]) -> dict[str, Any]:
    """Return the reduced signals of one trial with its loops and marks."""
    signals = signals_of(recording)
    first, last = _window(recording, trial, marks)
    rate = recording.rate_hz
    panels = []
    for name, values in signals.items():
        if name == "box_volume":
            continue
        kept = first + peaks_kept(values[first:last], TIME_BUCKETS)
        panels.append(_panel(name) | {"x": _plain(kept / rate, 4), "y": _shown(name, values[kept])})
    spec = contract.TECHNIQUES[recording.technique]
    window = _loop_window(spec, recording, trial, marks)
    loops = [_loop(along, up, signals, window) for along, up in spec.loops]
    return {
        "trial": [round(trial.start / rate, 4), round((trial.end - 1) / rate, 4)],
        "panels": panels,
        "loops": [loop for loop in loops if loop],
        "marks": [_mark(mark) for mark in marks],
    }


def signals_of(recording: Recording) -> dict[str, FloatArray]:
    """Return the signals of a recording by the names that marks use, and the box volume."""
    signals = {"flow": recording.flow_ml_s, "volume": recording.volume_ml}
    signals |= {
        name.removesuffix("_kpa"): values for name, values in recording.pressures_kpa.items()
    }
    factor = recording.context.get("box_factor_ml_kpa", float("nan"))
    if "box_pressure" in signals and np.isfinite(factor):
        signals["box_volume"] = factor * signals["box_pressure"]
    return signals


def _window(recording: Recording, trial: Trial, marks: Sequence[Mark]) -> tuple[int, int]:
    """Return the samples to show: the trial, a second around it, and every mark against time."""
    rate = recording.rate_hz
    times = [x for mark in marks if mark.axis != "loop" for x in mark.x if np.isfinite(x)]
    first = min([trial.start / rate - AROUND_S, *(x - 0.2 for x in times)])
    last = max([trial.end / rate + AROUND_S, *(x + 0.2 for x in times)])
    n = len(recording.flow_ml_s)
    return max(0, int(first * rate)), min(n, int(last * rate) + 1)


def _panel(name: str) -> dict[str, Any]:
    signal = contract.SIGNALS[name]
    return {"name": name, "title": signal.title, "unit": signal.unit}


def _loop_window(
    spec: Spec, recording: Recording, trial: Trial, marks: Sequence[Mark]
) -> tuple[int, int]:
    """Return the samples of a loop: the trial, or only what is marked on airway pressure."""
    times = [x for mark in marks if mark.axis == "airway_pressure" for x in mark.x]
    if spec.loop_over == "trial" or not times:
        return trial.start, trial.end
    return int(min(times) * recording.rate_hz), int(max(times) * recording.rate_hz) + 1


def _loop(
    along: str, up: str, signals: dict[str, FloatArray], window: tuple[int, int]
) -> dict[str, Any] | None:
    if along not in signals or up not in signals:
        return None
    x, y = signals[along][slice(*window)], signals[up][slice(*window)]
    kept = np.union1d(peaks_kept(x, LOOP_BUCKETS), peaks_kept(y, LOOP_BUCKETS))
    return {
        "x": _panel(along) | {"v": _shown(along, x[kept])},
        "y": _panel(up) | {"v": _shown(up, y[kept])},
    }


def _mark(mark: Mark) -> dict[str, Any]:
    return {
        "axis": mark.axis,
        "label": seen(mark.label),
        "x": _plain(np.asarray(mark.x, dtype=np.float64), 5),
        "y": _plain(np.asarray(mark.y, dtype=np.float64), 5),
        "quantity": mark.quantity or "",
    }


def _shown(name: str, values: FloatArray) -> list[float | None]:
    return _plain(values, contract.SIGNALS[name].decimals)


def _plain(values: NDArray[np.float64], decimals: int) -> list[float | None]:
    """Return rounded numbers for JSON, None where there is none."""
    rounded = np.round(np.asarray(values, dtype=np.float64), decimals)
    if np.isfinite(rounded).all():
        found: list[float | None] = rounded.tolist()
        return found
    return [v if np.isfinite(v) else None for v in rounded.tolist()]


def draw_in(pool: Pool, jobs: Mapping[tuple[str, str], Job], measured: Container[str]) -> Draw:
    """Return what draws in a pool, given the job of each centre and recording.

    A recording that was not measured as it would be now is not drawn: its picture could contradict
    the numbers beside it.
    """

    def draw(wanted: Sequence[Wanted]) -> Iterator[dict[str, str]]:
        given = [(jobs.get((each.centre, each.item)), each.names) for each in wanted]
        usable = [(j if j and j.key in measured else None, names) for j, names in given]
        places = range(0, len(usable), RECORDINGS_AT_ONCE)
        for scripts in pool.stream(
            draw_some, [usable[at : at + RECORDINGS_AT_ONCE] for at in places]
        ):
            yield from scripts

    return draw


def draw_some(given: Sequence[tuple[Job | None, Mapping[int, str]]]) -> list[dict[str, str]]:
    """Read recordings again and draw their trials; nothing of one that cannot be read any more."""
    return [_scripts(job, names) for job, names in given]


def _scripts(job: Job | None, names: Mapping[int, str]) -> dict[str, str]:
    """Return the scripts of the trials of a recording that are named, by name."""
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
        if trial.index in names
    ]
    return {
        names[trial.index]: trace_script(names[trial.index], recording, trial, marks)
        for trial, marks in marked or [(whole_of(recording), [])]
        if trial.index in names
    }
