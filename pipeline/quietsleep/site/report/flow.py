"""The flow diagram: a box a step, one below the other, and beside each arrow what was lost."""

from __future__ import annotations

from collections.abc import Mapping

from markupsafe import Markup, escape

from quietsleep.site.words import count, seen
from quietsleep.warehouse.account import Flow, FlowStep

WIDTH, LEFT, BOX, TALL = 450, 4, 140, 40
LINE, GAP, RIGHT = 15, 24, 172
TITLES: Mapping[str, str] = {
    "attempted": "Attempted",
    "delivered": "Delivered",
    "readable": "Readable",
    "judged": "Judged",
    "accepted": "Accepted",
    "analysed": "Analysed",
}
PLANNED = "Planned or done"


def title_of(flow: Flow, step: FlowStep) -> str:
    """Return the title of a box; where there is a plan, the first holds what it names as well."""
    return PLANNED if step.key == "attempted" and flow.is_planned else TITLES[step.key]


def flow_chart(flow: Flow, *, one: str, title: str) -> Markup:
    """Draw a flow of things that are called `one`; all of it is text."""
    parts, top = [], 8
    for i, step in enumerate(flow.steps):
        if i:
            room = max(GAP, LINE * len(step.losses) + 12) + 8
            parts.append(_arrow(top, top + room))
            parts += _losses(step, top + room / 2)
            top += room
        parts.append(_box(title_of(flow, step), count(step.n, one), top))
        top += TALL
    said = escape(seen(title))
    return Markup(
        f'<svg class="flow" viewBox="0 0 {WIDTH} {top + 8}" role="img" aria-label="{said}">'
        f"{''.join(parts)}</svg>"
    )


def _box(title: str, number: str, top: float) -> str:
    middle = LEFT + BOX / 2
    return (
        f'<rect class="box" x="{LEFT}" y="{top}" width="{BOX}" height="{TALL}" rx="2"/>'
        f'<text class="step" x="{middle}" y="{top + 16}">{escape(title)}</text>'
        f'<text class="number" x="{middle}" y="{top + 33}">{escape(number)}</text>'
    )


def _arrow(top: float, bottom: float) -> str:
    x = LEFT + BOX / 2
    return (
        f'<path class="arrow" d="M{x} {top}V{bottom - 6}"/>'
        f'<path class="head" d="M{x} {bottom}l-4 -7h8z"/>'
    )


def _losses(step: FlowStep, middle: float) -> list[str]:
    if not step.losses:
        return []
    first = middle - LINE * (len(step.losses) - 1) / 2
    edge = round(LINE * len(step.losses) / 2, 1)
    parts = [
        f'<path class="arrow" d="M{LEFT + BOX / 2} {middle}H{RIGHT - 14}"/>'
        f'<path class="brace" d="M{RIGHT - 14} {middle - edge}V{middle + edge}"/>'
    ]
    for i, (why, n) in enumerate(step.losses):
        y = round(first + LINE * i + 4, 1)
        parts.append(
            f'<text class="loss" x="{RIGHT - 6}" y="{y}"><tspan class="number">{n}</tspan> '
            f"{escape(seen(why))}</text>"
        )
    return parts
