"""Reads one rule of a contract file and refuses a rule that cannot be judged or explained."""

from __future__ import annotations

import string
from collections.abc import Iterable
from datetime import date
from typing import get_args

from quietsleep.contract.entries import Entry
from quietsleep.contract.model import (
    Alternative,
    Level,
    Missing,
    Obtained,
    Operator,
    Quantity,
    Rule,
    Severity,
)

PLACEHOLDERS = frozenset({"observed", "limit", "unit"})
# A rule that rests on an equipment check holds from the first day of any study.
ALWAYS = date(2000, 1, 1)


def limits(entry: Entry, operator: Operator) -> tuple[float | None, float | None]:
    """Turn operator and limit into an inclusive low and high."""
    values = entry.numbers("limit")
    if len(values) != (2 if operator == "between" else 1):
        entry.refuse(f"operator {operator} does not take {len(values)} limits")
    if operator == "between":
        low, high = values
        if low > high:
            entry.refuse(f"the lower limit {low:g} is above the upper limit {high:g}")
        return low, high
    (value,) = values
    return (
        None if operator == "at_most" else value,
        None if operator == "at_least" else value,
    )


def _level(entry: Entry, name: str, quantities: Iterable[Quantity]) -> Level:
    """Find the level of the quantity that a rule judges; a name with two levels needs one named."""
    levels = [q.level for q in quantities if q.name == name]
    if not levels:
        entry.refuse(f"quantity {name!r} is not declared in this file")
    wanted = entry.one_of("level", get_args(Level), "") if entry.has("level") else None
    if wanted is None and len(levels) > 1:
        entry.refuse(f"quantity {name!r} has several levels; name one with level")
    if wanted is not None and wanted not in levels:
        entry.refuse(f"quantity {name!r} has no level {wanted!r}")
    return wanted or levels[0]


def _alternative(entry: Entry, level: Level, quantities: Iterable[Quantity]) -> Alternative | None:
    inner = entry.inner("alternative")
    if inner is None:
        return None
    operator = inner.one_of("operator", get_args(Operator))
    low, high = limits(inner, operator)
    alternative = Alternative(inner.text("quantity"), operator, low, high)
    inner.done()
    if (level, alternative.quantity) not in {(q.level, q.name) for q in quantities}:
        inner.refuse(f"quantity {alternative.quantity!r} is not declared at level {level}")
    return alternative


def _sentence(entry: Entry, field: str, allowed: frozenset[str]) -> str:
    sentence = entry.text(field)
    try:
        parts = [(name, spec) for _, name, spec, _ in string.Formatter().parse(sentence)]
    except ValueError as error:
        entry.refuse(f"{field} has unpaired braces: {error}")
    for name, spec in parts:
        if name is not None and (name not in allowed or spec):
            entry.refuse(
                f"{field} names {{{name}}}; it may name {', '.join(sorted(allowed)) or 'none'}"
            )
    return sentence


def read_rule(entry: Entry, owner: str, quantities: Iterable[Quantity], source: str) -> Rule:
    """Read one rule of `owner`; its quantity must be one of `quantities`."""
    known = tuple(quantities)
    name = entry.text("name")
    quantity = entry.text("quantity")
    level = _level(entry, quantity, known)
    operator = entry.one_of("operator", get_args(Operator))
    low, high = limits(entry, operator)
    rule = Rule(
        key=f"{owner}.{name}",
        owner=owner,
        level=level,
        quantity=quantity,
        operator=operator,
        low=low,
        high=high,
        severity=entry.one_of("severity", get_args(Severity)),
        missing=entry.one_of("missing", get_args(Missing)),
        sentence=_sentence(entry, "sentence", PLACEHOLDERS),
        sentence_missing=_sentence(entry, "sentence_missing", frozenset()),
        remedy=_sentence(entry, "remedy", frozenset()),
        source=source,
        obtained=entry.one_of("obtained", get_args(Obtained)),
        valid_from=entry.day("valid_from"),
        valid_until=entry.optional_day("valid_until"),
        alternative=_alternative(entry, level, known),
    )
    entry.done()
    if rule.valid_until is not None and rule.valid_until < rule.valid_from:
        entry.refuse("valid_until lies before valid_from")
    return rule


def check_verdict_name(check: str) -> str:
    """Name the test quantity that says whether an equipment check was accepted."""
    return f"{check}_check_accepted"


def dependent_rule(entry: Entry, technique: str, check: str, source: str) -> Rule:
    """Build the rule that rejects a test whose equipment check was rejected or is missing."""
    rule = Rule(
        key=f"{technique}.{check}_check",
        owner=technique,
        level="test",
        quantity=check_verdict_name(check),
        operator="equals",
        low=1.0,
        high=1.0,
        severity="reject",
        missing="fail",
        sentence=_sentence(entry, "sentence", PLACEHOLDERS),
        sentence_missing=_sentence(entry, "sentence_missing", frozenset()),
        remedy=_sentence(entry, "remedy", frozenset()),
        source=source,
        obtained=entry.one_of("obtained", get_args(Obtained)),
        valid_from=ALWAYS,
    )
    entry.done()
    return rule
