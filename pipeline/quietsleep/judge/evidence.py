"""Bring stored measures, the roster and the session together: what judging starts from."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from quietsleep import contract
from quietsleep.judge.scores import GROWTH
from quietsleep.judge.tests import Evidence
from quietsleep.measure.plan import values_of_checks
from quietsleep.measure.roster import Roster
from quietsleep.store.state import StoredMeasures

FOLLOW_UP = "followup_call_done"


def gather(stored: StoredMeasures, roster: Roster) -> Evidence:
    """Gather what judging needs of a roster, whose rows carry their content keys."""
    recordings = _with_state(stored.measured, roster.recordings)
    checks = _with_state(stored.measured, roster.checks)
    trials = trials_of(stored.trials, recordings)
    return Evidence(
        sessions=roster.sessions,
        recordings=recordings,
        trials=trials,
        trial_values=_trial_values(stored.values, trials, recordings),
        checks=checks,
        check_values=values_of_checks(stored.values, checks),
        session_values=session_values(roster.sessions),
        session_checks=roster.session_checks,
    )


def _with_state(measured: pd.DataFrame, rows: pd.DataFrame) -> pd.DataFrame:
    """Join what was measured to roster rows that carry `content_key`; held rows are quarantined."""
    joined = rows.merge(measured, on="content_key", how="left")
    joined["state"] = joined["state"].where(~joined["held"], "quarantined").fillna("crashed")
    joined["why"] = joined["why"].where(joined["held"], joined["sentence"]).fillna("")
    return joined.drop(columns="sentence")


def trials_of(stored: pd.DataFrame, recordings: pd.DataFrame) -> pd.DataFrame:
    """Return the trials of recordings, in order of time within each."""
    names = ["centre", "session", "technique", "recording", "item", "on", "content_key"]
    trials = stored.merge(recordings[names], on="content_key")
    trials["trial"] = trials["item"] + "#" + trials["trial_index"].astype(str)
    order = ["centre", "session", "technique", "recording", "trial_index"]
    return trials.sort_values(order, ignore_index=True)


def _trial_values(
    stored: pd.DataFrame, trials: pd.DataFrame, recordings: pd.DataFrame
) -> pd.DataFrame:
    """Return the measured numbers of each trial, and what its recording's row says of it."""
    names = ["content_key", "trial_index", "centre", "trial", "technique"]
    measured = stored.merge(trials[names], on=["content_key", "trial_index"])
    said = trials.merge(
        recordings[["centre", "item", "sleep_state", "operator_accepts"]],
        on=["centre", "item"],
    )
    asleep = said["sleep_state"]
    notes: dict[str, Any] = {
        "quiet_sleep": np.where(asleep.isna(), np.nan, (asleep == "quiet").astype(float)),
        "operator_accepts": as_number(said["operator_accepts"]),
    }
    kept = ["centre", "trial", "technique"]
    from_row = [said[kept].assign(quantity=q, value=v, reason=None) for q, v in notes.items()]
    return pd.concat(
        [measured[[*kept, "quantity", "value", "reason"]], *from_row], ignore_index=True
    )


def session_values(sessions: pd.DataFrame) -> pd.DataFrame:
    """Return the quantities of each session: what its row says, and growth z-scores.

    Columns: centre, session, quantity, value, reason.
    """
    taken = sessions[~sessions["held"]]
    frames = []
    for name in contract.SESSION.names("session"):
        rows = taken[["centre", "session"]].assign(quantity=str(name))
        rows["reason"] = None
        if name in GROWTH:
            rows["value"], rows["reason"] = taken[name], taken[f"{name}_why"].replace("", None)
        elif name == FOLLOW_UP:
            rows["value"] = taken[name].map({"yes": 1.0, "no": 0.0})
        else:
            rows["value"] = as_number(taken[name])
        frames.append(rows)
    return pd.concat(frames, ignore_index=True)


def as_number(column: pd.Series[Any]) -> pd.Series[float]:
    """Return yes and no as 1 and 0, numbers as they are, missing as NaN."""
    return column.astype("Float64").astype("float64")
