"""Traces for blind readers: a signal read again and drawn, with nothing that tells of its verdict.

They are made by the functions of the pages, from the recording as it was published; where the file
is not the same any more, nothing is drawn.
"""

from __future__ import annotations

from collections import OrderedDict
from pathlib import Path
from threading import Lock

import duckdb

from quietsleep import contract
from quietsleep.errors import QuietsleepError, environment_error
from quietsleep.intake.files.request import Unreadable
from quietsleep.measure.plan import Job, plan_checks, plan_recordings
from quietsleep.measure.recording import load_recording, whole_of
from quietsleep.measure.roster import read_roster
from quietsleep.review.blind import BlindTrial
from quietsleep.site.packing import PackedTrial, pack_script
from quietsleep.site.traces import common_of, trace_of
from quietsleep.store.state import READ_BY_OTHERS, State
from quietsleep.study.history import history_of
from quietsleep.study.study import Study
from quietsleep.techniques.interface import technique_of
from quietsleep.warehouse.registered import open_register

MOST_KEPT = 64
AT_WORK = (
    "A night is at work, so no signal can be read now. Come back when it has ended; "
    "your list stays as it is."
)
REPLACED = "A newer delivery has replaced this recording; the next night takes it out of the list."
NOT_READ = (
    "The signal of this trial cannot be read now. The coordinating centre sees why; "
    "leave it for later."
)


class NoTrace(QuietsleepError):
    """A trial cannot be drawn; the message is one plain sentence for its reader."""


class BlindTraces:
    """Scripts of traces by handle, the last ones kept; where signals lie is asked once a night."""

    def __init__(self) -> None:
        self._turn = Lock()  # a signal takes memory: one at a time
        self._night: Path | None = None
        self._jobs: dict[tuple[str, str], Job] = {}
        self._made: OrderedDict[str, str] = OrderedDict()

    def script(self, study: Study, night: Path, trial: BlindTrial) -> str:
        """Return the script that hands the trace of a trial to its page; NoTrace."""
        with self._turn:
            if (made := self._made.get(trial.handle)) is None:
                if night != self._night:
                    self._jobs, self._night = _jobs_of(study), night
                made = _script(self._jobs.get((trial.centre, trial.recording)), trial)
                self._made[trial.handle] = made
                if len(self._made) > MOST_KEPT:
                    self._made.popitem(last=False)
            self._made.move_to_end(trial.handle)
            return made


def _jobs_of(study: Study) -> dict[tuple[str, str], Job]:
    """Return the job of each centre and recording; NoTrace while a night is at work."""
    history = history_of(open_register(study))
    try:
        with State(study.work_path, read_only=True) as state:
            checks = plan_checks(read_roster(state, history), study)
            jobs = plan_recordings(checks.roster, study, state).jobs
    except duckdb.Error as error:
        is_held = any(sign in str(error).lower() for sign in READ_BY_OTHERS)
        raise NoTrace(AT_WORK if is_held else NOT_READ) from error
    return {(job.centre, job.item): job for job in jobs}


def _script(job: Job | None, trial: BlindTrial) -> str:
    if job is None or job.file_sha256 != trial.file_sha256:
        raise NoTrace(REPLACED)
    try:
        recording = load_recording(job)
    except Unreadable as error:
        raise NoTrace(NOT_READ) from error
    except OSError as error:
        if environment_error(error) is None:
            raise
        raise NoTrace(NOT_READ) from error
    technique = technique_of(job.technique)
    found = technique.find_trials(recording) or [whole_of(recording)]
    own = next((each for each in found if each.index == trial.index), None)
    if own is None or not _is_as_published(own.start / recording.rate_hz, trial.start_s):
        raise NoTrace(REPLACED)
    # The marks say which part is shown, and then are left out: they carry numbers.
    piece = trace_of(recording, own, technique.mark_trial(recording, own))
    drawn = PackedTrial({**piece.head, "marks": []}, piece.body)
    return pack_script(f"{trial.handle}.js", common_of(contract.TECHNIQUES[job.technique]), [drawn])


def _is_as_published(start_s: float, published_s: float) -> bool:
    return abs(start_s - published_s) < 0.01
