"""How numbers, lists and names of the contract are said in a sentence."""

from __future__ import annotations

from collections.abc import Iterable

# So many names stand in one sentence: a copy may have been made of hundreds. Pages list them all.
MOST_NAMED = 5


def count(n: int, one: str, many: str = "") -> str:
    """Say how many of something there are: "1 test", "3 tests", "2 queries"."""
    return f"{n} {one if n == 1 else many or one + 's'}"


def listed(parts: Iterable[str]) -> str:
    """Join names as a sentence does: "a, b and c"; nothing is the empty text."""
    *first, last = [*parts] or [""]
    return f"{', '.join(first)} and {last}" if first else last


def listed_in_short(names: Iterable[str]) -> str:
    """Name the first of some names, and count the others."""
    every = [*names]
    if len(every) > MOST_NAMED:
        return f"{', '.join(every[:MOST_NAMED])} and {len(every) - MOST_NAMED} more"
    return listed(every)


def spaced(name: str) -> str:
    """Write a name of the contract with spaces: "single occlusion"."""
    return name.replace("_", " ")
