"""Two charts that compare: centres on a funnel, and own results against central ones."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from markupsafe import Markup, escape

from quietsleep.site import scales
from quietsleep.site.scales import LEFT, WIDTH, Scale
from quietsleep.site.words import count, number, seen, with_unit
from quietsleep.warehouse.statistics import Limits, limits_of_agreement

FEWEST_FOR_LIMITS = 3
# Names on a chart stand at least this far apart.
LINE_HEIGHT = 12.0
# Room to the right of a difference chart for the names of its lines.
NAMES = 62


@dataclass(frozen=True, slots=True)
class FunnelPoint:
    """One centre on a funnel: tests judged and tests accepted."""

    name: str
    accepted: int
    total: int


def funnel_limits(n: int, mean: float, chance: float) -> float:
    """Return the share at which a binomial(n, mean) reaches a lower-tail probability `chance`.

    Interpolated exact limits, so that small centres get honest ones (Spiegelhalter DJ. Stat Med
    2005;24:1185-1202, appendix). Share in [0, 1]; n >= 1, 0 < mean < 1.
    """
    from scipy.stats import binom

    r = int(binom.ppf(chance, n, mean))
    at = float(binom.cdf(r, n, mean))
    below = float(binom.cdf(r - 1, n, mean))
    return float(np.clip((r - (at - chance) / (at - below)) / n, 0, 1))


def funnel(points: Sequence[FunnelPoint], *, title: str) -> Markup:
    """Draw accepted shares of centres against their number of tests, with 95 and 99.8 % limits."""
    points = [p for p in points if p.total]
    if not points:
        return Markup("")
    mean = sum(p.accepted for p in points) / sum(p.total for p in points)
    most = max(p.total for p in points)
    x, y = scales.x_scale(0, most * 1.08 + 1), scales.y_scale(-0.02, 1.02)
    body = [scales.y_axis(y, label="Share accepted", percent=True)]
    body.append(scales.x_axis(x, label="Tests"))
    body.append(scales.path([(x(0), y(mean)), (x(x.high), y(mean))], "middle"))
    if 0 < mean < 1:
        sizes = sorted({max(1, round(n)) for n in np.linspace(1, x.high, 40)})
        for chance, css in ((0.025, "limit"), (0.975, "limit"), (0.001, "far"), (0.999, "far")):
            line = [(x(n), y(funnel_limits(n, mean, chance))) for n in sizes]
            body.append(scales.path(line, css))
    heights = apart([y(p.accepted / p.total) for p in points])
    for p, height in zip(points, heights, strict=True):
        body.append(_funnel_point(p, mean, x, y, height=height))
    return scales.picture("".join(body), title=title)


def apart(heights: Sequence[float]) -> list[float]:
    """Return heights for names, moved down where two would stand on each other."""
    placed = list(heights)
    order = sorted(range(len(placed)), key=lambda i: placed[i])
    for above, below in pairwise(order):
        placed[below] = round(max(placed[below], placed[above] + LINE_HEIGHT), 1)
    return placed


def _funnel_point(p: FunnelPoint, mean: float, x: Scale, y: Scale, *, height: float) -> str:
    at, place = x(p.total), y(p.accepted / p.total)
    outside = 0 < mean < 1 and not (
        funnel_limits(p.total, mean, 0.001)
        <= p.accepted / p.total
        <= funnel_limits(p.total, mean, 0.999)
    )
    shape, tone = ("triangle", "act") if outside else ("round", "good")
    said = f"{p.name}: {p.accepted} of {count(p.total, 'test')} accepted"
    anchor, shift = ("end", -8) if at > WIDTH * 0.75 else ("start", 8)
    return scales.point(at, place, shape=shape, tone=tone, title=said) + (
        f'<text class="name" x="{at + shift}" y="{height + 4}" text-anchor="{anchor}">'
        f"{escape(seen(p.name))}</text>"
    )


@dataclass(frozen=True, slots=True)
class Pair:
    """One outcome as the centre reported it and as the central analysis found it."""

    session: str
    centre_value: float
    central_value: float
    suspected: bool = False


def agreement_limits(pairs: Sequence[Pair]) -> Limits | None:
    """Return bias and limits of agreement (centre minus central); None below three pairs."""
    if len(pairs) < FEWEST_FOR_LIMITS:
        return None
    return limits_of_agreement([p.centre_value for p in pairs], [p.central_value for p in pairs])


def difference_chart(pairs: Sequence[Pair], *, title: str, unit: str) -> Markup:
    """Draw centre minus central against the mean of both, with bias and limits of agreement."""
    if not pairs:
        return Markup("")
    means = [(p.centre_value + p.central_value) / 2 for p in pairs]
    differences = [p.centre_value - p.central_value for p in pairs]
    limits = agreement_limits(pairs)
    edges = [0.0, *differences] + ([limits.lower, limits.upper] if limits else [])
    x = Scale(*scales.widen(min(means), max(means)), LEFT, WIDTH - NAMES)
    y = scales.y_scale(*scales.widen(min(edges), max(edges)))
    unit_words = with_unit("", unit).strip()
    body = [
        scales.y_axis(y, label=f"Centre − central {unit_words}".strip()),
        scales.x_axis(x, label=f"Mean of both {unit_words}".strip()),
        scales.path([(LEFT, y(0)), (WIDTH - NAMES, y(0))], "zero"),
    ]
    if limits:
        body += _levels(limits, y)
    for p, mean, difference in zip(pairs, means, differences, strict=True):
        shape, tone = ("diamond", "watch") if p.suspected else ("round", "good")
        said = f"{p.session}: {with_unit(number(difference, 3), unit)}"
        body.append(scales.point(x(mean), y(difference), shape=shape, tone=tone, title=said))
    return scales.picture("".join(body), title=title)


def _levels(limits: Limits, y: Scale) -> list[str]:
    """Draw bias and limits of agreement, each named to the right of its line."""
    named = [(limits.upper, "limit", "limit"), (limits.bias, "middle", "bias"),
             (limits.lower, "limit", "limit")]  # fmt: skip
    heights = apart([y(value) for value, _, _ in named])
    return [
        scales.path([(LEFT, y(value)), (WIDTH - NAMES, y(value))], css)
        + f'<text class="tick {word}-word" x="{WIDTH - NAMES + 4}" y="{height + 4}">'
        f"{number(value, 3)}</text>"
        for (value, css, word), height in zip(named, heights, strict=True)
    ]
