"""Reads the contract files into frozen objects and refuses what cannot stand.

Everything takes the folder of the contracts, so that tests can hand it spoilt copies.
`GETTERS` serves the names of the package from the folder that is installed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any, get_args

from quietsleep.contract.columns import read_table
from quietsleep.contract.entries import Entry, read_entry, unique
from quietsleep.contract.equations import read_references
from quietsleep.contract.known import FOLDER, Known, known, sources
from quietsleep.contract.model import (
    ContractError,
    Level,
    Outcome,
    Quantity,
    Reference,
    Rule,
    Spec,
    Summary,
    Table,
)
from quietsleep.contract.reviewing import reviewing
from quietsleep.contract.rules import check_verdict_name, dependent_rule, read_rule
from quietsleep.contract.units import parse_unit


def _quantity(entry: Entry, owner: str, names: Known) -> Quantity:
    labels = entry.mapping("labels")
    quantity = Quantity(
        name=entry.text("name"),
        owner=owner,
        level=entry.one_of("level", get_args(Level)),
        unit=names.unit(entry),
        definition=entry.text("definition"),
        equation=entry.text("equation", ""),
        source=names.source(entry),
        labels=MappingProxyType({str(k): str(v) for k, v in labels.items()}),
    )
    entry.done()
    return quantity


def _outcome(entry: Entry, owner: str, quantities: Iterable[Quantity]) -> Outcome:
    by_name = {q.name: q for q in quantities if q.level == "trial"}
    quantity = entry.text("quantity")
    score = entry.texts("score", ())
    for name in (quantity, *score):
        if name not in by_name:
            entry.refuse(f"quantity {name!r} is not a trial quantity of {owner}")
    outcome = Outcome(
        name=entry.text("name"),
        technique=owner,
        quantity=quantity,
        unit=by_name[quantity].unit,
        summary=entry.one_of("summary", get_args(Summary)),
        meaning=entry.text("meaning"),
        score=score,
        least=int(entry.number("least", 1)),
        most=int(entry.number("most", 0)),
    )
    entry.done()
    if outcome.summary == "best" and not score:
        entry.refuse("summary = 'best' needs a score to choose the best trial by")
    if outcome.summary == "highest_mean" and not 1 <= outcome.least <= outcome.most:
        entry.refuse("summary = 'highest_mean' needs least and most, with 1 <= least <= most")
    return outcome


def _settings(entry: Entry) -> Mapping[str, float]:
    settings = entry.mapping("settings")
    for name, value in settings.items():
        if isinstance(value, bool) or not isinstance(value, int | float):
            entry.refuse(f"setting {name} = {value!r} is not a number")
    return MappingProxyType({name: float(value) for name, value in settings.items()})


def _check_spec(path: Path, names: Known) -> Spec:
    entry = read_entry(path)
    entry.inner("dependents")
    return _spec(entry, "check", names, ())


def _spec(entry: Entry, kind: Any, names: Known, common: Iterable[Entry]) -> Spec:
    """Build the spec of one technique, check or of the visit; `common` holds shared files."""
    key = entry.text("key")
    if key != entry.name:
        entry.refuse(f"key = {key!r} differs from the name of the file")
    files = (*common, entry)
    quantities = [_quantity(q, key, names) for f in files for q in f.list_of("quantities")]
    unique(entry, "quantity", [(q.level, q.name) for q in quantities])
    rules = [
        read_rule(r, key, quantities, names.source(r)) for f in files for r in f.list_of("rules")
    ]
    unique(entry, "rule", [r.key for r in rules])
    outcomes = [_outcome(o, key, quantities) for o in entry.list_of("outcomes")]
    spec = Spec(
        key=key,
        kind=kind,
        title=entry.text("title"),
        channels=entry.texts("channels", ()),
        shortest_s=entry.number("shortest_s", 0.0),
        caution=entry.text("caution", ""),
        quantities=tuple(quantities),
        rules=tuple(rules),
        outcomes=tuple(outcomes),
        needs_checks=entry.texts("needs_checks", ()),
        settings=_settings(entry),
    )
    for file in files:
        file.done()
    return spec


@cache
def checks(folder: Path = FOLDER) -> Mapping[str, Spec]:
    """Read the equipment checks."""
    paths = sorted((folder / "equipment").glob("*.toml"))
    return MappingProxyType({p.stem: _check_spec(p, known(folder)) for p in paths})


def _with_checks(spec: Spec, folder: Path) -> Spec:
    """Add to a technique the quantity and rule of each equipment check that it rests on."""
    quantities, rules = list(spec.quantities), list(spec.rules)
    for check in spec.needs_checks:
        if check not in checks(folder):
            raise ContractError(
                f"{spec.key}.toml: {spec.key}: needs_checks names unknown {check!r}"
            )
        dependents = read_entry(folder / "equipment" / f"{check}.toml").inner("dependents")
        if dependents is None:
            raise ContractError(f"{check}.toml: {check}: has no [dependents] for {spec.key}")
        source = known(folder).source(dependents)
        quantities.append(
            Quantity(
                name=check_verdict_name(check),
                owner=spec.key,
                level="test",
                unit="1",
                definition=f"Whether the last {checks(folder)[check].title.lower()} of the device "
                "on that day before the test was accepted: 1 accepted, 0 rejected.",
                source=source,
                labels=MappingProxyType({"0": "rejected", "1": "accepted"}),
            )
        )
        rules.append(dependent_rule(dependents, spec.key, check, source))
    return Spec(
        **{
            **{name: getattr(spec, name) for name in Spec.__dataclass_fields__},
            "quantities": tuple(quantities),
            "rules": tuple(rules),
        }
    )


@cache
def techniques(folder: Path = FOLDER) -> Mapping[str, Spec]:
    """Read the techniques, each with the quantities and rules common to every recording."""
    found = {}
    for path in sorted((folder / "techniques").glob("*.toml")):
        common = (read_entry(folder / "recording.toml"),)
        spec = _spec(read_entry(path), "technique", known(folder), common)
        found[path.stem] = _with_checks(spec, folder)
    return MappingProxyType(found)


@cache
def session(folder: Path = FOLDER) -> Spec:
    """Read the quantities and rules of the visit itself."""
    return _spec(read_entry(folder / "session.toml"), "session", known(folder), ())


def specs(folder: Path = FOLDER) -> tuple[Spec, ...]:
    """Return every owner of quantities and rules: techniques, checks, the visit."""
    return (*techniques(folder).values(), *checks(folder).values(), session(folder))


def _keyed(items: Iterable[tuple[Any, Any]], what: str) -> Mapping[Any, Any]:
    found: dict[Any, Any] = {}
    for key, item in items:
        if key in found:
            raise ContractError(f"{what} {key}: stands in two files")
        found[key] = item
    return MappingProxyType(found)


@cache
def quantities(folder: Path = FOLDER) -> Mapping[tuple[str, Level, str], Quantity]:
    """Return every quantity by owner, level and name."""
    items = (((q.owner, q.level, q.name), q) for s in specs(folder) for q in s.quantities)
    return _keyed(items, "quantity")


@cache
def rules(folder: Path = FOLDER) -> Mapping[str, Rule]:
    """Return every rule by its key."""
    return _keyed(((r.key, r) for s in specs(folder) for r in s.rules), "rule")


@cache
def outcomes(folder: Path = FOLDER) -> Mapping[str, Outcome]:
    """Return every outcome by its name, which is unique over all techniques."""
    return _keyed(((o.name, o) for s in specs(folder) for o in s.outcomes), "outcome")


@cache
def tables(folder: Path = FOLDER) -> Mapping[str, Table]:
    """Read the tables of the delivery and of the warehouse."""
    paths = sorted((folder / "tables").glob("*.toml"))
    return MappingProxyType({p.stem: read_table(p, known(folder)) for p in paths})


@cache
def references(folder: Path = FOLDER) -> Mapping[str, Reference]:
    """Read the published reference equations."""
    return read_references(
        folder / "references", outcomes=outcomes(folder), sources=known(folder).sources
    )


def check_folder(folder: Path = FOLDER) -> None:
    """Read everything, parse each unit with the UCUM grammar, and follow names across files."""
    for code in sorted(known(folder).units):
        parse_unit(code)
    references(folder)
    reviewing(folder)
    rules(folder)
    quantities(folder)
    names = tables(folder)
    for table in names.values():
        for column in table.columns:
            if column.unit_from is None:
                continue
            owner, _, name = column.unit_from.rpartition(".")
            other = names.get(owner or table.name)
            if other is None or name not in {c.name for c in other.columns}:
                raise ContractError(
                    f"{table.name}.toml: columns {column.name}: unit_from names the unknown "
                    f"column {column.unit_from!r}"
                )


GETTERS: Mapping[str, Callable[[], Any]] = {
    "TABLES": tables,
    "TECHNIQUES": techniques,
    "CHECKS": checks,
    "SESSION": session,
    "SOURCES": sources,
    "QUANTITIES": quantities,
    "RULES": rules,
    "OUTCOMES": outcomes,
    "REFERENCES": references,
    "REVIEWING": reviewing,
}
