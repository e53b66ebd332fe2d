"""Clean values of infants, and the spread of numbers with its interval.

What `repeatability`, `sample_size` and `equation_check` share. Numbers that cannot be squared are
left out like those that are missing (`judge.numbers`).
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator, Sequence
from functools import cache
from math import isfinite, nan, sqrt
from typing import Any, NamedTuple, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from quietsleep.contract.units import show_unit
from quietsleep.judge.limits import show_beyond
from quietsleep.judge.numbers import LARGEST, usable
from quietsleep.records import FloatArray

ALL_CENTRES = "all"
# What lies this near to its mean, as a share of the largest number, is rounding and no variation.
ROUNDING = 1e-9
NOT_REGISTERED = "not registered"
# As many as limits of agreement need.
FEWEST = 3
OF_OUTCOME = ("centre", "session", "technique", "outcome", "unit", "value", "z", "equation")
OF_SESSION = (
    "session", "infant", "tested_on", "sex", "length_cm", "weight_kg", "age_days",
    "corrected_age_days", "device", "device_valid_from",
)  # fmt: skip
# Columns of one table, each of shape (rows,). The statistics part a study into very many groups of
# few rows, and to cut arrays costs far less than to cut frames.
Columns = dict[str, NDArray[Any]]
NOWHERE: NDArray[np.intp] = np.array([], dtype=np.intp)
Key = TypeVar("Key", bound=Hashable)


class Interval(NamedTuple):
    """Both ends of a 95 % interval; NaN where there is none."""

    low: float = nan
    high: float = nan


NO_INTERVAL = Interval()


def clean_values(
    outcomes: pd.DataFrame, sessions: pd.DataFrame, devices: pd.DataFrame
) -> pd.DataFrame:
    """Return the accepted outcomes that have a number, with what is known of infant and equipment.

    Ordered by outcome, infant and day. A session without infant is an infant of its own; equipment
    that is not registered is a class of that name.
    """
    entry = ["centre", "device", "device_valid_from"]
    classes = devices.rename(columns={"valid_from": "device_valid_from"})
    values = outcomes["value"].to_numpy(dtype=np.float64)
    used = outcomes.loc[(outcomes["status"] == "accepted") & usable(values), list(OF_OUTCOME)]
    rows = used.merge(sessions[["centre", *OF_SESSION]], on=["centre", "session"])
    rows = rows.merge(classes[[*entry, "equipment_class"]], on=entry, how="left")
    rows = rows.assign(
        infant=rows["infant"].fillna(rows["session"]),
        equipment_class=rows["equipment_class"].fillna(NOT_REGISTERED),
        day=pd.to_datetime(rows["tested_on"], errors="coerce"),
    )
    order = ["outcome", "centre", "infant", "day", "session"]
    return rows.sort_values(order, kind="stable", ignore_index=True)


def columns_of(
    frame: pd.DataFrame, *, numbers: Iterable[str] = (), others: Iterable[str] = ()
) -> Columns:
    """Return columns of a frame as arrays of shape (rows,), `numbers` as floats with NaN."""
    found: Columns = {name: frame[name].to_numpy(dtype=np.float64) for name in numbers}
    return found | {name: frame[name].to_numpy() for name in others}


def rows_of(columns: Columns, which: NDArray[np.bool_] | NDArray[np.intp]) -> Columns:
    """Return some rows of columns, by a mask of shape (rows,) or by their places."""
    return {name: values[which] for name, values in columns.items()}


def places_of(keys: Iterable[Key]) -> dict[Key, NDArray[np.intp]]:
    """Return the places of the rows of each key, in their order; keys as they first come."""
    found: dict[Key, list[int]] = {}
    for place, key in enumerate(keys):
        found.setdefault(key, []).append(place)
    return {key: np.array(places, dtype=np.intp) for key, places in found.items()}


def texts_in(column: NDArray[Any]) -> set[str]:
    """Return the texts of a column without those that are missing."""
    return {text for text in column if isinstance(text, str)}


def first_of_each_infant(values: Columns) -> Columns:
    """Return the first of some `clean_values` of each infant; a mean would spread less."""
    first: dict[tuple[str, str], int] = {}
    for place, infant in enumerate(zip(values["centre"], values["infant"], strict=True)):
        first.setdefault(infant, place)
    return rows_of(values, np.array(list(first.values()), dtype=np.intp))


def slipped_centres(unit_slips: pd.DataFrame) -> frozenset[tuple[str, str]]:
    """Return (centre, outcome) of all whose central results are off by a factor from the others."""
    if unit_slips.empty:
        return frozenset()
    own = unit_slips[unit_slips["seen_in"] == "central"]
    return frozenset(zip(own["centre"], own["outcome"], strict=True))


def is_slipped(
    rows: Columns, outcome: str, slipped: frozenset[tuple[str, str]]
) -> NDArray[np.bool_]:
    """Say which rows of an outcome are of a centre that is off by a factor in it."""
    return np.array([(centre, outcome) in slipped for centre in rows["centre"]], dtype=bool)


def centres_and_all(*tables: Columns) -> Iterator[str | None]:
    """Yield None for all centres together, then each; no None where a centre is coded so."""
    own = sorted({str(centre) for table in tables for centre in table["centre"]})
    if ALL_CENTRES not in own:
        yield None
    yield from own


def of_centre(rows: Columns, centre: str | None) -> Columns:
    """Return the rows of one centre, or of all."""
    return rows if centre is None else rows_of(rows, rows["centre"] == centre)


# Asked for the same few shares again and again.
@cache
def normal_quantile(share: float) -> float:
    """Return the quantile of the standard normal distribution at a share from 0 to 1."""
    from scipy import stats

    return float(stats.norm.ppf(share))


@cache
def t_quantile(share: float, freedom: int) -> float:
    """Return the quantile of Student's t at a share from 0 to 1, by degrees of freedom."""
    from scipy import stats

    return float(stats.t.ppf(share, freedom))


def mean_interval(values: FloatArray) -> tuple[float, Interval]:
    """Return the mean of values (n,) and its interval (Student's t, n - 1 degrees of freedom).

    Values that cannot be computed with are left out.
    """
    values = values[usable(values)]
    n, mean = values.size, float(values.mean()) if values.size else nan
    if n < 2:
        return mean, NO_INTERVAL
    half = float(t_quantile(0.975, n - 1) * values.std(ddof=1) / sqrt(n))
    return mean, Interval(mean - half, mean + half)


class MeanSquares(NamedTuple):
    """One-way analysis of variance: mean squares, and group size corrected for unequal groups."""

    between: float
    within: float
    size: float


def mean_squares(groups: Sequence[FloatArray]) -> MeanSquares:
    """Return the mean squares of two groups or more, one of them of two values or more.

    n0 = (N - sum n^2 / N) / (k - 1) with k groups of n values, N in all.
    """
    sizes = np.array([group.size for group in groups], dtype=np.float64)
    k, n = len(groups), float(sizes.sum())
    grand = float(np.concatenate(groups).mean())
    within = sum(float(((g - g.mean()) ** 2).sum()) for g in groups) / (n - k)
    between = sum(g.size * (float(g.mean()) - grand) ** 2 for g in groups) / (k - 1)
    return MeanSquares(between, within, (n - float((sizes**2).sum()) / n) / (k - 1))


def sd_interval(sd: float, freedom: int) -> Interval:
    """Return the interval of an SD with its degrees of freedom (chi square of freedom * sd^2)."""
    from scipy import stats

    if freedom < 1 or not 0 < sd < LARGEST:
        return NO_INTERVAL
    above, below = (float(stats.chi2.ppf(p, freedom)) for p in (0.975, 0.025))
    return Interval(sd * sqrt(freedom / above), sd * sqrt(freedom / below))


def all_equal(values: FloatArray) -> bool:
    """Say whether values (n,) differ from their mean by no more than rounding."""
    largest = float(np.abs(values).max(initial=0.0))
    return bool((np.abs(values - values.mean()) <= ROUNDING * largest).all())


def said(value: float, unit: str = "1") -> str:
    """Show a number with its unit as people write it."""
    shown = "" if unit == "1" else f" {show_unit(unit)}"
    return f"{show_beyond(value + 0.0)}{shown}" if isfinite(value) else "not known"


def said_interval(interval: tuple[float, float]) -> str:
    """Show an interval in brackets; nothing where there is none."""
    low, high = interval
    if not (isfinite(low) and isfinite(high)):
        return ""
    return f" (95 % interval {said(low)} to {said(high)})"
