"""Two charts over time: acceptance by month, and control charts of equipment."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from markupsafe import Markup

from quietsleep.site import scales
from quietsleep.site.scales import LEFT, RIGHT, WIDTH, Scale
from quietsleep.site.words import day, month_words, number, share, with_unit

# Width of the usual range of an individuals chart: 3 / d2, with d2 = 1.128 for ranges of two
# (Shewhart WA. Economic control of quality of manufactured product. 1931).
MOVING_RANGE_FACTOR = 2.66
FEWEST_FOR_RANGE = 8


@dataclass(frozen=True, slots=True)
class Month:
    """Tests of one month, counted by what became of them."""

    key: str
    accepted: int
    rejected: int
    other: int

    @property
    def total(self) -> int:
        """All tests of the month."""
        return self.accepted + self.rejected + self.other


def months_chart(months: Sequence[Month], *, title: str) -> Markup:
    """Draw the accepted share of each month above the number of tests behind it."""
    if not months:
        return Markup("")
    slot = (WIDTH - LEFT - RIGHT) / max(len(months), 6)
    shares = scales.y_scale(0, 1, bottom=118)
    counts = Scale(0, max(m.total for m in months), 196, 140)
    body = [scales.y_axis(shares, label="Share accepted", percent=True, about=2)]
    line = []
    every = math.ceil(len(months) / 6)
    for i, month in enumerate(months):
        x = round(LEFT + slot * (i + 0.5), 1)
        said = f"{month_words(month.key)}: {month.accepted} of {month.total} accepted"
        line.append((x, shares(month.accepted / month.total)))
        body.append(_bar(x, slot, month, counts))
        body.append(scales.point(*line[-1], shape="round", tone="good", title=said))
        if i % every == 0:
            text = month_words(month.key)
            body.append(f'<text class="tick" x="{x}" y="226" text-anchor="middle">{text}</text>')
    body.insert(1, scales.path(line, "trend"))
    body.append('<text class="axis" x="46" y="136">Tests (filled: accepted)</text>')
    return scales.picture("".join(body), title=title)


def _bar(x: float, slot: float, month: Month, counts: Scale) -> str:
    width = round(min(slot * 0.7, 26), 1)
    left = round(x - width / 2, 1)
    top, split, base = counts(month.total), counts(month.accepted), counts(0)
    label = ""
    if slot >= 13:
        label = (
            f'<text class="tick" x="{x}" y="{base + 12}" text-anchor="middle">{month.total}</text>'
        )
    return (
        f'<rect class="bar open" x="{left}" y="{top}" width="{width}" '
        f'height="{round(split - top, 1)}"/>'
        f'<rect class="bar filled" x="{left}" y="{split}" width="{width}" '
        f'height="{round(base - split, 1)}"/>{label}'
    )


@dataclass(frozen=True, slots=True)
class CheckPoint:
    """One check on a control chart: when, what was found, which limits it was judged by."""

    name: str
    at: datetime
    value: float
    low: float | None
    high: float | None
    met: bool


def control_chart(points: Sequence[CheckPoint], *, title: str, unit: str) -> Markup:
    """Draw checks in order of time with their limits and, from eight on, the usual range."""
    if not points:
        return Markup("")
    values = np.array([p.value for p in points])
    edges = [n for p in points for n in (p.low, p.high) if n is not None]
    y = scales.y_scale(*scales.widen(min([*edges, *values]), max([*edges, *values])))
    first, last = points[0].at.timestamp(), points[-1].at.timestamp()
    x = (
        scales.x_scale(*scales.widen(first, last, by=0.02))
        if last > first
        else scales.x_scale(first - 43200, last + 43200)
    )
    body = [
        _usual_range(values, y),
        scales.y_axis(y, label=with_unit("", unit).strip()),
        _limit_line(points, "low", x, y),
        _limit_line(points, "high", x, y),
        scales.path([(x(p.at.timestamp()), y(p.value)) for p in points], "trend"),
        scales.time_axis(x),
    ]
    for p in points:
        said = f"{p.name}, {day(p.at)}: {with_unit(number(p.value), unit)}"
        shape, tone = ("round", "good") if p.met else ("triangle", "act")
        said += "" if p.met else ", out of tolerance"
        body.append(
            scales.point(x(p.at.timestamp()), y(p.value), shape=shape, tone=tone, title=said)
        )
    return scales.picture("".join(body), title=title)


def usual_range(values: np.ndarray) -> tuple[float, float, float] | None:
    """Return mean and natural limits of an individuals chart, None below eight values.

    mean +/- 2.66 * mean moving range of neighbours (Shewhart), in the unit of the values.
    """
    if len(values) < FEWEST_FOR_RANGE:
        return None
    mean = float(np.mean(values))
    half = MOVING_RANGE_FACTOR * float(np.mean(np.abs(np.diff(values))))
    return mean, mean - half, mean + half


def _usual_range(values: np.ndarray, y: Scale) -> str:
    found = usual_range(values)
    if found is None:
        return ""
    mean, low, high = found
    top, bottom = y(min(high, y.high)), y(max(low, y.low))
    width = WIDTH - LEFT - RIGHT
    return (
        f'<rect class="usual" x="{LEFT}" y="{top}" width="{width}" '
        f'height="{round(bottom - top, 1)}"/>'
        f'<line class="middle" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y(mean)}" y2="{y(mean)}"/>'
    )


def _limit_line(points: Sequence[CheckPoint], which: str, x: Scale, y: Scale) -> str:
    """Draw the limit as it was on each day, so that a dated decision shows as a step."""
    steps: list[tuple[float, float]] = []
    for p in points:
        limit = p.low if which == "low" else p.high
        if limit is None:
            continue
        at = x(p.at.timestamp())
        if steps and steps[-1][1] != y(limit):
            steps.append((at, steps[-1][1]))
        steps.append((at, y(limit)))
    if not steps:
        return ""
    steps = [(LEFT, steps[0][1]), *steps, (WIDTH - RIGHT, steps[-1][1])]
    newest = [p.low if which == "low" else p.high for p in points]
    shown = number([n for n in newest if n is not None][-1])
    place = steps[-1][1] + (-4 if which == "high" else 11)
    text = (
        f'<text class="tick limit-word" x="{WIDTH - RIGHT}" y="{place}" text-anchor="end">'
        f"limit {shown}</text>"
    )
    return scales.path(steps, "limit") + text


def shares_of(months: Sequence[Month]) -> str:
    """Say the months' total in one phrase: 41 of 60 accepted (68 %)."""
    accepted, total = sum(m.accepted for m in months), sum(m.total for m in months)
    return f"{accepted} of {total} accepted ({share(accepted, total)})"
