"""How many infants a planned comparison of two groups needs, by the spread that this study has.

A table for the usual questions (half an SD or one, 80 or 90 % power), and `infants_per_group` for
any other.

Sources: variance components of unbalanced groups, Searle SR, Casella G, McCulloch CE. Variance
components. New York: Wiley; 1992. Design effect: Donner A, Klar N. Design and analysis of cluster
randomization trials in health research. London: Arnold; 2000; centres of unequal size weighted by
it: Eldridge SM, Ashby D, Kerry S. Int J Epidemiol 2006;35:1292-1300. Number of infants: Guenther
WC. Sample size formulas for normal theory t tests. Am Stat 1981;35:243-244. (All from memory.)
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import ceil, isfinite, nan, sqrt
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from quietsleep import contract
from quietsleep.contract import Outcome
from quietsleep.contract.wording import count
from quietsleep.judge.guard import Guard, apart, unguarded
from quietsleep.judge.numbers import only_finite, quotient, usable
from quietsleep.records import FloatArray
from quietsleep.warehouse.comparability import (
    ALL_CLASSES,
    FEWEST_CENTRES,
    between_share_interval,
    length_residuals,
    logs_of,
)
from quietsleep.warehouse.spread import (
    FEWEST,
    NOWHERE,
    Columns,
    all_equal,
    columns_of,
    first_of_each_infant,
    is_slipped,
    mean_squares,
    normal_quantile,
    places_of,
    rows_of,
    said,
    said_interval,
    sd_interval,
    texts_in,
)

POWERS_PCT = (80, 90)
# Of the SD between infants; of a z where z-scores are compared.
EFFECTS = {"half": 0.5, "one": 1.0}
TWO_SIDED_PCT = 5.0
VALUE, RESIDUAL, Z = "value", "residual", "z"
TOO_FEW = f"Fewer than {FEWEST} infants."
NO_VARIATION = "The values of these infants do not differ."
ONE_CENTRE = "Of one centre only, so nothing is known of what lies between centres."
ONE_EACH = "Each centre has one infant, so centres and infants cannot be told apart."
NOT_POSITIVE = "Values of 0 or less have no logarithm."
SEVERAL_EQUATIONS = "z-scores of several equations are not pooled."


@dataclass(frozen=True, slots=True)
class Components:
    """Variance between and within groups by one-way analysis of variance, in squared units.

    `between` may be below 0 as estimated; `size` is the group size corrected for unequal groups.
    """

    between: float
    within: float
    size: float

    @property
    def icc(self) -> float:
        """Intraclass correlation, a variance below 0 taken as 0; NaN where nothing varies."""
        between = max(0.0, self.between)
        whole = between + self.within
        return quotient(between, whole) if whole > 0 else nan


def sample_size_frame(
    values: pd.DataFrame,
    slipped: frozenset[tuple[str, str]] = frozenset(),
    *,
    guard: Guard = unguarded,
) -> pd.DataFrame:
    """Return what a comparison needs in each outcome, by class of equipment and measure.

    `values` are the `clean_values` of a study. What fails in one class of equipment has no row.
    """
    others = ("centre", "infant", "equipment_class", "equation")
    columns = columns_of(values, numbers=("value", "z", "length_cm"), others=others)
    of_outcome = places_of(values["outcome"])
    rows: list[dict[str, Any]] = []
    for outcome in contract.OUTCOMES.values():
        own = rows_of(columns, of_outcome.get(outcome.name, NOWHERE))
        rows += _by_class(outcome, own, slipped, guard=guard)
    return pd.DataFrame(rows)


def _by_class(
    outcome: Outcome,
    values: Columns,
    slipped: frozenset[tuple[str, str]],
    *,
    guard: Guard,
) -> Iterator[dict[str, Any]]:
    of_class = places_of(values["equipment_class"])
    classes = sorted(of_class)
    for equipment_class in [ALL_CLASSES, *classes] if len(classes) != 1 else classes:
        is_all = equipment_class == ALL_CLASSES
        own = values if is_all else rows_of(values, of_class[equipment_class])
        infants = first_of_each_infant(own)
        suspected = is_slipped(infants, outcome.name, slipped)
        sound = rows_of(infants, ~suspected)
        row = {
            "technique": outcome.technique,
            "outcome": outcome.name,
            "equipment_class": equipment_class,
            "n_suspected": int(suspected.sum()),
        }
        n_classes = len(classes) if is_all else 1
        for measure in (VALUE, RESIDUAL, Z):
            if measure == Z and np.isnan(sound["z"]).all():
                continue
            needed = None
            with apart(guard, f"sample size by {measure}", outcome.name, equipment_class):
                made, unit, why = _measured(measure, sound, outcome)
                needed = _needed(
                    outcome, measure, made, sound["centre"], unit=unit, n_classes=n_classes, why=why
                )
                needed["sentence"] += _left_out(row["n_suspected"])
            if needed is not None:
                yield row | needed


def _measured(
    measure: str, infants: Columns, outcome: Outcome
) -> tuple[FloatArray, str, str | None]:
    """Return (values, one an infant with NaN for none; unit; why there are none)."""
    values, scores = infants["value"], infants["z"]
    nothing = np.full(values.shape, np.nan)
    if measure == VALUE:
        return values, outcome.unit, None
    if measure == Z:
        several = len(texts_in(infants["equation"][~np.isnan(scores)])) > 1
        return nothing if several else scores, "1", SEVERAL_EQUATIONS if several else None
    if not (values > 0).all():
        return nothing, "%", NOT_POSITIVE
    lengths = logs_of(infants["length_cm"])
    return 100 * length_residuals(np.log(values), lengths, infants["centre"]), "%", None


def _needed(
    outcome: Outcome,
    measure: str,
    made: FloatArray,
    centres: NDArray[np.object_],
    *,
    unit: str,
    n_classes: int,
    why: str | None,
) -> dict[str, Any]:
    known = usable(made)
    numbers, names = made[known], centres[known]
    groups = [numbers[names == name] for name in sorted(set(names))]
    row: dict[str, Any] = {
        "measure": measure,
        "unit": unit,
        "n_infants": numbers.size,
        "n_centres": len(groups),
        "warning": " ".join(_warnings(measure, len(groups), n_classes)) or None,
    }
    why = why or (TOO_FEW if numbers.size < FEWEST else None)
    why = why or (NO_VARIATION if all_equal(numbers) else None)
    if why:
        sentence = f"What a comparison in {outcome.name} needs cannot be said: {_lower(why)}"
        return row | {"why": why, "sentence": sentence}
    sd = float(numbers.std(ddof=1))
    low, high = sd_interval(sd, numbers.size - 1)
    unit_of_effect = 1.0 if measure == Z else sd
    row |= {"between_infant_sd": sd, "sd_low": low, "sd_high": high, "half": unit_of_effect / 2}
    row |= _numbers("", unit_of_effect, sd, design_effect=1.0)
    found, missing = _between_centres(groups)
    row |= found
    if missing is None:
        row |= _numbers("_by_centre", unit_of_effect, sd, design_effect=found["design_effect"])
    return only_finite(row | {"why": missing, "sentence": _told(outcome, row)})


def _numbers(
    ending: str, unit_of_effect: float, sd: float, *, design_effect: float
) -> dict[str, int | None]:
    return {
        f"n_{name}_{power}{ending}": infants_per_group(
            effect * unit_of_effect, sd, power_pct=power, design_effect=design_effect
        )
        for name, effect in EFFECTS.items()
        for power in POWERS_PCT
    }


def infants_per_group(
    difference: float, sd: float, *, power_pct: float, design_effect: float = 1.0
) -> int | None:
    """Return how many infants each of two equal groups needs to see a difference of their means.

    `difference` and `sd` in the same unit. n = 2 (u + v)^2 (sd/difference)^2 + u^2/4 with u and v
    the normal quantiles of two-sided 5 % and of the power; u^2/4 stands for Student's t (Guenther).
    Times the design effect, rounded up. None where that is no number.
    """
    if not (difference > 0 and sd > 0 and design_effect > 0 and 0 < power_pct < 100):
        return None
    u, v = normal_quantile(1 - TWO_SIDED_PCT / 200), normal_quantile(power_pct / 100)
    ratio = quotient(sd, difference)
    n = (2 * (u + v) ** 2 * ratio * ratio + u**2 / 4) * design_effect
    return ceil(n) if isfinite(n) and n < 1e9 else None


def _between_centres(groups: list[FloatArray]) -> tuple[dict[str, float], str | None]:
    """Return what lies between and within centres, and the design effect, or why it is not known.

    Design effect = 1 + (m - 1) icc, m the sum of squared sizes over the sum of sizes.
    """
    if len(groups) < 2:
        return {}, ONE_CENTRE
    if all(group.size == 1 for group in groups):
        return {}, ONE_EACH
    found = variance_components(groups)
    low, high = between_share_interval(groups)
    sizes = np.array([group.size for group in groups], dtype=np.float64)
    size = float((sizes**2).sum() / sizes.sum())
    return {
        "between_centre_sd": sqrt(max(0.0, found.between)),
        "within_centre_sd": sqrt(found.within),
        "icc": found.icc,
        "icc_low": low,
        "icc_high": high,
        "infants_a_centre": size,
        "design_effect": 1 + (size - 1) * found.icc,
    }, None


def variance_components(groups: list[FloatArray]) -> Components:
    """Return the components of variance of two groups or more, one of them of two values or more.

    within = MSW; between = (MSB - MSW) / n0.
    """
    between, within, size = mean_squares(groups)
    return Components((between - within) / size, within, size)


def _warnings(measure: str, n_centres: int, n_classes: int) -> Iterator[str]:
    if n_classes > 1:
        yield (
            f"{n_classes} classes of equipment are mixed here: what lies between centres may lie "
            "between their equipment."
        )
    if 1 < n_centres < FEWEST_CENTRES:
        yield (
            f"Only {n_centres} centres, fewer than {FEWEST_CENTRES}: what lies between them is "
            "very uncertain, and so is the design effect."
        )
    if measure == VALUE:
        yield (
            "The spread holds how old and long the infants are; at equal length as many infants "
            "see a smaller difference, see the measure residual."
        )


def _told(outcome: Outcome, row: dict[str, Any]) -> str:
    of, unit = {
        VALUE: ("", row["unit"]),
        RESIDUAL: (" at equal length", row["unit"]),
        Z: (" as z-score", "1"),
    }[row["measure"]]
    seen = "half a z" if row["measure"] == Z else f"half an SD ({said(row['half'], unit)})"
    clustered = row.get("n_half_80_by_centre")
    with_centres = (
        "What whole centres in one group would need is not known."
        if clustered is None
        else f"Where whole centres belong to one group it is {clustered}, a design effect of "
        f"{said(row['design_effect'])} with {said(row['infants_a_centre'])} infants a centre."
    )
    return (
        f"{outcome.name}{of} has an SD of {said(row['between_infant_sd'], unit)}"
        f"{said_interval((row['sd_low'], row['sd_high']))} between "
        f"{count(row['n_infants'], 'infant')} of {count(row['n_centres'], 'centre')}. To see "
        f"{seen}, each of two groups needs {_infants(row['n_half_80'])} at 80 % power and "
        f"{_infants(row['n_half_90'])} at 90 %. {with_centres}"
    )


def _left_out(n: int) -> str:
    return f" Left out: {count(n, 'infant')} of centres with a suspected slip." if n else ""


def _infants(n: int | None) -> str:
    return "an unknown number of infants" if n is None else count(n, "infant")


def _lower(sentence: str) -> str:
    return sentence if sentence.startswith("z-") else sentence[0].lower() + sentence[1:]
