"""Over-reading of a published night: its trials, the decisions on them, and who waits."""

from __future__ import annotations

from contextlib import closing, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import duckdb
import pandas as pd

from quietsleep.contract import Choice
from quietsleep.judge.machine import unmet
from quietsleep.review.queue import speaking, waiting
from quietsleep.review.trials import Published, read_trials
from quietsleep.review.words import check_note, check_reader, check_reason, codes_of
from quietsleep.study.review_log import Chain, Review, ReviewError, ReviewFile
from quietsleep.study.study import Study
from quietsleep.warehouse.current import current_night, published_nights
from quietsleep.warehouse.query import open_night


@dataclass(frozen=True, slots=True)
class Waiting:
    """The trials that wait for a reader, and the sentence of a broken file of decisions."""

    trials: pd.DataFrame
    broken: str


@dataclass(frozen=True, slots=True)
class Said:
    """What a reader says of one trial, not looked at yet."""

    trial: str
    reader: str
    decision: Choice
    reason: str
    centre: str | None = None
    note: str = ""
    blind: bool = False


def read_published(study: Study) -> Published:
    """Read the trials of the last night; WarehouseError when no night has been published."""
    with closing(open_night(current_night(study.path))) as warehouse:
        return read_trials(warehouse)


def published_digests(study: Study) -> dict[str, str]:
    """Return the digest of each decision that the last night took for whole.

    A night whose database was damaged since cannot say; the one before it then does.
    """
    for night in published_nights(study.path):
        with suppress(duckdb.Error), closing(open_night(night)) as warehouse:
            tables = {row[0] for row in warehouse.execute("SHOW TABLES").fetchall()}
            if "reviews" not in tables:
                return {}
            rows = warehouse.execute("SELECT review, sha256 FROM reviews WHERE state <> 'broken'")
            return dict(rows.fetchall())
    return {}


def review_file(study: Study) -> ReviewFile:
    """Return the file of decisions of a study, verified against its last night."""
    return ReviewFile(study.path, study.work_path, published_digests(study))


def read_reviews(study: Study) -> Chain:
    """Read and verify the decisions of a study."""
    return review_file(study).read()


def waiting_trials(study: Study) -> Waiting:
    """Return the trials of the last night that wait for a reader, with the worst verdict of each.

    `trials` is as `review.queue.waiting` returns it, with `said`: what the rules found.
    """
    published = read_published(study)
    chain = read_reviews(study)
    rows = waiting(published.trials, published.verdicts, chain.reviews, study=study.name)
    said = speaking(published.verdicts)
    keys = zip(rows["centre"], rows["trial"], strict=True)
    return Waiting(rows.assign(said=[said.get(key, "") for key in keys]), chain.broken)


def write_down(study: Study, said: Said, *, new_reader: bool = False) -> Review:
    """Write one decision into the file of the study and return it.

    ReviewError when trial, reader, reason or note cannot stand. A code that no reader has used
    yet needs `new_reader`: a slip of the pen must not make a second reader out of one.
    """
    published = read_published(study)
    trial = _trial_of(published.trials, said)
    file = review_file(study)
    known = {review.reader for review in file.read().reviews}
    check_reader(said.reader, known=known, new_reader=new_reader)
    reason = check_reason(said.reason, said.decision, technique=trial["technique"])
    overrules = unmet(published.verdicts)
    here = (overrules["centre"] == trial["centre"]) & (overrules["item"] == trial["trial"])
    days = frozenset({trial["tested_at"].date()})
    return file.append(
        Review(
            review="",
            centre=trial["centre"],
            trial=trial["trial"],
            technique=trial["technique"],
            file_sha256=trial["file_sha256"],
            start_s=float(trial["start_s"]),
            end_s=float(trial["end_s"]),
            reader=said.reader,
            decided_at=datetime.now(UTC).isoformat(timespec="seconds"),
            decision=said.decision,
            reason=reason,
            note=check_note(said.note, words=codes_of(study), days=days),
            blind=said.blind,
            machine=trial["machine"],
            overrules=tuple(sorted(overrules.loc[here, "rule"])),
        )
    )


def _trial_of(trials: pd.DataFrame, said: Said) -> dict[str, Any]:
    rows = trials[trials["trial"] == said.trial]
    if said.centre is not None:
        rows = rows[rows["centre"] == said.centre]
    if rows.empty:
        raise ReviewError(
            f"There is no trial {said.trial} in the last night; "
            "'quietsleep review' and the pages name them."
        )
    if len(rows) > 1:
        raise ReviewError(
            f"Trial {said.trial} is at {', '.join(rows['centre'])}: say which with --centre."
        )
    return dict(rows.iloc[0])
