"""The pictures of a report, drawn by the plotting library: intervals of centres, and outcomes.

A picture is the same to the byte whenever it is drawn from the same numbers.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.util import find_spec
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from quietsleep.errors import QuietsleepError
from quietsleep.site.report.inline import FAINT, INK, LINE, SERIES, SHEET, SOFT, inlined

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

NOT_INSTALLED = (
    "The figures of a report need matplotlib, which is not installed here: "
    "pip install 'quietsleep[report]'"
)
WIDTH_IN, HEIGHT_IN = 3.3, 2.25
MARKERS = ("o", "^", "D", "s")
# More points than these are counted in cells: a page with all of them opens nowhere.
MOST_POINTS = 600
CELLS = 22


@dataclass(frozen=True, slots=True)
class IntervalMark:
    """One line of a picture: a name, a number, its interval if it has one, and its series."""

    name: str
    value: float
    low: float | None
    high: float | None
    series: int = 0


@dataclass(frozen=True, slots=True)
class OutcomeMark:
    """One outcome of one session: the infant's age, the number, and whether it is flagged."""

    age_days: float
    value: float
    is_flagged: bool
    series: int = 0


def need_the_library() -> None:
    """Raise QuietsleepError with what to install where the plotting library is not there."""
    if find_spec("matplotlib") is None:
        raise QuietsleepError(NOT_INSTALLED)


def interval_picture(
    rows: Sequence[IntervalMark],
    *,
    name: str,
    title: str,
    label: str,
    line: float | None = None,
    whole: tuple[float, float] | None = None,
) -> Markup:
    """Draw numbers below each other with their intervals, and a line to hold them against.

    `whole` is the range of the axis where it is known beforehand.
    """
    height = max(HEIGHT_IN * 0.6, 0.62 + 0.24 * len(rows))
    with _picture(name, title, height) as (axes, drawn):
        if line is not None:
            axes.axvline(line, color=SOFT, linewidth=0.9, linestyle=(0, (4, 2)), gid="reference")
        for at, row in enumerate(rows):
            colour = SERIES[row.series % len(SERIES)]
            if row.low is not None and row.high is not None:
                axes.plot([row.low, row.high], [at, at], color=colour, linewidth=1.6,
                          gid="interval", solid_capstyle="butt")  # fmt: skip
            axes.plot([row.value], [at], MARKERS[row.series % len(MARKERS)], color=colour,
                      markersize=5, markeredgewidth=0, gid="estimate")  # fmt: skip
        axes.set_yticks(range(len(rows)), [_shortened(row.name) for row in rows])
        axes.set_ylim(len(rows) - 0.4, -0.6)
        axes.set_xlabel(label)
        if whole is not None:
            axes.set_xlim(*whole)
    return drawn[0]


def outcome_picture(
    marks: Sequence[OutcomeMark],
    *,
    name: str,
    title: str,
    label: str,
    lines: Sequence[tuple[float, str]],
) -> Markup:
    """Draw one outcome against age with lines to hold it against; hollow marks are flagged.

    Of very many, how many lie in each cell is drawn.
    """
    with _picture(name, title, HEIGHT_IN) as (axes, drawn):
        for at, style in lines:
            axes.axhline(at, color=SOFT, linewidth=0.9, linestyle=_STYLES[style], gid="reference")
        if len(marks) > MOST_POINTS:
            _cells(axes, marks)
        else:
            for series in sorted({mark.series for mark in marks}):
                _points(axes, [mark for mark in marks if mark.series == series], series)
        axes.set_xlabel("Age, days")
        axes.set_ylabel(label)
        axes.margins(0.06, 0.1)
    return drawn[0]


_STYLES: Mapping[str, Any] = {"middle": "solid", "edge": (0, (4, 2))}


def _points(axes: Axes, marks: Sequence[OutcomeMark], series: int) -> None:
    colour, marker = SERIES[series % len(SERIES)], MARKERS[series % len(MARKERS)]
    for flagged in (False, True):
        own = [mark for mark in marks if mark.is_flagged is flagged]
        if own:
            axes.plot(
                [mark.age_days for mark in own],
                [mark.value for mark in own],
                marker,
                markersize=3.8,
                markeredgecolor=colour,
                markeredgewidth=0.9,
                markerfacecolor=SHEET if flagged else colour,
                gid="flagged" if flagged else "unflagged",
            )


def _cells(axes: Axes, marks: Sequence[OutcomeMark]) -> None:
    """Draw squares whose area goes with how many marks lie in each cell of a grid."""
    import numpy as np

    counts, ages, values = np.histogram2d(
        [mark.age_days for mark in marks], [mark.value for mark in marks], bins=CELLS
    )
    for x, y in zip(*np.nonzero(counts), strict=True):
        size = max(6.0 * math.sqrt(counts[x, y] / counts.max()), 0.8)
        middle = (ages[x] + ages[x + 1]) / 2, (values[y] + values[y + 1]) / 2
        axes.plot(*middle, "s", color=SERIES[0], markersize=size, markeredgewidth=0, gid="cell")


def _shortened(name: str) -> str:
    return name if len(name) <= 16 else f"{name[:15]}…"


@contextmanager
def _picture(name: str, title: str, height: float) -> Iterator[tuple[Axes, list[Markup]]]:
    """Open one pair of axes to draw into; what was drawn is in the list when it is closed."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    settings: dict[Any, Any] = {
        "svg.fonttype": "none", "svg.hashsalt": name, "font.size": 8.5, "text.color": INK,
        "axes.labelcolor": INK, "axes.edgecolor": LINE, "axes.linewidth": 0.8,
        "xtick.color": SOFT, "ytick.color": SOFT, "xtick.labelcolor": INK, "ytick.labelcolor": INK,
        "axes.spines.top": False, "axes.spines.right": False, "axes.grid": True,
        "grid.color": FAINT, "grid.linewidth": 0.6, "axes.axisbelow": True,
        "figure.facecolor": "none", "axes.facecolor": "none", "axes.unicode_minus": True,
        "text.parse_math": False,
    }  # fmt: skip
    drawn: list[Markup] = []
    with mpl.rc_context(settings):
        figure = Figure(figsize=(WIDTH_IN, height), layout="constrained")
        axes = figure.subplots()
        yield axes, drawn
        drawn.append(inlined(_as_svg(figure), name=name, title=title))


def _as_svg(figure: Figure) -> str:
    written = io.BytesIO()
    figure.savefig(written, format="svg", metadata={"Date": None})
    return written.getvalue().decode("utf-8")
