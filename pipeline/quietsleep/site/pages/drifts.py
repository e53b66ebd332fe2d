"""Devices that drift, as the table `drifts` says, in words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from quietsleep.site import words
from quietsleep.site.folder import slug
from quietsleep.site.read import PublishedNight, Row
from quietsleep.site.words import technique_title


class Drift(NamedTuple):
    """One quantity of one kind of check of one device that drifts."""

    centre: str
    title: str
    device: str
    what: str
    slope: str
    since: str
    last: str
    limits: str
    leaves: str
    run_rule: str
    href: str


class Drifts(NamedTuple):
    """All that drifts, what leaves its limits first; `n_followed` quantities are followed."""

    rows: tuple[Drift, ...]
    n_followed: int


def drifts_of(night: PublishedNight, titles: Mapping[str, str]) -> Drifts:
    """Return the devices that drift."""
    rows = night.rows(
        "SELECT * FROM drifts WHERE drifting "
        "ORDER BY leaves_on NULLS LAST, centre, device, kind, quantity"
    )
    followed = night.tuples("SELECT count(*) FROM drifts WHERE slope_per_week IS NOT NULL")[0][0]
    return Drifts(tuple(_drift(row, titles) for row in rows), followed)


def _drift(row: Row, titles: Mapping[str, str]) -> Drift:
    unit = row["unit"]
    slope = words.with_unit(f"{row['slope_per_week']:+.2g}", unit)
    low, high = words.number(row["slope_low"], 2), words.number(row["slope_high"], 2)
    limits = [row["limit_low"], row["limit_high"]]
    shown = " to ".join("…" if words.missing(v) else words.number(v) for v in limits)
    return Drift(
        centre=row["centre"],
        title=titles.get(row["centre"], row["centre"]),
        device=row["device"],
        what=f"{technique_title(row['kind'])}: {words.quantity_name(row['quantity'], unit)}",
        slope=f"{slope} a week ({low} to {high})",
        since=words.day(row["since"]),
        last=words.with_unit(words.number(row["last_value"], 3), unit),
        limits="none" if all(map(words.missing, limits)) else shown,
        leaves=words.day(row["leaves_on"]),
        run_rule=row["run_rule"] or "",
        href=f"../{row['centre']}/equipment.html#{slug(row['device'], row['kind'])}",
    )
