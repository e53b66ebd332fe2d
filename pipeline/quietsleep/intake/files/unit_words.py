"""Units as devices write them into headers, and whether they agree with what is registered."""

from __future__ import annotations

import re
from collections.abc import Mapping

from quietsleep.contract.units import factor
from quietsleep.errors import ContractError
from quietsleep.study.devices import ChannelMap

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
_SECONDS = re.compile(r"(?<=/)(seconds?|secs?)$")
# A gain that calibrates lies near 1; one that changes the unit does not.
_CALIBRATION = 2.0


def unit_of_word(word: str) -> str | None:
    """Return the UCUM code of a unit of flow or pressure as a header writes it; None if unknown."""
    return WORDS.get(_SECONDS.sub("s", _NOISE.sub("", word.casefold())))


def agrees(unit: str, mapped: ChannelMap) -> bool:
    """Say whether raw numbers in a unit come out right by what is registered of a channel.

    The registration multiplies them by its gain and takes them for its own unit. Another kind of
    number than the channel's (pressure for flow, behind a resistance) agrees with any gain but 1.
    """
    try:
        ratio = mapped.gain / factor(unit, mapped.unit)
    except ContractError:
        return mapped.gain != 1.0
    return 1.0 / _CALIBRATION < ratio < _CALIBRATION
