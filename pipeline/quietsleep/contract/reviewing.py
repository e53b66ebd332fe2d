"""What the contract says of over-reading: who waits, how many overturn, and the reasons."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Literal

from quietsleep.contract.entries import Entry, read_entry, unique
from quietsleep.contract.known import FOLDER

Choice = Literal["accept", "reject"]


@dataclass(frozen=True, slots=True)
class ReviewReason:
    """A reason that a reader may give besides a rule."""

    name: str
    decision: Choice
    sentence: str


@dataclass(frozen=True, slots=True)
class Reviewing:
    """The figures and reasons of over-reading; `ceilings` by name of quantity."""

    borderline_pct: float
    second_reading_pct: float
    readers_to_overturn: int
    ceilings: Mapping[str, float]
    reasons: Mapping[str, ReviewReason]


@cache
def reviewing(folder: Path = FOLDER) -> Reviewing:
    """Read what the contract says of over-reading; ContractError for what cannot stand."""
    entry = read_entry(folder / "reviews.toml")
    reasons = [_reason(r) for r in entry.list_of("reasons")]
    unique(entry, "reason", [r.name for r in reasons])
    ceilings = entry.mapping("ceilings")
    found = Reviewing(
        borderline_pct=entry.number("borderline_pct"),
        second_reading_pct=entry.number("second_reading_pct"),
        readers_to_overturn=int(entry.number("readers_to_overturn")),
        ceilings=MappingProxyType({name: float(value) for name, value in ceilings.items()}),
        reasons=MappingProxyType({r.name: r for r in reasons}),
    )
    entry.done()
    for share in (found.borderline_pct, found.second_reading_pct):
        if not 0 <= share <= 100:
            entry.refuse(f"{share:g} is not a share in percent")
    if found.readers_to_overturn < 2:
        entry.refuse("readers_to_overturn is below 2: one reader alone would overturn")
    return found


def _reason(entry: Entry) -> ReviewReason:
    decision: Choice = entry.one_of("decision", ("accept", "reject"))
    found = ReviewReason(entry.text("name"), decision, entry.text("sentence"))
    entry.done()
    return found
