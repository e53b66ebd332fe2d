"""Which column is which channel, and in which unit: as its name, its heading or its unit says."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from quietsleep import contract
from quietsleep.contract.unit_words import any_unit_of_word

TIME, FOLLOWS = "time", "follows from others"
# How sure something is that is proposed.
IN_FILE = "stands in the file"
BY_SIZE = "by its size"
BY_BREATHS = "by the shape of breaths"
BY_OCCLUSIONS = "by the occlusions"
BY_SQUEEZES = "by the squeezes"
TOLD = "as you said"
NOT_KNOWN = "not known: ask"
# Parts of names, without case, as laboratories write them. The first that fits counts, so what is
# said more exactly stands first. No product is meant: these are words of the trade.
_NAMES: tuple[tuple[str, str], ...] = (
    (TIME, r"time|zeit|uhrzeit|temps|tiempo|tempo|tid|t|clock|elapsed|datetime|timestamp"),
    ("jacket_pressure", r"p?_?jacket|pj|p_j|jacketpressure|pjack|weste|westendruck|vest|bladder|"
     r"cuffpressure|squeezepressure"),
    (FOLLOWS, r"boxvol(ume)?|vbox|v_box|box_?v|plethvolume|shiftvolume|boxshift"),
    ("box_pressure", r"p?_?box|pb|p_b|boxpressure|pbox|plethpressure|pleth|ppleth|kabine|"
     r"kabinendruck|cabinpressure|chamberpressure"),
    ("airway_pressure", r"pao|p_ao|paw|p_aw|pm|pmo|pmouth|mouth|mouthpressure|airway(opening)?"
     r"(pressure)?|munddruck|atemwegsdruck|pmask|maskpressure|mask|pression|occlusionpressure|"
     r"pressureao|aop"),
    ("spo2", r"spo2|sao2|sat|saturation|oxygensaturation|o2sat"),
    ("heart_rate", r"hr|heartrate|pulse|pulserate|puls|herzfrequenz|pr"),
    (FOLLOWS, r"v|vol|volume|volumen|tidalvolume|vt|vol_?raw"),
    ("flow", r"flow|airflow|flowrate|fluss|atemfluss|debit|débit|flujo|flusso|vdot|v'|v_dot|pnt|"
     r"pneumotach|flowao|mouthflow|maskflow"),
)  # fmt: skip
_IN_BRACKETS = re.compile(r"[\[({]([^\])}]*)[\])}]")
_UNIT_AFTER = (
    r"^(.*?)\s+in\s+(\S+)$",
    r"^(.*?)[\s_,:-]+([^\s_,:-]+(?:[_/][^\s_,:-]+)?)$",
    r"^(.*?)\s*/\s*(\S+)$",
)
_NOISE = re.compile(r"[^a-z0-9'_éµ]+")
_FILLERS = ("channel", "kanal", "signal", "raw", "cal", "calibrated", "data", "ch", "ai", "in")
# Words that say that a column counts samples and tells no time.
_COUNTERS = re.compile(r"(sample|index|no|nr|number|row|counter|count|#|n|i)s?", re.I)


@dataclass(frozen=True, slots=True)
class NamedColumn:
    """What a heading says of a column: its channel, "" where it does not; and its unit.

    `unit` is a UCUM code, `word` how it is written. `is_exact` says that the name is the channel's
    and no other word stands beside it.
    """

    column: str
    channel: str = ""
    unit: str = ""
    word: str = ""


def named_column(column: str, unit_word: str = "") -> NamedColumn:
    """Say what the name of a column and the unit beside it tell."""
    name, word = _split_unit(column)
    word = unit_word.strip() or word
    unit = any_unit_of_word(word) or ""
    return NamedColumn(column, _channel_of(name) or "", unit, word)


def _split_unit(column: str) -> tuple[str, str]:
    """Set the name of a column apart from the unit in it: brackets, or what follows / or _ ."""
    inside = _IN_BRACKETS.findall(column)
    for words in reversed(inside):
        if any_unit_of_word(words):
            return _IN_BRACKETS.sub(" ", column), words
    for pattern in _UNIT_AFTER:
        found = re.match(pattern, column)
        if found:
            word = found[2].replace("_", "/")
            if any_unit_of_word(word) and found[1]:
                return found[1], word
    halves = column.rsplit("_", 2)
    if len(halves) == 3 and any_unit_of_word(f"{halves[1]}/{halves[2]}"):
        return halves[0], f"{halves[1]}/{halves[2]}"
    return _IN_BRACKETS.sub(" ", column) if len(inside) else column, ""


def _channel_of(name: str) -> str | None:
    folded = _NOISE.sub(" ", name.casefold()).strip()
    words = [w for w in re.split(r"[ _]+", folded) if w and w not in _FILLERS and not w.isdigit()]
    tried = [folded.replace(" ", ""), "".join(words), *words]
    for text in tried:
        bare = text.rstrip("0123456789") or text
        for channel, pattern in _NAMES:
            if re.fullmatch(pattern, text) or re.fullmatch(pattern, bare):
                return channel
    return None


def counts_samples(column: str) -> bool:
    """Whether the name of a column says that it counts and tells no time."""
    return _COUNTERS.fullmatch(_split_unit(column)[0].strip()) is not None


def kind_of_unit(unit: str) -> str:
    """Return the kind of signal that has a unit: flow, pressure, volume, time, or ""."""
    kinds = {
        "flow": ("mL/s", "L/s", "L/min", "mL/min"),
        "pressure": ("kPa", "Pa", "hPa", "mbar", "cm[H2O]", "mm[Hg]"),
        "volume": ("mL", "L"),
        "time": ("s", "ms"),
    }
    return next((kind for kind, units in kinds.items() if unit in units), "")


def assign(columns: Sequence[NamedColumn], told: Mapping[str, str]) -> dict[str, tuple[str, str]]:
    """Return channel -> (column, how sure) of columns that are not time, each at most once.

    `told` maps columns to channels as a person says. A column whose name says nothing is flow or
    airway pressure where its unit allows nothing else and no other column is it.
    """
    found: dict[str, tuple[str, str]] = {c: (name, TOLD) for name, c in told.items()}
    free = [c for c in columns if c.column not in told]
    recorded = {n for n, s in contract.SIGNALS.items() if s.kind != "derived"}
    for column in free:
        kind = kind_of_unit(column.unit)
        channel = column.channel
        if channel in recorded and channel not in found and kind in {"", _kind(channel)}:
            found[channel] = (column.column, IN_FILE)
    taken = {column for column, _ in found.values()}
    rest = [c for c in free if c.column not in taken and c.channel in {"", "pressure"}]
    for channel in ("flow", "airway_pressure"):
        alike = [c for c in rest if kind_of_unit(c.unit) == _kind(channel)]
        if channel not in found and len(alike) == 1:
            found[channel] = (alike[0].column, IN_FILE)
    return found


def _kind(channel: str) -> str:
    return contract.SIGNALS[channel].kind
