"""Small pictures that stand in a line of text or a cell: strips of weeks, runs, bars, and forests.

Plain SVG without a script, drawn from what the warehouse says; nothing is computed of it here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from markupsafe import Markup, escape

from quietsleep.site.charts import SHAPES, Scale, path, ticks, widen
from quietsleep.site.words import number, seen, with_unit

# A strip of weeks in a cell.
WEEK, STRIP_HEIGHT = 6, 20
# A small picture beside a sentence.
SMALL_WIDTH, SMALL_HEIGHT, EDGE = 240, 60, 4
# A forest: room for the names on the left, for the numbers on the right.
FOREST_WIDTH, NAMES, NUMBERS, LINE, HEAD, FOOT = 500, 104, 176, 19, 8, 38
# Letters of this width, in points, fit the names of a forest and the words of small pictures.
LETTER = 6.3
CLASS_SHAPES = ("round", "diamond", "triangle", "square", "hollow", "cross")
MORE_SHAPES = SHAPES | {
    "square": '<path d="M{x} {y}m-4 -4h8v8h-8z"',
    "hollow": '<path d="M{x} {y}m0 -5l5 5l-5 5l-5 -5zm0 3l2 2l-2 2l-2 -2z"',
    "cross": '<path d="M{x} {y}m-1.5 -5h3v3.5h3.5v3h-3.5v3.5h-3v-3.5h-3.5v-3h3.5z"',
}


def cut(text: str, width: float) -> str:
    """Return text that fits a width of the picture, with an ellipsis where it did not."""
    most = max(int(width / LETTER), 2)
    shown = seen(text)
    return shown if len(shown) <= most else shown[: most - 1] + "…"


def picture(body: str, *, width: int, height: int, css: str, title: str) -> Markup:
    """Wrap parts into one picture; without a title it is decoration beside words that say it."""
    name = f'role="img" aria-label="{escape(seen(title))}"' if title else 'aria-hidden="true"'
    return Markup(
        f'<svg class="chart {css}" viewBox="0 0 {width} {height}" width="{width}" '
        f'height="{height}" {name}>{body}</svg>'
    )


@dataclass(frozen=True, slots=True)
class Week:
    """Tests of one week: how many were accepted, of how many."""

    accepted: int
    total: int


def _week_paths(weeks: Sequence[Week], *, step: float, bar: float, height: float) -> str:
    """Draw weeks as columns: accepted tests stand above the line, the others hang below it."""
    most = max((max(w.accepted, w.total - w.accepted) for w in weeks), default=0)
    middle = height / 2
    unit = (middle - 1) / max(most, 1)
    parts: dict[str, list[str]] = {"up": [], "down": []}
    for i, week in enumerate(weeks):
        left = f"M{i * step + (step - bar) / 2:g} {middle:g}"
        for css, n in (("up", -week.accepted), ("down", week.total - week.accepted)):
            if n:
                parts[css].append(f"{left}v{n * unit:.1f}h{bar:g}v{-n * unit:.1f}z")
    body = f'<path class="base" d="M0 {middle:g}h{step * max(len(weeks), 1):g}"/>'
    return body + "".join(
        f'<path class="{css}" d="{"".join(steps)}"/>' for css, steps in parts.items() if steps
    )


def weeks_strip(weeks: Sequence[Week]) -> Markup:
    """Draw weeks so small that they fit a cell, beside words that say the same."""
    width = WEEK * max(len(weeks), 1)
    return Markup(
        f'<svg class="weeks" viewBox="0 0 {width} {STRIP_HEIGHT}" width="{width}" '
        f'height="{STRIP_HEIGHT}" aria-hidden="true">'
        f"{_week_paths(weeks, step=WEEK, bar=WEEK - 2, height=STRIP_HEIGHT)}</svg>"
    )


def weeks_picture(weeks: Sequence[Week], *, title: str) -> Markup:
    """Draw weeks beside a sentence."""
    step = SMALL_WIDTH / max(len(weeks), 1)
    body = _week_paths(weeks, step=step, bar=step * 0.7, height=SMALL_HEIGHT)
    return picture(body, width=SMALL_WIDTH, height=SMALL_HEIGHT, css="small weeks", title=title)


@dataclass(frozen=True, slots=True)
class RunPoint:
    """One point of a run: its day, its value, and whether it stands out."""

    day: date
    value: float
    stands_out: bool


def run_strip(
    readings: Sequence[RunPoint],
    *,
    band: tuple[float, float, float] | None,
    title: str,
    steady: Sequence[float] = (),
) -> Markup:
    """Draw a run of values with its usual band (low, middle, high); `steady` is a smoother line.

    Points that stand out are triangles.
    """
    if not readings:
        return Markup("")
    values = [r.value for r in readings]
    low, high = widen(
        min([*values, *steady, *(band or ())]), max([*values, *steady, *(band or ())])
    )
    y = Scale(low, high, SMALL_HEIGHT - EDGE, EDGE)
    days = [r.day.toordinal() for r in readings]
    x = Scale(days[0], max(days[-1], days[0] + 1), EDGE + 4, SMALL_WIDTH - EDGE - 4)
    places = [(x(day), y(r.value)) for day, r in zip(days, readings, strict=True)]
    body = _band(band, y) + path(places, "trend")
    if steady:
        body += path([(x(d), y(v)) for d, v in zip(days, steady, strict=True)], "steady")
    for (left, top), reading in zip(places, readings, strict=True):
        shape, tone = ("triangle", "act") if reading.stands_out else ("round", "good")
        body += _dot(left, top, shape=shape, tone=tone)
    return picture(body, width=SMALL_WIDTH, height=SMALL_HEIGHT, css="small", title=title)


def _band(band: tuple[float, float, float] | None, y: Scale) -> str:
    if band is None:
        return ""
    low, middle, high = (y(value) for value in band)
    right = SMALL_WIDTH - EDGE
    return (
        f'<rect class="usual" x="{EDGE}" y="{high}" width="{right - EDGE}" '
        f'height="{round(low - high, 1)}"/>'
        f'<path class="middle" d="M{EDGE} {middle}H{right}"/>'
    )


def _dot(x: float, y: float, *, shape: str, tone: str) -> str:
    end = "></circle>" if shape == "round" else "></path>"
    return MORE_SHAPES[shape].format(x=x, y=y) + f' class="dot {tone}"{end}'


@dataclass(frozen=True, slots=True)
class Bar:
    """One bar: its name, how long it is, and of it how much is filled."""

    name: str
    total: float
    filled: float
    said: str


def bars(rows: Sequence[Bar], *, title: str, most: int = 3) -> Markup:
    """Draw the first few bars below each other, each with its name and what it says."""
    rows = rows[:most]
    if not rows:
        return Markup("")
    longest = max(row.total for row in rows) or 1.0
    line = SMALL_HEIGHT / max(most, len(rows))
    left, right = 92, 170
    x = Scale(0.0, longest, left, right)
    body = []
    for i, row in enumerate(rows):
        top = round(i * line + 3, 1)
        height = round(line - 6, 1)
        base = round(i * line + line / 2 + 4, 1)
        body.append(
            f'<text class="name" x="{left - 6}" y="{base}" text-anchor="end">'
            f"{escape(cut(row.name, left - 8))}</text>"
            f'<rect class="bar open" x="{left}" y="{top}" width="{round(x(row.total) - left, 1)}" '
            f'height="{height}"/>'
            f'<rect class="bar filled" x="{left}" y="{top}" '
            f'width="{round(x(row.filled) - left, 1)}" height="{height}"/>'
            f'<text class="tick" x="{round(x(row.total) + 6, 1)}" y="{base}">'
            f"{escape(cut(row.said, SMALL_WIDTH - x(row.total) - 6))}</text>"
        )
    return picture("".join(body), width=SMALL_WIDTH, height=SMALL_HEIGHT, css="small", title=title)


@dataclass(frozen=True, slots=True)
class Estimate:
    """One centre on a forest: its number with an interval, and the class of its equipment."""

    centre: str
    equipment_class: str
    value: float
    low: float | None
    high: float | None
    said: str

    @property
    def has_interval(self) -> bool:
        """Say whether there is an interval to draw."""
        return self.low is not None and self.high is not None

    @property
    def excludes_zero(self) -> bool:
        """Say whether the whole interval lies on one side of zero."""
        return self.low is not None and self.high is not None and (self.low > 0 or self.high < 0)


def shapes_of(classes: Sequence[str]) -> dict[str, str]:
    """Return the shape of each class of equipment, the same wherever these classes are drawn."""
    return {
        name: CLASS_SHAPES[i % len(CLASS_SHAPES)] for i, name in enumerate(sorted(set(classes)))
    }


def forest(
    rows: Sequence[Estimate],
    shapes: dict[str, str],
    *,
    pooled: tuple[float, str],
    unit: str,
    title: str,
) -> Markup:
    """Draw centres below each other with their intervals, and the pooled line with its name.

    An estimate whose interval does not reach zero has the tone of what is to be watched, and its
    numbers are set in strong type.
    """
    if not rows:
        return Markup("")
    edges = [v for r in rows for v in (r.value, r.low, r.high) if v is not None]
    x = Scale(*widen(min([0.0, *edges]), max([0.0, *edges])), NAMES, FOREST_WIDTH - NUMBERS)
    bottom = HEAD + LINE * len(rows)
    at, name = pooled
    body = [_forest_axis(x, bottom, with_unit("", unit).strip())]
    body.append(f'<path class="middle" d="M{x(at)} {HEAD}V{bottom}"/>')
    body.append(
        f'<text class="axis" x="{NAMES}" y="{bottom + 30}">'
        f"{escape(cut(name, FOREST_WIDTH - NAMES - NUMBERS))}</text>"
    )
    for i, row in enumerate(rows):
        body.append(_forest_line(row, shapes[row.equipment_class], HEAD + LINE * (i + 0.5), x))
    return picture(
        "".join(body), width=FOREST_WIDTH, height=bottom + FOOT, css="forest", title=title
    )


def _forest_axis(x: Scale, bottom: float, unit: str) -> str:
    """Draw the numbers below a forest, each only where it does not touch the one before."""
    parts = []
    end = 0.0
    for tick in ticks(x.low, x.high, about=4):
        shown = number(tick)
        half = LETTER * len(shown) / 2
        parts.append(f'<path class="grid" d="M{x(tick)} {HEAD}V{bottom}"/>')
        if x(tick) - half < end + 4:
            continue
        end = x(tick) + half
        parts.append(
            f'<text class="tick" x="{x(tick)}" y="{bottom + 14}" text-anchor="middle">'
            f"{shown}</text>"
        )
    parts.append(
        f'<text class="axis" x="{FOREST_WIDTH - NUMBERS + 10}" y="{bottom + 30}">'
        f"{escape(cut(unit, NUMBERS - 10))}</text>"
    )
    return "".join(parts)


def _forest_line(row: Estimate, shape: str, y: float, x: Scale) -> str:
    tone = "watch" if row.excludes_zero else "good"
    body = ""
    if row.low is not None and row.high is not None:
        body = f'<path class="interval" d="M{x(row.low)} {y}H{x(row.high)}"/>'
    title = f"{row.centre}, {row.equipment_class}: {row.said}"
    mark = (
        MORE_SHAPES[shape].format(x=x(row.value), y=y)
        + f' class="dot {tone}"><title>{escape(seen(title))}</title>'
        + ("</circle>" if shape == "round" else "</path>")
    )
    css = "name strong" if row.excludes_zero else "name"
    return (
        body + mark + f'<text class="{css}" x="{NAMES - 8}" y="{y + 4}" text-anchor="end">'
        f"{escape(cut(row.centre, NAMES - 8))}</text>"
        f'<text class="{css}" x="{FOREST_WIDTH - NUMBERS + 10}" y="{y + 4}">'
        f"{escape(cut(row.said, NUMBERS - 10))}</text>"
    )


def legend(shapes: dict[str, str]) -> Markup:
    """Draw each shape beside the name of its class of equipment."""
    parts = [
        f'<li><svg class="chart key" viewBox="0 0 14 14" width="14" height="14" aria-hidden="true">'
        f"{_dot(7, 7, shape=shape, tone='good')}</svg> {escape(seen(name))}</li>"
        for name, shape in shapes.items()
    ]
    return Markup('<ul class="legend">' + "".join(parts) + "</ul>")


def small_forest(rows: Sequence[Estimate], *, title: str) -> Markup:
    """Draw a few centres without numbers, for a place beside a sentence that says them."""
    rows = rows[:4]
    if not rows:
        return Markup("")
    edges = [v for r in rows for v in (r.value, r.low, r.high) if v is not None]
    left = 92
    x = Scale(*widen(min([0.0, *edges]), max([0.0, *edges])), left, SMALL_WIDTH - EDGE)
    line = SMALL_HEIGHT / max(len(rows), 3)
    body = [f'<path class="middle" d="M{x(0.0)} 0V{SMALL_HEIGHT}"/>']
    for i, row in enumerate(rows):
        y = round(line * (i + 0.5), 1)
        if row.low is not None and row.high is not None:
            body.append(f'<path class="interval" d="M{x(row.low)} {y}H{x(row.high)}"/>')
        tone, shape = ("watch", "diamond") if row.excludes_zero else ("good", "round")
        body.append(_dot(x(row.value), y, shape=shape, tone=tone))
        body.append(
            f'<text class="name" x="{left - 6}" y="{round(y + 4, 1)}" text-anchor="end">'
            f"{escape(cut(row.centre, left - 8))}</text>"
        )
    return picture("".join(body), width=SMALL_WIDTH, height=SMALL_HEIGHT, css="small", title=title)
