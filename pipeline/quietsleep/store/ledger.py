"""The ledger: what became of every item in every night.

A row is written when the state of an item or its sentence differs from the night before, so the
state of an item in any night is its last row up to that night.
"""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path

import pandas as pd

from quietsleep import contract
from quietsleep.store.state import State
from quietsleep.store.tables import TableOnDisk, in_contract

COLUMNS = ["centre", "item_kind", "item", "technique", "state", "sentence"]

# The last row of each item, next to the rows of this night.
CHANGED = """
INSERT INTO ledger
SELECT ? AS night, t.centre, t.item_kind, t.item, t.technique, t.state, t.sentence
FROM judged_items t LEFT JOIN (
    SELECT centre, item_kind, item, arg_max(state, night) AS state,
           arg_max(coalesce(sentence, ''), night) AS sentence
    FROM ledger GROUP BY ALL
) last USING (centre, item_kind, item)
WHERE t.state IS DISTINCT FROM last.state OR t.sentence IS DISTINCT FROM last.sentence
"""


def begin_ledger(state: State) -> None:
    """Make room for what became of every item in this night."""
    columns = ", ".join(f"{name} VARCHAR" for name in COLUMNS)
    state.run(f"CREATE OR REPLACE TEMP TABLE judged_items ({columns})")


def rows_of_deliveries(deliveries: pd.DataFrame) -> pd.DataFrame:
    """Return what became of the deliveries."""
    return _rows(deliveries, "delivery", item="delivery", status="state")


def rows_of_block(
    *, sessions: pd.DataFrame, recordings: pd.DataFrame, checks: pd.DataFrame, trials: pd.DataFrame
) -> pd.DataFrame:
    """Return what became of the sessions, recordings, checks and trials of one block."""
    frames = [
        _rows(sessions, "session", item="session", status="status"),
        _rows(recordings, "recording", item="item", status="state"),
        _rows(checks, "check", item="check_id", status="status"),
        _rows(trials, "trial", item="trial", status="status"),
    ]
    return pd.concat([frame for frame in frames if len(frame)] or frames[:1], ignore_index=True)


def add_to_ledger(state: State, rows: pd.DataFrame) -> None:
    """Note what became of some items; `write_ledger` keeps what is new of it."""
    state.append("judged_items", rows)


def write_ledger(state: State, night: str) -> None:
    """Append to the ledger what changed in this night, in one transaction.

    What a killed night of the same name has written goes first: its name was never published.
    """
    with state.transaction():
        state.run("DELETE FROM ledger WHERE night >= ?", [night])
        state.run(CHANGED, [night])
    state.run("DROP TABLE temp.judged_items")


def _rows(items: pd.DataFrame, kind: str, *, item: str, status: str) -> pd.DataFrame:
    said = items.get("why", "")
    # Trials carry the item of their recording as well.
    named = items.assign(item=items[item]).rename(columns={"kind": "technique"})
    named = named.assign(item_kind=kind, state=items[status], sentence=said)
    return named.reindex(columns=COLUMNS)


def ledger_on_disk(
    state: State, folder: Path, *, untold: Collection[tuple[str, str]] = ()
) -> TableOnDisk:
    """Lay the whole ledger, which grows with every night, out on disk as a warehouse table.

    Nothing is told of the sessions that are `untold`, by centre and code.
    """
    table = TableOnDisk(folder, contract.TABLES["ledger"])
    table.keep()
    for number, rows in enumerate(state.chunks("SELECT * FROM ledger")):
        told = rows[~_is_of(rows, untold)] if untold else rows
        table.note(table.add(in_contract(told, "ledger"), block=f"{number:06d}"))
    return table


def _is_of(rows: pd.DataFrame, sessions: Collection[tuple[str, str]]) -> pd.Series[bool]:
    of_session = rows["item_kind"].isin(["session", "recording", "trial"])
    codes = rows["item"].str.partition("/")[0].str.partition("#")[0]
    named = pd.MultiIndex.from_arrays([rows["centre"], codes]).isin(list(sessions))
    return of_session & named
