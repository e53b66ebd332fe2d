"""The nights at work in this process, and the stage that each of them is at.

Tasks are given the name of their night and a number, not an open database; a flow is given the
path of its study, and finds the night that was opened before the orchestrator was started. The
orchestrator may copy a flow and all that it names from process to process; a module it only refers
to, so there is one such place.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from quietsleep.night.night import Night, open_night
from quietsleep.night.stages import Stage

OPEN: dict[Path, Night] = {}
AT_WORK: dict[str, Stage] = {}


@contextmanager
def offered(night: Night) -> Iterator[None]:
    """Let a flow in this process find an open night."""
    place = night.study.path.resolve()
    OPEN[place] = night
    try:
        yield
    finally:
        del OPEN[place]


@contextmanager
def night_of(study_path: Path, *, full: bool) -> Iterator[Night]:
    """Return the night that is open on a study in this process, or open one."""
    offered_night = OPEN.get(study_path.resolve())
    if offered_night is not None:
        yield offered_night
        return
    with open_night(study_path, full=full) as night:
        yield night
