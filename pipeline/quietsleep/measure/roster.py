"""Which sessions, recordings and checks count tonight, out of all that was ever delivered.

A later delivery of a session or a check supersedes the earlier one whole, even where the later one
is held: what a centre has replaced never comes back silently. A delivery that was quarantined as a
whole replaces nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from quietsleep import contract
from quietsleep.contract.schemas import PANDAS_TYPES
from quietsleep.store.state import State

TABLES = ("sessions", "recordings", "checks", "reported")
OWN_COLUMNS = ("centre", "delivery", "row", "on", "held", "why")


@dataclass(frozen=True, slots=True)
class Roster:
    """The rows that count, in the columns of the delivery contract and some of ours.

    Every frame has `centre`, `delivery`, `on` (the local day), `held` (True where the row or its
    file was refused at the border) and `why`. `recordings` and `checks` have `folder` and
    `file_sha256`, and `checks` calls its key `check_id`. `session_checks` links each session to
    the last check of each kind on its device that day and before it: centre, session, kind,
    check_id.
    """

    sessions: pd.DataFrame
    recordings: pd.DataFrame
    checks: pd.DataFrame
    reported: pd.DataFrame
    session_checks: pd.DataFrame


def read_roster(state: State) -> Roster:
    """Work out what counts from everything taken in so far."""
    order = state.frame(
        "SELECT centre, delivery, path AS folder FROM deliveries WHERE state = 'accepted' "
        "ORDER BY centre, created_at, delivery"
    ).assign(turn=lambda rows: range(len(rows)))
    files = state.frame("SELECT centre, delivery, path AS file, sha256 AS file_sha256 FROM stats")
    sessions = _named(_rows(state, "sessions", order), "session")
    sessions = _latest(sessions, "session")
    chosen = sessions[["centre", "delivery", "session", "on"]]
    recordings = _of_sessions(_rows(state, "recordings", order), chosen)
    recordings = _latest(_named(recordings, "recording"), "recording")
    checks = _latest(_named(_rows(state, "checks", order), "check"), "check")
    reported = _of_sessions(_rows(state, "reported", order), chosen)
    of_file = ["centre", "delivery", "file"]
    checks = checks.rename(columns={"check": "check_id"})
    return Roster(
        sessions=sessions.reset_index(drop=True),
        recordings=recordings.merge(files, on=of_file, how="left"),
        checks=checks.merge(files, on=of_file, how="left"),
        reported=reported[~reported["held"]],
        session_checks=link_checks(sessions, checks),
    )


def _rows(state: State, name: str, order: pd.DataFrame) -> pd.DataFrame:
    """Return all kept rows of one table with the types of the contract, in order of delivery."""
    columns = contract.TABLES[f"delivery_{name}"].columns
    types = {column.name: PANDAS_TYPES[column.type] for column in columns}
    rows = state.delivered_rows(name)
    if rows.empty:  # no delivery was ever accepted, or none has a row of this table
        rows = pd.DataFrame(columns=[*types, *OWN_COLUMNS]).astype({"held": "bool"})
    # Rows that an earlier version of the contract took in lack what a later one asks besides.
    lacking = [name for name in types if name not in rows.columns]
    kept = rows.assign(**dict.fromkeys(lacking)).merge(order, on=["centre", "delivery"])
    return kept.astype(types).sort_values(["turn", "row"], kind="stable", ignore_index=True)


def _named(rows: pd.DataFrame, key: str) -> pd.DataFrame:
    """Give held rows without a usable or with a repeated code one of their own, by their row."""
    nameless = rows[key].isna() | rows.duplicated(["centre", "delivery", key])
    place = rows["delivery"] + "-row-" + rows["row"].astype("str")
    return rows.assign(**{key: rows[key].where(~nameless, place)})


def _latest(rows: pd.DataFrame, key: str) -> pd.DataFrame:
    return rows.drop_duplicates(["centre", key], keep="last")


def _of_sessions(rows: pd.DataFrame, chosen: pd.DataFrame) -> pd.DataFrame:
    """Keep the rows that came with the delivery a session counts from; take over its day.

    A held row whose session is in no table of its delivery belongs to nothing and stays as it is.
    """
    by = ["centre", "delivery", "session"]
    joined = rows.drop(columns="on", errors="ignore").merge(
        chosen, on=by, how="left", indicator="found"
    )
    return joined[(joined["found"] == "both") | joined["held"]].drop(columns="found")


def link_checks(sessions: pd.DataFrame, checks: pd.DataFrame) -> pd.DataFrame:
    """Link sessions to the last readable check of each kind on their device, that day, before."""
    taken = checks.loc[~checks["held"], ["centre", "device", "on", "kind", "check_id", "done_at"]]
    clean = sessions.loc[~sessions["held"], ["centre", "session", "device", "on", "tested_at"]]
    pairs = clean.merge(taken, on=["centre", "device", "on"])
    pairs = pairs[pairs["done_at"] <= pairs["tested_at"]].sort_values(["done_at", "check_id"])
    last = pairs.drop_duplicates(["centre", "session", "kind"], keep="last")
    return last[["centre", "session", "kind", "check_id"]].reset_index(drop=True)
