"""The printed charts, plain SVG without a script: scales and axes, then the four charts.

Acceptance by month, control charts of equipment, centres on a funnel, and own results against
central ones.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise
from typing import NamedTuple

import numpy as np
from markupsafe import Markup, escape

from quietsleep.site.words import count, day, month_words, number, seen, share, with_unit
from quietsleep.warehouse.funnel import CHANCE, funnel_limits, funnel_mark

WIDTH, HEIGHT = 420, 236
LEFT, RIGHT, TOP, BOTTOM = 46, 12, 18, 30
# Names on a chart stand at least this far apart.
LINE_HEIGHT = 12.0
# So many centres of a funnel have their names beside them; of more, only those outside.
MOST_NAMED = 12
# Room to the right of a difference chart for the names of its lines.
NAMES = 62


@dataclass(frozen=True, slots=True)
class Scale:
    """A straight scale from values [low, high] to points of the picture [start, end]."""

    low: float
    high: float
    start: float
    end: float

    def __call__(self, value: float) -> float:
        """Return the point of a value, rounded to a tenth of a point."""
        share = (value - self.low) / (self.high - self.low)
        return round(self.start + share * (self.end - self.start), 1)


def widen(low: float, high: float, *, by: float = 0.08) -> tuple[float, float]:
    """Return limits a little wider than the data, never of zero width."""
    span = high - low
    if span <= 0:
        span = abs(high) or 1.0
    return low - by * span, high + by * span


def ticks(low: float, high: float, *, about: int = 4) -> list[float]:
    """Return round numbers inside [low, high]."""
    raw = (high - low) / max(about, 1)
    size = 10.0 ** math.floor(math.log10(raw))
    step = next(m * size for m in (1, 2, 2.5, 5, 10) if m * size >= raw)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [round(i * step, 12) for i in range(first, last + 1)]


def x_scale(low: float, high: float) -> Scale:
    """Return the usual scale along the picture."""
    return Scale(low, high, LEFT, WIDTH - RIGHT)


def y_scale(low: float, high: float, *, bottom: float = HEIGHT - BOTTOM) -> Scale:
    """Return the usual scale up the picture."""
    return Scale(low, high, bottom, TOP)


def y_axis(scale: Scale, *, label: str, percent: bool = False, about: int = 4) -> str:
    """Draw grid lines with their numbers and the name of the axis above them."""
    parts = []
    for tick in ticks(scale.low, scale.high, about=about):
        y = scale(tick)
        shown = f"{100 * tick:.0f} %" if percent else number(tick)
        parts.append(
            f'<line class="grid" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y}" y2="{y}"/>'
            f'<text class="tick" x="{LEFT - 6}" y="{y + 3.5}" text-anchor="end">{shown}</text>'
        )
    if label:
        parts.append(
            f'<text class="axis" x="{LEFT}" y="{scale.end - 6}">{escape(seen(label))}</text>'
        )
    return "".join(parts)


def x_axis(scale: Scale, *, label: str) -> str:
    """Draw the numbers below the picture and the name of the axis at their end."""
    bottom = HEIGHT - BOTTOM
    parts = [
        f'<text class="tick" x="{scale(tick)}" y="{bottom + 13}" text-anchor="middle">'
        f"{number(tick)}</text>"
        for tick in ticks(scale.low, scale.high, about=5)
    ]
    parts.append(
        f'<text class="axis" x="{WIDTH - RIGHT}" y="{bottom + 26}" text-anchor="end">'
        f"{escape(seen(label))}</text>"
    )
    return "".join(parts)


def time_axis(scale: Scale) -> str:
    """Draw at most five dates below the picture; the scale is in seconds since 1970."""
    n = 4
    span = scale.high - scale.low
    form = "%-d %b" if span < 330 * 86400 else "%b %Y"
    parts = []
    for i in range(n + 1):
        at = scale.low + span * i / n
        anchor = "start" if i == 0 else "end" if i == n else "middle"
        text = datetime.fromtimestamp(at, tz=UTC).strftime(form)
        parts.append(
            f'<text class="tick" x="{scale(at)}" y="{HEIGHT - BOTTOM + 14}" text-anchor="{anchor}">'
            f"{text}</text>"
        )
    return "".join(parts)


def path(points: Sequence[tuple[float, float]], css: str) -> str:
    """Draw one line through points of the picture."""
    if not points:
        return ""
    steps = "L".join(f"{x} {y}" for x, y in points)
    return f'<path class="{css}" d="M{steps}"/>'


SHAPES = {
    "round": '<circle cx="{x}" cy="{y}" r="3.4"',
    "triangle": '<path d="M{x} {y}m0 -5.2l5 9h-10z"',
    "diamond": '<path d="M{x} {y}m0 -5l5 5l-5 5l-5 -5z"',
}


def point(x: float, y: float, *, shape: str, tone: str, title: str) -> str:
    """Draw one point as a shape with its words; the shape says the same as the colour."""
    return (
        SHAPES[shape].format(x=x, y=y)
        + f' class="dot {tone}"><title>{escape(seen(title))}</title>'
        + ("</circle>" if shape == "round" else "</path>")
    )


def picture(body: str, *, title: str) -> Markup:
    """Wrap the parts into one picture that a screen reader meets as an image with a name."""
    name = escape(seen(title))
    return Markup(
        f'<svg class="chart" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{name}">'
        f"{body}</svg>"
    )


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
    shares = y_scale(0, 1, bottom=118)
    counts = Scale(0, max(m.total for m in months), 196, 140)
    body = [y_axis(shares, label="Share accepted", percent=True, about=2)]
    line = []
    every = math.ceil(len(months) / 6)
    for i, month in enumerate(months):
        x = round(LEFT + slot * (i + 0.5), 1)
        said = f"{month_words(month.key)}: {month.accepted} of {month.total} accepted"
        line.append((x, shares(month.accepted / month.total)))
        body.append(_bar(x, slot, month, counts))
        body.append(point(*line[-1], shape="round", tone="good", title=said))
        if i % every == 0:
            text = month_words(month.key)
            body.append(f'<text class="tick" x="{x}" y="226" text-anchor="middle">{text}</text>')
    body.insert(1, path(line, "trend"))
    body.append('<text class="axis" x="46" y="136">Tests (filled: accepted)</text>')
    return picture("".join(body), title=title)


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


def control_chart(
    points: Sequence[CheckPoint],
    *,
    title: str,
    unit: str,
    band: tuple[float, float, float] | None = None,
) -> Markup:
    """Draw checks in order of time with their limits and, as a band, their usual range.

    `band` is mean, lower and upper natural limit of the checks in tolerance, as the table `drifts`
    has them.
    """
    if not points:
        return Markup("")
    values = np.array([p.value for p in points])
    edges = [n for p in points for n in (p.low, p.high) if n is not None]
    y = y_scale(*widen(min([*edges, *values]), max([*edges, *values])))
    first, last = points[0].at.timestamp(), points[-1].at.timestamp()
    x = (
        x_scale(*widen(first, last, by=0.02))
        if last > first
        else x_scale(first - 43200, last + 43200)
    )
    body = [
        _usual_range(band, y),
        y_axis(y, label=with_unit("", unit).strip()),
        _limit_line(points, "low", x, y),
        _limit_line(points, "high", x, y),
        path([(x(p.at.timestamp()), y(p.value)) for p in points], "trend"),
        time_axis(x),
    ]
    for p in points:
        said = f"{p.name}, {day(p.at)}: {with_unit(number(p.value), unit)}"
        shape, tone = ("round", "good") if p.met else ("triangle", "act")
        said += "" if p.met else ", out of tolerance"
        body.append(point(x(p.at.timestamp()), y(p.value), shape=shape, tone=tone, title=said))
    return picture("".join(body), title=title)


def _usual_range(band: tuple[float, float, float] | None, y: Scale) -> str:
    if band is None:
        return ""
    mean, low, high = band
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
    return path(steps, "limit") + text


def shares_of(months: Sequence[Month]) -> str:
    """Say the months' total in one phrase: 41 of 60 accepted (68 %)."""
    accepted, total = sum(m.accepted for m in months), sum(m.total for m in months)
    return f"{accepted} of {total} accepted ({share(accepted, total)})"


@dataclass(frozen=True, slots=True)
class FunnelPoint:
    """One centre on a funnel: tests judged and tests accepted."""

    name: str
    accepted: int
    total: int


def funnel(points: Sequence[FunnelPoint], *, title: str) -> Markup:
    """Draw accepted shares of centres against their number of tests, with 95 and 99.8 % limits."""
    points = [p for p in points if p.total]
    if not points:
        return Markup("")
    mean = sum(p.accepted for p in points) / sum(p.total for p in points)
    most = max(p.total for p in points)
    x, y = x_scale(0, most * 1.08 + 1), y_scale(-0.02, 1.02)
    body = [y_axis(y, label="Share accepted", percent=True)]
    body.append(x_axis(x, label="Tests"))
    body.append(path([(x(0), y(mean)), (x(x.high), y(mean))], "middle"))
    if 0 < mean < 1:
        sizes = sorted({max(1, round(n)) for n in np.linspace(1, x.high, 40)})
        for chance, css in ((0.025, "limit"), (CHANCE, "far")):
            limits = [funnel_limits(n, mean, chance) for n in sizes]
            for side in (0, 1):
                line = [(x(n), y(both[side])) for n, both in zip(sizes, limits, strict=True)]
                body.append(path(line, css))
    outside = {p for p in points if funnel_mark(p.accepted, p.total, mean) != "inside"}
    named = points if len(points) <= MOST_NAMED else sorted(outside, key=lambda p: p.name)
    heights = apart([y(p.accepted / p.total) for p in named[:MOST_NAMED]])
    for p in points:
        body.append(_funnel_point(p, x, y, is_outside=p in outside))
    for p, height in zip(named, heights, strict=False):
        body.append(_funnel_name(p, x, height))
    return picture("".join(body), title=title)


def apart(heights: Sequence[float], *, lowest: float = HEIGHT - BOTTOM) -> list[float]:
    """Return heights for names, moved where two would stand on each other, none below `lowest`."""
    placed = list(heights)
    order = sorted(range(len(placed)), key=lambda i: placed[i])
    for above, below in pairwise(order):
        placed[below] = round(max(placed[below], placed[above] + LINE_HEIGHT), 1)
    # What was moved out of the picture goes back up, and pushes those above it.
    limit = lowest
    for i in reversed(order):
        placed[i] = round(min(placed[i], limit), 1)
        limit = placed[i] - LINE_HEIGHT
    return placed


def _funnel_point(p: FunnelPoint, x: Scale, y: Scale, *, is_outside: bool) -> str:
    shape, tone = ("triangle", "act") if is_outside else ("round", "good")
    said = f"{p.name}: {p.accepted} of {count(p.total, 'test')} accepted"
    return point(x(p.total), y(p.accepted / p.total), shape=shape, tone=tone, title=said)


def _funnel_name(p: FunnelPoint, x: Scale, height: float) -> str:
    at = x(p.total)
    anchor, shift = ("end", -8) if at > WIDTH * 0.75 else ("start", 8)
    return (
        f'<text class="name" x="{at + shift}" y="{height + 4}" text-anchor="{anchor}">'
        f"{escape(seen(p.name))}</text>"
    )


@dataclass(frozen=True, slots=True)
class Pair:
    """One outcome as the centre reported it and as the central analysis found it."""

    session: str
    centre_value: float
    central_value: float
    difference: float
    suspected: bool = False


class Agreement(NamedTuple):
    """Bias and limits of agreement, as the warehouse found them."""

    bias: float
    lower: float
    upper: float


def difference_chart(
    pairs: Sequence[Pair], limits: Agreement | None, *, title: str, unit: str
) -> Markup:
    """Draw centre minus central against the mean of both, with bias and limits of agreement."""
    if not pairs:
        return Markup("")
    means = [(p.centre_value + p.central_value) / 2 for p in pairs]
    differences = [p.difference for p in pairs]
    edges = [0.0, *differences, *(limits or ())]
    x = Scale(*widen(min(means), max(means)), LEFT, WIDTH - NAMES)
    y = y_scale(*widen(min(edges), max(edges)))
    unit_words = with_unit("", unit).strip()
    body = [
        y_axis(y, label=f"Centre − central {unit_words}".strip()),
        x_axis(x, label=f"Mean of both {unit_words}".strip()),
        path([(LEFT, y(0)), (WIDTH - NAMES, y(0))], "zero"),
    ]
    if limits:
        body += _lines(limits, y)
    for p, mean, difference in zip(pairs, means, differences, strict=True):
        shape, tone = ("diamond", "watch") if p.suspected else ("round", "good")
        said = f"{p.session}: {with_unit(number(difference, 3), unit)}"
        body.append(point(x(mean), y(difference), shape=shape, tone=tone, title=said))
    return picture("".join(body), title=title)


def _lines(limits: Agreement, y: Scale) -> list[str]:
    """Draw bias and limits of agreement, each named to the right of its line."""
    named = [(limits.upper, "limit", "limit"), (limits.bias, "middle", "bias"),
             (limits.lower, "limit", "limit")]  # fmt: skip
    heights = apart([y(value) for value, _, _ in named])
    return [
        path([(LEFT, y(value)), (WIDTH - NAMES, y(value))], css)
        + f'<text class="tick {word}-word" x="{WIDTH - NAMES + 4}" y="{height + 4}">'
        f"{number(value, 3)}</text>"
        for (value, css, word), height in zip(named, heights, strict=True)
    ]
