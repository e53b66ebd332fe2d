"""Figures of the speed benchmark and their table: what was taken, beside what, and the bar."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import median
from time import perf_counter
from typing import Literal

from rich.console import Console
from rich.table import Table

Unit = Literal["s", "%", "MB"]


@dataclass(frozen=True, slots=True)
class Figure:
    """A value, what it is compared with, and its bar: a most, a least, or a most of the ratio."""

    name: str
    value: float
    unit: Unit = "s"
    beside: str = ""
    beside_value: float | None = None
    most: float | None = None
    least: float | None = None
    most_times: float | None = None

    @property
    def ratio(self) -> float | None:
        """Times of what it is compared with."""
        return None if self.beside_value is None else self.value / self.beside_value

    @property
    def bar(self) -> str:
        """The bar as the table shows it; empty where there is none."""
        if self.most is not None:
            return f"<= {shown(self.most, self.unit)}"
        if self.least is not None:
            return f">= {shown(self.least, self.unit)}"
        return "" if self.most_times is None else f"<= {self.most_times:g} x"

    @property
    def is_met(self) -> bool:
        """Whether the bar is met; a figure without a bar always is."""
        return (
            (self.most is None or self.value <= self.most)
            and (self.least is None or self.value >= self.least)
            and (self.most_times is None or (self.ratio or 0.0) <= self.most_times)
        )


def seconds_of(call: Callable[[], object], *, times: int = 9) -> float:
    """Median time of a call, after one call to warm up."""
    call()
    taken = []
    for _ in range(times):
        begun = perf_counter()
        call()
        taken.append(perf_counter() - begun)
    return median(taken)


HEAD = ("What", "Taken", "Beside it", "Taken", "Ratio", "Bar", "")


def cells(figure: Figure) -> tuple[str, ...]:
    """One row of the table."""
    beside, ratio = figure.beside_value, figure.ratio
    return (
        figure.name,
        shown(figure.value, figure.unit),
        figure.beside,
        "" if beside is None else shown(beside, figure.unit),
        "" if ratio is None else f"{ratio:.2g}" if ratio < 10 else f"{ratio:.0f}",
        figure.bar,
        "" if not figure.bar else "met" if figure.is_met else "MISSED",
    )


def show(title: str, figures: Sequence[Figure]) -> None:
    """Print one table."""
    table = Table(title=title, title_justify="left", box=None, pad_edge=False)
    for place, head in enumerate(HEAD):
        table.add_column(head, justify="left" if place in (0, 2, 6) else "right")
    for figure in figures:
        table.add_row(*cells(figure))
    Console(width=120).print(table)


def in_markdown(title: str, figures: Sequence[Figure]) -> str:
    """The same table for the docs."""
    lines = [f"### {title}", "", "| " + " | ".join(HEAD) + " |", "|" + "---|" * len(HEAD)]
    return "\n".join([*lines, *("| " + " | ".join(cells(f)) + " |" for f in figures), ""])


def shown(value: float, unit: Unit) -> str:
    """A value in the unit that suits it."""
    if unit == "%":
        return f"{100.0 * value:.1f} %"
    if unit == "MB":
        return f"{value:.0f} MB"
    if value < 1e-3:
        return f"{value * 1e6:.0f} us"
    return f"{value * 1e3:.3g} ms" if value < 1.0 else f"{value:.3g} s"
