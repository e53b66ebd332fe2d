"""What an accepted test reports: accepted trials summarised as the contract of its outcome says."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from quietsleep import contract
from quietsleep.contract import Outcome
from quietsleep.records import FloatArray, IntArray, MeasuredTrial

# (centre, session, technique) -> the accepted trials: code and measures, in order of time.
Accepted = Mapping[tuple[str, str, str], Sequence[tuple[str, MeasuredTrial]]]


def summarise_tests(tests: pd.DataFrame, accepted: Accepted) -> pd.DataFrame:
    """Return one row per test and outcome; the value is missing unless the test is accepted."""
    by_technique: dict[str, list[Outcome]] = {}
    for outcome in contract.OUTCOMES.values():
        by_technique.setdefault(outcome.technique, []).append(outcome)
    rows = []
    test: Any
    for test in tests.itertuples():
        trials = accepted.get((test.centre, test.session, test.technique), [])
        for outcome in by_technique.get(test.technique, []):
            row = {
                "session": test.session,
                "centre": test.centre,
                "technique": test.technique,
                "outcome": outcome.name,
                "unit": outcome.unit,
                "status": test.status,
                "flagged": test.flagged,
            }
            if test.status == "accepted":
                row |= summarise(outcome, trials)
            else:
                row |= {"value": np.nan, "n_trials": 0, "trials": "", "why": test.why}
            rows.append(row)
    names = ["session", "centre", "technique", "outcome", "value", "unit", "n_trials", "trials",
             "sd", "cv_pct", "status", "flagged", "why"]  # fmt: skip
    return pd.DataFrame(rows, columns=names)


def summarise(outcome: Outcome, trials: Sequence[tuple[str, MeasuredTrial]]) -> dict[str, Any]:
    """Summarise one outcome over accepted trials as the contract says.

    Mean, best and highest mean are described with `contract.Outcome`. `sd` (n - 1) and `cv_pct` are
    over all accepted trials that have the number, missing below two of them.
    """
    values = np.array([t.values.get(outcome.quantity, np.nan) for _, t in trials])
    chosen = _choose(outcome, trials, values)
    usable = values[~np.isnan(values)]
    sd = float(np.std(usable, ddof=1)) if usable.size > 1 else np.nan
    mean = float(np.mean(usable)) if usable.size else np.nan
    summary: dict[str, Any] = {
        "value": float(np.mean(values[chosen])) if chosen.size else np.nan,
        "n_trials": int(chosen.size),
        "trials": ",".join(trials[i][0] for i in chosen),
        "sd": sd,
        "cv_pct": 100.0 * sd / mean if usable.size > 1 and mean > 0 else np.nan,
        "why": "",
    }
    if np.isnan(summary["value"]):
        summary |= {"n_trials": 0, "trials": "", "why": _no_value(outcome, usable.size)}
    return summary


def _choose(
    outcome: Outcome, trials: Sequence[tuple[str, MeasuredTrial]], values: FloatArray
) -> IntArray:
    """Return the positions of the trials that the outcome rests on."""
    usable = np.flatnonzero(~np.isnan(values))
    if outcome.summary == "best":
        return _best(outcome.score, trials)
    if outcome.summary == "highest_mean":
        if usable.size < outcome.least:
            return usable[:0]
        return np.sort(usable[np.argsort(-values[usable], kind="stable")][: outcome.most])
    return usable


def _best(scores: Sequence[str], trials: Sequence[tuple[str, MeasuredTrial]]) -> IntArray:
    for score in scores:
        values = np.array([t.values.get(score, np.nan) for _, t in trials])
        if values.size and not np.isnan(values).any():
            return np.array([int(np.argmax(values))])
    return np.array([], dtype=np.int64)


def _no_value(outcome: Outcome, n_usable: int) -> str:
    if outcome.summary == "highest_mean" and n_usable:
        return f"Only {n_usable} accepted trials have this number; {outcome.least} are needed."
    return "This number could not be computed in the accepted trials that it rests on."
