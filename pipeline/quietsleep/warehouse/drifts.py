"""Which device drifts: the checks in tolerance of each device, followed over time.

Only checks in tolerance make the usual range: a failed check would widen it until no drift shows.

Sources: Shewhart WA. Economic control of quality of manufactured product. 1931. Western Electric
Company. Statistical quality control handbook. 1956. Nelson LS. The Shewhart control chart: tests
for special causes. J Qual Technol 1984;16:237-239. (Titles and pages from memory.)
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import pandas as pd

from quietsleep import contract
from quietsleep.contract import Rule
from quietsleep.judge.guard import Guard, apart, unguarded
from quietsleep.judge.numbers import LARGEST, only_finite, quotient, usable_in_sql
from quietsleep.records import FloatArray
from quietsleep.warehouse.spread import all_equal, t_quantile

if TYPE_CHECKING:
    import duckdb

Direction = Literal["up", "down"]

# Width of the usual range of an individuals chart: 3 / d2, and the SD that belongs to it, 1 / d2,
# with d2 = 1.128 for ranges of two (Shewhart).
MOVING_RANGE_FACTOR, SD_OF_MOVING_RANGE = 2.66, 1 / 1.128
FEWEST_FOR_RANGE, FEWEST_AFTER = 8, 5
MOST_CHECKS = 250
# Definitions of this study, chosen with invented devices that are quiet and such that drift. The
# line goes through the last twelve weeks, or the last twelve checks where they are further apart.
WINDOW_WEEKS, WINDOW_CHECKS = 12.0, 12
# The chance that a line through checks that do not drift is as steep. It is shared among the places
# where the line may begin to drift (Bonferroni), as the best one is chosen.
CHANCE = 1e-4
# A drift that would leave tolerance later than this matters to nobody tonight.
MATTERS_WEEKS = 52.0
FURTHEST_WEEKS = 104.0
# A jump of the level by so many SDs between neighbours is a step (a repair), not a drift.
STEP_SDS = 4.5
STEP_CHECKS = 3
TOO_FEW = f"Fewer than {FEWEST_FOR_RANGE} checks in tolerance that stand together."
NO_VARIATION = "The checks in tolerance do not differ, or were all done at one moment."

RUN_OF_EIGHT = "eight in a row on one side of the mean"
FOUR_OF_FIVE = "four of five beyond one SD"
TWO_OF_THREE = "two of three beyond two SD"
SIX_STEADY = "six in a row, each further than the one before"


@dataclass(frozen=True, slots=True)
class BentLine:
    """A line through values over weeks that is level up to the value at `first`, then straight.

    Slope a week with its 95 % interval, the chance of it, and the value of the line at the end.
    """

    first: int
    slope: float
    low: float
    high: float
    chance: float
    at_end: float


def followed() -> list[tuple[str, str]]:
    """Return (kind of check, quantity) of every quantity that tells of the device itself."""
    return [
        (spec.key, quantity.name)
        for spec in contract.CHECKS.values()
        for quantity in spec.quantities
        if quantity.of_device
    ]


def drifts_frame(
    connection: duckdb.DuckDBPyConnection,
    rules: Sequence[Rule],
    *,
    guard: Guard = unguarded,
) -> pd.DataFrame:
    """Return each followed quantity of each device, from the tables `checks` and `check_values`.

    `rules` are those in force, with their dated limits. A quantity of a device whose statistics
    fail has no row.
    """
    names = pd.DataFrame(followed(), columns=["kind", "quantity"])
    values = connection.execute(
        "SELECT v.centre, c.device, v.kind, v.quantity, c.done_on, c.done_at, c.status, "
        "c.device_valid_from, v.value FROM check_values AS v "
        "JOIN checks AS c ON c.centre = v.centre AND c.check_id = v.check_id "
        f"WHERE v.level = 'check' AND {usable_in_sql('v.value')} AND c.device IS NOT NULL "
        "AND c.done_at IS NOT NULL AND c.done_on IS NOT NULL "
        "ORDER BY v.centre, c.device, v.kind, v.quantity, c.done_at, c.check_id"
    ).df()
    values = values.merge(names, on=["kind", "quantity"])
    rows: list[dict[str, Any]] = []
    by = ["centre", "device", "kind", "quantity"]
    for key, checks in values.groupby(by, sort=True):
        centre, device, kind, quantity = map(str, key)
        with apart(guard, f"drift of {device}", quantity, centre):
            drift = _drift(checks, _limits_of(rules, kind, quantity))
            unit = contract.QUANTITIES[(kind, "check", quantity)].unit
            named = dict(zip(by, key, strict=True))
            rows.append(named | only_finite(drift) | {"unit": unit})
    return pd.DataFrame(rows)


LimitsOn = Callable[[date], tuple[float | None, float | None]]


def _limits_of(rules: Sequence[Rule], kind: str, quantity: str) -> LimitsOn:
    own = [r for r in rules if (r.owner, r.level, r.quantity) == (kind, "check", quantity)]

    def on(day: date) -> tuple[float | None, float | None]:
        held = [
            r
            for r in own
            if r.valid_from <= day and (r.valid_until is None or day <= r.valid_until)
        ]
        lows = [r.low for r in held if r.low is not None]
        highs = [r.high for r in held if r.high is not None]
        return max(lows, default=None), min(highs, default=None)

    return on


def _drift(checks: pd.DataFrame, limits_on: LimitsOn) -> dict[str, Any]:
    values = checks["value"].to_numpy(dtype=np.float64)
    days = [day.date() for day in pd.to_datetime(checks["done_on"])]
    met = (checks["status"] == "accepted").to_numpy() & np.array(
        [_inside(value, *limits_on(day)) for value, day in zip(values, days, strict=True)]
    )
    low, high = limits_on(days[-1])
    row: dict[str, Any] = {
        "n_checks": len(values),
        "n_in_tolerance": int(met.sum()),
        "n_window": 0,
        "drifting": False,
        "last_value": values[-1],
        "last_on": days[-1],
        "last_in_tolerance": bool(met[-1]),
        "limit_low": low,
        "limit_high": high,
        "why": TOO_FEW,
    }
    kept = checks[met].iloc[-MOST_CHECKS:]
    kept = kept.iloc[_standing_together(kept) :]
    if len(kept) < FEWEST_FOR_RANGE:
        return row
    good = kept["value"].to_numpy(dtype=np.float64)
    moments = kept["done_at"]
    weeks = (moments - moments.iloc[0]).dt.total_seconds().to_numpy() / (7 * 86400.0)
    on = [day.date() for day in pd.to_datetime(kept["done_on"])]
    mean, usual_low, usual_high = usual_range(good)
    row |= {"usual_mean": mean, "usual_low": usual_low, "usual_high": usual_high}
    start = min(int(np.searchsorted(weeks, weeks[-1] - WINDOW_WEEKS)), len(good) - WINDOW_CHECKS)
    return row | _followed(weeks, good, on, first=max(start, 0), low=low, high=high)


def _inside(value: float, low: float | None, high: float | None) -> bool:
    return (low is None or value >= low) and (high is None or value <= high)


def _standing_together(checks: pd.DataFrame) -> int:
    """Return the place of the first check after the last step or new entry of the device."""
    values = checks["value"].to_numpy(dtype=np.float64)
    entries = checks["device_valid_from"].astype(str).to_numpy()
    changed = np.flatnonzero(entries[1:] != entries[:-1]) + 1
    first = int(changed[-1]) if changed.size else 0
    return first + last_step(values[first:])


def last_step(values: FloatArray) -> int:
    """Return the place of the first value after the last step of the level; 0 without one.

    A step is where the medians of three neighbours before and after differ by more than STEP_SDS,
    the SD being that of the middle moving range (median / 0.954 for two values of a normal
    distribution), which neither a step nor a single wild value moves much.
    """
    n = len(values)
    if n < 2 * STEP_CHECKS:
        return 0
    sd = float(np.median(np.abs(np.diff(values)))) / 0.954
    if sd <= 0:
        return 0
    medians = np.median(np.lib.stride_tricks.sliding_window_view(values, STEP_CHECKS), axis=1)
    jumps = np.abs(medians[STEP_CHECKS:] - medians[:-STEP_CHECKS])
    found = np.flatnonzero(jumps > STEP_SDS * sd)
    if not found.size:
        return 0
    # Of neighbouring places the one with the largest jump.
    last = int(found[-1])
    near = [i for i in found if last - i < STEP_CHECKS]
    return int(max(near, key=lambda i: float(jumps[i]))) + STEP_CHECKS


def usual_range(values: FloatArray) -> tuple[float, float, float]:
    """Return mean and natural limits of an individuals chart of values (n,), n >= 2.

    mean +/- 2.66 * mean moving range of neighbours (Shewhart), in the unit of the values.
    """
    mean = float(np.mean(values))
    half = MOVING_RANGE_FACTOR * float(np.mean(np.abs(np.diff(values))))
    return mean, mean - half, mean + half


def _followed(
    weeks: FloatArray,
    values: FloatArray,
    days: Sequence[date],
    *,
    first: int,
    low: float | None,
    high: float | None,
) -> dict[str, Any]:
    """Say of checks in tolerance whether they drift, and when the limit is reached."""
    line = bent_line(weeks[first:], values[first:])
    if line is None or line.slope == 0:
        return {"window_from": days[first], "n_window": len(values) - first, "why": NO_VARIATION}
    begin = first + line.first
    inside = values[first:]
    rule = run_rule(inside, up=line.slope > 0)
    row: dict[str, Any] = {
        "window_from": days[first],
        "n_window": len(inside),
        "slope_per_week": line.slope,
        "slope_low": line.low,
        "slope_high": line.high,
        "run_rule": rule,
        "why": None,
    }
    limit = high if line.slope > 0 else low
    ahead = None if limit is None else max(quotient(limit - line.at_end, line.slope), 0.0)
    if low is None and high is None:
        span = abs(line.slope) * float(weeks[-1] - weeks[begin])
        matters = span > 3 * SD_OF_MOVING_RANGE * float(np.mean(np.abs(np.diff(inside))))
    else:
        matters = ahead is not None and ahead <= MATTERS_WEEKS
    if line.chance < CHANCE and rule and matters:
        row |= {
            "drifting": True,
            "since": days[begin],
            "direction": "up" if line.slope > 0 else "down",
        }
        if ahead is not None and ahead <= FURTHEST_WEEKS:
            row["leaves_on"] = days[-1] + timedelta(days=int(7 * ahead))
    return row


def bent_line(weeks: FloatArray, values: FloatArray) -> BentLine | None:
    """Return the line, level first and straight from some value on, that fits best; None for none.

    `weeks`, `values` (n,), n >= 8: y = level + slope * max(0, t - t0), by least squares for each
    place of t0 that leaves at least FEWEST_AFTER values behind it; the first place is a straight
    line. The interval is Student's of n - 2 at that place, wider where neighbours are alike.
    """
    if len(values) < FEWEST_FOR_RANGE:
        return None
    # Differences are taken, so what is all but 0 does no harm.
    sound = bool((np.abs(np.concatenate([weeks, values])) < LARGEST).all())
    line = _bent_line(weeks, values) if sound else None
    numbers = () if line is None else (line.slope, line.low, line.high, line.chance, line.at_end)
    return line if all(np.isfinite(number) for number in numbers) else None


def _bent_line(weeks: FloatArray, values: FloatArray) -> BentLine | None:
    from scipy import stats

    n = len(values)
    places = np.arange(0, n - FEWEST_AFTER + 1)
    y = values - values[-1]
    y_off = y - y.mean()
    whole = float(y_off @ y_off)
    bent: FloatArray = np.maximum(0.0, weeks[None, :] - weeks[places][:, None])
    bent_off = bent - bent.mean(axis=1, keepdims=True)
    sxx = (bent_off**2).sum(axis=1)
    if all_equal(values) or not float(sxx.max()) > 0:
        return None
    slopes = np.where(sxx > 0, bent_off @ y_off / np.where(sxx > 0, sxx, 1.0), 0.0)
    left = np.maximum(whole - slopes**2 * sxx, 1e-18 * whole)
    # Of places that fit alike the first.
    best = int(np.argmin(left))
    slope, x = float(slopes[best]), bent_off[best]
    wide = _alike(y_off - slope * x)
    error = wide * float(np.sqrt(left[best] / (n - 2) / sxx[best]))
    half = t_quantile(0.975, n - 2) * error
    chance = len(places) * 2 * float(stats.t.sf(quotient(abs(slope), error), n - 2))
    at_end = float(values[-1] + y.mean() + slope * x[-1])
    return BentLine(best, slope, slope - half, slope + half, min(1.0, chance), at_end)


def _alike(rest: FloatArray) -> float:
    """Return how much wider an interval is where neighbours are alike: sqrt((1 + r) / (1 - r)).

    r is the first autocorrelation of what is left (n,), with 1 / n added for its bias; 0 at least.
    """
    n, whole = len(rest), float((rest**2).sum())
    r = float((rest[1:] * rest[:-1]).sum()) / whole + 1 / n if whole > 0 else 0.0
    r = min(max(r, 0.0), 0.95)
    return float(np.sqrt((1 + r) / (1 - r)))


def run_rule(values: FloatArray, *, up: bool) -> str | None:
    """Name the run rule that the newest values break on one side of their mean; None for none.

    Western Electric: eight in a row on one side; four of five beyond one SD; two of three beyond
    two, the SD being the mean moving range over 1.128. Nelson: six in a row that rise or fall.
    """
    if len(values) < FEWEST_FOR_RANGE:
        return None
    sign = 1.0 if up else -1.0
    off = sign * (values - float(np.mean(values)))
    sd = SD_OF_MOVING_RANGE * float(np.mean(np.abs(np.diff(values))))
    if (off[-8:] > 0).all():
        return RUN_OF_EIGHT
    if (off[-5:] > sd).sum() >= 4:
        return FOUR_OF_FIVE
    if (off[-3:] > 2 * sd).sum() >= 2:
        return TWO_OF_THREE
    if (np.diff(off[-6:]) > 0).all():
        return SIX_STEADY
    return None
