"""Which slip of unit or sign would bring a number back to where the number of an infant can be.

A number that no infant can have is most often an export in another unit than the registered one.
The rule says with which power of each channel its quantity goes, the device says in which unit each
channel is registered, and what is left is arithmetic. Nothing is corrected here: a slip is named.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from math import inf, isfinite, log

import numpy as np

from quietsleep import contract
from quietsleep.contract import Rule
from quietsleep.contract.units import factor, show_unit
from quietsleep.judge.limits import show_beyond, within
from quietsleep.study.devices import FLOW, Device, GasState

# The units in which devices write flow and pressure, by kind of signal.
FAMILIES: Mapping[str, tuple[str, ...]] = {
    "flow": ("mL/s", "L/s", "L/min"),
    "pressure": ("kPa", "cm[H2O]", "Pa"),
}
# Units nearer to each other than this (mbar and cmH2O) explain no number that cannot be.
_LEAST_RATIO = 1.2
_MOST_NAMED = 2
# How the part of a sentence begins that names slips.
LIKELY = "Likely slip:"
# Which quantity says that flow runs the other way, and what is added to what then fails with it.
POLARITY, TURNED = "flow_polarity", 0.0
TURNED_FIRST = (
    " Flow seems to run against its registered direction, which alone may do this: have the "
    "registered sign looked at before anything is changed at mask or shutter."
)
GAS_WORDS: Mapping[GasState, str] = {
    "measured": "flow is registered as at the flow head; if the export is at BTPS already, "
    "it would be about {number}",
    "btps": "flow is registered as at BTPS; if the export is as at the flow head, "
    "it would be about {number}",
}


@dataclass(frozen=True, slots=True)
class Registered:
    """What is registered of the device behind a number: the unit of each channel, and the gas.

    `btps` is the volume at BTPS over that at the flow head in the room of the session; NaN where it
    is not known.
    """

    units: Mapping[str, str] = field(default_factory=dict)
    gas_state: GasState | None = None
    btps: float = math.nan

    def unit(self, channel: str) -> str:
        """Return the unit of a channel, the pipeline's own where no device is known."""
        return self.units.get(channel) or contract.SIGNALS[channel].unit


@dataclass(frozen=True, slots=True)
class UnitSlip:
    """One slip: the channel, the number without it, and what its file may hold.

    `meant` is a unit, "sign" where the sign is turned, or "gas" where the gas is another.
    """

    channel: str
    meant: str
    value: float


def registered_of(device: Device | None, *, btps: float = math.nan) -> Registered:
    """Return what is registered of a device; nothing where there is none."""
    if device is None:
        return Registered()
    units = {mapped.channel: mapped.unit for mapped in device.channels}
    return Registered(units, device.gas_state, btps)


def likely_slips(
    observed: float,
    *,
    low: float | None,
    high: float | None,
    scales_with: Mapping[str, float],
    registered: Registered,
    part: float | None = None,
) -> tuple[UnitSlip, ...]:
    """Return the slips that would bring a number inside [low, high], the likeliest first.

    `scales_with` maps a channel to the power with which the number, or `part` of it, goes with it.
    If the file holds unit W where U is registered, the number without the slip is
    ``observed + part * (factor(W -> U) ** power - 1)``; with the sign of a channel of odd power
    turned it is ``observed - 2 * part``. Likeliest is what comes nearest to the middle of the range
    on a scale of ratios; where the range is open, what changes the number least. Empty for a number
    inside, and for NaN.
    """
    if not isfinite(observed) or within(np.array(observed), low, high):
        return ()
    part = observed if part is None else part
    found: list[UnitSlip] = []
    for channel, power in scales_with.items():
        unit = registered.unit(channel)
        for other in FAMILIES.get(contract.SIGNALS[channel].kind, ()):
            ratio = _ratio(other, unit)
            if abs(log(ratio)) > log(_LEAST_RATIO):
                found.append(UnitSlip(channel, other, observed + part * (ratio**power - 1.0)))
        if part < 0 and power % 2:
            found.append(UnitSlip(channel, "sign", observed - 2.0 * part))
        if channel == FLOW and registered.gas_state is not None:
            ratio = registered.btps if registered.gas_state == "btps" else 1.0 / registered.btps
            found.append(UnitSlip(channel, "gas", observed + part * (ratio**power - 1.0)))
    inside = [slip for slip in found if within(np.array(slip.value), low, high)]
    return tuple(sorted(inside, key=lambda slip: _distance(slip.value, observed, low, high)))


def say_turned(rule: Rule, observed: float, polarity: float) -> str:
    """Say what to look at first where a trial fails a rule with flow that is turned; else nothing.

    Only where the rule on the direction of flow does not reject the trial by itself: there it is
    overread, and what is said of the mask is believed. What the row of a recording or its samples
    say does not hang on the direction.
    """
    if rule.level != "trial" or rule.severity != "reject" or polarity != TURNED:
        return ""
    spec = contract.TECHNIQUES.get(rule.owner)
    signs = [r.severity for r in spec.rules if r.quantity == POLARITY] if spec else []
    if signs != ["flag"]:
        return ""
    is_read_from_flow = isfinite(observed) and rule.quantity not in _common_quantities()
    return TURNED_FIRST if is_read_from_flow else ""


@cache
def _common_quantities() -> frozenset[str]:
    """Quantities of trials that every technique has: none of them is read from flow but one."""
    names = [
        {name for owner, level, name in contract.QUANTITIES if (owner, level) == (each, "trial")}
        for each in contract.TECHNIQUES
    ]
    return frozenset(set.intersection(*names))


@cache
def _ratio(other: str, unit: str) -> float:
    return factor(other, unit)


def _distance(value: float, observed: float, low: float | None, high: float | None) -> float:
    """Say how far a number lies from the middle of its range, or from what was observed."""
    if value <= 0:
        return inf
    if low is not None and high is not None and low > 0:
        return abs(log(value) - 0.5 * (log(low) + log(high)))
    return abs(log(value / abs(observed))) if observed else inf


def say_slips(slips: tuple[UnitSlip, ...], registered: Registered, *, unit: str) -> str:
    """Put the likeliest slips into a sentence; an empty text where there is none."""
    said = []
    for slip in slips[:_MOST_NAMED]:
        title = contract.SIGNALS[slip.channel].title.lower()
        number = f"{show_beyond(slip.value)} {show_unit(unit)}".strip()
        if slip.meant == "sign":
            said.append(f"with the sign of {title} turned it would be about {number}")
        elif slip.meant == "gas":
            said.append(GAS_WORDS[registered.gas_state or "measured"].format(number=number))
        else:
            own, other = show_unit(registered.unit(slip.channel)), show_unit(slip.meant)
            said.append(
                f"{title} is registered in {own}; if the file holds {other}, "
                f"it would be about {number}"
            )
    return f" {LIKELY} {', or '.join(said)}." if said else ""
