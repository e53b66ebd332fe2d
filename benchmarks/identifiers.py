"""How many identifiers of a list are found, and how many harmless texts refused, by kind.

    python -m benchmarks.identifiers LIST.json [--missed] [--half 0|1] [--wrongly]

A list holds `identifiers` and `harmless`, each with `kind`, `where` (cell, heading or code), `text`
and, for codes, perhaps the `pattern` that the study has registered for them.
"""

from __future__ import annotations

import argparse
import json
import re
import time
from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from quietsleep.intake.identifiers import column_identifies, sign_in

# The codes of infants where an entry does not say otherwise.
PATTERN = r"Q[0-9]{3}(?:-[A-Z])?"


class Figures(NamedTuple):
    """Entries by kind, those taken for an identifier, and the texts of both with the reason."""

    all_of: Counter[str]
    taken: Counter[str]
    texts_taken: tuple[str, ...]
    texts_left: tuple[str, ...]

    @property
    def share(self) -> float:
        return self.taken.total() / max(self.all_of.total(), 1)


def why_refused(entry: Mapping[str, Any]) -> str | None:
    """Say why an entry would be refused where it stands; None where it passes."""
    text = entry["text"]
    if entry["where"] == "heading":
        if kind := column_identifies(text):
            return kind
    elif entry["where"] == "code" and re.fullmatch(entry.get("pattern", PATTERN), text):
        return None
    where = entry["where"]
    sign = sign_in(text, is_code=where == "code", is_heading=where == "heading")
    return f"{sign.kind}: {sign.why}" if sign else None


def figures_of(entries: Sequence[Mapping[str, Any]]) -> Figures:
    all_of: Counter[str] = Counter()
    taken: Counter[str] = Counter()
    texts: tuple[list[str], list[str]] = ([], [])
    for entry in entries:
        name = f"{entry['kind']} ({entry['where']})"
        all_of[name] += 1
        why = why_refused(entry)
        if why:
            taken[name] += 1
        texts[0 if why else 1].append(f"{name}: {entry['text']}" + (f"   <- {why}" if why else ""))
    return Figures(all_of, taken, *(tuple(t) for t in texts))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("list", type=Path)
    parser.add_argument("--missed", action="store_true", help="print each miss and false alarm")
    parser.add_argument("--half", type=int, choices=(0, 1), help="only every second entry")
    given = parser.parse_args()
    lists = json.loads(given.list.read_text(encoding="utf-8"))
    begun = time.process_time()
    for name, verb in (("identifiers", "found"), ("harmless", "refused")):
        entries = lists[name] if given.half is None else lists[name][given.half :: 2]
        figures = figures_of(entries)
        n, of = figures.taken.total(), figures.all_of.total()
        print(f"{name}: {n} of {of} {verb} ({100 * figures.share:.1f} %)")
        for kind in sorted(figures.all_of):
            print(f"    {kind}: {figures.taken[kind]} of {figures.all_of[kind]}")
        if given.missed:
            wrong = figures.texts_left if name == "identifiers" else figures.texts_taken
            print("\n".join(f"  ! {text}" for text in wrong))
    print(f"{time.process_time() - begun:.1f} s of CPU")


if __name__ == "__main__":
    main()
