"""Draw the traces of recordings in the processes that measure them."""

from __future__ import annotations

from collections.abc import Container, Iterator, Mapping, Sequence

from quietsleep.intake.files.request import Unreadable
from quietsleep.measure.plan import Job
from quietsleep.measure.pool import Pool
from quietsleep.measure.recording import load_recording
from quietsleep.site.traces import Draw, Loaded, Wanted, scripts_of
from quietsleep.techniques.interface import technique_of

RECORDINGS_AT_ONCE = 8


def draw_in(pool: Pool, jobs: Mapping[tuple[str, str], Job], measured: Container[str]) -> Draw:
    """Return what draws in a pool, given the job of each centre and recording.

    A recording that was not measured as it would be now is not drawn: its picture could contradict
    the numbers beside it.
    """

    def draw(wanted: Sequence[Wanted]) -> Iterator[dict[str, str]]:
        given = [(jobs.get((each.centre, each.recording)), each.names) for each in wanted]
        usable = [(j if j and j.key in measured else None, names) for j, names in given]
        places = range(0, len(usable), RECORDINGS_AT_ONCE)
        for scripts in pool.stream(
            draw_some, [usable[at : at + RECORDINGS_AT_ONCE] for at in places]
        ):
            yield from scripts

    return draw


def draw_some(given: Sequence[tuple[Job | None, Mapping[int, str]]]) -> list[dict[str, str]]:
    """Read recordings again and draw their trials; nothing of one that cannot be read any more."""
    return [scripts_of(_load(job), names) for job, names in given]


def _load(job: Job | None) -> Loaded | None:
    if job is None:
        return None
    try:
        recording = load_recording(job)
    except Unreadable:
        return None
    technique = technique_of(job.technique)
    return recording, technique, technique.find_trials(recording)
