"""How far a night is, on the terminal of who started it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    TaskID,
    TextColumn,
    TimeElapsedColumn,
)


class NightProgress:
    """One bar per stage."""

    def __init__(self, bars: Progress) -> None:
        self._bars = bars
        self._stage: TaskID | None = None

    def begin(self, stage: str, total: int) -> None:
        """Start the bar of a stage."""
        self._stage = self._bars.add_task(stage, total=total)

    def advance(self) -> None:
        """Move the bar of the stage by one."""
        if self._stage is not None:
            self._bars.advance(self._stage)


@contextmanager
def shown_progress() -> Iterator[NightProgress]:
    """Show bars on standard error for the length of a block; none where that is no terminal."""
    console = Console(stderr=True)
    with Progress(
        TextColumn("{task.description:<22}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
        console=console,
        disable=not console.is_terminal,
    ) as bars:
        yield NightProgress(bars)
