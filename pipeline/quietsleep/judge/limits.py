"""A limit asked of a number, and both in words: for judging, pages and the command line alike."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import Decimal

import numpy as np

from quietsleep import contract
from quietsleep.contract import Level, Rule
from quietsleep.contract.units import show_unit
from quietsleep.records import BoolArray, FloatArray


def within(value: FloatArray, low: float | None, high: float | None) -> BoolArray:
    """Say where `value` (n,) lies inside the limits, both inclusive; NaN is never inside."""
    inside = ~np.isnan(value)
    if low is not None:
        inside &= value >= low
    if high is not None:
        inside &= value <= high
    return inside


def say(rule: Rule, observed: float, *, unit: str, beside: Mapping[str, float]) -> str:
    """Put the observed value and the limit into the rule's sentence.

    `beside` holds the other quantities of the item that a sentence may name.
    """
    if np.isnan(observed):
        return rule.sentence_missing
    quantity = contract.QUANTITIES[(rule.owner, rule.level, rule.quantity)]
    shown = quantity.labels.get(f"{observed:g}") or show_beyond(observed, rule.low, rule.high)
    others = {name: show_beyond(number) for name, number in beside.items()}
    return rule.sentence.format(
        **others, observed=shown, limit=show_limit(rule), unit=show_unit(unit)
    )


def show_limit(rule: Rule) -> str:
    """Return the limit of a rule as text: one number, or "low to high"."""
    numbers = [n for n in (rule.low, rule.high) if n is not None]
    if rule.operator == "equals":
        quantity = contract.QUANTITIES[(rule.owner, rule.level, rule.quantity)]
        return quantity.labels.get(f"{numbers[0]:g}") or f"{numbers[0]:g}"
    return " to ".join(f"{n:g}" for n in numbers)


def name_fault(
    fault: str,
    observed: Sequence[float],
    *,
    low: float | None,
    high: float | None,
    unit: str,
    labelled: bool = False,
) -> str:
    """Name a fault with what was observed and the limit: leak 14 %, limit 5 %.

    Of several observed numbers the smallest and the largest are named. A quantity whose numbers
    have words (`labelled`) needs none of them, nor one that is missing (no `observed`).
    """
    if labelled or not observed:
        return fault
    shown = [show_beyond(n, low, high) for n in sorted({min(observed), max(observed)})]
    limits = [f"{n:g}" for n in (low, high) if n is not None]
    words = show_unit(unit)
    ending = f"\u00a0{words}" if words else ""
    between = " " if words else ": "
    told = f"limit {limits[0]}" if len(set(limits)) == 1 else f"limits {' to '.join(limits)}"
    return f"{fault}{between}{' to '.join(shown)}{ending}, {told}{ending}"


def has_labels(owner: str, level: Level, quantity: str) -> bool:
    """Say whether the numbers of a quantity stand for words."""
    found = contract.QUANTITIES.get((owner, level, quantity))
    return found is not None and bool(found.labels)


def show_beyond(value: float, *limits: float | None) -> str:
    """Show a number with three significant digits, more where rounding would hide its failure.

    A value of 10.04 against a limit of 10 is shown as 10.04, never as "10.0, at most 10".
    """
    for digits in range(3, 18):
        text = f"{value:.{digits}g}"
        if all(n is None or value == n or float(text) != n for n in limits):
            break
    return format(Decimal(text), "f") if "e" in text else text
