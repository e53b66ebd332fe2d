"""The ledger: what became of every item in every night.

A row is written when the state of an item or its sentence differs from the night before, so the
state of an item in any night is its last row up to that night.
"""

from __future__ import annotations

import pandas as pd

from pipeline.state import State
from pipeline.warehouse.frames import Tonight

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


def write_ledger(state: State, tonight: Tonight) -> None:
    """Append what changed tonight: deliveries, sessions, recordings, checks and trials.

    What a killed night of the same name has written goes first: its name was never published.
    """
    state.run("DELETE FROM ledger WHERE night >= ?", [tonight.night])
    evidence, judged = tonight.evidence, tonight.judged
    frames = [
        _rows(tonight.deliveries, "delivery", item="delivery", status="state"),
        _rows(judged.sessions, "session", item="session", status="status"),
        _rows(evidence.recordings, "recording", item="recording", status="state"),
        _rows(judged.checks, "check", item="check_id", status="status"),
        _rows(judged.trials, "trial", item="trial", status="status"),
    ]
    rows = pd.concat([frame for frame in frames if len(frame)] or frames[:1], ignore_index=True)
    state.run_with(CHANGED, [tonight.night], tonight=rows)


def _rows(items: pd.DataFrame, kind: str, *, item: str, status: str) -> pd.DataFrame:
    said = items.get("why", "")
    named = items.rename(columns={item: "item", "kind": "technique"})
    named = named.assign(item_kind=kind, state=items[status], sentence=said)
    return named.reindex(columns=COLUMNS)


def ledger_rows(state: State) -> pd.DataFrame:
    """Return the whole ledger."""
    return state.frame("SELECT * FROM ledger ORDER BY night, centre, item_kind, item")
