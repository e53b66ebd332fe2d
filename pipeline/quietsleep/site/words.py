"""How values are put into words on a page: numbers, units, limits, times, statuses."""

from __future__ import annotations

import math
import re
from datetime import datetime
from decimal import Decimal
from typing import Any, NamedTuple

from quietsleep.judge.rules import show_beyond, show_unit

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
    "flagged": Sign("◆", "Flagged", "watch"),
    "alert": Sign("✚", "Alert", "act"),
    "green": Sign("●", "Green", "good"),
    "amber": Sign("◆", "Amber", "watch"),
    "red": Sign("▲", "Red", "act"),
    "delivered": Sign("●", "Delivered", "good"),
    "late": Sign("◆", "Late", "watch"),
    "nothing": Sign("○", "Nothing delivered yet", "quiet"),
}

VERDICT = {
    "fail": Sign("▲", "Not met", "act"),
    "not_judged": Sign("◇", "Not judged", "watch"),
    "waived": Sign("○", "Waived", "quiet"),
    "not_applicable": Sign("○", "Does not apply", "quiet"),
    "pass": Sign("●", "Met", "good"),
}

# Sorts before every month; stands for tests whose visit has no readable date.
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


def sign(status: str | None) -> Sign:
    """Return the sign of a status; an unknown one is shown by its own name."""
    name = status or ""
    return STATUS.get(name) or Sign("○", plain(name) or "Unknown", "quiet")


# Trade terms as the trade writes them; everything else in a key is plain lower case.
_TRADE = {
    "eel": "EEL", "cv": "CV", "sd": "SD", "rr": "RR", "vt": "VT", "fvc": "FVC", "frc": "FRC",
    "tgv": "TGV", "crs": "Crs", "rrs": "Rrs", "ti": "tI", "te": "tE", "ttot": "tTOT", "r2": "r²",
    "tptef": "tPTEF", "vptef": "VPTEF", "ptef": "PTEF", "ve": "VE", "btps": "BTPS", "spo2": "SpO₂",
    "vmaxfrc": "V'maxFRC", "fev0": "FEV0", "fev": "FEV", "fef25": "FEF25", "fef50": "FEF50",
    "fef75": "FEF75", "fef85": "FEF85", "n": "number of",
}  # fmt: skip
_DECIMAL = re.compile(r"(?<=\d) (?=\d)")


def plain(name: str) -> str:
    """Turn a contract key such as ``plateau_long_enough`` or ``eel_sd`` into words."""
    if "_" not in name and name not in _TRADE:
        return name
    words = " ".join(_TRADE.get(word, word) for word in name.split("_") if word)
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


def count(n: int, one: str, many: str = "") -> str:
    """Return ``1 test`` or ``3 tests``."""
    return f"{n} {one if n == 1 else many or one + 's'}"


def moment(at: datetime | None) -> str:
    """Show a time as ``12 Mar 2026, 09:40`` (UTC, as every page says in its foot)."""
    return at.strftime("%-d %b %Y, %H:%M") if at else "–"


def day(at: datetime | None) -> str:
    """Show a date as ``12 Mar 2026``."""
    return at.strftime("%-d %b %Y") if at else "–"


def month(at: datetime | None) -> str:
    """Return the month of a time as ``2026-03``, the key by which months are counted."""
    return at.strftime("%Y-%m") if at else UNDATED


def month_words(key: str) -> str:
    """Turn ``2026-03`` into ``Mar 2026``."""
    if key == UNDATED:
        return "No date"
    return datetime.strptime(key, "%Y-%m").strftime("%b %Y")
