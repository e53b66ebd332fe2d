"""Figures of the speed benchmark and their table: what was taken, beside what, and the bar."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rich.console import Console
from rich.table import Table


@dataclass(frozen=True, slots=True)
class Figure:
    """Seconds taken, seconds of what it is compared with, and the bar: a ratio or a time."""

    name: str
    seconds: float
    beside_s: float | None
    most_times: float | None
    beside: str
    most_s: float | None = None

    @property
    def ratio(self) -> float | None:
        """Times of what it is compared with."""
        return None if self.beside_s is None else self.seconds / self.beside_s

    @property
    def is_met(self) -> bool:
        """Whether the bar is met; a figure without a bar always is."""
        within = self.most_s is None or self.seconds <= self.most_s
        return within and (self.most_times is None or (self.ratio or 0.0) <= self.most_times)

    @property
    def bar(self) -> str:
        """The bar as the table shows it."""
        if self.most_s is not None:
            return duration(self.most_s)
        return "" if self.most_times is None else f"x {self.most_times:g}"


def show(title: str, figures: Sequence[Figure]) -> None:
    """Print one table."""
    table = Table(title=title, title_justify="left", box=None, pad_edge=False)
    for head in ("what", "taken", "beside", "taken", "times", "bar", ""):
        table.add_column(head, justify="left" if head in ("what", "beside", "") else "right")
    for f in figures:
        table.add_row(
            f.name,
            duration(f.seconds),
            f.beside,
            "" if f.beside_s is None else duration(f.beside_s),
            "" if f.ratio is None else f"{f.ratio:.2f}",
            f.bar,
            "" if not f.bar else "met" if f.is_met else "MISSED",
        )
    Console(width=110).print(table)


def duration(seconds: float) -> str:
    """A time in the unit that suits it."""
    if seconds < 1e-3:
        return f"{seconds * 1e6:.0f} us"
    return f"{seconds * 1e3:.2f} ms" if seconds < 1.0 else f"{seconds:.2f} s"
