"""What a night says of deliveries and problems: which still stand, and which are superseded."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from quietsleep.measure.roster import Roster
from quietsleep.records import Problem
from quietsleep.store.state import State

NAMES = {"row_number": "row"}


def deliveries_tonight(state: State, roster: Roster) -> pd.DataFrame:
    """Return every delivery ever taken in; superseded when nothing of it counts any more."""
    rows = state.frame(
        "SELECT d.*, count(p.kind) AS n_problems FROM deliveries d LEFT JOIN problems p "
        "ON p.centre = d.centre AND p.delivery = d.delivery AND p.content_key IS NULL "
        "GROUP BY ALL ORDER BY d.centre, d.created_at, d.delivery"
    )
    counting = pd.concat(
        [f[["centre", "delivery"]] for f in (roster.sessions, roster.recordings, roster.checks)]
    ).drop_duplicates()
    counts = rows.merge(counting, on=["centre", "delivery"], how="left", indicator="found")
    gone = (rows["state"] == "accepted") & (rows["n_sessions"] > 0) & (counts["found"] != "both")
    rows["state"] = rows["state"].where(~gone, "superseded")
    return rows


def problems_tonight(
    state: State, roster: Roster, deliveries: pd.DataFrame, *, night: str, strays: Sequence[Problem]
) -> pd.DataFrame:
    """Return the problems that still stand, numbered: of deliveries and of recordings that count.

    A problem goes when its delivery is superseded or its recording is delivered anew.
    """
    rows = state.frame("SELECT * FROM problems ORDER BY night, centre, delivery, where_found")
    keys = pd.concat([roster.recordings["content_key"], roster.checks["content_key"]])
    standing = deliveries.loc[deliveries["state"] != "superseded", ["centre", "delivery"]]
    of_delivery = rows[rows["content_key"].isna()].merge(standing, on=["centre", "delivery"])
    of_signal = rows[rows["content_key"].isin(keys.dropna())]
    loose = pd.DataFrame(
        [
            {"night": night, "centre": p.centre or None, "kind": p.kind, "where_found": p.where}
            | {"expected": p.expected, "sentence": p.sentence, "remedy": p.remedy}
            for p in strays
        ]
    )
    found = pd.concat([f for f in (of_delivery, of_signal, loose) if len(f)] or [rows])
    found = found.rename(columns=NAMES).reset_index(drop=True)
    return found.assign(problem=found.groupby("night", sort=False).cumcount() + 1)
