"""Accepted shares of all centres on a funnel for each technique, marked as the warehouse does."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from markupsafe import Markup

from quietsleep.site import words
from quietsleep.site.charts import FunnelPoint, funnel
from quietsleep.site.pages.centre import techniques_in
from quietsleep.site.read import PublishedNight, grouped
from quietsleep.site.words import technique_title


class Funnel(NamedTuple):
    """Accepted shares of all centres for one technique."""

    title: str
    said: str
    chart: Markup
    rows: tuple[tuple[str, int, int, str], ...]


def funnels_of(night: PublishedNight, titles: Mapping[str, str]) -> list[Funnel]:
    """Return a funnel for each technique."""
    standing = night.rows("SELECT * FROM standing WHERE technique <> 'all' ORDER BY centre")
    of_technique = grouped(standing, "technique")
    found = []
    for key in techniques_in(standing):
        own = of_technique[key]
        points = [
            FunnelPoint(titles.get(r["centre"], r["centre"]), r["n_accepted"], r["n_tests"])
            for r in own
        ]
        accepted, total = sum(p.accepted for p in points), sum(p.total for p in points)
        said = f"{accepted} of {total} accepted in all ({words.share(accepted, total)})"
        title = technique_title(key)
        chart = funnel(points, title=f"{title}: accepted share of centres. {said}")
        rows = tuple(
            (p.name, p.total, p.accepted, words.share(p.accepted, p.total)) for p in points
        )
        found.append(Funnel(title, said, chart, rows))
    return found
