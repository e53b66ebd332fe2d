"""Measure one recording or check: read, calibrate, find trials, measure each; guarded.

A file that cannot be read is quarantined with its problem. A mistake of ours is caught here, per
recording, and kept with its traceback: the night turns red and the healthy rest is published.
"""

from __future__ import annotations

import math
import traceback
from collections.abc import Sequence

from quietsleep.intake.files.read import Unreadable, read_signal
from quietsleep.measure.plan import Job
from quietsleep.records import (
    Measured,
    MeasuredTrial,
    Measures,
    Problem,
    Recording,
    RecordingState,
    Trial,
)
from quietsleep.signals.channels import assemble, calibrate
from quietsleep.signals.clipping import longest_clipped_s
from quietsleep.signals.polarity import TURNED, flow_polarity
from quietsleep.signals.quantiles import NAN
from quietsleep.techniques.interface import Technique, technique_of


def load_recording(job: Job) -> Recording:
    """Read the signal file of a job into a recording; raises Unreadable with its problem."""
    spec = technique_of(job.technique).SPEC
    raw = read_signal(
        job.path,
        job.device,
        spec.channels,
        delivery=job.delivery,
        where=job.file,
        sha256=job.file_sha256,
    )
    channels = calibrate(raw, job.device, spec.channels)
    return assemble(
        channels, name=job.item, technique=job.technique, device=job.device, context=job.context
    )


def measure_job(job: Job) -> Measured:
    """Measure one recording or check; never raises."""
    try:
        return measure_recording(load_recording(job), key=job.key)
    except Unreadable as error:
        problem = error.problem
        return _unmeasured(job, "quarantined", problem.sentence, problems=(problem,))
    except Exception:
        return crashed(job, traceback.format_exc())


def crashed(job: Job, trace: str) -> Measured:
    """Return the record of a recording on which our own code failed."""
    sentence = "The pipeline failed on this recording; the coordinating centre has the details."
    return _unmeasured(job, "crashed", sentence, trace=trace)


def _unmeasured(
    job: Job,
    state: RecordingState,
    sentence: str,
    *,
    problems: tuple[Problem, ...] = (),
    trace: str = "",
) -> Measured:
    return Measured(
        key=job.key,
        item=job.item,
        technique=job.technique,
        state=state,
        rate_hz=float("nan"),
        duration_s=float("nan"),
        problems=problems,
        sentence=sentence,
        traceback=trace,
    )


def measure_recording(recording: Recording, *, key: str) -> Measured:
    """Find the trials of a recording and measure each."""
    technique = technique_of(recording.technique)
    spec = technique.SPEC
    duration_s = recording.flow_ml_s.size / recording.rate_hz
    long_enough = duration_s >= spec.shortest_s
    trials = technique.find_trials(recording) if long_enough else []
    polarity = NAN if spec.kind == "check" else flow_polarity(recording)
    measured = tuple(_measure_trial(technique, recording, trial, polarity) for trial in trials)
    if long_enough and not trials and polarity == TURNED:
        measured = (_nothing_known(technique, recording),)
    test_values = (
        _measure_check(technique, recording, trials, measured) if spec.kind == "check" else {}
    )
    return Measured(
        key=key,
        item=recording.name,
        technique=recording.technique,
        state="measured" if measured else "no_trial",
        rate_hz=recording.rate_hz,
        duration_s=duration_s,
        trials=measured,
        test_values=test_values,
        sentence="" if measured else _nothing_found(technique, duration_s),
    )


def _clipped_s(recording: Recording, *trials: Trial) -> float:
    """Longest time at a rail inside what the outcomes of trials are read from, s."""
    parts = [part for trial in trials for part in trial.read or ((trial.start, trial.end),)]
    at_rail = [(stretch.start, stretch.end) for stretch in recording.clipped]
    return longest_clipped_s(at_rail, parts, recording.rate_hz)


def _measure_check(
    technique: Technique,
    recording: Recording,
    trials: Sequence[Trial],
    measured: Sequence[MeasuredTrial],
) -> Measures:
    measures = technique.measure_test(measured)
    measures["manoeuvre_clipped_s"] = _clipped_s(recording, *trials)
    return measures


def whole_of(recording: Recording) -> Trial:
    """Return the whole of a recording as a trial: nothing was found in it, and flow is turned.

    The rule on the direction of flow then says why, where else there would only be nothing.
    """
    return Trial(1, 0, int(recording.flow_ml_s.size))


def _measure_trial(
    technique: Technique, recording: Recording, trial: Trial, polarity: float
) -> MeasuredTrial:
    measures = technique.measure_trial(recording, trial)
    return _stored(technique, recording, trial, measures, polarity=polarity)


def _nothing_known(technique: Technique, recording: Recording) -> MeasuredTrial:
    measures = Measures()
    measures.miss(technique.SPEC.measured(), "flow runs against its registered direction")
    return _stored(technique, recording, whole_of(recording), measures, polarity=TURNED)


def _stored(
    technique: Technique,
    recording: Recording,
    trial: Trial,
    measures: Measures,
    *,
    polarity: float,
) -> MeasuredTrial:
    """Return what is stored of a trial, with the numbers that every recording has."""
    if technique.SPEC.kind == "technique":
        measures["gap_s"] = recording.gap_s
        measures["clipped_share_pct"] = recording.clipped_share_pct
        measures["flow_polarity"] = polarity
        if math.isnan(polarity):
            measures.reasons["flow_polarity"] = "nothing in the recording tells"
        measures["manoeuvre_clipped_s"] = _clipped_s(recording, trial)
    return MeasuredTrial(
        index=trial.index,
        start_s=trial.start / recording.rate_hz,
        end_s=trial.end / recording.rate_hz,
        values=dict(measures),
        reasons=measures.reasons,
    )


def _nothing_found(technique: Technique, duration_s: float) -> str:
    spec = technique.SPEC
    if duration_s < spec.shortest_s:
        return (
            f"The recording lasts {duration_s:.1f} s; {spec.title.lower()} needs "
            f"at least {spec.shortest_s:g} s."
        )
    return f"No manoeuvre of {spec.title.lower()} was found in {duration_s:.0f} s of signal."


def measure_chunk(jobs: Sequence[Job]) -> list[Measured]:
    """Measure the jobs of one chunk, in this process."""
    return [measure_job(job) for job in jobs]
