"""The words of `contracts/identifiers.toml`, as they are compared."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from functools import cache
from typing import Any

from quietsleep.contract.toml import read
from quietsleep.data import data_folder
from quietsleep.errors import ContractError
from quietsleep.intake.identifiers.spelling import plain

FILE = "identifiers.toml"


@cache
def _file() -> Mapping[str, Any]:
    return read(data_folder("contracts"), FILE, ContractError).table


def _text(place: str) -> Any:
    table: Any = _file()
    for key in place.split("."):
        table = table[key]
    return table


@cache
def words_of(*places: str) -> frozenset[str]:
    """Return the words that stand at places such as `names.titles`."""
    return frozenset(plain(w) for place in places for w in _text(place).split())


@cache
def phrases_of(place: str) -> frozenset[str]:
    """Return the phrases that stand at a place, parted there by bars."""
    return frozenset(" ".join(plain(p).split()) for p in _text(place).split("|"))


@cache
def months() -> Mapping[str, int]:
    """Return the number of each name of a month."""
    listed: Iterable[str] = _text("dates.months")
    return {plain(w.strip()): n for n, ws in enumerate(listed, start=1) for w in ws.split("|")}


def one_of(words: Iterable[str]) -> str:
    """Return a pattern of any of some words, longest first, spaces being free."""
    ordered = sorted(words, key=lambda word: (-len(word), word))
    return "(?:" + "|".join(re.escape(w).replace(r"\ ", r"[ ._-]?") for w in ordered) + ")"
