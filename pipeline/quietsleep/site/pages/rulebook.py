"""The rule book: every rule in words, with its limit, what to do, its source and its dates."""

from __future__ import annotations

from typing import NamedTuple

from quietsleep import contract
from quietsleep.site import words
from quietsleep.site.pages.limits import confirmed_by
from quietsleep.site.read import PublishedNight, Row
from quietsleep.site.words import source_of, technique_title


class RuleLine(NamedTuple):
    """One rule, or one dated version of it."""

    rule: str
    name: str
    level: str
    does: str
    quantity: str
    definition: str
    limit: str
    missing: str
    remedy: str
    source: str
    since: str
    decided: str
    origin: str
    contract: str
    confirmed: str


class RuleOwner(NamedTuple):
    """The rules of one technique, check or the session."""

    key: str
    title: str
    caution: str
    rules: tuple[RuleLine, ...]


MISSING = {
    "fail": "counts as not met",
    "not_judged": "cannot be judged",
    "not_applicable": "does not apply",
}


def rule_book(night: PublishedNight) -> list[RuleOwner]:
    """Return every rule of the night in the order of the contracts."""
    by_owner: dict[str, list[RuleLine]] = {}
    for versions in night.rules.values():
        for row in versions:
            by_owner.setdefault(row["owner"], []).append(_line(night, row))
    order = [*contract.TECHNIQUES, *contract.CHECKS]
    owners = sorted(by_owner, key=lambda o: (order.index(o) if o in order else len(order), o))
    return [_owner(key, by_owner[key]) for key in owners]


def _owner(key: str, rules: list[RuleLine]) -> RuleOwner:
    spec = contract.TECHNIQUES.get(key) or contract.CHECKS.get(key)
    caution = str(spec.caution) if spec else ""
    return RuleOwner(key, technique_title(key), caution, tuple(rules))


def _line(night: PublishedNight, row: Row) -> RuleLine:
    quantity = contract.QUANTITIES.get((row["owner"], row["level"], row["quantity"]))
    until = row["valid_until"]
    since = f"from {words.day(row['valid_from'])}" if row["valid_from"].year > 2000 else "always"
    if until is not None:
        since += f" until {words.day(until)}"
    limit = words.limit(row["operator"], row["limit_low"], row["limit_high"], row["unit"])
    if row["operator"] == "equals" and quantity:
        limit = quantity.labels.get(f"{row['limit_low']:g}") or limit
    return RuleLine(
        rule=row["rule"],
        name=words.rule_name(row["rule"]),
        level=row["level"],
        does=words.SEVERITY.get(row["severity"], ""),
        quantity=words.plain(row["quantity"]),
        definition=str(quantity.definition) if quantity else "",
        limit=limit,
        missing=MISSING.get(row["missing"], ""),
        remedy=" ".join(filter(None, (row["remedy"], row["remedy_missing"]))),
        source=source_of(night, row),
        since=since,
        decided=row["changed_by"] or "",
        origin=row["obtained"] or "",
        contract=row["since_contract"] or "",
        confirmed=confirmed_by(row),
    )
