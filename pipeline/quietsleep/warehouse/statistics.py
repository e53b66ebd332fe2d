"""Agreement of two methods: limits of agreement and intraclass correlation.

Sources: Bland JM, Altman DG. Lancet 1986;1:307-310. Shrout PE, Fleiss JL. Psychol Bull
1979;86:420-428.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Limits:
    """Bias and limits of agreement of `n` paired differences, each with its 95 % interval."""

    n: int
    bias: float
    sd: float
    lower: float
    upper: float
    bias_interval: tuple[float, float]
    lower_interval: tuple[float, float]
    upper_interval: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Intraclass:
    """The six coefficients of Shrout and Fleiss for `n` targets and `k` judges, and one interval.

    `single_1`, `single_2`, `single_3` are ICC(1,1), ICC(2,1), ICC(3,1); `mean_*` are those of the
    mean of the k judges. `single_2_interval` is the 95 % interval of ICC(2,1).
    """

    n: int
    k: int
    single_1: float
    single_2: float
    single_3: float
    mean_1: float
    mean_2: float
    mean_3: float
    single_2_interval: tuple[float, float]


def limits_of_agreement(first: ArrayLike, second: ArrayLike, *, width_sd: float = 1.96) -> Limits:
    """Bland and Altman's limits of `first - second`, in the unit of the values.

    Shapes (n,) and (n,), pairs with a NaN left out; ValueError for fewer than 3 pairs.
    limits = bias +/- width_sd * SD; standard error of the bias SD/sqrt(n), of a limit
    SD*sqrt(3/n); intervals with Student's t of n - 1 degrees of freedom. The worked example of
    1986 uses width_sd = 2.
    """
    from scipy import stats

    difference = np.asarray(first, dtype=np.float64) - np.asarray(second, dtype=np.float64)
    difference = difference[np.isfinite(difference)]
    n = difference.size
    if n < 3:
        raise ValueError(f"limits of agreement need at least 3 pairs, here are {n}")
    bias, sd = float(difference.mean()), float(difference.std(ddof=1))
    t = float(stats.t.ppf(0.975, n - 1))
    of_bias, of_limit = t * sd / n**0.5, t * sd * (3 / n) ** 0.5
    lower, upper = bias - width_sd * sd, bias + width_sd * sd
    return Limits(
        n, bias, sd, lower, upper,
        (bias - of_bias, bias + of_bias),
        (lower - of_limit, lower + of_limit),
        (upper - of_limit, upper + of_limit),
    )  # fmt: skip


def repeatability(first: ArrayLike, second: ArrayLike) -> float:
    """Return Bland and Altman's coefficient of repeatability of duplicate readings, same unit.

    Twice the SD of the differences with their mean taken as zero: 2 * sqrt(sum(d^2) / n).
    """
    difference = np.asarray(first, dtype=np.float64) - np.asarray(second, dtype=np.float64)
    return float(2 * np.sqrt(np.mean(difference**2)))


def intraclass(ratings: ArrayLike) -> Intraclass:
    """Shrout and Fleiss' coefficients of a complete table of shape (n targets, k judges).

    With the mean squares between targets BMS, within targets WMS, between judges JMS, residual
    EMS: ICC(1,1) = (BMS-WMS)/(BMS+(k-1)WMS); ICC(2,1) = (BMS-EMS)/(BMS+(k-1)EMS+k(JMS-EMS)/n);
    ICC(3,1) = (BMS-EMS)/(BMS+(k-1)EMS). ValueError for a NaN or fewer than 2 rows or columns.
    """
    table = np.asarray(ratings, dtype=np.float64)
    if table.ndim != 2 or min(table.shape) < 2 or not np.isfinite(table).all():
        raise ValueError("intraclass correlation needs a complete table of 2 by 2 or more")
    n, k = table.shape
    between, within, judges, residual = _mean_squares(table)
    judge_part = (judges - residual) / n
    return Intraclass(
        n=n,
        k=k,
        single_1=(between - within) / (between + (k - 1) * within),
        single_2=(between - residual) / (between + (k - 1) * residual + k * judge_part),
        single_3=(between - residual) / (between + (k - 1) * residual),
        mean_1=(between - within) / between,
        mean_2=(between - residual) / (between + judge_part),
        mean_3=(between - residual) / between,
        single_2_interval=_single_2_interval(n, k, between, judges, residual),
    )


def _mean_squares(table: FloatArray) -> tuple[float, float, float, float]:
    """Return BMS, WMS, JMS and EMS of a table of shape (n, k)."""
    n, k = table.shape
    rows, columns, grand = table.mean(axis=1), table.mean(axis=0), table.mean()
    between = k * float(((rows - grand) ** 2).sum()) / (n - 1)
    within = float(((table - rows[:, None]) ** 2).sum()) / (n * (k - 1))
    judges = n * float(((columns - grand) ** 2).sum()) / (k - 1)
    rest = table - rows[:, None] - columns[None, :] + grand
    residual = float((rest**2).sum()) / ((n - 1) * (k - 1))
    return between, within, judges, residual


def _single_2_interval(
    n: int, k: int, between: float, judges: float, residual: float
) -> tuple[float, float]:
    """Return the 95 % interval of ICC(2,1), with Satterthwaite's degrees of freedom (p. 424)."""
    from scipy import stats

    if residual == 0:
        return float("nan"), float("nan")
    coefficient = (between - residual) / (
        between + (k - 1) * residual + k * (judges - residual) / n
    )
    ratio = judges / residual
    inner = n * (1 + (k - 1) * coefficient) - k * coefficient
    freedom = ((k - 1) * (n - 1) * (k * coefficient * ratio + inner) ** 2) / (
        (n - 1) * k**2 * coefficient**2 * ratio**2 + inner**2
    )
    above = float(stats.f.ppf(0.975, n - 1, freedom))
    below = float(stats.f.ppf(0.975, freedom, n - 1))
    mixed = k * judges + (k * n - k - n) * residual
    lower = n * (between - above * residual) / (above * mixed + n * between)
    upper = n * (below * between - residual) / (mixed + n * below * between)
    return lower, upper
