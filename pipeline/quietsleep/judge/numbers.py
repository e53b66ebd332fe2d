"""Which numbers can be computed with: one rule for every score and every statistic.

Squares of usable numbers, sums and quotients of these, and their squares again, are numbers too;
what is larger or nearer to 0 is left out like what is missing.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import isfinite, nan
from typing import Any

import numpy as np

from quietsleep.records import BoolArray, FloatArray

# No quantity of an infant or a device comes near, in any unit.
LARGEST, SMALLEST = 1e30, 1e-30
NOT_COMPUTED = "What was computed of these values is no number: they are too far apart."


def usable(values: FloatArray) -> BoolArray:
    """Say which values can be computed with; shape as given."""
    size = np.abs(values)
    found: BoolArray = (size == 0) | ((size >= SMALLEST) & (size < LARGEST))
    return found


def usable_in_sql(column: str) -> str:
    """Return the condition of a statement that says of a column what `usable` says of values."""
    return f"({column} = 0 OR (abs({column}) >= {SMALLEST:g} AND abs({column}) < {LARGEST:g}))"


def only_usable(values: FloatArray) -> FloatArray:
    """Return the values with NaN in the place of what cannot be computed with; shape as given."""
    return np.where(usable(values), values, nan)


def usable_or_nan(value: Any) -> float:
    """Return a number, or NaN for none and for what cannot be computed with."""
    try:
        number = nan if value is None else float(value)
    except (TypeError, ValueError):  # such as a missing value of pandas
        return nan
    return number if number == 0 or SMALLEST <= abs(number) < LARGEST else nan


def quotient(numerator: float, denominator: float) -> float:
    """Divide; NaN where there is nothing to divide by, or what comes of it is no number."""
    if not denominator:
        return nan
    found = numerator / denominator
    return found if isfinite(found) else nan


def only_finite(row: Mapping[str, Any]) -> dict[str, Any]:
    """Return a row of statistics in which every number that is not finite is missing.

    `why` says so where it says nothing else.
    """
    found = {
        name: nan if isinstance(value, float) and not isfinite(value) else value
        for name, value in row.items()
    }
    infinite = any(
        isinstance(value, float) and abs(value) == float("inf") for value in row.values()
    )
    return {**found, "why": found.get("why") or NOT_COMPUTED} if infinite else found
