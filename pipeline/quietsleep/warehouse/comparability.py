"""Do centres measure alike? Centre means, and the share of the variance that lies between centres.

Infants of different length are made comparable first: by z-score where every value has one by the
same equation, otherwise by residuals of the logarithm on the logarithm of length, with the slope
found within centres. Unlike equipment is never pooled: every equipment class stands alone.
"""

from __future__ import annotations

import warnings
from dataclasses import dataclass, replace
from math import isfinite

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from quietsleep.contract import OUTCOMES
from quietsleep.judge.guard import Guard, apart, unguarded
from quietsleep.judge.numbers import only_usable, quotient, usable
from quietsleep.records import FloatArray
from quietsleep.warehouse.spread import (
    NOT_REGISTERED,
    NOWHERE,
    ROUNDING,
    Columns,
    columns_of,
    mean_interval,
    mean_squares,
    places_of,
    rows_of,
    texts_in,
)

# Below these the numbers are shown with a warning; common practice, no source.
FEWEST_INFANTS = 10
FEWEST_CENTRES = 5
ALL_CLASSES = "all classes"
NOT_FITTED = "The mixed model could not be fitted."
NO_VARIATION = "The values do not vary within centres, so there is no share of variance to compute."


@dataclass(frozen=True, slots=True)
class CentreMean:
    """Mean of one centre with its 95 % interval (Student's t, the centre's own SD)."""

    centre: str
    n_infants: int
    mean: float
    lower: float
    upper: float


@dataclass(frozen=True, slots=True)
class Comparability:
    """Centres with one class of equipment, compared in one outcome.

    `measure` says what is compared and in which unit. `between_share` is the variance between
    centres over the whole variance, NaN with fewer than two centres, with its 95 % interval.
    """

    outcome: str
    equipment_class: str
    measure: str
    unit: str
    n_infants: int
    centres: tuple[CentreMean, ...]
    between_share: float
    between_share_interval: tuple[float, float]
    warnings: tuple[str, ...]


def compare_centres(
    clean_outcomes: pd.DataFrame, *, across_equipment: bool = False, guard: Guard = unguarded
) -> list[Comparability]:
    """Compare centres in every outcome and equipment class of the view `clean_outcomes`.

    Several sessions of one infant count as their mean. Rows without equipment class are a class of
    their own, called "not registered". `across_equipment` adds, for an outcome measured with
    several classes, all of them together, with a warning that says so. Values that cannot be
    computed with count like missing ones; what fails in one class leaves the others.
    """
    rows = _of_infants(clean_outcomes)
    by_outcome = places_of(rows["outcome"])
    found = []
    for outcome in OUTCOMES:
        of_outcome = rows_of(rows, by_outcome.get(outcome, NOWHERE))
        by_class = places_of(of_outcome["equipment_class"])
        for equipment_class, places in sorted(by_class.items()):
            with apart(guard, "comparability", outcome, equipment_class):
                found.append(_compare(outcome, equipment_class, rows_of(of_outcome, places)))
        n_classes = len(by_class)
        if across_equipment and n_classes > 1:
            warning = (
                f"{n_classes} classes of equipment are mixed here: "
                "a difference between centres may be one between their equipment."
            )
            with apart(guard, "comparability", outcome, ALL_CLASSES):
                mixed = _compare(outcome, ALL_CLASSES, of_outcome)
                found.append(replace(mixed, warnings=(warning, *mixed.warnings)))
    return found


def _of_infants(clean_outcomes: pd.DataFrame) -> Columns:
    """Return the columns that are compared, with a number for each infant; -1 where none is named.

    Numbers are in the order of centre and infant.
    """
    rows = clean_outcomes[usable(clean_outcomes["value"].to_numpy(dtype=np.float64))]
    classes = rows["equipment_class"].fillna(NOT_REGISTERED).to_numpy()
    columns = columns_of(
        rows, numbers=("value", "z", "length_cm"), others=("outcome", "equation", "centre")
    )
    number = rows.groupby(["centre", "infant"], sort=True).ngroup().to_numpy(dtype=np.float64)
    numbers = np.where(np.isnan(number), -1, number).astype(np.int64)
    return columns | {"equipment_class": classes, "infant_number": numbers}


def _compare(outcome: str, equipment_class: str, rows: Columns) -> Comparability:
    measure, unit, said, made = _made_comparable(outcome, rows)
    known = ~np.isnan(made) & (rows["infant_number"] >= 0)
    numbers, first = np.unique(rows["infant_number"][known], return_index=True)
    by_infant = pd.Series(made[known]).groupby(rows["infant_number"][known])
    means: FloatArray = np.asarray(by_infant.mean(), dtype=np.float64)
    centres = rows["centre"][known][first]
    by_centre = {
        str(centre): means[places] for centre, places in sorted(places_of(centres).items())
    }
    groups = list(by_centre.values())
    share, trouble = between_share(groups)
    return Comparability(
        outcome=outcome,
        equipment_class=equipment_class,
        measure=measure,
        unit=unit,
        n_infants=numbers.size,
        centres=tuple(_centre_mean(centre, values) for centre, values in by_centre.items()),
        between_share=share,
        between_share_interval=between_share_interval(groups),
        warnings=tuple(said + trouble + _too_few(by_centre)),
    )


def _made_comparable(outcome: str, rows: Columns) -> tuple[str, str, list[str], FloatArray]:
    """Return (measure, unit, warnings, values): z-scores, or residuals in percent."""
    equations = texts_in(rows["equation"])
    has_z = usable(rows["z"])
    if has_z.all() and len(equations) == 1:
        return f"z-score by {equations.pop()}", "1", [], rows["z"]
    said = []
    if has_z.any():
        said.append(
            f"{int(has_z.sum())} of {has_z.size} values have a z-score, by {len(equations)} "
            "equations; they are not pooled, residuals are compared instead."
        )
    values, length_cm, centres = rows["value"], rows["length_cm"], rows["centre"]
    if (values > 0).all():
        residuals = 100 * length_residuals(np.log(values), logs_of(length_cm), centres)
        return "residual of the logarithm on log length", "%", said, residuals
    residuals = length_residuals(values, length_cm, centres)
    return "residual on length", OUTCOMES[outcome].unit, said, residuals


def length_residuals(
    values: FloatArray, lengths: FloatArray, centres: NDArray[np.object_]
) -> FloatArray:
    """Take the length out of values, all of shape (n,); NaN where a length or a value is missing.

    residual = value - mean - slope * (length - mean length), with the slope found within centres,
    so that a centre of longer infants does not have its own difference taken out.
    """
    known = usable(values) & usable(lengths)
    if not known.any():
        return np.full(values.shape, np.nan)
    values, lengths = np.where(known, values, np.nan), np.where(known, lengths, np.nan)
    within_values, within_lengths = values.copy(), lengths.copy()
    for centre in set(centres):
        here = known & (centres == centre)
        if here.any():
            within_values[here] -= values[here].mean()
            within_lengths[here] -= lengths[here].mean()
    spread = float((within_lengths[known] ** 2).sum())
    # What rounding leaves of equal lengths has no slope.
    is_flat = spread <= (ROUNDING * float(np.abs(lengths[known]).max())) ** 2
    slope = 0.0 if is_flat else float(within_lengths[known] @ within_values[known]) / spread
    adjusted: FloatArray = values - values[known].mean() - slope * (lengths - lengths[known].mean())
    return only_usable(adjusted)


def logs_of(lengths: FloatArray) -> FloatArray:
    """Return the logarithms of lengths (n,); NaN where there is none."""
    return np.log(np.where(usable(lengths) & (lengths > 0), lengths, np.nan))


def _centre_mean(centre: str, values: FloatArray) -> CentreMean:
    mean, interval = mean_interval(values)
    return CentreMean(centre, values.size, mean, interval.low, interval.high)


def between_share(groups: list[FloatArray]) -> tuple[float, list[str]]:
    """Return the share of the variance between groups, and warnings.

    A mixed model value = mean + centre + infant with centres as random effects, by restricted
    maximum likelihood (statsmodels MixedLM): share = var(centre) / (var(centre) + var(infant)).
    """
    groups = _known(groups)
    if len(groups) < 2 or sum(g.size for g in groups) <= len(groups):
        return float("nan"), []
    if not _vary(groups):
        return float("nan"), [NO_VARIATION]
    from statsmodels.formula.api import mixedlm

    frame = pd.DataFrame(
        {
            "made": np.concatenate(groups),
            "centre": np.repeat(np.arange(len(groups)), [g.size for g in groups]),
        }
    )
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            fit = mixedlm("made ~ 1", frame, groups=frame["centre"]).fit(reml=True)
        except (np.linalg.LinAlgError, ValueError, ArithmeticError):
            return float("nan"), [NOT_FITTED]
    between, within = float(fit.cov_re.iloc[0, 0]), float(fit.scale)
    share = quotient(between, between + within)
    if not 0 <= share <= 1:  # NaN too
        return float("nan"), [NOT_FITTED]
    said = [] if fit.converged else ["The mixed model did not converge."]
    if not said and caught and share < 1e-3:
        said = ["The variance between centres is at its lower bound, zero."]
    return share, said


def _vary(groups: list[FloatArray]) -> bool:
    """Say whether values differ from the mean of their group by more than rounding."""
    largest = max(float(np.abs(g).max()) for g in groups)
    return any(float(np.abs(g - g.mean()).max()) > ROUNDING * largest for g in groups)


def between_share_interval(groups: list[FloatArray]) -> tuple[float, float]:
    """Return the 95 % interval of the share of variance between groups, from 0 to 1.

    From F = MSB/MSW of the one-way analysis of variance and the mean group size n0 corrected for
    unequal groups: bounds (F/f - 1)/(F/f - 1 + n0) with f the quantiles of the F distribution;
    exact when groups are equal. Source: Donner A, Wells G. Biometrics 1986;42:401-412 (from
    memory). NaN when it cannot be computed.
    """
    from scipy import stats

    groups = _known(groups)
    k, n = len(groups), sum(group.size for group in groups)
    if k < 2 or n <= k or not _vary(groups):
        return float("nan"), float("nan")
    between, within, mean_size = mean_squares(groups)
    bounds = []
    for probability in (0.975, 0.025):
        ratio = quotient(quotient(between, within), float(stats.f.ppf(probability, k - 1, n - k)))
        share = quotient(ratio - 1, ratio - 1 + mean_size)
        bounds.append(max(share, 0.0) if isfinite(share) else share)
    return bounds[0], bounds[1]


def _known(groups: list[FloatArray]) -> list[FloatArray]:
    """Return the groups without what cannot be computed with; a group of nothing is none."""
    known = [group[usable(group)] for group in groups]
    return [group for group in known if group.size]


def _too_few(by_centre: dict[str, FloatArray]) -> list[str]:
    said = [
        f"{centre}: only {values.size} infants, fewer than {FEWEST_INFANTS}."
        for centre, values in by_centre.items()
        if values.size < FEWEST_INFANTS
    ]
    if len(by_centre) < FEWEST_CENTRES:
        said.append(
            f"Only {len(by_centre)} centres with this equipment, fewer than {FEWEST_CENTRES}: "
            "the share of variance between centres is very uncertain."
        )
    return said
