"""Small pictures of all trials of a test, drawn in the night from its packed traces.

Every trial gets the course of one signal and its loop, all on one scale, so that they can be
compared at a glance; the overlay lays the same loops over each other.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from math import isfinite
from typing import Any, NamedTuple

import numpy as np
from markupsafe import Markup, escape

from quietsleep.records import BoolArray, FloatArray
from quietsleep.site import words
from quietsleep.site.packing import Trace
from quietsleep.site.traces import peaks_kept

LOOP_WIDTH, LOOP_HEIGHT = 480, 360
COURSE_WIDTH, COURSE_HEIGHT = 480, 150
# A loop has a point every so many units along it, and no more than so many in all.
LOOP_STEP, MOST_LOOP_POINTS = 22, 420
# Of a long trial so much is shown, about its first fault or its middle.
LONG_COURSE_S, COURSE_S = 15.0, 12.0
COURSE_BUCKETS = 28
# Steps shorter than this (in units of the picture, a third of a pixel) are left out.
LEAST_STEP = 5


class Small(NamedTuple):
    """The small pictures of a test: the overlay, and of each trial by (recording, index)."""

    overlay: Markup
    trials: dict[tuple[str, int], Markup]


class ShownTrial(NamedTuple):
    """How one trial is shown: its number on the page, and whether it is best, sound or at fault."""

    number: int
    style: str
    faults: frozenset[str]


def draw_small(
    common: Mapping[str, Any],
    traces: Sequence[Trace],
    shown: Mapping[tuple[str, int], ShownTrial],
    glance: str,
) -> Small:
    """Draw overlay and small multiples of the trials that are shown; empty without any."""
    known = [t for t in traces if (t.head["item"], t.head["index"]) in shown]
    if not known:
        return Small(Markup(""), {})
    axes = common["loops"][0] if common["loops"] else None
    loops = [loop_of(t, axes) if axes else None for t in known]
    box = _box([loop for loop in loops if loop is not None])
    spans = [_span(t, shown[t.head["item"], t.head["index"]]) for t in known]
    courses = [_course(t, glance, span) for t, span in zip(known, spans, strict=True)]
    low = min((float(np.nanmin(v)) for _, v in courses if v.size), default=0.0)
    high = max((float(np.nanmax(v)) for _, v in courses if v.size), default=1.0)
    trials, placed = {}, []
    for trace, loop, course, span in zip(known, loops, courses, spans, strict=True):
        key = (trace.head["item"], trace.head["index"])
        how = shown[key]
        parts = [_course_svg(trace, course, span, (low, high), how)]
        if loop is not None and box is not None:
            parts.append(_loop_svg(loop, box, how))
            placed.append(how)
        trials[key] = Markup("").join(parts)
    overlay = _overlay(axes, box, placed) if axes and box is not None and placed else Markup("")
    return Small(overlay, trials)


def loop_of(
    trace: Trace, axes: Sequence[Mapping[str, Any]]
) -> tuple[FloatArray, FloatArray] | None:
    """Return a loop along and up, as its axes say it; None where a signal is not there."""
    first, last = trace.head["loop"]
    inside = (trace.time_s >= first - 1e-9) & (trace.time_s <= last + 1e-9)
    found = []
    for axis in axes:
        values = _signal(trace, axis["name"])
        if values is None or not inside.any():
            return None
        part = values[inside] - (values[inside].max() if axis["fromTop"] else 0.0)
        part = np.where(_lost(trace, axis["name"])[inside], np.nan, part)
        found.append(-part if axis["turned"] else part)
    return found[0], found[1]


def _signal(trace: Trace, name: str) -> FloatArray | None:
    source, factor = trace.head.get("derived", {}).get(name, (name, 1.0))
    values = trace.channels.get(source)
    return None if values is None else factor * values


def _lost(trace: Trace, name: str) -> BoolArray:
    """Where a signal was not measured, and the first sample after it: the line breaks there."""
    sources = {"", name, "flow" if name == "volume" else name}
    found = np.zeros(trace.time_s.size, dtype=bool)
    for channel, first, last in trace.head["lost"]:
        if channel in sources:
            found |= (trace.time_s > first + 1e-9) & (trace.time_s < last - 1e-9)
            found[np.searchsorted(trace.time_s, last - 1e-9) :][:1] = True
    return found


def _span(trace: Trace, how: ShownTrial) -> tuple[float, float]:
    """Times between which the course of a trial is shown."""
    first, last = trace.head["trial"]
    if last - first <= LONG_COURSE_S:
        return first, last
    middle = next(iter(_fault_places(trace.head["marks"], how.faults)), 0.5 * (first + last))
    start = min(max(middle - 0.5 * COURSE_S, first), last - COURSE_S)
    return start, start + COURSE_S


def _course(trace: Trace, name: str, span: tuple[float, float]) -> tuple[FloatArray, FloatArray]:
    """Time and values of the signal of a trial, NaN where it was not measured."""
    first, last = span
    inside = (trace.time_s >= first - 1e-9) & (trace.time_s <= last + 1e-9)
    values = trace.channels.get(name)
    if values is None:
        return np.zeros(0), np.zeros(0)
    values = np.where(_lost(trace, name), np.nan, values)[inside]
    if np.isnan(values).all():
        return np.zeros(0), np.zeros(0)
    kept = np.union1d(peaks_kept(values, COURSE_BUCKETS), np.flatnonzero(np.isnan(values)))
    return trace.time_s[inside][kept], values[kept]


def _box(
    loops: Sequence[tuple[FloatArray, FloatArray]],
) -> tuple[float, float, float, float] | None:
    """Least and greatest along and up of all loops; None where nothing was measured."""
    x = np.concatenate([loop[0] for loop in loops]) if loops else np.zeros(0)
    y = np.concatenate([loop[1] for loop in loops]) if loops else np.zeros(0)
    if not (np.isfinite(x).any() and np.isfinite(y).any()):
        return None
    # A turned zero is no minus zero.
    edges = (np.nanmin(x), np.nanmax(x), np.nanmin(y), np.nanmax(y))
    low, high, least, most = (float(edge) + 0.0 for edge in edges)
    return low, high, least, most


def _fit(values: FloatArray, low: float, high: float, size: float) -> FloatArray:
    return (values - low) / (high - low or 1.0) * size


def _loop_svg(
    loop: tuple[FloatArray, FloatArray],
    box: tuple[float, float, float, float],
    how: ShownTrial,
) -> Markup:
    x = _fit(loop[0], box[0], box[1], LOOP_WIDTH)
    y = LOOP_HEIGHT - _fit(loop[1], box[2], box[3], LOOP_HEIGHT)
    path = _path(*_even(x, y))
    return Markup(
        '<svg class="mini" viewBox="-6 -6 {} {}" aria-hidden="true"><path id="l{}" d="{}"/></svg>'
    ).format(LOOP_WIDTH + 12, LOOP_HEIGHT + 12, how.number, path)


def _even(x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Points of a line that lie evenly along it, with its outermost points and its breaks."""
    there = np.isfinite(x) & np.isfinite(y)
    steps = np.hypot(np.diff(x), np.diff(y))
    along = np.concatenate(([0.0], np.cumsum(np.where(np.isfinite(steps), steps, 0.0))))
    n = min(int(along[-1] / LOOP_STEP) + 2, MOST_LOOP_POINTS)
    wanted = np.searchsorted(along, np.linspace(0.0, along[-1], n)).clip(0, x.size - 1)
    with_ends = [wanted, np.flatnonzero(~there)]
    if there.any():
        with_ends.append(
            np.array([np.nanargmin(x), np.nanargmax(x), np.nanargmin(y), np.nanargmax(y)])
        )
    kept = np.unique(np.concatenate(with_ends))
    return x[kept], y[kept]


def _course_svg(
    trace: Trace,
    course: tuple[FloatArray, FloatArray],
    span: tuple[float, float],
    scale: tuple[float, float],
    how: ShownTrial,
) -> Markup:
    first, last = span
    x = _fit(course[0], first, last, COURSE_WIDTH)
    y = COURSE_HEIGHT - _fit(course[1], *scale, COURSE_HEIGHT)
    faults = _fault_places(trace.head["marks"], how.faults)
    signs = "".join(
        f"M{_fit(np.array(at), first, last, COURSE_WIDTH).item():.0f}-22l-14-18h28z"
        for at in faults
        if first - 0.3 <= at <= last + 0.3
    )
    sign = Markup('<path class="f" d="{}"/>').format(signs) if signs else ""
    return Markup(
        '<svg class="mini" viewBox="-6 -44 {} {}" aria-hidden="true"><path d="{}"/>{}</svg>'
    ).format(COURSE_WIDTH + 12, COURSE_HEIGHT + 50, _path(x, y), sign)


def _fault_places(marks: Iterable[Sequence[Any]], faults: frozenset[str]) -> list[float]:
    """Middle times of the marks that a rule was not met by, those at one place only once."""
    found: list[float] = []
    for axis, _, times, _, quantities in marks:
        known = [t for t in times if t is not None]
        if axis == "loop" or not known or faults.isdisjoint(quantities.split()):
            continue
        middle = 0.5 * (min(known) + max(known))
        if all(abs(middle - other) > 0.15 for other in found):
            found.append(middle)
    return found[:6]


def _path(x: FloatArray, y: FloatArray) -> str:
    """A path through whole units, each step from the point before; it breaks at what is NaN."""
    parts: list[str] = []
    px = py = 0
    pen_down = False
    for a, b in zip(x.tolist(), y.tolist(), strict=True):
        if not (isfinite(a) and isfinite(b)):
            pen_down = False
            continue
        i, j = round(a), round(b)
        if not pen_down:
            parts.append(f"M{i}{_signed(j)}l")
        elif abs(i - px) + abs(j - py) < LEAST_STEP:
            continue
        else:
            glue = "" if parts[-1].endswith("l") or i < px else " "
            parts.append(f"{glue}{i - px}{_signed(j - py)}")
        px, py, pen_down = i, j, True
    return "".join(parts).removesuffix("l").replace("lM", "M")


def _signed(value: int) -> str:
    return str(value) if value < 0 else f" {value}"


def _overlay(
    axes: Sequence[Mapping[str, Any]],
    box: tuple[float, float, float, float],
    placed: Sequence[ShownTrial],
) -> Markup:
    """All loops over each other, those that matter most last; each by reference to its own."""
    order = {"fault": 0, "sound": 1, "best": 2}
    drawn = Markup("").join(
        Markup('<use href="#l{}" class="{}"/>').format(how.number, how.style)
        for how in sorted(placed, key=lambda how: order[how.style])
    )
    along, up = axes
    ends = Markup("").join(
        Markup('<text x="{}" y="{}"{}>{}</text>').format(x, y, Markup(anchor), text)
        for x, y, anchor, text in (
            (0, LOOP_HEIGHT + 24, "", words.number(box[0], 3)),
            (LOOP_WIDTH, LOOP_HEIGHT + 24, ' class="e"', words.number(box[1], 3)),
            (LOOP_WIDTH / 2, LOOP_HEIGHT + 24, ' class="m"', f"{along['title']}, {along['unit']}"),
            (-8, LOOP_HEIGHT, ' class="e"', words.number(box[2], 3)),
            (-8, 14, ' class="e"', words.number(box[3], 3)),
            (0, -12, "", f"{up['title']}, {up['unit']}"),
        )
    )
    zero = ""
    if box[2] < 0.0 < box[3]:
        at = LOOP_HEIGHT - LOOP_HEIGHT * -box[2] / (box[3] - box[2])
        zero = Markup('<path class="z" d="M0 {:.0f}h{}"/>').format(at, LOOP_WIDTH)
    label = escape(f"{up['title']} against {along['title'].lower()}, all trials over each other")
    return Markup(
        '<svg class="overlay" viewBox="-70 -32 {} {}" role="img" aria-label="{}">{}{}{}</svg>'
    ).format(LOOP_WIDTH + 80, LOOP_HEIGHT + 66, label, zero, drawn, ends)
