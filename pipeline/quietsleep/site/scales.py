"""Scales and axes of the small printed charts, which are plain SVG and need no script."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from markupsafe import Markup, escape

from quietsleep.site.words import number, seen

WIDTH, HEIGHT = 420, 236
LEFT, RIGHT, TOP, BOTTOM = 46, 12, 18, 30


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


def y_scale(low: float, high: float, *, top: float = TOP, bottom: float = HEIGHT - BOTTOM) -> Scale:
    """Return the usual scale up the picture."""
    return Scale(low, high, bottom, top)


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


def x_axis(scale: Scale, *, label: str, about: int = 5, bottom: float = HEIGHT - BOTTOM) -> str:
    """Draw the numbers below the picture and the name of the axis at their end."""
    parts = [
        f'<text class="tick" x="{scale(tick)}" y="{bottom + 13}" text-anchor="middle">'
        f"{number(tick)}</text>"
        for tick in ticks(scale.low, scale.high, about=about)
    ]
    parts.append(
        f'<text class="axis" x="{WIDTH - RIGHT}" y="{bottom + 26}" text-anchor="end">'
        f"{escape(seen(label))}</text>"
    )
    return "".join(parts)


def time_axis(scale: Scale, *, bottom: float = HEIGHT - BOTTOM) -> str:
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
            f'<text class="tick" x="{scale(at)}" y="{bottom + 14}" text-anchor="{anchor}">'
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
    "square": '<path d="M{x} {y}m-3.6 -3.6h7.2v7.2h-7.2z"',
}


def point(x: float, y: float, *, shape: str, tone: str, title: str, href: str = "") -> str:
    """Draw one point as a shape with its words; the shape says the same as the colour."""
    drawn = (
        SHAPES[shape].format(x=x, y=y)
        + f' class="dot {tone}"><title>{escape(seen(title))}</title>'
        + ("</circle>" if shape == "round" else "</path>")
    )
    if href:
        return f'<a href="{escape(href)}" aria-label="{escape(seen(title))}">{drawn}</a>'
    return drawn


def picture(body: str, *, title: str, height: float = HEIGHT) -> Markup:
    """Wrap the parts into one picture that a screen reader meets as an image with a name."""
    name = escape(seen(title))
    role = "group" if "<a " in body else "img"
    return Markup(
        f'<svg class="chart" viewBox="0 0 {WIDTH} {height}" role="{role}" aria-label="{name}">'
        f"{body}</svg>"
    )
