"""The dictionary for the statistician: tables, quantities, rules, sources and example queries."""

from __future__ import annotations

from importlib.resources import files
from typing import Any, NamedTuple

from quietsleep import contract
from quietsleep.contract import Quantity, Table
from quietsleep.site.folder import PageFolder
from quietsleep.site.pages.limits import ENTRY, limit_parts
from quietsleep.site.pages.rulebook import rule_book
from quietsleep.site.read import PublishedNight
from quietsleep.site.words import night_said, technique_title
from quietsleep.study.study import Study
from quietsleep.warehouse.views import views

NAV = (
    ("index.html", "Tables"),
    ("quantities.html", "Quantities"),
    ("rules.html", "Rule book"),
    ("limits.html", "Limits to confirm"),
    ("sources.html", "Sources"),
    ("queries.html", "Example queries"),
)


class Query(NamedTuple):
    """One example query: what it answers, and its SQL."""

    title: str
    sql: str


class Owner(NamedTuple):
    """The quantities and outcomes of one technique, check or the session."""

    key: str
    title: str
    quantities: tuple[Quantity, ...]
    outcomes: tuple[Any, ...]


def example_queries() -> list[Query]:
    """Return the example queries; each begins with a comment that says what it answers."""
    text = (files("quietsleep.site") / "queries.sql").read_text(encoding="utf-8")
    found = []
    for block in text.split("\n\n"):
        lines = block.strip().splitlines()
        title = " ".join(line[3:] for line in lines if line.startswith("-- "))
        sql = "\n".join(line for line in lines if not line.startswith("--"))
        if sql:
            found.append(Query(title, sql))
    return found


def write_dictionary(study: Study, night: PublishedNight) -> PageFolder:
    """Write the dictionary from the contracts and the rules of a published night."""
    folder = PageFolder(
        study.path / "pages" / "dictionary",
        study.work_path / "pages" / "dictionary.json",
        {
            "study_title": study.title,
            "place": "Dictionary",
            "nav": NAV,
            "dictionary": "quantities.html",
            "night_said": night_said(night),
        },
    )
    warehouse, delivery = _tables()
    contexts: dict[str, dict[str, Any]] = {
        "index": {"warehouse": warehouse, "views": list(views()), "delivery": delivery},
        "quantities": {"owners": owners()},
        "rules": {"owners": rule_book(night)},
        "limits": _limits(night),
        "sources": {
            "citations": sorted(night.citations.items()),
            "references": list(contract.REFERENCES.values()),
        },
        "queries": {"queries": example_queries()},
    }
    for name, context in contexts.items():
        template = "rules.html.jinja" if name == "rules" else f"dictionary_{name}.html.jinja"
        folder.put_page(f"{name}.html", template, context)
    folder.put_assets(traces=False)
    folder.finish()
    return folder


def _limits(night: PublishedNight) -> dict[str, Any]:
    rows = [row for versions in night.rules.values() for row in versions]
    parts = limit_parts(rows, night.citations)
    open_ones = sum(len(part.lines) for part in parts if part.key != "confirmed")
    return {"parts": parts, "n_open": open_ones, "entry": ENTRY}


def _tables() -> tuple[list[Table], list[Table]]:
    tables = list(contract.TABLES.values())
    return (
        [t for t in tables if t.group == "warehouse"],
        [t for t in tables if t.group == "delivery"],
    )


def owners() -> list[Owner]:
    """Return quantities and outcomes by technique, check and session, in contract order."""
    specs = [*contract.TECHNIQUES.values(), *contract.CHECKS.values(), contract.SESSION]
    return [
        Owner(spec.key, technique_title(spec.key), spec.quantities, spec.outcomes) for spec in specs
    ]
