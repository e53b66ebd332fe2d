"""What an export would come to by the entry that is proposed for it, and whether an infant's can.

Measured by the techniques and judged by the rules of a night; nothing is stored.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date

import numpy as np

from quietsleep import contract
from quietsleep.contract import Rule
from quietsleep.contract.units import show_unit
from quietsleep.judge.analysis import Analysis, judge_recording
from quietsleep.judge.limits import show_beyond, within
from quietsleep.judge.slips import UnitSlip, likely_slips, registered_of
from quietsleep.measure.single import measure_single
from quietsleep.night.device.propose import ROOM, Proposal, possible_volume_ml
from quietsleep.study.devices import FLOW, Device

TIDAL = "tidal"
# What is shown of every recording, besides what has a limit of what is possible.
_SHOWN = ("vt_ml", "rr_per_min", "ptef_ml_s", "ti_s", "te_s", "tptef_te")
POSSIBLE = "possible_"


@dataclass(frozen=True, slots=True)
class TriedNumber:
    """One number that was measured: its name and unit as people write them, and a judgement.

    `is_possible` is None where nothing judges it.
    """

    technique: str
    quantity: str
    title: str
    value: float
    unit: str
    is_possible: bool | None
    judgement: str

    def __str__(self) -> str:
        """The line as it is read out: "VT 8.2 mL/kg: as in an infant"."""
        number = f"{self.title} {_shown(self.value)} {self.unit}".rstrip()
        return f"{number}: {self.judgement}" if self.judgement else number


@dataclass(frozen=True, slots=True)
class TriedEntry:
    """What an export would come to. `sentences` say what stood in the way of a technique."""

    lines: tuple[TriedNumber, ...]
    sentences: tuple[str, ...]

    @property
    def is_possible(self) -> bool:
        """Whether no number is one that no infant can have."""
        return all(line.is_possible is not False for line in self.lines)

    def value(self, quantity: str, technique: str = TIDAL) -> float:
        """Return one number; NaN where it was not measured."""
        found = (v.value for v in self.lines if (v.technique, v.quantity) == (technique, quantity))
        return next(found, math.nan)


def try_entry(proposal: Proposal, *, weight_kg: float = math.nan) -> TriedEntry:
    """Measure an export by the entry proposed for it, with each technique that finds something."""
    device = proposal.device
    channels = {c.channel for c in device.channels}
    lines: list[TriedNumber] = []
    sentences: list[str] = []
    for technique in (TIDAL, *(name for name in contract.TECHNIQUES if name != TIDAL)):
        spec = contract.TECHNIQUES[technique]
        if not {*spec.channels} <= channels:
            continue
        analysis = _analysis(proposal, technique, weight_kg)
        found = list(_lines(analysis, device, weight_kg))
        if technique != TIDAL and not (analysis.state == "measured" and found):
            continue
        lines += found
        if analysis.state != "measured":
            sentences.append(f"{spec.title}: {analysis.sentence}")
    return TriedEntry(tuple(lines), tuple(sentences))


def _analysis(proposal: Proposal, technique: str, weight_kg: float) -> Analysis:
    said: dict[str, float] = dict(ROOM)
    if weight_kg > 0:
        said["weight_kg"] = weight_kg
    measured = measure_single(
        proposal.export.path, technique, device=proposal.device, rate_hz=None, context=said
    )
    return judge_recording(
        measured,
        technique=technique,
        on=date.today(),
        said=said,
        registered=registered_of(proposal.device),
    )


def _lines(analysis: Analysis, device: Device, weight_kg: float) -> Iterator[TriedNumber]:
    """Medians over the trials: what has a limit of what is possible, and what is always shown."""
    spec = contract.TECHNIQUES[analysis.technique]
    rows = analysis.quantities
    medians: Mapping[str, float] = {
        str(name): float(group.median())
        for name, group in rows[rows["item"] != "test"].groupby("quantity")["value"]
    }
    rules = {rule.quantity: rule for rule in spec.rules if rule.name.startswith(POSSIBLE)}
    names = [*rules, *(_SHOWN if analysis.technique == TIDAL else ())]
    for name in dict.fromkeys(names):
        value = medians.get(name, math.nan)
        if math.isnan(value):
            continue
        possible, judgement = None, ""
        if name in rules:
            possible, judgement = _judged(rules[name], value, device)
        elif name == "vt_ml" and not weight_kg > 0:
            possible, judgement = _judged_volume(value, device)
        yield _line(analysis.technique, name, value, possible, judgement)


def _line(
    technique: str, name: str, value: float, possible: bool | None, judgement: str
) -> TriedNumber:
    quantity = contract.QUANTITIES[(technique, "trial", name)]
    title = _title(technique, name)
    return TriedNumber(technique, name, title, value, show_unit(quantity.unit), possible, judgement)


def _title(technique: str, name: str) -> str:
    """Name a quantity as the trade does: "VT", "RR"."""
    spec = contract.TECHNIQUES[technique]
    terms = dict(spec.terms)
    words = [terms.get(part, "") for part in name.split("_")]
    said = [word for word in words if word]
    return "/".join(said) if said else name.replace("_", " ")


def _judged(rule: Rule, value: float, device: Device) -> tuple[bool, str]:
    if within(np.array(value), rule.low, rule.high):
        return True, "as in an infant"
    slips = likely_slips(
        value,
        low=rule.low,
        high=rule.high,
        scales_with=dict(rule.scales_with),
        registered=registered_of(device),
    )
    limit = " to ".join(f"{n:g}" for n in (rule.low, rule.high) if n is not None)
    return False, f"no infant has that (possible is {limit}); {_slip(slips, device)}"


def _judged_volume(value: float, device: Device) -> tuple[bool, str]:
    """Judge a tidal volume without a weight: by what is possible at any weight of an infant."""
    low, high = possible_volume_ml(math.nan)
    if within(np.array(value), low, high):
        return True, "possible in an infant; give --weight-kg to judge it per kg"
    slips = likely_slips(
        value, low=low, high=high, scales_with={FLOW: 1.0}, registered=registered_of(device)
    )
    return False, f"no infant has that (possible is {low:g} to {high:g}); {_slip(slips, device)}"


def _slip(slips: tuple[UnitSlip, ...], device: Device) -> str:
    if not slips:
        return "look at unit, gain and weight"
    slip = slips[0]
    title = contract.SIGNALS[slip.channel].title.lower()
    if slip.meant == "sign":
        return f"the sign of {title} is probably turned"
    if slip.meant == "gas":
        return f"{title} is probably not in the gas state that is registered"
    own = show_unit(registered_of(device).unit(slip.channel))
    return f"the unit of {title} is probably {show_unit(slip.meant)} and not {own}"


def _shown(value: float) -> str:
    """Show a number with three digits, thousands set apart."""
    text = show_beyond(value)
    return f"{float(text):,.0f}" if abs(value) >= 1000 else text
