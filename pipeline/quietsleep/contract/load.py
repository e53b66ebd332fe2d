"""Reads the contract files into frozen objects, and refuses what cannot stand beside the others.

Everything takes the folder of the contracts, so that tests can hand it spoilt copies.
`GETTERS` serves the names of the package from the folder that is installed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, replace
from datetime import date
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Any, Literal

from quietsleep.contract import toml
from quietsleep.contract.equations import read_references
from quietsleep.contract.model import (
    NAMED,
    Known,
    Level,
    Loop,
    Needs,
    Outcome,
    PrintedFigure,
    Quantity,
    Reviewing,
    ReviewReason,
    Rule,
    Signal,
    Source,
    Spec,
    Table,
    check_verdict_name,
    named_in,
)
from quietsleep.contract.query_kinds import Querying, QueryKind
from quietsleep.contract.reference import Reference
from quietsleep.contract.toml import Entry
from quietsleep.contract.units import check_factors, parse_unit
from quietsleep.data import data_folder
from quietsleep.errors import ContractError

FOLDER = data_folder("contracts")
# A rule that rests on an equipment check holds from the first day of any study.
ALWAYS = date(2000, 1, 1)


def _read(folder: Path, name: str) -> Entry:
    return toml.read(folder, name, ContractError)


def _names(folder: Path, part: str) -> list[str]:
    return sorted(path.stem for path in (folder / part).glob("*.toml"))


def _refuse_other_name(entry: Entry, key: str, stem: str) -> None:
    if entry.table.get(key, stem) != stem:
        value = toml.shown(entry.table[key])
        entry.refuse(f"{key} is {value}, which differs from the name of the file.")


@cache
def known(folder: Path = FOLDER) -> Known:
    """Read the units and sources that every other file may name."""
    units = _read(folder, "units.toml")
    codes = units.table.get("codes")
    if not {"codes"} <= set(units.table) <= {"codes", "factors"} or not isinstance(codes, list):
        units.refuse("the file holds one list of UCUM codes, called codes, and a table of factors.")
    units.refuse_twice("unit", codes)
    return Known(frozenset(codes), sources(folder))


@cache
def sources(folder: Path = FOLDER) -> Mapping[str, Source]:
    """Read the citations."""
    whole = _read(folder, "sources.toml")
    found = {}
    for key, table in whole.table.items():
        if not isinstance(table, dict):
            whole.refuse(f"write {key} as a table, [{key}].")
        entry = Entry(table, f"{whole.place}, [{key}]", ContractError)
        found[key] = entry.build(Source, key=key)
    return MappingProxyType(found)


def _rule(entry: Entry, owner: str, quantities: Iterable[Quantity], names: Known) -> Rule:
    """Read one rule; a quantity that is measured at two levels needs one of them named."""
    judged, level = entry.table.get("quantity"), entry.table.pop("level", None)
    by_name: dict[str, list[Level]] = {}
    for q in quantities:
        by_name.setdefault(q.name, []).append(q.level)
    # What is missing or no text at all is left to the model, which says so.
    levels = by_name.get(judged, []) if isinstance(judged, str) else []
    if isinstance(judged, str) and not levels:
        entry.refuse_unknown("quantity", judged, by_name, why=", not declared in this file")
    if level is not None and level not in levels:
        entry.refuse_unknown("level", level, levels)
    if level is None and len(levels) > 1:
        entry.refuse(
            f"quantity {judged} has several levels; name one with level: {', '.join(levels)}."
        )
    rule = entry.build(Rule, context=names, owner=owner, level=level or next(iter(levels), "trial"))
    other = rule.alternative
    if other is not None and rule.level not in by_name.get(other.quantity, []):
        entry.refuse(
            f"alternative names the quantity {other.quantity}, not declared at level {rule.level}."
        )
    part = rule.scaled_part
    if part is not None and rule.level not in by_name.get(part, []):
        entry.refuse(f"scaled_part names {part}, not declared at level {rule.level}.")
    for name in named_in(rule.sentence):
        if name not in NAMED and rule.level not in by_name.get(name, []):
            may = ", ".join(f"{{{a}}}" for a in NAMED)
            entry.refuse(
                f"sentence names {{{name}}}; it may name {may} or a quantity of level {rule.level}."
            )
    return rule


def _outcome(entry: Entry, owner: str, quantities: Iterable[Quantity]) -> Outcome:
    units = {q.name: q.unit for q in quantities if q.level == "trial"}
    outcome = entry.build(
        Outcome, technique=owner, unit=units.get(str(entry.table.get("quantity")), "")
    )
    for name in (outcome.quantity, *outcome.score):
        if name not in units:
            why = f", not a trial quantity of {owner}"
            entry.refuse_unknown("quantity", name, units, why=why)
    return outcome


def _spec(
    folder: Path, name: str, kind: Literal["technique", "check", "session"], *common: str
) -> Spec:
    """Build the spec of one technique, check or of the session; `common` are files for all."""
    entry, names = _read(folder, name), known(folder)
    key = Path(name).stem
    _refuse_other_name(entry, "key", key)
    files = (*(_read(folder, each) for each in common), entry)
    needs = [f.table.pop("needs", {}) for f in files]
    terms = [f.table.pop("terms", {}) for f in files]
    read = [
        [q.build(Quantity, context=names, owner=key) for q in f.entries("quantities")]
        for f in files
    ]
    quantities = [quantity for part in read for quantity in part]
    entry.refuse_twice("quantity", (f"{q.level} {q.name}" for q in quantities))
    rules = [_rule(r, key, quantities, names) for f in files for r in f.entries("rules")]
    entry.refuse_twice("rule", (r.key for r in rules))
    for file in files[:-1]:
        for other in file.table:
            file.refuse_unknown("a key", other, ("quantities", "rules"))
    given: dict[str, object] = {} if kind == "check" else {"dependents": None}
    return entry.build(
        Spec,
        context=names,
        kind=kind,
        quantities=tuple(quantities),
        rules=tuple(rules),
        outcomes=tuple(_outcome(o, key, quantities) for o in entry.entries("outcomes")),
        loops=tuple(each.build(Loop, context=names) for each in entry.entries("loops")),
        needs=_needs(entry, needs),
        common=tuple(quantity.name for part in read[:-1] for quantity in part),
        own_needs=tuple(dict(needs[-1]).get("session", ())) if isinstance(needs[-1], dict) else (),
        terms={name: term for table in terms for name, term in dict(table).items()},
        **given,
    )


def _needs(entry: Entry, tables: Sequence[object]) -> Needs:
    """Put together what a technique needs to know with what every recording needs."""
    whole: dict[str, Any] = {}
    for table in tables:
        if not isinstance(table, dict):
            entry.refuse("write needs as a table, [needs].")
        for name, value in table.items():
            whole[name] = [*whole.get(name, []), *value] if isinstance(value, list) else value
    for name, value in whole.items():
        if isinstance(value, list):
            whole[name] = list(dict.fromkeys(value))
    return Entry(whole, f"{entry.place}, [needs]", ContractError).build(Needs)


def _check_names(spec: Spec, folder: Path) -> Spec:
    """Refuse channels, loops and needs that name what is not there."""
    entry = Entry({}, f"{spec.kind} {spec.key}", ContractError)
    known_signals = signals(folder)
    recorded = [name for name, signal in known_signals.items() if signal.kind != "derived"]
    for name in spec.channels:
        if name not in recorded:
            entry.refuse_unknown("channels", name, recorded)
    axes = [axis.signal for loop in spec.loops for axis in (loop.along, loop.up)]
    for name in (*axes, spec.glance):
        if name not in known_signals:
            entry.refuse_unknown("loops", name, known_signals)
    for table in ("session", "recording", "check"):
        columns = {
            column.name: column
            for column in tables(folder)[f"delivery_{table}s"].columns
            if column.type in ("number", "integer")
        }
        for name in getattr(spec.needs, table):
            if name not in columns:
                entry.refuse_unknown(f"needs, {table}", name, columns)
    _check_ratios(spec, entry, folder)
    for rule in spec.rules:
        for name, _ in rule.scales_with:
            if name not in recorded:
                entry.refuse_unknown(f"rules, {rule.name}, scales_with", name, recorded)
    for source in spec.needs.from_checks.values():
        check, _, quantity = source.partition(".")
        measured = checks(folder)[check].names("check") if check in checks(folder) else ()
        if quantity not in measured:
            entry.refuse_unknown("needs, from_checks", source, [f"{check}.{q}" for q in measured])
    return spec


@cache
def signals(folder: Path = FOLDER) -> Mapping[str, Signal]:
    """Read what devices record and what follows from it."""
    entry = _read(folder, "signals.toml")
    found = [each.build(Signal, context=known(folder)) for each in entry.entries("signals")]
    entry.refuse_twice("signal", (signal.name for signal in found))
    return MappingProxyType({signal.name: signal for signal in found})


@cache
def checks(folder: Path = FOLDER) -> Mapping[str, Spec]:
    """Read the equipment checks."""
    names = _names(folder, "equipment")
    return MappingProxyType({n: _spec(folder, f"equipment/{n}.toml", "check") for n in names})


def _with_checks(spec: Spec, known_checks: Mapping[str, Spec]) -> Spec:
    """Add to a technique the quantity and rule of each equipment check that it rests on."""
    entry = Entry({}, f"techniques/{spec.key}.toml", ContractError)
    quantities, rules = list(spec.quantities), list(spec.rules)
    for name in spec.needs_checks:
        if name not in known_checks:
            entry.refuse_unknown("needs_checks", name, known_checks)
        check = known_checks[name]
        if check.dependents is None:
            entry.refuse(
                f"needs_checks names {name}, but equipment/{name}.toml has no [dependents]."
            )
        quantities.append(
            Quantity(
                name=check_verdict_name(name),
                owner=spec.key,
                level="test",
                unit="1",
                definition=f"Whether the last {check.title.lower()} of the device "
                "on that day before the test was accepted: 1 accepted, 0 rejected.",
                source=check.dependents.source,
                labels=MappingProxyType({"0": "rejected", "1": "accepted"}),
            )
        )
        rules.append(
            Rule(
                owner=spec.key,
                name=f"{name}_check",
                level="test",
                quantity=check_verdict_name(name),
                operator="equals",
                limit=(1.0,),
                severity="reject",
                missing="fail",
                valid_from=ALWAYS,
                **asdict(check.dependents),
            )
        )
    return replace(spec, quantities=tuple(quantities), rules=tuple(rules))


@cache
def techniques(folder: Path = FOLDER) -> Mapping[str, Spec]:
    """Read the techniques, each with the quantities and rules common to every recording."""
    found = {}
    for name in _names(folder, "techniques"):
        spec = _spec(folder, f"techniques/{name}.toml", "technique", "recording.toml")
        found[name] = _check_names(_with_checks(spec, checks(folder)), folder)
    return MappingProxyType(found)


@cache
def session(folder: Path = FOLDER) -> Spec:
    """Read the quantities and rules of the session itself."""
    spec = _spec(folder, "session.toml", "session")
    columns = [column.name for column in tables(folder)["delivery_sessions"].columns]
    for rule in spec.rules:
        if rule.touches is not None and rule.touches not in columns:
            entry = Entry({}, f"session.toml, rule {rule.name}", ContractError)
            entry.refuse_unknown("touches", rule.touches, columns)
    return spec


def _check_ratios(spec: Spec, entry: Entry, folder: Path) -> None:
    """Refuse a quotient of what is neither measured nor delivered."""
    of_row = [column.name for column in tables(folder)["delivery_recordings"].columns]
    columns = [column.name for column in tables(folder)["delivery_sessions"].columns]
    below = [*columns, *session(folder).names("session")]
    for quantity in spec.quantities:
        if quantity.ratio is None:
            continue
        place = f"quantities, {quantity.name}, ratio"
        for name, known_names in zip(
            quantity.ratio, ([*spec.names("trial"), *of_row], below), strict=True
        ):
            if name not in known_names:
                entry.refuse_unknown(place, name, known_names)


def specs(folder: Path = FOLDER) -> tuple[Spec, ...]:
    """Return every owner of quantities and rules: techniques, checks, the session."""
    return (*techniques(folder).values(), *checks(folder).values(), session(folder))


@cache
def quantities(folder: Path = FOLDER) -> Mapping[tuple[str, Level, str], Quantity]:
    """Return every quantity by owner, level and name."""
    found = {(q.owner, q.level, q.name): q for s in specs(folder) for q in s.quantities}
    return MappingProxyType(found)


@cache
def rules(folder: Path = FOLDER) -> Mapping[str, Rule]:
    """Return every rule by its key."""
    return MappingProxyType({r.key: r for s in specs(folder) for r in s.rules})


@cache
def terms(folder: Path = FOLDER) -> Mapping[str, str]:
    """Return parts of names as the trade writes them, of every technique."""
    found: dict[str, str] = {}
    for spec in techniques(folder).values():
        for name, term in spec.terms.items():
            if found.setdefault(name, term) != term:
                raise ContractError(
                    f"techniques/{spec.key}.toml: terms writes {name} as {term}, another technique "
                    f"as {found[name]}."
                )
    return MappingProxyType(found)


@cache
def outcomes(folder: Path = FOLDER) -> Mapping[str, Outcome]:
    """Return every outcome by its name, which is unique over all techniques."""
    found = [o for s in specs(folder) for o in s.outcomes]
    if (name := toml.first_twice(o.name for o in found)) is not None:
        owners = " and ".join(o.technique for o in found if o.name == name)
        raise ContractError(f"techniques: outcome {name} stands in two files, {owners}.")
    return MappingProxyType({o.name: o for o in found})


@cache
def tables(folder: Path = FOLDER) -> Mapping[str, Table]:
    """Read the tables of the delivery and of the warehouse; key columns are never empty."""
    found = {}
    for name in _names(folder, "tables"):
        entry = _read(folder, f"tables/{name}.toml")
        _fill_choices(entry, folder)
        table = entry.build(Table, context=known(folder))
        _refuse_other_name(entry, "name", name)
        for key in table.key:
            if table.column(key).nullable:
                entry.refuse(f"the key column {key} may not be nullable.")
        found[name] = table
    return MappingProxyType(found)


def _fill_choices(entry: Entry, folder: Path) -> None:
    """Put the names of all techniques, checks or kinds of queries where a column asks for them."""
    parts = {"techniques": "techniques", "checks": "equipment"}
    for column in entry.table.get("columns", ()):
        asked = column.get("choices") if isinstance(column, dict) else None
        if asked in tuple(parts):
            column["choices"] = _names(folder, parts[asked])
        elif asked == "query_kinds":
            column["choices"] = [*querying(folder).kinds]


@cache
def references(folder: Path = FOLDER) -> Mapping[str, Reference]:
    """Read the published reference equations."""
    return read_references(folder, outcomes=outcomes(folder), sources=sources(folder))


@cache
def printed(folder: Path = FOLDER) -> Mapping[str, tuple[PrintedFigure, ...]]:
    """Read what was found in print of limits that are not printed ones, by rule."""
    entry, known_rules = _read(folder, "printed.toml"), rules(folder)
    found: dict[str, tuple[PrintedFigure, ...]] = {}
    for each in entry.entries("figures"):
        for key in each.table.pop("rules", [each.table.get("rule")]):
            if key not in known_rules:
                each.refuse_unknown("rules", key, known_rules)
            figure = Entry({**each.table, "rule": key}, each.place, ContractError)
            found[key] = (*found.get(key, ()), figure.build(PrintedFigure))
    for other in entry.table:
        entry.refuse_unknown("a key", other, ["figures"])
    return MappingProxyType(found)


@cache
def reviewing(folder: Path = FOLDER) -> Reviewing:
    """Read what the contract says of over-reading."""
    entry = _read(folder, "reviews.toml")
    reasons = [r.build(ReviewReason) for r in entry.entries("reasons")]
    entry.refuse_twice("reason", (r.name for r in reasons))
    return entry.build(Reviewing, reasons={r.name: r for r in reasons})


@cache
def querying(folder: Path = FOLDER) -> Querying:
    """Read the kinds of data queries, in order of urgency."""
    entry = _read(folder, "queries.toml")
    kinds = [k.build(QueryKind) for k in entry.entries("kinds")]
    entry.refuse_twice("kind", (k.name for k in kinds))
    return entry.build(Querying, kinds={k.name: k for k in kinds})


def check_folder(folder: Path = FOLDER) -> None:
    """Read everything, parse each unit with the UCUM grammar, and follow names across files."""
    for code in sorted(known(folder).units):
        parse_unit(code)
    check_factors(folder)
    references(folder)
    reviewing(folder)
    querying(folder)
    printed(folder)
    rules(folder)
    quantities(folder)
    _check_units_from(tables(folder))


def _check_units_from(found: Mapping[str, Table]) -> None:
    for table in found.values():
        for column in table.columns:
            if column.unit_from is None:
                continue
            owner, _, name = column.unit_from.rpartition(".")
            other = found.get(owner or table.name)
            if other is None or name not in {c.name for c in other.columns}:
                raise ContractError(
                    f"tables/{table.name}.toml, columns {column.name}: unit_from is "
                    f'"{column.unit_from}", which is no column.'
                )


GETTERS: Mapping[str, Callable[[], Any]] = {
    "TABLES": tables,
    "TERMS": terms,
    "TECHNIQUES": techniques,
    "CHECKS": checks,
    "SESSION": session,
    "SIGNALS": signals,
    "SOURCES": sources,
    "QUANTITIES": quantities,
    "RULES": rules,
    "OUTCOMES": outcomes,
    "REFERENCES": references,
    "REVIEWING": reviewing,
    "QUERIES": querying,
    "PRINTED": printed,
}
