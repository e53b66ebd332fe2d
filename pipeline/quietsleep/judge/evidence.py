"""Bring stored measures, the roster and the session together: what judging starts from."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from quietsleep import contract
from quietsleep.judge.slips import Registered, registered_of
from quietsleep.judge.tests import Evidence
from quietsleep.measure.plan import values_of_checks
from quietsleep.measure.roster import Roster
from quietsleep.records import FloatArray
from quietsleep.signals.gas import btps_factor
from quietsleep.store.items import keys_of
from quietsleep.store.state import StoredMeasures
from quietsleep.study.study import Device, Study

FOLLOW_UP = "followup_call_done"
VALUES = ["centre", "trial", "technique", "quantity", "value", "reason"]
# What is asked of the row of a recording, besides what its technique needs to measure it.
SAID = ["sleep_state", "operator_accepts", "mask_on_min", "started_at", "ended_at", "duration_s"]

NO_REASONS: Mapping[str, pd.Series[Any]] = {}


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
    from_row = _one_a_row(
        said[["centre", "trial", "technique"]],
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


def _length_against_clock(said: pd.DataFrame) -> dict[str, FloatArray]:
    """Return how far the length of each recording is from the time between its two moments.

    Moments that are both whole minutes are taken as written to the minute: they say nothing.
    """
    began, ended = said["started_at"], said["ended_at"]
    to_the_minute = (began.dt.floor("min") == began) & (ended.dt.floor("min") == ended)
    by_clock = (ended - began).dt.total_seconds().where(~to_the_minute)
    off_s = (by_clock - said["duration_s"].astype("float64")).abs()
    return {
        "clock_difference_s": as_number(off_s),
        "clock_difference_pct": as_number(100.0 * off_s / by_clock.where(by_clock > 0.0)),
    }


def with_quotients(
    values: pd.DataFrame, trials: pd.DataFrame, sessions: pd.DataFrame
) -> pd.DataFrame:
    """Add the quotients that the contract declares (`Quantity.ratio`) to the values of trials.

    `trials` (centre, trial, session) may hold columns of the recording that a quotient takes;
    `sessions` holds the numbers below. NaN where either is missing, with the reason.
    """
    own = values[["centre", "trial", "technique"]].drop_duplicates().merge(trials)
    technique = own["technique"].to_numpy()
    row_of = {key: row for row, key in enumerate(keys_of(sessions, "session"))}
    of_session = np.array([row_of.get(key, -1) for key in keys_of(own, "session")], np.int64)
    quotients = [(q, *q.ratio) for q in contract.QUANTITIES.values() if q.ratio is not None]
    above = {over: _numbers_above(over, values, own) for over in {over for _, over, _ in quotients}}
    places, numbers, reasons = [], [], []
    for quantity, over, under in quotients:
        place = np.flatnonzero(technique == quantity.owner)
        # A session that is not there is row -1: the NaN behind the last one.
        below = np.append(sessions[under].to_numpy(np.float64), np.nan)[of_session[place]]
        lacking = np.isnan(below) | (below <= 0.0)
        number, reason = above[over]
        places.append(place)
        numbers.append(number[place] / np.where(lacking, np.nan, below))
        reasons.append(np.where(lacking, f"no {under}", reason[place]))
    found = own.take(np.concatenate(places)).assign(
        quantity=np.repeat([q.name for q, _, _ in quotients], [place.size for place in places]),
        value=np.concatenate(numbers),
        reason=np.concatenate(reasons),
    )
    return pd.concat([values, found[VALUES]], ignore_index=True)


def _numbers_above(
    name: str, values: pd.DataFrame, trials: pd.DataFrame
) -> tuple[FloatArray, NDArray[np.object_]]:
    """Return the number (n,) that quotients of trials take, and why there is none (n,)."""
    if name in trials.columns:
        return trials[name].to_numpy(np.float64, na_value=np.nan), np.full(len(trials), None)
    measured = values[values["quantity"] == name]
    columns = (keys_of(measured, "trial"), measured["value"].tolist(), measured["reason"].tolist())
    found = {key: (value, reason) for key, value, reason in zip(*columns, strict=True)}
    rows = [found.get(key, (np.nan, None)) for key in keys_of(trials, "trial")]
    reasons = np.array([reason for _, reason in rows], dtype=object)
    return np.array([value for value, _ in rows], dtype=np.float64), reasons


def session_values(sessions: pd.DataFrame) -> pd.DataFrame:
    """Return the quantities of each session: what its row says, and growth z-scores.

    Columns: centre, session, quantity, value, reason.
    """
    taken = sessions[~sessions["held"]]
    values: dict[str, FloatArray] = {}
    reasons: dict[str, pd.Series[Any]] = {}
    for name in contract.SESSION.names("session"):
        if f"{name}_why" in taken.columns:
            value, reasons[name] = taken[name], taken[f"{name}_why"].replace("", None)
        elif name == FOLLOW_UP:
            value = taken[name].map({"yes": 1.0, "no": 0.0})
        else:
            value = taken[name]
        values[name] = as_number(value)
    return _one_a_row(taken[["centre", "session"]], values, reasons)


def _one_a_row(
    items: pd.DataFrame,
    values: Mapping[str, FloatArray],
    reasons: Mapping[str, pd.Series[Any]] = NO_REASONS,
) -> pd.DataFrame:
    """Return a row per quantity and item: the columns of `items`, quantity, value, reason.

    `values` are (n_items,), as are `reasons`; a NaN without a reason is what nobody wrote down.
    """
    none = np.full(len(items), None)
    return (
        items.take(np.tile(np.arange(len(items)), len(values)))
        .assign(
            quantity=np.repeat([*values], len(items)),
            value=np.concatenate([*values.values()]),
            reason=np.concatenate([reasons.get(name, none) for name in values]),
        )
        .reset_index(drop=True)
    )


def as_number(column: pd.Series[Any]) -> FloatArray:
    """Return yes and no as 1 and 0, numbers as they are, missing as NaN."""
    return column.to_numpy(np.float64, na_value=np.nan)
