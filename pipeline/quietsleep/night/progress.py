"""How far a night is, on the terminal of who started it."""

from __future__ import annotations

from types import TracebackType

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
    """One bar per stage on standard error; silent where that is no terminal."""

    def __init__(self) -> None:
        console = Console(stderr=True)
        self._bars = Progress(
            TextColumn("{task.description:<22}"),
            BarColumn(),
            MofNCompleteColumn(),
            TimeElapsedColumn(),
            console=console,
            disable=not console.is_terminal,
        )
        self._stage: TaskID | None = None

    def __enter__(self) -> NightProgress:
        self._bars.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._bars.stop()

    def begin(self, stage: str, total: int) -> None:
        """Start the bar of a stage."""
        self._stage = self._bars.add_task(stage, total=total)

    def advance(self) -> None:
        """Move the bar of the stage by one."""
        if self._stage is not None:
            self._bars.advance(self._stage)
