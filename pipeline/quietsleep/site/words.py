"""How values are put into words on a page: numbers, units, limits, times, statuses.

And how rules that were not met are: a sentence, what was observed, the limit, advice and source.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from datetime import date, datetime
from decimal import Decimal
from typing import Any, NamedTuple

from quietsleep import contract
from quietsleep.contract.model import fault_for, remedy_for
from quietsleep.contract.units import show_unit
from quietsleep.contract.wording import count as count  # noqa: PLC0414 - pages say it as words
from quietsleep.judge.limits import has_labels, name_fault, show_beyond
from quietsleep.site.read import CentreData, PublishedNight, Row

CAUTION = (
    "Research quality control, not a clinical report. Sedation and forced manoeuvres are for "
    "trained staff under local policy."
)


class Sign(NamedTuple):
    """A status as a reader meets it: a shape, a word and a tone (the tone never stands alone)."""

    shape: str
    word: str
    tone: str


STATUS = {
    "accepted": Sign("●", "Accepted", "good"),
    "rejected": Sign("▲", "Rejected", "act"),
    "not_judgeable": Sign("◇", "Not judgeable", "watch"),
    "quarantined": Sign("■", "Quarantined", "act"),
    "crashed": Sign("✖", "Crashed", "act"),
    "no_trial": Sign("○", "No trial found", "watch"),
    "measured": Sign("●", "Measured", "good"),
    "superseded": Sign("○", "Superseded", "quiet"),
    "arriving": Sign("○", "Still arriving", "quiet"),
    "gone": Sign("■", "Gone since", "act"),
    "flagged": Sign("◆", "Flagged", "watch"),
    "alert": Sign("✚", "Alert", "act"),
    "green": Sign("●", "Green", "good"),
    "amber": Sign("◆", "Amber", "watch"),
    "red": Sign("▲", "Red", "act"),
    "delivered": Sign("●", "Delivered", "good"),
    "late": Sign("◆", "Late", "watch"),
    "nothing": Sign("○", "Nothing delivered yet", "quiet"),
    "retired": Sign("○", "Has left the study", "quiet"),
}

VERDICT = {
    "fail": Sign("▲", "Not met", "act"),
    "not_judged": Sign("◇", "Not judged", "watch"),
    "waived": Sign("○", "Waived", "quiet"),
    "not_applicable": Sign("○", "Does not apply", "quiet"),
    "pass": Sign("●", "Met", "good"),
}

# Sorts before every month; stands for tests whose session has no readable date.
UNDATED = "0000-00"

SEVERITY = {"reject": "rejects", "flag": "flags", "alert": "raises an alert"}

# Characters that no reader can see, or that turn the reading direction, can hide what a delivered
# text says. They are shown by their code point instead.
_UNSEEN = re.compile(
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\u00ad\u061c\u200b-\u200f\u2028-\u202e\u2060-\u2069\ufeff"
    "\U000e0000-\U000e007f]"
)


def seen(text: str) -> str:
    """Return text with unseen and direction-turning characters written as [U+202E]."""
    if text.isascii() and text.isprintable():
        return text
    return _UNSEEN.sub(lambda m: f"[U+{ord(m.group()):04X}]", text)


def seen_lines(text: str) -> str:
    """Return text of several lines with nothing unseen in it."""
    return "\n".join(seen(line) for line in text.split("\n"))


def sign(status: str | None) -> Sign:
    """Return the sign of a status; an unknown one is shown by its own name."""
    name = status or ""
    return STATUS.get(name) or Sign("○", plain(name) or "Unknown", "quiet")


_DECIMAL = re.compile(r"(?<=\d) (?=\d)")


def plain(name: str) -> str:
    """Turn a contract key such as ``plateau_long_enough`` or ``eel_sd`` into words."""
    if "_" not in name and name not in contract.TERMS:
        return name
    words = " ".join(contract.TERMS.get(word, word) for word in name.split("_") if word)
    return _DECIMAL.sub(".", words) if "FEV" in words else words


def quantity_name(name: str, unit: str | None) -> str:
    """Return a quantity's key as words, without the unit that ends it."""
    ending = "_" + (unit or "1").replace("%", "pct").lower().replace("/", "_").replace(".", "_")
    for known in (ending, ending.replace("__", "_per_"), ending.replace("_cel", "_c")):
        if name.endswith(known):
            return plain(name.removesuffix(known))
    return plain(name)


def rule_name(rule: str) -> str:
    """Return the words of a rule key without its owner."""
    return plain(rule.rpartition(".")[2])


def missing(value: Any) -> bool:
    """Say whether a value from the warehouse is NULL or NaN."""
    return value is None or (isinstance(value, float) and math.isnan(value))


def number(value: Any, digits: int = 4) -> str:
    """Show a number with a few significant digits and no exponent; a dash when it is missing."""
    if missing(value):
        return "–"
    if isinstance(value, int):
        return str(value)
    text = f"{value:.{digits}g}"
    return f"{Decimal(text):f}" if "e" in text else text


def quantity(value: Any, unit: str | None, *limits: float | None) -> str:
    """Show a number with its unit, never rounded onto a limit that it misses."""
    if missing(value):
        return "not measured"
    shown = show_beyond(float(value), *(n for n in limits if not missing(n)))
    return with_unit(shown, unit)


def with_unit(shown: str, unit: str | None) -> str:
    """Put a unit behind a number that is already text."""
    words = show_unit(unit or "1")
    return f"{shown}\u00a0{words}" if words else shown


def measured(value: Any, unit: str | None) -> str:
    """Show a result with its unit; a dash where there is none."""
    return "–" if missing(value) else with_unit(number(value), unit)


def z_score(outcome: Row) -> str:
    """Show the z-score of an outcome; a dash where there is none."""
    return "–" if missing(outcome["z"]) else f"{outcome['z']:+.2f}"


def spread(outcome: Row) -> str:
    """Show the coefficient of variation of an outcome; of one trial it is no number."""
    return number(outcome["cv_pct"], 3) if (outcome["n_trials"] or 0) > 1 else "–"


def limit(operator: str, low: Any, high: Any, unit: str | None) -> str:
    """Say a limit in words: at least 0.1 s, at most 10 %, 2.7 to 3.3 kPa, exactly 1."""
    if operator == "at_least":
        return "at least " + with_unit(number(low), unit)
    if operator == "at_most":
        return "at most " + with_unit(number(high), unit)
    if operator == "between":
        return with_unit(f"{number(low)} to {number(high)}", unit)
    return "exactly " + with_unit(number(low), unit)


def share(part: int, whole: int) -> str:
    """Show a share as whole percent; a dash when there is nothing to share."""
    return f"{100 * part / whole:.0f} %" if whole else "–"


def moment(at: datetime | None) -> str:
    """Show a time as ``12 Mar 2026, 09:40`` (UTC, as every page says in its foot)."""
    return at.strftime("%-d %b %Y, %H:%M") if at else "–"


def day(at: date | None) -> str:
    """Show a date as ``12 Mar 2026``."""
    return at.strftime("%-d %b %Y") if at else "–"


def month(at: date | None) -> str:
    """Return the month of a day as ``2026-03``, the key by which months are counted."""
    return at.strftime("%Y-%m") if at else UNDATED


def month_words(key: str) -> str:
    """Turn ``2026-03`` into ``Mar 2026``."""
    if key == UNDATED:
        return "No date"
    return datetime.strptime(key, "%Y-%m").strftime("%b %Y")


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
    return tuple(_fault(data, row) for row in faulty_verdicts(data, kind, item))


def faulty_verdicts(data: CentreData, kind: str, item: str) -> list[Row]:
    """Return the verdicts behind the faults of one item, in their order."""
    rows = [r for r in data.faults.get((kind, item), []) if r["state"] != "not_applicable"]
    return sorted(rows, key=lambda r: (r["state"] == "waived", ORDER.get(r["severity"], 3)))


def _fault(data: CentreData, row: Row) -> Fault:
    rule = data.rule_behind(row)
    waiver = data.waivers.get(row["waiver"] or "")
    return Fault(
        rule=row["rule"],
        name=fault_of(rule, row),
        quantity=row["quantity"],
        state=row["state"],
        sign=VERDICT[row["state"]],
        severity=row["severity"],
        does=SEVERITY.get(row["severity"], ""),
        sentence=row["sentence"] or "",
        observed=observed(row),
        limit=limit_of(row),
        remedy=remedy_of(rule, row),
        source=cited(data.night, rule),
        waived=f"{waiver['waiver']}: {waiver['reason']}" if waiver else row["waiver"] or "",
    )


def fault_of(rule: Row, verdict: Row) -> str:
    """Name what a verdict finds wrong, never by the name of the rule, which may be its opposite."""
    if not rule:
        return rule_name(verdict["rule"])
    is_missing = missing(verdict["observed"])
    return fault_for(rule["fault"], rule["fault_missing"], is_missing=is_missing)


def reason_of(rule: Row, verdicts: Sequence[Row]) -> str:
    """Name the fault of verdicts that one rule gave, with what was observed: leak 14 %, limit 5 %.

    Of several trials the smallest and the largest number are named, and how many they are.
    """
    found = [v for v in verdicts if not missing(v["observed"])]
    first = (found or [*verdicts])[0]
    low, high = (None if missing(first[n]) else first[n] for n in ("limit_low", "limit_high"))
    said = name_fault(
        fault_of(rule, first),
        [v["observed"] for v in found],
        low=low,
        high=high,
        unit=first["unit"] or "1",
        labelled=has_labels(first["technique"], first["item_kind"], first["quantity"]),
    )
    return said if len(verdicts) == 1 else f"{said} ({len(verdicts)} {first['item_kind']}s)"


def remedy_of(rule: Row, verdict: Row) -> str:
    """Return what to do about a verdict."""
    usual, instead = rule.get("remedy") or "", rule.get("remedy_missing")
    return remedy_for(usual, instead, is_missing=missing(verdict["observed"]))


def observed(verdict: Row) -> str:
    """Show what was observed, by its label where the contract gives the number a word."""
    value = verdict["observed"]
    return _label(verdict, value) or quantity(
        value, verdict["unit"], verdict["limit_low"], verdict["limit_high"]
    )


def limit_of(verdict: Row) -> str:
    """Show the limit that a verdict was given by."""
    low, high = verdict["limit_low"], verdict["limit_high"]
    if verdict["operator"] == "equals":
        return _label(verdict, low) or limit("equals", low, high, verdict["unit"])
    return limit(verdict["operator"], low, high, verdict["unit"])


def _label(verdict: Row, value: float | None) -> str:
    if missing(value):
        return ""
    key = (verdict["technique"], verdict["item_kind"], verdict["quantity"])
    quantity = contract.QUANTITIES.get(key)
    return quantity.labels.get(f"{value:g}", "") if quantity else ""


def cited(night: PublishedNight, rule: Row) -> str:
    """Say where a rule comes from, and who changed its limit in this study.

    How a limit was obtained stands on the rule book: whoever measures has no use for it.
    """
    if not rule:
        return ""
    citation = night.citations.get(rule["source"], rule["source"] or "")
    if not rule["changed_by"]:
        return citation
    said = f"limit in force from {day(rule['valid_from'])}, changed by {rule['changed_by']}"
    return f"{citation}; {said}" if citation else said


def source_of(night: PublishedNight, rule: Row) -> str:
    """Say where a rule comes from, and how its limit was obtained."""
    if not rule:
        return ""
    citation = night.citations.get(rule["source"], rule["source"] or "")
    how = OBTAINED.get(rule["obtained"], rule["obtained"] or "")
    if plain(rule["source"] or "") == rule["obtained"] or not how:
        return citation
    return f"{citation} ({how})" if citation else how


def night_said(night: PublishedNight) -> str:
    """Say which night this is and how it ended."""
    row = night.night
    ended = sign(row["state"]).word.lower() if row["state"] else "unknown"
    return f"Night {row['night']}, {moment(row['started_at'])}, ended {ended}"


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
    """Return the contract's title of a technique, check or the session."""
    if key == contract.SESSION.key:
        return "The session"
    spec = contract.TECHNIQUES.get(key) or contract.CHECKS.get(key)
    return str(spec.title) if spec else plain(key).capitalize()
