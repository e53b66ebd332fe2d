"""One stage of a night, and the ways to run it in this process.

`orchestration.nightly` runs the same stages as tasks of the orchestrator.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from quietsleep.judge.study import JudgedStudy
from quietsleep.night.night import LOG, Night

# Threads only hand chunks to our own processes, so a few more than cores keep all cores busy.
MOST_THREADS = 8


@dataclass(frozen=True, slots=True)
class Stage:
    """One stage of a night: the same work on each of some items, and what it made of them.

    One `is_large` that is worth an orchestrator; `begun` are the numbers of items at work or done.
    """

    night: Night
    word: str
    work: Callable[[Any], Any]
    items: Sequence[Any]
    is_large: bool = False
    made: list[Any] = field(default_factory=list)
    begun: set[int] = field(default_factory=set)

    def run(self, number: int) -> None:
        """Do the work on the item of that number, guarded; safe to call from several threads."""
        self.begun.add(number)
        try:
            with self.night.stage(self.word):
                self.made.append(self.work(self.items[number]))
        finally:
            if self.night.progress is not None:
                self.night.progress.advance()

    def left(self) -> list[int]:
        """Return the numbers of the items that nobody has begun."""
        return [number for number in range(len(self.items)) if number not in self.begun]


@dataclass(frozen=True, slots=True)
class Result:
    """What the stages of a night came to; None for what they did not reach."""

    judged: JudgedStudy | None = None
    folder: Path | None = None


# Hands out stages, each to be run whole before the next is asked for; returns what they came to.
Stages = Generator[Stage, None, Result]


def walk(stages: Stages, run: Callable[[Stage], None]) -> Result:
    """Run every stage before the next is asked for; return what they came to."""
    while True:
        try:
            stage = next(stages)
        except StopIteration as ended:
            result: Result = ended.value
            return result
        LOG.info("%s, items: %d", stage.word, len(stage.items))
        if stage.night.progress is not None:
            stage.night.progress.begin(stage.word, len(stage.items))
        run(stage)


def run_here(stage: Stage) -> None:
    """Run what is left of a stage in this thread, one item after the other."""
    for number in stage.left():
        stage.run(number)


def run_in_threads(stage: Stage, *, most: int = MOST_THREADS) -> None:
    """Run what is left of a stage, several items at the same time."""
    if len(left := stage.left()) < 2:
        return run_here(stage)
    threads = ThreadPoolExecutor(most)
    try:
        for _ in threads.map(stage.run, left):
            pass
    finally:
        # Nothing is left to wait for, unless the night was interrupted: then nobody waits.
        threads.shutdown(wait=False, cancel_futures=True)
