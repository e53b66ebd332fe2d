"""Limits that nobody has compared with a printed standard yet, and those that somebody has.

`python -m quietsleep.site.pages.limits docs/limits.md` writes those of the contract.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, NamedTuple

from quietsleep import contract
from quietsleep.site import words
from quietsleep.site.words import technique_title

Row = Mapping[str, Any]

# In the order in which they are worth looking at.
PARTS = {
    "differs": "Print says something else",
    "from memory": "Written from memory of a standard",
    "common practice": "Common practice",
    "study proposal": "Proposed by this study",
    "confirmed": "Confirmed",
}
# Where these are alike, a rule of every technique is one limit.
ALIKE = ("quantity", "limit_low", "limit_high", "obtained", "source", "confirmed_by", "printed_in")
BEARING = {"supports": "supports", "similar": "of another technique or age", "differs": "differs"}
ENTRY = """[[confirmations]]
rule = "tidal.no_leak"                # as in the list
limit = 5                             # the limit that was compared; two numbers for "to"
by = "reader-1"                       # a code, never a name
on = 2026-12-01
printed_in = "journal, year, page, table"
note = ""                             # may be left out
"""


class LimitLine(NamedTuple):
    """One limit: `key` is what a confirmation calls it, `confirmed` who compared it and where."""

    key: str
    name: str
    owners: str
    limit: str
    does: str
    origin: str
    source: str
    figures: tuple[str, ...]
    confirmed: str


class LimitPart(NamedTuple):
    """The limits of one origin."""

    key: str
    title: str
    lines: tuple[LimitLine, ...]


def limit_parts(rows: Iterable[Row], citations: Mapping[str, str]) -> list[LimitPart]:
    """Return the limits in force that are not printed ones, by origin.

    `rows` are those of the table `rules`. A limit that every technique has is one line.
    """
    groups: dict[tuple[Any, ...], list[Row]] = {}
    for row in rows:
        if row["obtained"] == "printed" or not words.missing(row["valid_until"]):
            continue
        owner = "" if row["owner"] in contract.TECHNIQUES else row["owner"]
        alike = tuple(str(row[name]) for name in ALIKE)
        groups.setdefault((owner, _short(row), *alike), []).append(row)
    found: dict[str, list[LimitLine]] = {}
    for same in groups.values():
        whole = len(same) == len(contract.TECHNIQUES)
        for group in [same] if whole else [[row] for row in same]:
            found.setdefault(_part(group[0]), []).append(_line(group, citations))
    return [LimitPart(key, PARTS[key], tuple(found[key])) for key in PARTS if key in found]


def _short(row: Row) -> str:
    return str(row["rule"]).rpartition(".")[2]


def _part(first: Row) -> str:
    if not words.missing(first["confirmed_by"]):
        return "confirmed"
    bearings = {f.bearing for f in contract.PRINTED.get(first["rule"], ())}
    return "differs" if "differs" in bearings else str(first["obtained"])


def _line(group: list[Row], citations: Mapping[str, str]) -> LimitLine:
    first = group[0]
    quantity = contract.QUANTITIES.get((first["owner"], first["level"], first["quantity"]))
    limit = words.limit(first["operator"], first["limit_low"], first["limit_high"], first["unit"])
    if first["operator"] == "equals" and quantity:
        limit = quantity.labels.get(f"{first['limit_low']:g}") or limit
    every = len(group) > 1
    return LimitLine(
        key=f"*.{_short(first)}" if every else str(first["rule"]),
        name=words.plain(_short(first)),
        owners="every technique" if every else technique_title(first["owner"]),
        limit=limit.replace("\u00a0", " "),
        does=words.SEVERITY.get(first["severity"], ""),
        origin=str(first["obtained"]),
        source=citations.get(first["source"], str(first["source"])),
        figures=tuple(
            f"{figure.figure} ({BEARING[figure.bearing]}; {figure.where})"
            for figure in contract.PRINTED.get(first["rule"], ())
        ),
        confirmed=confirmed_by(first),
    )


def confirmed_by(row: Row) -> str:
    """Say who compared a limit with print, when and where; nothing where nobody has."""
    if words.missing(row["confirmed_by"]):
        return ""
    note = "" if words.missing(row["confirmation_note"]) else f": {row['confirmation_note']}"
    return f"{row['confirmed_by']}, {words.day(row['confirmed_on'])}, in {row['printed_in']}{note}"


def limits_document() -> str:
    """Return the limits of the contract to be confirmed, as one document with room to write."""
    from quietsleep.warehouse.tables import rules_frame

    rows = rules_frame(contract.RULES.values()).to_dict("records")
    citations = {source.key: source.citation for source in contract.SOURCES.values()}
    parts = limit_parts([{str(k): v for k, v in row.items()} for row in rows], citations)
    said = [
        "# Limits to confirm\n",
        "Written from the contracts by `python -m quietsleep.site.pages.limits docs/limits.md`; "
        "a test holds it current. These limits were written from memory of a standard, follow "
        "common practice, or are proposed by this study. Somebody of the coordinating centre who "
        "has the printed standard in hand compares each with it, and writes what was found into "
        "`confirmations.toml` in the study folder:\n",
        "```toml\n" + ENTRY + "```\n",
        "`*.name` stands for the rule of that name of every technique. A confirmation holds for "
        "the limit that it names; where the contract later changes the limit, it has to be "
        "confirmed again. Where print says otherwise, change the limit for the study in "
        "`limits.toml`. The dictionary of the study shows what is confirmed.\n",
    ]
    for part in parts:
        said.append(f"## {part.title}\n")
        said.append("| rule | asked of | limit | source | found in print | confirmed by, on, in |")
        said.append("|---|---|---|---|---|---|")
        said += [_document_row(line) for line in part.lines]
        said.append("")
    return "\n".join(said).rstrip() + "\n"


def _document_row(line: LimitLine) -> str:
    figures = "<br>".join(line.figures) or "nothing"
    cells = (f"`{line.key}`", line.owners, f"{line.limit}; {line.does}", line.source, figures, "")
    return "| " + " | ".join(cell.replace("|", "/") for cell in cells) + " |"


if __name__ == "__main__":
    Path(sys.argv[1]).write_text(limits_document(), encoding="utf-8")
