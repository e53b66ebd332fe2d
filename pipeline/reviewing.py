"""Over-reading of a published night: its trials, the decisions on them, and who waits."""

from __future__ import annotations

from contextlib import closing
from dataclasses import dataclass

import pandas as pd

from pipeline.review.decisions import Chain, ReviewFile
from pipeline.review.machine import machine_status
from pipeline.review.queue import waiting
from pipeline.study import Study
from pipeline.warehouse.current import WarehouseError, current_night
from pipeline.warehouse.query import open_night

TRIALS = """
SELECT t.centre, t.trial, t.recording, t.session, t.technique, t.start_s, t.end_s, t.status,
    t.flagged, r.file, r.file_sha256, s.operator
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
    """The trials and verdicts of the last published night; `trials` has `machine` as well."""

    trials: pd.DataFrame
    verdicts: pd.DataFrame


def read_published(study: Study) -> Published:
    """Read the trials of the last night; WarehouseError when no night has been published."""
    with closing(open_night(current_night(study.path))) as warehouse:
        trials = warehouse.execute(TRIALS).df()
        verdicts = warehouse.execute(VERDICTS).df()
    return Published(trials.assign(machine=machine_status(trials, verdicts)), verdicts)


def published_digests(study: Study) -> dict[str, str]:
    """Return the digest of each decision that the last night took for whole."""
    try:
        night = current_night(study.path)
    except WarehouseError:
        return {}
    with closing(open_night(night)) as warehouse:
        tables = {row[0] for row in warehouse.execute("SHOW TABLES").fetchall()}
        if "reviews" not in tables:
            return {}
        rows = warehouse.execute("SELECT review, sha256 FROM reviews WHERE state <> 'broken'")
        return dict(rows.fetchall())


def review_file(study: Study) -> ReviewFile:
    """Return the file of decisions of a study, verified against its last night."""
    return ReviewFile(study.path, study.work_path, published_digests(study))


def read_reviews(study: Study) -> Chain:
    """Read and verify the decisions of a study."""
    return review_file(study).read()


def waiting_trials(study: Study) -> pd.DataFrame:
    """Return the trials of the last night that wait for a reader; see `review.queue.waiting`."""
    published = read_published(study)
    return waiting(
        published.trials, published.verdicts, read_reviews(study).reviews, study=study.name
    )
