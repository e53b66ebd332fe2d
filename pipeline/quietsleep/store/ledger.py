"""The ledger: what became of every item in every night.

A row is written when the state of an item or its sentence differs from the night before, so the
state of an item in any night is its last row up to that night.
"""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from quietsleep.judge.tests import Evidence, Judged
from quietsleep.store.state import State

COLUMNS = ["centre", "item_kind", "item", "technique", "state", "sentence"]

# The last row of each item, next to the rows of tonight.
CHANGED = """
INSERT INTO ledger
SELECT ? AS night, t.centre, t.item_kind, t.item, t.technique, t.state, t.sentence
FROM tonight t LEFT JOIN (
    SELECT centre, item_kind, item, arg_max(state, night) AS state,
           arg_max(coalesce(sentence, ''), night) AS sentence
    FROM ledger GROUP BY ALL
) last USING (centre, item_kind, item)
WHERE t.state IS DISTINCT FROM last.state OR t.sentence IS DISTINCT FROM last.sentence
"""


def begin_ledger(state: State) -> None:
    """Make room for what became of every item tonight."""
    columns = ", ".join(f"{name} VARCHAR" for name in COLUMNS)
    state.run(f"CREATE OR REPLACE TEMP TABLE tonight ({columns})")


def rows_of_deliveries(deliveries: pd.DataFrame) -> pd.DataFrame:
    """Return what became of the deliveries."""
    return _rows(deliveries, "delivery", item="delivery", status="state")


def rows_of_block(evidence: Evidence, judged: Judged) -> pd.DataFrame:
    """Return what became of the visits, recordings, checks and trials of one block."""
    frames = [
        _rows(judged.sessions, "session", item="session", status="status"),
        _rows(evidence.recordings, "recording", item="recording", status="state"),
        _rows(judged.checks, "check", item="check_id", status="status"),
        _rows(judged.trials, "trial", item="trial", status="status"),
    ]
    return pd.concat([frame for frame in frames if len(frame)] or frames[:1], ignore_index=True)


def write_ledger(state: State, night: str) -> None:
    """Append to the ledger what changed tonight, in one transaction.

    What a killed night of the same name has written goes first: its name was never published.
    """
    with state.transaction():
        state.run("DELETE FROM ledger WHERE night >= ?", [night])
        state.run(CHANGED, [night])
    state.run("DROP TABLE temp.tonight")


def _rows(items: pd.DataFrame, kind: str, *, item: str, status: str) -> pd.DataFrame:
    said = items.get("why", "")
    named = items.rename(columns={item: "item", "kind": "technique"})
    named = named.assign(item_kind=kind, state=items[status], sentence=said)
    return named.reindex(columns=COLUMNS)


def ledger_rows(state: State) -> Iterator[pd.DataFrame]:
    """Yield the whole ledger, some ten thousand rows at a time."""
    return state.chunks("SELECT * FROM ledger")
