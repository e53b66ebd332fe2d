"""How far results repeat: between the trials of a test, and between the sessions of an infant.

Sources: Bland JM, Altman DG. Measurement error. BMJ 1996;313:744, corrected from 312:1654
(within-subject SD by one-way analysis of variance; repeatability coefficient). Bland JM, Altman DG.
Measurement error proportional to the mean. BMJ 1996;313:106 (coefficient of variation by
logarithms). Limits of agreement: `statistics`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import partial
from math import exp, log, nan, sqrt
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd

from quietsleep import contract
from quietsleep.contract import Outcome
from quietsleep.contract.wording import count
from quietsleep.judge.agreement import Room, known_factors
from quietsleep.judge.contradictions import AGES, SAME_DAY
from quietsleep.judge.guard import Guard, apart, unguarded
from quietsleep.judge.numbers import only_finite, quotient, usable, usable_in_sql
from quietsleep.records import BoolArray, FloatArray
from quietsleep.warehouse.spread import (
    ALL_CENTRES,
    FEWEST,
    NOWHERE,
    ROUNDING,
    Columns,
    all_equal,
    centres_and_all,
    columns_of,
    is_slipped,
    of_centre,
    places_of,
    rows_of,
    said,
    said_interval,
    sd_interval,
)
from quietsleep.warehouse.statistics import limits_of_agreement
from quietsleep.warehouse.unit_slips import LEAST_RATIO

if TYPE_CHECKING:
    import duckdb

TRIALS, SESSIONS = "trials", "sessions"
VALUE, Z = "value", "z"
TOO_FEW_TESTS = f"Fewer than {FEWEST} tests with two accepted trials or more."
TOO_FEW_PAIRS = f"Fewer than {FEWEST} pairs of sessions."
NO_VARIATION = "The values do not differ, so the spread has no interval."
NOT_POSITIVE = "Not all values are above 0, so there is no coefficient of variation."
# Of two readings of one infant 95 in 100 differ by less than this many within-subject SDs.
OF_TWO = 1.96 * sqrt(2)
# The exponential of a larger one is no number that a percentage could be.
LARGEST_LOG = 100.0
# Trials that have the number, of each accepted test: the sums of a one-way analysis of variance.
SUMS = f"""SELECT t.centre, t.session, v.technique, v.quantity, count(*) AS n,
    avg(v.value) AS mean, min(v.value) AS lowest, max(v.value) AS highest,
    coalesce(var_samp(v.value), 0) * (count(*) - 1) AS squares,
    coalesce(var_samp(CASE WHEN v.value > 0 THEN ln(v.value) END), 0) * (count(*) - 1)
        AS log_squares
FROM trial_values AS v
JOIN trials AS t ON t.centre = v.centre AND t.trial = v.trial
JOIN tests AS s ON s.centre = t.centre AND s.session = t.session AND s.technique = t.technique
JOIN quantities_asked AS q ON q.technique = v.technique AND q.quantity = v.quantity
WHERE t.status = 'accepted' AND s.status = 'accepted'
    AND {usable_in_sql("v.value")}
GROUP BY t.centre, t.session, v.technique, v.quantity
ORDER BY t.centre, t.session, v.technique, v.quantity"""


class Spread(NamedTuple):
    """Within-subject SD with degrees of freedom, and both coefficients of variation in percent.

    `sd` has the unit of the values; the coefficients are NaN where a value is not above 0.
    """

    sd: float
    freedom: int
    cv_pct: float
    log_cv_pct: float


def repeatability_frame(
    connection: duckdb.DuckDBPyConnection,
    outcomes: pd.DataFrame,
    visits: pd.DataFrame,
    slipped: frozenset[tuple[str, str]] = frozenset(),
    *,
    guard: Guard = unguarded,
) -> pd.DataFrame:
    """Return how far each outcome repeats, by centre and over all.

    Trials come from the tables `tests`, `trials` and `trial_values` of a database, sessions from
    `outcomes` and `visits`. `slipped` are (centre, outcome) of central results off by a factor. An
    outcome of a centre whose statistics fail has no rows, and the others have theirs.
    """
    tests, pairs = _tests(connection), _pairs(outcomes, visits)
    of_quantity = places_of(zip(tests["technique"], tests["quantity"], strict=True))
    of_outcome = places_of(pairs["outcome"])
    rows: list[dict[str, Any]] = []
    for outcome in contract.OUTCOMES.values():
        asked = (outcome.technique, outcome.quantity)
        own_tests = rows_of(tests, of_quantity.get(asked, NOWHERE))
        own_pairs = rows_of(pairs, of_outcome.get(outcome.name, NOWHERE))
        rows += _by_centre(outcome, own_tests, own_pairs, slipped, guard=guard)
    return pd.DataFrame(rows)


def _by_centre(
    outcome: Outcome,
    tests: Columns,
    pairs: Columns,
    slipped: frozenset[tuple[str, str]],
    *,
    guard: Guard,
) -> Iterator[dict[str, Any]]:
    tests = tests | {"suspected": is_slipped(tests, outcome.name, slipped)}
    off = is_slipped(pairs, outcome.name, slipped) | _sits_on_a_factor(pairs, outcome.unit)
    pairs = pairs | {"suspected": off}
    scored = rows_of(pairs, pairs["same_equation"])
    for centre in centres_and_all(tests, pairs):
        named = {
            "technique": outcome.technique,
            "outcome": outcome.name,
            "centre": centre or ALL_CENTRES,
        }
        parts = [
            partial(_within, of_centre(tests, centre), outcome),
            partial(_between, of_centre(pairs, centre), outcome, VALUE),
        ]
        if len(scored["centre"]):
            parts.append(partial(_between, of_centre(scored, centre), outcome, Z))
        for part in parts:
            row = None
            with apart(guard, "repeatability", outcome.name, centre or "all centres"):
                row = named | part()
            if row is not None:
                yield row


def _tests(connection: duckdb.DuckDBPyConnection) -> Columns:
    asked = pd.DataFrame(
        sorted({(o.technique, o.quantity) for o in contract.OUTCOMES.values()}),
        columns=["technique", "quantity"],
    )
    connection.register("quantities_asked", asked)
    try:
        found = connection.execute(SUMS).df()
    finally:
        connection.unregister("quantities_asked")
    numbers = ("n", "mean", "lowest", "highest", "squares", "log_squares")
    return columns_of(found, numbers=numbers, others=("centre", "technique", "quantity"))


def _within(tests: Columns, outcome: Outcome) -> dict[str, Any]:
    several = tests["n"] > 1
    sound = rows_of(tests, several & ~tests["suspected"])
    sizes = sound["n"]
    row: dict[str, Any] = {
        "compared": TRIALS,
        "measure": VALUE,
        "unit": outcome.unit,
        "n_tests": sizes.size,
        "n_trials": int(sizes.sum()),
        "n_suspected": int(several.sum()) - sizes.size,
        "n_doubted": 0,
    }
    if sizes.size < FEWEST:
        return row | {"why": TOO_FEW_TESTS, "sentence": _nothing(outcome, TOO_FEW_TESTS)}
    mean = float((sound["mean"] * sizes).sum() / sizes.sum())
    # What rounding leaves of equal values is no spread.
    ends = np.stack([sound["lowest"], sound["highest"]], axis=1)
    equal = all(all_equal(pair) for pair in ends)
    spread = _spread(
        np.zeros_like(sizes) if equal else sound["squares"],
        np.zeros_like(sizes) if equal else sound["log_squares"],
        sound["mean"],
        freedom=int(sizes.sum()) - sizes.size,
        positive=bool((sound["lowest"] > 0).all()),
    )
    row = row | {"mean": mean} | _numbers(spread)
    words = (
        f"Two accepted trials of one test differ by less than "
        f"{said(row['coefficient'], outcome.unit)} in 95 of 100 pairs of trials: {outcome.name} "
        f"has a within-test SD of {said(spread.sd)}"
        f"{said_interval((row['sd_low'], row['sd_high']))}{_cv(spread)}, from "
        f"{row['n_trials']} trials of {count(sizes.size, 'test')}."
    )
    return only_finite(row | {"sentence": words + _left_out(row, "test")})


def _spread(
    squares: FloatArray, log_squares: FloatArray, means: FloatArray, *, freedom: int, positive: bool
) -> Spread:
    """Pool the sums of squares of subjects, each of shape (n,), over their degrees of freedom.

    sd = sqrt(sum squares / freedom); cv the root mean square of sd/mean, each subject with its
    degrees of freedom; log_cv = exp(sqrt(sum log_squares / freedom)) - 1.
    """
    sd = sqrt(quotient(float(squares.sum()), freedom))
    if not positive:
        return Spread(sd, freedom, nan, nan)
    cv = float(np.sqrt(((np.sqrt(squares) / means) ** 2).sum() / freedom))
    log_sd = sqrt(quotient(float(log_squares.sum()), freedom))
    log_cv = exp(log_sd) - 1 if log_sd < LARGEST_LOG else nan
    return Spread(sd, freedom, 100 * cv, 100 * log_cv)


def _numbers(spread: Spread) -> dict[str, Any]:
    low, high = sd_interval(spread.sd, spread.freedom)
    reasons = [NO_VARIATION] if spread.sd == 0 else []
    reasons += [NOT_POSITIVE] if np.isnan(spread.cv_pct) else []
    return {
        "within_sd": spread.sd,
        "sd_low": low,
        "sd_high": high,
        "cv_pct": spread.cv_pct,
        "log_cv_pct": spread.log_cv_pct,
        "coefficient": OF_TWO * spread.sd,
        "why": " ".join(reasons) or None,
    }


def _pairs(outcomes: pd.DataFrame, visits: pd.DataFrame) -> Columns:
    """Return each clean outcome of an infant beside its next one, of another day."""
    values = outcomes["value"].to_numpy(dtype=np.float64)
    told = ["value", "z", "equation"]
    columns = ["centre", "session", "outcome", *told]
    clean = outcomes.loc[(outcomes["status"] == "accepted") & usable(values), columns]
    known = visits[["centre", "session", "infant", "tested_on", "position", "contradictions"]]
    rows = clean.merge(known, on=["centre", "session"])
    rows["day"] = pd.to_datetime(rows["tested_on"], errors="coerce")
    rows = rows[rows["day"].notna()]
    kinds = rows["contradictions"].fillna("").astype(str)
    rows["in_doubt"] = [any(kind in k for kind in (AGES, SAME_DAY)) for k in kinds]
    by = ["outcome", "centre", "infant"]
    rows = rows.sort_values([*by, "position", "session"], kind="stable")
    before = rows.groupby(by, sort=False)[[*told, "day", "in_doubt"]].shift().add_suffix("_before")
    paired = rows.join(before)
    paired = paired[paired["value_before"].notna()]
    scores = paired[["z", "z_before"]].to_numpy(dtype=np.float64)
    same = paired["equation"].fillna("") == paired["equation_before"].fillna("")
    doubted = paired[["in_doubt", "in_doubt_before"]].to_numpy(dtype=bool)
    numbers = ("value", "value_before", "z", "z_before")
    of_both: Columns = {
        "days": (paired["day"] - paired["day_before"]).dt.days.to_numpy(dtype=np.float64),
        "doubted": doubted[:, 0] | doubted[:, 1],
        "same_equation": usable(scores).all(axis=1) & same.to_numpy(dtype=bool),
    }
    return of_both | columns_of(paired, numbers=numbers, others=("outcome", "centre", "infant"))


def _sits_on_a_factor(pairs: Columns, unit: str) -> BoolArray:
    """Say of which pairs one value is off by about a known factor, larger than infants differ by.

    Infants grow from session to session, so the factor itself has room on both sides.
    """
    first, second = pairs["value_before"], pairs["value"]
    found = np.zeros(first.shape, dtype=bool)
    positive = (first > 0) & (second > 0)
    ratios = np.log(second[positive]) - np.log(first[positive])
    for _, ratio in known_factors(unit, Room(nan, nan, nan)):
        if abs(log(ratio)) > 2 * log(LEAST_RATIO):
            found[positive] |= np.abs(ratios - log(ratio)) <= log(LEAST_RATIO)
    return found


def _between(pairs: Columns, outcome: Outcome, measure: str) -> dict[str, Any]:
    suspected = pairs["suspected"]
    doubted = pairs["doubted"] & ~suspected
    sound = rows_of(pairs, ~(suspected | doubted))
    first, second, days = sound[f"{measure}_before"], sound[measure], sound["days"]
    row: dict[str, Any] = {
        "compared": SESSIONS,
        "measure": measure,
        "unit": outcome.unit if measure == VALUE else "1",
        "n_pairs": days.size,
        "n_infants": len(set(zip(sound["centre"], sound["infant"], strict=True))),
        "n_suspected": int(suspected.sum()),
        "n_doubted": int(doubted.sum()),
    }
    if days.size < FEWEST:
        return row | {"why": TOO_FEW_PAIRS, "sentence": _nothing(outcome, TOO_FEW_PAIRS)}
    spread = _of_pairs(first, second, is_score=measure == Z)
    numbers = _numbers(spread)
    if measure == Z:
        numbers["why"] = NO_VARIATION if spread.sd == 0 else None
    row |= {"mean": float(np.mean((first + second) / 2)), **_limits(first, second), **numbers}
    row |= {
        "days_apart_median": float(np.median(days)),
        "fewest_days_apart": int(days.min()),
        "most_days_apart": int(days.max()),
    }
    return only_finite(row | {"sentence": _told(outcome, row) + _left_out(row, "pair")})


def _of_pairs(first: FloatArray, second: FloatArray, *, is_score: bool) -> Spread:
    difference, means = second - first, (first + second) / 2
    largest = float(np.maximum(np.abs(first), np.abs(second)).max())
    if float(np.abs(difference).max()) <= ROUNDING * largest:
        difference = np.zeros_like(difference)
    positive = not is_score and bool((np.minimum(first, second) > 0).all())
    logs = np.log(second) - np.log(first) if positive else np.zeros_like(first)
    return _spread(
        difference**2 / 2, logs**2 / 2, means, freedom=difference.size, positive=positive
    )


def _limits(first: FloatArray, second: FloatArray) -> dict[str, float]:
    found = limits_of_agreement(second, first)
    return {
        "bias": found.bias,
        "bias_low": found.bias_interval[0],
        "bias_high": found.bias_interval[1],
        "lower_limit": found.lower,
        "lower_limit_low": found.lower_interval[0],
        "lower_limit_high": found.lower_interval[1],
        "upper_limit": found.upper,
        "upper_limit_low": found.upper_interval[0],
        "upper_limit_high": found.upper_interval[1],
    }


def _told(outcome: Outcome, row: dict[str, Any]) -> str:
    is_score, unit = row["measure"] == Z, row["unit"]
    named = f"the z-score of {outcome.name}" if is_score else outcome.name
    growth = (
        "Growth counts as far as the equation does not take it out."
        if is_score
        else "Infants grow, and their growth is part of these differences."
    )
    return (
        f"From one session of an infant to the next, "
        f"{count(round(row['days_apart_median']), 'day')} later in the middle, {named} changes "
        f"by {said(row['bias'], unit)}{said_interval((row['bias_low'], row['bias_high']))} on "
        f"average, and 95 of 100 changes lie between {said(row['lower_limit'])} and "
        f"{said(row['upper_limit'], unit)}, from {count(row['n_pairs'], 'pair')} of "
        f"{count(row['n_infants'], 'infant')}. {growth}"
    )


def _cv(spread: Spread) -> str:
    return "" if np.isnan(spread.cv_pct) else f", or {said(spread.cv_pct)} % of the mean"


def _nothing(outcome: Outcome, why: str) -> str:
    return f"How far {outcome.name} repeats cannot be said: {why[0].lower()}{why[1:]}"


def _left_out(row: dict[str, Any], word: str) -> str:
    parts: Iterable[tuple[int, str]] = (
        (row["n_suspected"], "with a suspected slip of unit"),
        (row["n_doubted"], "of sessions that contradict each other"),
    )
    return "".join(f" Left out: {count(n, word)} {why}." for n, why in parts if n)
