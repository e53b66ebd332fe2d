"""The trials of a published night as readers need them: where they lie, and their verdicts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from quietsleep.judge.machine import machine_status
from quietsleep.review.queue import is_near

if TYPE_CHECKING:
    import duckdb

TRIALS = """
SELECT t.centre, t.trial, t.recording, t.session, t.technique, t.start_s, t.end_s, t.status,
    t.flagged, r.file, r.file_sha256, s.tested_at
FROM trials AS t
JOIN recordings AS r ON r.centre = t.centre AND r.recording = t.recording
JOIN sessions AS s ON s.centre = t.centre AND s.session = t.session
WHERE $centre IS NULL OR t.centre = $centre
ORDER BY t.centre, t.technique, t.trial
"""
VERDICTS = """
SELECT item_kind, centre, item, technique, rule, quantity, observed, limit_low, limit_high,
    severity, state, sentence, waiver
FROM verdicts
WHERE item_kind = 'trial' AND state <> 'not_applicable' AND ($centre IS NULL OR centre = $centre)
"""
VECTORS_A_CHUNK = 40  # of 2,048 rows


@dataclass(frozen=True, slots=True)
class Published:
    """The trials of a published night and what speaks of them; `trials` has `machine` as well.

    `verdicts` are those that are not met and those that are nearly not: most of a night's say no
    more than that all is well, and would fill the memory.
    """

    trials: pd.DataFrame
    verdicts: pd.DataFrame


def read_trials(warehouse: duckdb.DuckDBPyConnection, centre: str | None = None) -> Published:
    """Read the trials of a night, or of one centre, and what the rules alone say of each."""
    given = {"centre": centre}
    trials = warehouse.execute(TRIALS, given).df()
    answer = warehouse.execute(VERDICTS, given)
    kept = []
    while True:
        rows = answer.fetch_df_chunk(VECTORS_A_CHUNK)
        speaks = (rows["state"] != "pass") | ((rows["severity"] == "reject") & is_near(rows))
        kept.append(rows[speaks])
        if rows.empty:
            break
    verdicts = pd.concat(kept, ignore_index=True)
    return Published(trials.assign(machine=machine_status(trials, verdicts)), verdicts)
