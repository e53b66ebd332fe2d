"""What is true of every study: tables, quantities, rules, outcomes, reference equations, sources.

The data stand in the TOML files of the folder `contracts`. They are read once, at the first use of
a name, and the models are imported then as well, so that importing this package costs next to
nothing. A file that says something that cannot stand is refused with a ContractError naming file,
entry and reason.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from quietsleep.errors import ContractError

if TYPE_CHECKING:
    from quietsleep.contract.model import (
        Choice,
        Column,
        Level,
        Outcome,
        PrintedFigure,
        Quantity,
        Reviewing,
        Rule,
        Signal,
        Source,
        Spec,
        Table,
    )
    from quietsleep.contract.query_kinds import Querying, QueryKind
    from quietsleep.contract.reference import Reference

__all__ = [
    "CHECKS",
    "CONTRACT_VERSION",
    "OUTCOMES",
    "PRINTED",
    "QUANTITIES",
    "QUERIES",
    "READABLE_VERSIONS",
    "REFERENCES",
    "REVIEWING",
    "RULES",
    "SESSION",
    "SIGNALS",
    "SOURCES",
    "TABLES",
    "TECHNIQUES",
    "TERMS",
    "Choice",
    "Column",
    "ContractError",
    "Level",
    "Outcome",
    "Quantity",
    "QueryKind",
    "Querying",
    "Reference",
    "Reviewing",
    "Rule",
    "Source",
    "Spec",
    "Table",
    "check_all",
]

CONTRACT_VERSION = "2"
# Studies and deliveries of these versions are read; what a later one asks besides may be left out.
READABLE_VERSIONS = ("1", "2")

# Declared for readers and type checkers; the values come from __getattr__ at first use.
TABLES: Mapping[str, Table]
TECHNIQUES: Mapping[str, Spec]
CHECKS: Mapping[str, Spec]
SESSION: Spec
SIGNALS: Mapping[str, Signal]
TERMS: Mapping[str, str]
SOURCES: Mapping[str, Source]
QUANTITIES: Mapping[tuple[str, Level, str], Quantity]
RULES: Mapping[str, Rule]
OUTCOMES: Mapping[str, Outcome]
REFERENCES: Mapping[str, Reference]
REVIEWING: Reviewing
QUERIES: Querying
PRINTED: Mapping[str, tuple[PrintedFigure, ...]]


def __getattr__(name: str) -> Any:
    if name in __all__:
        from quietsleep.contract import load, model, reference

        if getter := load.GETTERS.get(name):
            return getter()
        return getattr(model if hasattr(model, name) else reference, name)
    raise AttributeError(f"the contract has no {name}")


def check_all() -> None:
    """Read every contract file and check what is too slow for each start: the UCUM grammar.

    Raises ContractError with the first thing that cannot stand.
    """
    from quietsleep.contract.load import check_folder

    check_folder()
