"""Reads reference equations, of the contracts and of a study's own folder, and refuses bad ones."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Mapping
from pathlib import Path
from types import MappingProxyType

from quietsleep.contract.model import Known, Outcome, Source
from quietsleep.contract.reference import LinearEquation, LmsTable, Predictor, Reference, Term
from quietsleep.contract.toml import Entry, read
from quietsleep.errors import ContractError

Ranges = Mapping[Predictor, tuple[float, float]]


def read_references(
    folder: Path, *, outcomes: Mapping[str, Outcome], sources: Mapping[str, Source] | None = None
) -> Mapping[str, Reference]:
    """Read every equation of the folder `references`; a folder that is not there holds none.

    `sources` are the keys that a source may be; without them the source is a citation in words, as
    in a study's own folder. Raises ContractError with file, entry and reason.
    """
    found: dict[str, Reference] = {}
    for path in sorted((folder / "references").glob("*.toml")):
        entry = read(folder, f"references/{path.name}", ContractError)
        reference = entry.build(Reference, context=Known(frozenset(), sources))
        if reference.key != path.stem:
            entry.refuse(f'key is "{reference.key}", which differs from the name of the file.')
        _check(entry, reference, outcomes)
        _refuse_overlap(entry, reference, found.values())
        found[reference.key] = reference
    return MappingProxyType(found)


def _check(entry: Entry, reference: Reference, outcomes: Mapping[str, Outcome]) -> None:
    """Refuse what one equation alone does not show: outcomes, ranges, sexes."""
    for name in reference.outcomes:
        if name not in outcomes:
            entry.refuse_unknown("outcomes", name, outcomes)
        if outcomes[name].unit != reference.unit:
            entry.refuse(
                f'unit is "{reference.unit}", not the unit of {name}, which is '
                f'"{outcomes[name].unit}".'
            )
    if not reference.ranges:
        entry.refuse("ranges holds no predictor: an equation holds within stated limits only.")
    if not reference.sexes:
        entry.refuse("the file holds no [[equations]] and no [[tables]].")
    entry.refuse_twice("an equation for", reference.sexes)
    for number, equation in enumerate(reference.equations, start=1):
        if refusal := _of_linear(equation, reference.ranges):
            entry.refuse(f"equations {number}: {refusal}")
    for number, table in enumerate(reference.tables, start=1):
        if refusal := _of_lms(table, reference.ranges):
            entry.refuse(f"tables {number}: {refusal}")


def _of_linear(equation: LinearEquation, ranges: Ranges) -> str | None:
    for number, term in enumerate(equation.terms, start=1):
        if term.of is None:
            continue
        if term.of not in ranges:
            return f"terms {number}: {term.of} has no range in [ranges]."
        if ranges[term.of][0] == 0 and (term.ln or (term.power or 1.0) < 0):
            return (
                f"terms {number}: the range of {term.of} must begin above 0 for a logarithm or a "
                "negative power."
            )
    # A misplaced sign or comma shows at the corners of the range: no lung has a flow below zero.
    for corner in itertools.product(*ranges.values()):
        values: dict[Predictor, float] = dict(zip(ranges, corner, strict=True))
        predicted = linear_value(equation.terms, values)
        if equation.transform != "ln" and predicted <= 0:
            where = ", ".join(f"{name} {value:g}" for name, value in values.items())
            return f"it predicts {predicted:g} at {where}, which is not above 0."
    return None


def _of_lms(table: LmsTable, ranges: Ranges) -> str | None:
    by, rows = table.by, table.rows
    if set(ranges) != {by}:
        return f"a table by {by} needs a range of {by} and of nothing else."
    if ranges[by][0] < rows[0][0] or ranges[by][1] > rows[-1][0]:
        return f"the range of {by} reaches beyond the rows."
    return None


def _refuse_overlap(entry: Entry, reference: Reference, others: Iterable[Reference]) -> None:
    """Refuse an equation that would score the same outcome of the same infant as another."""
    for other in others:
        outcomes = set(reference.outcomes) & set(other.outcomes)
        one, two = set(reference.equipment_classes), set(other.equipment_classes)
        sexes = set(reference.sexes) & set(other.sexes)
        if outcomes and sexes and (not one or not two or one & two):
            entry.refuse(
                f"{', '.join(sorted(outcomes))} would be scored by {other.key} as well for the "
                "same sex and equipment class."
            )


def linear_value(terms: Iterable[Term], values: Mapping[Predictor, float]) -> float:
    """Return the sum of terms: coefficient * x^power or coefficient * ln x, on its own scale."""
    total = 0.0
    for term in terms:
        if term.of is None:
            total += term.coefficient
        else:
            x = values[term.of]
            power = 1.0 if term.power is None else term.power
            total += term.coefficient * (math.log(x) if term.ln else x**power)
    return total
