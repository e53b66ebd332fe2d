"""The trials of a published night as readers need them: where they lie, and their verdicts."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from pipeline.review.machine import machine_status

if TYPE_CHECKING:
    import duckdb

TRIALS = """
SELECT t.centre, t.trial, t.recording, t.session, t.technique, t.start_s, t.end_s, t.status,
    t.flagged, r.file, r.file_sha256, s.tested_at
FROM trials AS t
JOIN recordings AS r ON r.centre = t.centre AND r.recording = t.recording
JOIN sessions AS s ON s.centre = t.centre AND s.session = t.session
ORDER BY t.centre, t.technique, t.trial
"""
VERDICTS = """
SELECT item_kind, centre, item, technique, rule, quantity, observed, limit_low, limit_high,
    severity, state, sentence, waiver
FROM verdicts WHERE item_kind = 'trial' AND state <> 'not_applicable'
"""


@dataclass(frozen=True, slots=True)
class Published:
    """The trials and verdicts of a published night; `trials` has `machine` as well."""

    trials: pd.DataFrame
    verdicts: pd.DataFrame


def read_trials(warehouse: duckdb.DuckDBPyConnection) -> Published:
    """Read the trials of a night, and what the rules alone say of each."""
    trials = warehouse.execute(TRIALS).df()
    verdicts = warehouse.execute(VERDICTS).df()
    return Published(trials.assign(machine=machine_status(trials, verdicts)), verdicts)
