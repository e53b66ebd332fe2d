"""Bring stored measures, the roster and the session together: what judging starts from."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from quietsleep import contract
from quietsleep.judge.slips import Registered, registered_of
from quietsleep.judge.tests import Evidence
from quietsleep.measure.plan import values_of_checks
from quietsleep.measure.roster import Roster
from quietsleep.signals.gas import btps_factor
from quietsleep.store.state import StoredMeasures
from quietsleep.study.study import Device, Study

FOLLOW_UP = "followup_call_done"
VALUES = ["centre", "trial", "technique", "quantity", "value", "reason"]
# What is asked of the row of a recording, besides what its technique needs to measure it.
SAID = ["sleep_state", "operator_accepts", "mask_on_min", "started_at", "ended_at", "duration_s"]


def gather(stored: StoredMeasures, roster: Roster, study: Study) -> Evidence:
    """Gather what judging needs of a roster, whose rows carry their content keys.

    Its sessions carry what `judge.scores` and `judge.plausible` add to them.
    """
    recordings = _with_state(stored.measured, roster.recordings)
    checks = _with_state(stored.measured, roster.checks)
    trials = trials_of(stored.trials, recordings)
    devices = _devices_in_force(roster.sessions, study)
    gas = [None if device is None else device.gas_state for device in devices]
    sessions = roster.sessions.assign(gas_state=pd.Series(gas, roster.sessions.index, dtype="str"))
    return Evidence(
        sessions=sessions,
        recordings=recordings,
        trials=trials,
        trial_values=_trial_values(stored.values, trials, recordings, sessions),
        checks=checks,
        check_values=values_of_checks(stored.values, checks),
        session_values=session_values(sessions),
        session_checks=roster.session_checks,
        registered=_registered(sessions, study),
    )


def _devices_in_force(sessions: pd.DataFrame, study: Study) -> list[Device | None]:
    """Return the entry of the device in force on the day of each session; None where none is."""
    pairs = zip(sessions["device"], sessions["on"], strict=True)
    return [
        study.device_on(device, day if isinstance(day, date) else None)
        if isinstance(device, str)
        else None
        for device, day in pairs
    ]


def _registered(sessions: pd.DataFrame, study: Study) -> dict[tuple[str, str], Registered]:
    """Return what is registered of the device of each session, and the gas of its room."""
    found = {}
    row: Any
    for row, device in zip(sessions.itertuples(), _devices_in_force(sessions, study), strict=True):
        if device is None:
            continue
        btps = btps_factor(
            row.room_temperature_c, row.room_humidity_pct, row.barometric_pressure_kpa
        )
        found[row.centre, row.session] = registered_of(device, btps=btps)
    return found


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
    stored: pd.DataFrame, trials: pd.DataFrame, recordings: pd.DataFrame, sessions: pd.DataFrame
) -> pd.DataFrame:
    """Return the measured numbers of each trial, what its rows say of it, and their quotients."""
    names = ["content_key", "trial_index", "centre", "trial", "technique"]
    measured = stored.merge(trials[names], on=["content_key", "trial_index"])
    said = trials.merge(recordings[["centre", "item", *SAID]], on=["centre", "item"])
    asleep = said["sleep_state"]
    from_row = _noted(
        said,
        {
            "quiet_sleep": np.where(asleep.isna(), np.nan, (asleep == "quiet").astype(float)),
            "operator_accepts": as_number(said["operator_accepts"]),
            "mask_on_min": as_number(said["mask_on_min"]),
            **_length_against_clock(said),
        },
    )
    values = pd.concat([measured[VALUES], from_row], ignore_index=True)
    above = {q.ratio[0] for q in contract.QUANTITIES.values() if q.ratio is not None}
    of_row = sorted(above & set(recordings.columns))
    known = trials[["centre", "trial", "session", "item"]].merge(
        recordings[["centre", "item", *of_row]], on=["centre", "item"]
    )
    return with_quotients(values, known, sessions)


def _noted(items: pd.DataFrame, notes: Mapping[str, Any]) -> pd.DataFrame:
    """Return one row per trial and number; NaN without a reason is what nobody wrote down."""
    kept = items[["centre", "trial", "technique"]]
    return pd.concat(
        [kept.assign(quantity=q, value=v, reason=None) for q, v in notes.items()],
        ignore_index=True,
    )


def _length_against_clock(said: pd.DataFrame) -> dict[str, pd.Series[float]]:
    """Return how far the length of each recording is from the time between its two moments.

    Moments that are both whole minutes are taken as written to the minute: they say nothing.
    """
    began, ended = said["started_at"], said["ended_at"]
    to_the_minute = (began.dt.floor("min") == began) & (ended.dt.floor("min") == ended)
    by_clock = (ended - began).dt.total_seconds().where(~to_the_minute)
    off_s = (by_clock - said["duration_s"].astype("float64")).abs()
    return {
        "clock_difference_s": off_s,
        "clock_difference_pct": 100.0 * off_s / by_clock.where(by_clock > 0.0),
    }


def with_quotients(
    values: pd.DataFrame, trials: pd.DataFrame, sessions: pd.DataFrame
) -> pd.DataFrame:
    """Add the quotients that the contract declares (`Quantity.ratio`) to the values of trials.

    `trials` (centre, trial, session) may hold columns of the recording that a quotient takes;
    `sessions` holds the numbers below. NaN where either is missing, with the reason.
    """
    found = [values]
    body = sessions.set_index(["centre", "session"])
    for quantity in contract.QUANTITIES.values():
        if quantity.ratio is None:
            continue
        over, under = quantity.ratio
        rows = values[values["technique"] == quantity.owner]
        own = rows[["centre", "trial", "technique"]].drop_duplicates().merge(trials)
        if over in trials.columns:
            above = own[over].astype("float64")
            own = own.assign(reason=None)
        else:
            measured = rows[rows["quantity"] == over]
            own = own.merge(measured[["centre", "trial", "value", "reason"]], how="left")
            above = own["value"]
        keys = pd.MultiIndex.from_frame(own[["centre", "session"]])
        below = body[under].reindex(keys).to_numpy(np.float64)
        lacking = np.isnan(below) | (below <= 0.0)
        own["value"] = above / np.where(lacking, np.nan, below)
        own["reason"] = own["reason"].mask(lacking, f"no {under}")
        found.append(own.assign(quantity=quantity.name)[VALUES])
    return pd.concat(found, ignore_index=True)


def session_values(sessions: pd.DataFrame) -> pd.DataFrame:
    """Return the quantities of each session: what its row says, and growth z-scores.

    Columns: centre, session, quantity, value, reason.
    """
    taken = sessions[~sessions["held"]]
    frames = []
    for name in contract.SESSION.names("session"):
        rows = taken[["centre", "session"]].assign(quantity=str(name))
        rows["reason"] = None
        if f"{name}_why" in taken.columns:
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
