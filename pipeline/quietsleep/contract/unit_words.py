"""Units as devices and people write them, and the UCUM codes that they mean."""

from __future__ import annotations

import re
from collections.abc import Mapping

# Words without case, blanks, brackets and points, with "s" for sec and second: their UCUM codes.
# What is not here (volts, counts, an empty field) says nothing of the unit.
WORDS: Mapping[str, str] = {
    "kpa": "kPa",
    "pa": "Pa",
    "hpa": "hPa",
    "mbar": "mbar",
    "cmh2o": "cm[H2O]",
    "cmh20": "cm[H2O]",
    "cmwater": "cm[H2O]",
    "cmws": "cm[H2O]",
    "mmhg": "mm[Hg]",
    "torr": "mm[Hg]",
    "ml/s": "mL/s",
    "mls-1": "mL/s",
    "mlps": "mL/s",
    "l/s": "L/s",
    "ls-1": "L/s",
    "lps": "L/s",
    "l/min": "L/min",
    "lmin-1": "L/min",
    "lpm": "L/min",
    "ml/min": "mL/min",
}
_NOISE = re.compile(r"[\s\[\](){}.·*_^]")
# Units of what is no flow and no pressure, by the same rule.
OTHER_WORDS: Mapping[str, str] = {
    "s": "s",
    "sec": "s",
    "secs": "s",
    "second": "s",
    "seconds": "s",
    "ms": "ms",
    "msec": "ms",
    "millisecond": "ms",
    "milliseconds": "ms",
    "ml": "mL",
    "l": "L",
    "liter": "L",
    "litre": "L",
    "%": "%",
    "bpm": "/min",
    "/min": "/min",
}
_SUBSCRIPTS = str.maketrans("\N{SUBSCRIPT TWO}\N{SUPERSCRIPT MINUS}\N{SUPERSCRIPT ONE}", "2-1")
_SECONDS = re.compile(r"(?<=/)(seconds?|secs?)$")


def unit_of_word(word: str) -> str | None:
    """Return the UCUM code of a unit of flow or pressure as a header writes it; None if unknown."""
    return WORDS.get(_folded(word))


def any_unit_of_word(word: str) -> str | None:
    """Return the UCUM code of a unit of any signal, or of time; None if unknown."""
    return WORDS.get(_folded(word)) or OTHER_WORDS.get(_folded(word))


def _folded(word: str) -> str:
    bare = _NOISE.sub("", word.casefold()).translate(_SUBSCRIPTS)
    return _SECONDS.sub("s", bare)
