"""Reads reference equations, of the contracts and of a study's own folder, and refuses bad ones."""

from __future__ import annotations

import itertools
import math
from collections.abc import Collection, Mapping
from pathlib import Path
from types import MappingProxyType
from typing import get_args

from quietsleep.contract.entries import Entry, read_entry, unique
from quietsleep.contract.model import (
    ContractError,
    LinearEquation,
    LmsTable,
    Obtained,
    Outcome,
    Predictor,
    Reference,
    Sex,
    Term,
    Transform,
)

Ranges = Mapping[Predictor, tuple[float, float]]


def read_references(
    folder: Path, *, outcomes: Mapping[str, Outcome], sources: Collection[str] | None = None
) -> Mapping[str, Reference]:
    """Read every reference equation of a folder; a folder that is not there holds none.

    `sources` are the keys that a source may be; without them the source is a citation in words, as
    in a study's own folder. Raises ContractError with file, entry and reason.
    """
    found = {}
    for path in sorted(folder.glob("*.toml")):
        reference = _reference(read_entry(path), outcomes, sources)
        found[reference.key] = reference
    refuse_overlaps(found)
    return MappingProxyType(found)


def refuse_overlaps(references: Mapping[str, Reference]) -> None:
    """Refuse two equations that would both score the same outcome of the same infant."""
    for one, two in itertools.combinations(references.values(), 2):
        outcomes = set(one.outcomes) & set(two.outcomes)
        any_class = not one.equipment_classes or not two.equipment_classes
        classes = any_class or set(one.equipment_classes) & set(two.equipment_classes)
        sexes = {s for e in one.equations for s in e.sexes} & {
            s for e in two.equations for s in e.sexes
        }
        if outcomes and classes and sexes:
            raise ContractError(
                f"{two.key}.toml: {two.key}: {', '.join(sorted(outcomes))} would be scored by "
                f"{one.key} as well for the same sex and equipment class"
            )


def _reference(
    entry: Entry, outcomes: Mapping[str, Outcome], sources: Collection[str] | None
) -> Reference:
    ranges = _ranges(entry)
    equations: list[LinearEquation | LmsTable] = [
        *(_linear(e, ranges) for e in entry.list_of("equations")),
        *(_lms(e, ranges) for e in entry.list_of("tables")),
    ]
    reference = Reference(
        key=entry.text("key"),
        title=entry.text("title"),
        outcomes=entry.texts("outcomes"),
        unit=entry.text("unit"),
        ranges=ranges,
        equations=tuple(equations),
        source=entry.text("source"),
        obtained=entry.one_of("obtained", get_args(Obtained)),
        note=entry.text("note", ""),
        equipment_classes=entry.texts("equipment_classes", ()),
    )
    entry.done()
    if reference.key != entry.name:
        entry.refuse(f"key = {reference.key!r} differs from the name of the file")
    if not equations:
        entry.refuse("holds no [[equations]] and no [[tables]]")
    unique(entry, "an equation for", [s for e in equations for s in e.sexes])
    if sources is not None and reference.source not in sources:
        entry.refuse(f"source {reference.source!r} has no citation in sources.toml")
    for name in reference.outcomes:
        if name not in outcomes:
            entry.refuse(f"outcome {name!r} is unknown")
        if outcomes[name].unit != reference.unit:
            entry.refuse(
                f"unit {reference.unit!r} is not the unit of {name}, which is "
                f"{outcomes[name].unit!r}"
            )
    return reference


def _ranges(entry: Entry) -> Ranges:
    inner = entry.inner("ranges")
    if inner is None:
        entry.refuse("ranges is missing: an equation holds within stated limits only")
    found: dict[Predictor, tuple[float, float]] = {}
    for predictor in get_args(Predictor):
        if not inner.has(predictor):
            continue
        limits = inner.numbers(predictor)
        if len(limits) != 2 or not 0 <= limits[0] < limits[1] < math.inf:
            inner.refuse(f"{predictor} needs a lowest and a higher highest value, not negative")
        found[predictor] = (limits[0], limits[1])
    inner.done()
    if not found:
        entry.refuse("ranges holds no predictor")
    return MappingProxyType(found)


def _sexes(entry: Entry) -> tuple[Sex, ...]:
    sexes = entry.texts("sexes")
    for sex in sexes:
        if sex not in get_args(Sex):
            entry.refuse(f"sexes holds {sex!r}; known are {', '.join(get_args(Sex))}")
    if not sexes:
        entry.refuse("sexes is empty")
    return tuple(s for s in get_args(Sex) if s in sexes)


def _term(entry: Entry, ranges: Ranges) -> Term:
    has_predictor = entry.has("of")
    of: Predictor | None = entry.one_of("of", get_args(Predictor)) if has_predictor else None
    term = Term(
        coefficient=entry.number("coefficient"),
        of=of,
        power=entry.number("power", 1.0),
        ln=entry.yes("ln", False),
    )
    entry.done()
    if not math.isfinite(term.coefficient) or not math.isfinite(term.power):
        entry.refuse("coefficient and power must be finite numbers")
    if of is None and (term.ln or entry.has("power")):
        entry.refuse("power and ln need a predictor, named by of")
    if term.ln and entry.has("power"):
        entry.refuse("a term is either a power or a logarithm, not both")
    if of is not None and of not in ranges:
        entry.refuse(f"{of} has no range in [ranges]")
    if of is not None and ranges[of][0] == 0 and (term.ln or term.power < 0):
        entry.refuse(f"the range of {of} must begin above 0 for a logarithm or a negative power")
    return term


def linear_value(terms: Collection[Term], values: Mapping[Predictor, float]) -> float:
    """Return the sum of terms: coefficient * x^power or coefficient * ln x, on its own scale."""
    total = 0.0
    for term in terms:
        if term.of is None:
            total += term.coefficient
        else:
            x = values[term.of]
            total += term.coefficient * (math.log(x) if term.ln else x**term.power)
    return total


def _linear(entry: Entry, ranges: Ranges) -> LinearEquation:
    equation = LinearEquation(
        sexes=_sexes(entry),
        transform=entry.one_of("transform", get_args(Transform)),
        terms=tuple(_term(t, ranges) for t in entry.list_of("terms")),
        sd=entry.optional_number("sd"),
    )
    entry.done()
    if not equation.terms:
        entry.refuse("terms is empty")
    if equation.sd is not None and not 0 < equation.sd < math.inf:
        entry.refuse(f"sd = {equation.sd:g} is not above 0; leave it out where none is published")
    # A misplaced sign or comma shows at the corners of the range: no lung has a flow below zero.
    for corner in itertools.product(*ranges.values()):
        values: dict[Predictor, float] = dict(zip(ranges, corner, strict=True))
        predicted = linear_value(equation.terms, values)
        if equation.transform != "ln" and predicted <= 0:
            where = ", ".join(f"{name} {value:g}" for name, value in values.items())
            entry.refuse(f"predicts {predicted:g} at {where}, which is not above 0")
    return equation


def _lms(entry: Entry, ranges: Ranges) -> LmsTable:
    by: Predictor = entry.one_of("by", get_args(Predictor))
    sexes = _sexes(entry)
    rows = entry.rows("rows", 4)
    entry.done()
    if len(rows) < 2:
        entry.refuse("rows holds fewer than two rows")
    if any(later[0] <= earlier[0] for earlier, later in itertools.pairwise(rows)):
        entry.refuse(f"rows do not rise in {by}")
    for row in rows:
        if not all(math.isfinite(x) for x in row) or row[2] <= 0 or row[3] <= 0:
            entry.refuse(f"row {list(row)}: numbers must be finite, M and S above 0")
    if set(ranges) != {by}:
        entry.refuse(f"a table by {by} needs a range of {by} and of nothing else")
    if ranges[by][0] < rows[0][0] or ranges[by][1] > rows[-1][0]:
        entry.refuse(f"the range of {by} reaches beyond the rows")
    return LmsTable(sexes, by, tuple((a, b, c, d) for a, b, c, d in rows))
