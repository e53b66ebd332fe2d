"""Which centre is off by a factor: a wrong unit shows as the same ratio in every value.

Three places are looked at: what no infant can have and one slip explains (`judge.slips`), what a
centre's own software reports beside the central results (`judge.agreement`), and the central
results of a centre beside those of the other centres at equal length.
"""

from __future__ import annotations

from collections.abc import Iterator
from math import exp, isfinite, log, nan
from typing import Any

import numpy as np
import pandas as pd

from quietsleep import contract
from quietsleep.contract.wording import spaced
from quietsleep.judge.agreement import NO_CAUSE, Room, known_factors
from quietsleep.judge.guard import Guard, apart, unguarded
from quietsleep.judge.limits import show_beyond
from quietsleep.judge.numbers import usable
from quietsleep.records import FloatArray
from quietsleep.warehouse.comparability import length_residuals, logs_of
from quietsleep.warehouse.spread import t_quantile

# Definitions of this study. A single value is a typing error, and named by its own query.
FEWEST_SUSPECTED = 2
SUSPECTED_SHARE = 0.25
FEWEST_INFANTS = 3
# Of two centres nobody can say which one is off.
FEWEST_CENTRES = 3
# Centres with other equipment and other infants differ, but never by so much.
LEAST_RATIO = 1.6
# A centre is named where its interval leaves out 1 by chance of one in five hundred at most.
CHANCE = 0.001
NOT_KNOWN = "not known"
ANY_ROOM = Room(nan, nan, nan)


def unit_slips_frame(
    agreement: pd.DataFrame,
    outcomes: pd.DataFrame,
    sessions: pd.DataFrame,
    impossible: pd.DataFrame,
    tests: pd.DataFrame,
    *,
    guard: Guard = unguarded,
) -> pd.DataFrame:
    """Return one row for each outcome, or technique, of a centre that is off by a factor.

    `impossible` are tests with a number that one slip explains (centre, session, item: the
    technique); `tests` counts those attempted (centre, technique, n_tests). What fails has no rows.
    """
    rows: list[dict[str, Any]] = []
    attempted = {
        (row["centre"], row["technique"]): int(row["n_tests"]) for row in tests.to_dict("records")
    }
    known = impossible[impossible["item"].isin(list(contract.TECHNIQUES))]
    for (centre, technique), slips in known.groupby(["centre", "item"], sort=True):
        with apart(guard, "slips of unit in tests that cannot be", technique, centre):
            n = attempted.get((centre, technique), len(slips))
            rows += _impossible(str(centre), str(technique), slips, n)
    for (centre, outcome), pairs in _paired(agreement).groupby(["centre", "outcome"], sort=True):
        with apart(guard, "slips of unit in what is reported", outcome, centre):
            rows += _reported(str(centre), str(outcome), pairs)
    for outcome, own in _with_length(outcomes, sessions).groupby("outcome", sort=True):
        with apart(guard, "slips of unit between centres", outcome):
            rows += _central(str(outcome), own)
    return pd.DataFrame(rows)


def _is_named(n_suspected: int, n: int) -> bool:
    return n_suspected >= FEWEST_SUSPECTED and n_suspected >= SUSPECTED_SHARE * n


def _impossible(
    centre: str, technique: str, slips: pd.DataFrame, n: int
) -> Iterator[dict[str, Any]]:
    suspected = len(slips)
    if not _is_named(suspected, n):
        return
    sentence = str(slips["sentence"].iloc[0])
    cause = sentence.partition("Likely slip: ")[2].partition(", it would")[0]
    yield {
        "centre": centre,
        "outcome": technique,
        "seen_in": "impossible",
        "n_values": n,
        "n_suspected": suspected,
        "cause": cause or NOT_KNOWN,
        "sentence": (
            f"{suspected} of {n} tests of {spaced(technique)} at {centre} have numbers "
            f"that no infant can have and one slip explains: {cause or NOT_KNOWN}."
        ),
    }


def _paired(agreement: pd.DataFrame) -> pd.DataFrame:
    numbers = agreement[["reported_converted", "central_value"]].to_numpy(dtype=np.float64)
    return agreement[usable(numbers).all(axis=1) & agreement["suspected_cause"].notna().to_numpy()]


def _reported(centre: str, outcome: str, pairs: pd.DataFrame) -> Iterator[dict[str, Any]]:
    causes = pairs.loc[pairs["suspected_cause"] != NO_CAUSE, "suspected_cause"]
    counts = causes.value_counts()
    if counts.empty or not _is_named(int(counts.iloc[0]), len(pairs)):
        return
    cause = sorted(counts.index[counts == counts.iloc[0]])[0]
    same = pairs[pairs["suspected_cause"] == cause]
    ratios = (same["reported_converted"] / same["central_value"]).to_numpy(dtype=np.float64)
    yield {
        "centre": centre,
        "outcome": outcome,
        "seen_in": "reported",
        "n_values": len(pairs),
        "n_suspected": int(counts.iloc[0]),
        **_middle(np.log(ratios[usable(ratios) & (ratios > 0)])),
        "cause": cause,
        "sentence": (
            f"{int(counts.iloc[0])} of {len(pairs)} values that {centre} reports as {outcome} "
            f"are off by a known factor from the central ones: {cause}."
        ),
    }


def _with_length(outcomes: pd.DataFrame, sessions: pd.DataFrame) -> pd.DataFrame:
    """Return the accepted positive outcomes of infants whose length is known."""
    values = outcomes["value"].to_numpy(dtype=np.float64)
    used = outcomes[(outcomes["status"] == "accepted").to_numpy() & usable(values) & (values > 0)]
    lengths = sessions["length_cm"].to_numpy(dtype=np.float64)
    known = sessions[["centre", "session", "infant"]].assign(log_length=logs_of(lengths))
    return used.merge(known[usable(known["log_length"].to_numpy())], on=["centre", "session"])


def _central(outcome: str, known: pd.DataFrame) -> Iterator[dict[str, Any]]:
    if known["centre"].nunique() < FEWEST_CENTRES:
        return
    made = length_residuals(
        np.log(known["value"].to_numpy(dtype=np.float64)),
        known["log_length"].to_numpy(dtype=np.float64),
        known["centre"].to_numpy(),
    )
    infants = known.assign(made=made, infant=known["infant"].fillna(known["session"]))
    means = infants.groupby(["centre", "infant"])["made"].mean().dropna()
    by_centre = {
        str(centre): group.to_numpy(dtype=np.float64)
        for centre, group in means.groupby(level="centre", sort=True)
    }
    yield from _off_by_a_factor(outcome, by_centre)


def _off_by_a_factor(outcome: str, by_centre: dict[str, FloatArray]) -> Iterator[dict[str, Any]]:
    """Yield the centres whose mean of logarithms is far from the median of the others'."""
    means = {centre: float(np.median(values)) for centre, values in by_centre.items()}
    for centre, values in by_centre.items():
        others = [mean for other, mean in means.items() if other != centre]
        if len(values) < FEWEST_INFANTS or len(others) < FEWEST_CENTRES - 1:
            continue
        found = _middle(values - float(np.median(others)))
        ratio, low, high = (found[name] for name in ("ratio", "ratio_low", "ratio_high"))
        if not ratio > 0:  # NaN too
            continue
        if abs(log(ratio)) < log(LEAST_RATIO) or low <= 1 <= high:
            continue
        # Where one centre is far off, the others must agree among themselves to say so.
        spread = max(others) - min(others)
        if spread > abs(log(ratio)):
            continue
        unit = contract.OUTCOMES[outcome].unit
        cause = _cause(unit, low, high)
        guess = "" if cause == NOT_KNOWN else f", as {cause} would be"
        yield {
            "centre": centre,
            "outcome": outcome,
            "seen_in": "central",
            "n_values": len(values),
            "n_suspected": len(values),
            **found,
            "cause": cause,
            "sentence": (
                f"{outcome} of {centre} is {show_beyond(round(ratio, 4))} times that of the other "
                f"centres at equal length, in {len(values)} infants{guess}."
            ),
        }


def _middle(logs: FloatArray) -> dict[str, float]:
    """Return the middle ratio of logarithms (n,) with its 99.8 % interval (Student's t)."""
    n, middle = logs.size, float(np.median(logs)) if logs.size else nan
    half = nan
    if n > 1:
        half = t_quantile(1 - CHANCE, n - 1) * float(logs.std(ddof=1)) / n**0.5
    shown = {"ratio": middle, "ratio_low": middle - half, "ratio_high": middle + half}
    return {name: exp(value) if abs(value) < 600 else nan for name, value in shown.items()}


def _cause(unit: str, low: float, high: float) -> str:
    """Name the known factor inside the interval of a ratio, with room for infants that differ."""
    if not (isfinite(low) and isfinite(high)):
        return NOT_KNOWN
    reach = log(1.25)
    inside = [
        (abs(log(ratio) - (log(low) + log(high)) / 2), slip)
        for slip, ratio in known_factors(unit, ANY_ROOM)
        if log(low) - reach <= log(ratio) <= log(high) + reach
        and abs(log(ratio)) > log(LEAST_RATIO)
    ]
    return min(inside)[1] if inside else NOT_KNOWN
