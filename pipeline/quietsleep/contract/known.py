"""What every other contract file may name: units and sources."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import MappingProxyType

from quietsleep.contract.entries import Entry, read_entry, unique
from quietsleep.contract.model import Source
from quietsleep.data import data_folder

FOLDER = data_folder("contracts")


@dataclass(frozen=True, slots=True)
class Known:
    """What the files may name: units and sources."""

    units: frozenset[str]
    sources: Mapping[str, Source]

    def unit(self, entry: Entry, field: str = "unit") -> str:
        """Take a unit that is on the list of UCUM codes."""
        unit = entry.text(field)
        if unit not in self.units:
            entry.refuse(f"unit {unit!r} is not on the list of UCUM codes in units.toml")
        return unit

    def source(self, entry: Entry) -> str:
        """Take a source that has a citation."""
        source = entry.text("source")
        if source not in self.sources:
            entry.refuse(f"source {source!r} has no citation in sources.toml")
        return source


@cache
def known(folder: Path = FOLDER) -> Known:
    """Read the units and sources that every other file may name."""
    units = read_entry(folder / "units.toml")
    codes = units.texts("codes")
    units.done()
    unique(units, "unit", codes)
    return Known(frozenset(codes), sources(folder))


@cache
def sources(folder: Path = FOLDER) -> Mapping[str, Source]:
    """Read the citations."""
    entry = read_entry(folder / "sources.toml")
    found = {}
    for key in entry.fields():
        inner = entry.inner(key)
        if inner is None:
            raise AssertionError("a field that is there cannot be missing")
        found[key] = Source(key, inner.text("citation"))
        inner.done()
    return MappingProxyType(found)
