"""The stage that each night of this process is at.

Tasks are given the name of their night and a number, not an open database. The orchestrator may
copy a flow and all that it names from process to process; a module it only refers to, so there is
one such place.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from quietsleep.night.stage import Stage

AT_WORK: dict[str, Stage] = {}


@contextmanager
def at_work(stage: Stage) -> Iterator[None]:
    """Let tasks in this process find a stage under the name of its night."""
    AT_WORK[stage.night.name] = stage
    try:
        yield
    finally:
        AT_WORK.pop(stage.night.name, None)
