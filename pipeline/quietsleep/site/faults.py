"""Failed rules as a page says them: a sentence, what was observed, the limit, advice and source."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from quietsleep import contract
from quietsleep.site import words
from quietsleep.site.read import CentreData, PublishedNight, Row
from quietsleep.site.words import Sign

ORDER = {"reject": 0, "alert": 1, "flag": 2}
OBTAINED = {
    "printed": "limit as printed there",
    "from memory": "limit written from memory of it",
    "common practice": "limit from common practice",
    "study proposal": "limit proposed by this study",
}


class Fault(NamedTuple):
    """One rule that an item does not meet, or that could not be asked of it."""

    rule: str
    name: str
    quantity: str
    state: str
    sign: Sign
    severity: str
    does: str
    sentence: str
    observed: str
    limit: str
    remedy: str
    source: str
    waived: str

    @property
    def rejects(self) -> bool:
        """Say whether this is what keeps the item from being accepted."""
        return self.severity == "reject" and self.state in ("fail", "not_judged")


class Advice(NamedTuple):
    """What to do next time, and how often the rules behind it were not met."""

    remedy: str
    rules: tuple[str, ...]
    n_items: int


def faults_of(data: CentreData, kind: str, item: str) -> tuple[Fault, ...]:
    """Return what one item does not meet: rejecting rules first, then alerts, then flags."""
    rows = data.faults.get((kind, item), [])
    found = [_fault(data, row) for row in rows if row["state"] != "not_applicable"]
    return tuple(sorted(found, key=lambda f: (f.state == "waived", ORDER.get(f.severity, 3))))


def _fault(data: CentreData, row: Row) -> Fault:
    rule = data.night.rule(row["rule"])
    waiver = data.waivers.get(row["waiver"] or "")
    return Fault(
        rule=row["rule"],
        name=words.rule_name(row["rule"]),
        quantity=row["quantity"],
        state=row["state"],
        sign=words.VERDICT[row["state"]],
        severity=row["severity"],
        does=words.SEVERITY.get(row["severity"], ""),
        sentence=row["sentence"] or "",
        observed=observed(row),
        limit=limit_of(row, rule),
        remedy=rule.get("remedy") or "",
        source=source_of(data.night, rule),
        waived=f"{waiver['waiver']}: {waiver['reason']}" if waiver else row["waiver"] or "",
    )


def observed(verdict: Row) -> str:
    """Show what was observed, by its label where the contract gives the number a word."""
    value = verdict["observed"]
    return _label(verdict, value) or words.quantity(
        value, verdict["unit"], verdict["limit_low"], verdict["limit_high"]
    )


def limit_of(verdict: Row, rule: Row) -> str:
    """Show the limit that a verdict was given by."""
    low, high = verdict["limit_low"], verdict["limit_high"]
    if verdict["operator"] == "equals":
        return _label(verdict, low) or words.limit("equals", low, high, verdict["unit"])
    return words.limit(verdict["operator"], low, high, verdict["unit"])


def _label(verdict: Row, value: float | None) -> str:
    if words.missing(value):
        return ""
    key = (verdict["technique"], verdict["item_kind"], verdict["quantity"])
    quantity = contract.QUANTITIES.get(key)
    return quantity.labels.get(f"{value:g}", "") if quantity else ""


def source_of(night: PublishedNight, rule: Row) -> str:
    """Say where a rule comes from, and how its limit was obtained."""
    if not rule:
        return ""
    citation = night.citations.get(rule["source"], rule["source"] or "")
    how = OBTAINED.get(rule["obtained"], rule["obtained"] or "")
    if words.plain(rule["source"] or "") == rule["obtained"] or not how:
        return citation
    return f"{citation} ({how})" if citation else how


def advice(groups: Iterable[Sequence[Fault]]) -> list[Advice]:
    """Gather what to do next time, what would have saved most items first."""
    rules: dict[str, dict[str, None]] = {}
    items: dict[str, int] = {}
    for faults in groups:
        here = [f for f in faults if f.remedy and f.state in ("fail", "not_judged")]
        for remedy in dict.fromkeys(f.remedy for f in here if f.rejects):
            items[remedy] = items.get(remedy, 0) + 1
        for fault in here:
            items.setdefault(fault.remedy, 0)
            rules.setdefault(fault.remedy, {})[fault.name] = None
    ordered = sorted(items.items(), key=lambda pair: -pair[1])
    return [Advice(remedy, tuple(rules[remedy]), n) for remedy, n in ordered]


def technique_title(key: str) -> str:
    """Return the contract's title of a technique, check or the visit."""
    if key == contract.SESSION.key:
        return "The visit"
    spec = contract.TECHNIQUES.get(key) or contract.CHECKS.get(key)
    return str(spec.title) if spec else words.plain(key).capitalize()
