"""Conservation: each recording and trial counted in one state, by centre and technique.

Every recording that was ever delivered is in exactly one count, over all nights.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

import pandas as pd

from quietsleep.measure.roster import Roster

UNKNOWN = "unknown"
BY = ["centre", "technique"]
REFUSED = ("quarantined", "crashed")
IN_A_STATE = ["measured", "no_trial", *REFUSED]
# What later deliveries, or a withdrawal, took out of the count of one night.
OUT = ["superseded", "withdrawn"]
JUDGED = ["accepted", "rejected", "not_judgeable"]
COUNTS = ["delivered", *IN_A_STATE, *OUT, "found", "flagged", *JUDGED]


def count_block(recordings: pd.DataFrame, trials: pd.DataFrame) -> pd.DataFrame:
    """Count the recordings and judged trials of one block of sessions."""
    state = recordings["state"]
    rows = recordings[["centre"]].assign(
        technique=recordings["technique"].fillna(UNKNOWN),
        **{name: (state == name).astype(int) for name in IN_A_STATE},
    )
    status = trials["status"]
    found = trials[BY].assign(
        found=1,
        flagged=(trials["flagged"] & (status == "accepted")).astype(int),
        **{name: (status == name).astype(int) for name in JUDGED},
    )
    counts = rows.groupby(BY).sum().join(found.groupby(BY).sum(), how="left")
    counts = counts.reindex(columns=COUNTS)
    return counts.fillna(0).astype("int64").reset_index()


def count_deliveries(roster: Roster) -> Iterator[pd.DataFrame]:
    """Count what was ever delivered, and what later deliveries or withdrawals took out of it."""
    replaced = roster.superseded[roster.superseded["item_kind"] == "recording"]
    for name, rows in (
        ("delivered", roster.delivered),
        ("superseded", replaced),
        ("withdrawn", roster.withdrawn),
    ):
        named = rows[["centre"]].assign(technique=rows["technique"].fillna(UNKNOWN), n=1)
        counts = named.groupby(BY)["n"].sum().rename(name).reset_index()
        yield counts.reindex(columns=[*BY, *COUNTS], fill_value=0)


def add_up(counts: Iterable[pd.DataFrame], *, centres: Sequence[str], night: str) -> pd.DataFrame:
    """Add all counts, and say for each centre and technique whether they balance.

    A centre without any recording has one row, technique "none".
    """
    nothing = pd.DataFrame({name: pd.Series(dtype="int64") for name in COUNTS}).assign(
        **{name: pd.Series(dtype="str") for name in BY}
    )
    whole = pd.concat([nothing, *counts]).groupby(BY, sort=True)[COUNTS].sum().reset_index()
    absent = sorted(set(centres) - set(whole["centre"]))
    bare = pd.DataFrame({"centre": absent, "technique": "none"}).assign(**dict.fromkeys(COUNTS, 0))
    whole = pd.concat([whole, bare], ignore_index=True).astype(dict.fromkeys(COUNTS, "int64"))
    in_a_state, judged = whole[IN_A_STATE + OUT].sum(axis=1), whole[JUDGED].sum(axis=1)
    whole["balances"] = (whole["delivered"] == in_a_state) & (whole["found"] == judged)
    return whole.assign(night=night)
