"""Which trials wait for a reader, and why."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
import pandas as pd

from quietsleep import contract
from quietsleep.contract import Choice
from quietsleep.judge.readers import decide, machine_status, unmet
from quietsleep.store.items import code_of_item

if TYPE_CHECKING:
    import duckdb

FLAGGED = "flagged"
BORDERLINE = "borderline"
SECOND_READING = "second reading"
SECOND_READER = "a second reader is needed"
DISAGREE = "readers disagree"
KEY = ["centre", "trial"]


class Reading(Protocol):
    """What the queue needs to know of a decision."""

    @property
    def centre(self) -> str:
        """Centre of the trial."""

    @property
    def trial(self) -> str:
        """The trial."""

    @property
    def file_sha256(self) -> str:
        """Digest of the signal file that was read."""

    @property
    def reader(self) -> str:
        """Code of the reader."""

    @property
    def decision(self) -> Choice:
        """What the reader decided."""


def waiting(
    trials: pd.DataFrame, verdicts: pd.DataFrame, reviews: Iterable[Reading], *, study: str
) -> pd.DataFrame:
    """Return the trials that wait, with `why` (a list of reasons) and `readers` (codes so far).

    `trials` has centre, trial, file_sha256, flagged and machine (what the rules alone say).
    Accepted trials wait while nobody has read them; a rejected one that a reader accepts waits for
    another reader, and any on which readers disagree for one more.
    """
    keys = pd.MultiIndex.from_frame(trials[KEY])
    accepted = (trials["machine"] == "accepted").to_numpy()
    near = keys.isin(borderline(verdicts))
    drawn = [drawn_for_second_reading(study, *key) for key in keys]
    by_trial = _last_by_reader(trials, reviews)
    reasons: list[list[str]] = []
    for key, is_accepted, flagged, is_near, is_drawn in zip(
        keys, accepted, trials["flagged"], near, drawn, strict=True
    ):
        read = by_trial.get(key, [])
        if read:
            reasons.append(_still(read, machine_accepts=bool(is_accepted)))
            continue
        marks = (
            (FLAGGED, flagged and is_accepted),
            (BORDERLINE, is_near),
            (SECOND_READING, is_drawn and is_accepted),
        )
        reasons.append([word for word, holds in marks if holds])
    readers = [sorted(r.reader for r in by_trial.get(key, [])) for key in keys]
    found = trials.assign(
        why=pd.Series(reasons, index=trials.index, dtype="object"),
        readers=pd.Series(readers, index=trials.index, dtype="object"),
    )
    waits = np.array([bool(why) for why in reasons], dtype=bool)
    return found[waits].reset_index(drop=True)


def _last_by_reader(
    trials: pd.DataFrame, reviews: Iterable[Reading]
) -> dict[tuple[str, str], list[Reading]]:
    """Return the last decision of each reader on each trial whose signal is still the same."""
    columns = (trials["centre"], trials["trial"], trials["file_sha256"])
    places: dict[tuple[str, str, str], list[str]] = {}
    for centre, trial, sha256 in zip(*columns, strict=True):
        # Old decisions name a trial without its session.
        for name in {trial, code_of_item(trial)}:
            places.setdefault((centre, name, sha256), []).append(trial)
    found: dict[tuple[str, str], dict[str, Reading]] = {}
    for review in reviews:
        for trial in places.get((review.centre, review.trial, review.file_sha256), [])[:1]:
            found.setdefault((review.centre, trial), {})[review.reader] = review
    return {key: list(by_reader.values()) for key, by_reader in found.items()}


def _still(read: Sequence[Reading], *, machine_accepts: bool) -> list[str]:
    decisions = {review.decision for review in read}
    if len(decisions) > 1 and not decide(r.decision for r in read):
        return [DISAGREE]
    needed = contract.REVIEWING.readers_to_overturn
    if decisions == {"accept"} and not machine_accepts and len(read) < needed:
        return [SECOND_READER]
    return []


def drawn_for_second_reading(study: str, centre: str, trial: str) -> bool:
    """Say whether a trial is among those drawn for a second reading.

    The draw is a digest of the names, so it is the same in every night, and no trial's draw
    depends on which others there are.
    """
    text = "\n".join((study, centre, trial)).encode()
    drawn = int.from_bytes(hashlib.sha256(text).digest()[:8]) / 2**64
    return drawn < contract.REVIEWING.second_reading_pct / 100


def borderline(verdicts: pd.DataFrame) -> pd.MultiIndex:
    """Return (centre, trial) of trials that a slightly other limit would have judged differently.

    An accepted trial is borderline when a reject rule was met by a narrow margin; a rejected one
    when every reject rule that it does not meet was missed by a narrow margin.
    """
    own = verdicts[(verdicts["item_kind"] == "trial") & (verdicts["severity"] == "reject")]
    near = own[is_near(own)]
    failed = unmet(own)
    index = [pd.MultiIndex.from_frame(rows[["centre", "item"]]) for rows in (near, failed)]
    far = failed[~failed.index.isin(near.index)]
    beyond = pd.MultiIndex.from_frame(far[["centre", "item"]])
    return index[0][~index[0].isin(beyond)].unique()


def is_near(verdicts: pd.DataFrame) -> Any:
    """Say (n,) whether the observed number is near a limit, and not exactly on it.

    Nearness is `borderline_pct` of the limit, or of what is left up to the ceiling of a number
    that has one. A count that just meets its limit stands on it and is not in doubt.
    """
    figures = contract.REVIEWING
    ceiling = verdicts["quantity"].map(dict(figures.ceilings)).astype("float64").to_numpy()
    observed = verdicts["observed"].to_numpy(dtype=np.float64)
    near = np.zeros(len(verdicts), dtype=bool)
    for name in ("limit_low", "limit_high"):
        limit = verdicts[name].to_numpy(dtype=np.float64)
        scale = np.fmin(np.abs(limit), np.abs(ceiling - limit))
        distance = np.abs(observed - limit)
        near |= (distance > 0) & (distance <= figures.borderline_pct / 100 * scale)
    return near


def speaking(verdicts: pd.DataFrame) -> dict[tuple[str, str], str]:
    """Return for each trial the sentences of what is not met, or of what was nearly not met."""
    own = verdicts[verdicts["item_kind"] == "trial"]
    told = own[own["state"].isin(["fail", "not_judged", "waived"])]
    near = own[(own["severity"] == "reject") & (own["state"] == "pass") & is_near(own)]
    words = pd.concat(
        [
            told[["centre", "item"]].assign(words=told["sentence"]),
            near[["centre", "item"]].assign(words=[_near_miss(row) for row in near.itertuples()]),
        ]
    )
    said: dict[tuple[str, str], str] = {}
    for centre, item, text in zip(words["centre"], words["item"], words["words"], strict=True):
        said[centre, item] = f"{said.get((centre, item), '')} {text}".strip()
    return said


def _near_miss(row: Any) -> str:
    limits = (row.limit_low, row.limit_high)
    limit = min((n for n in limits if not np.isnan(n)), key=lambda n: abs(n - row.observed))
    name = row.rule.partition(".")[2].replace("_", " ")
    return f"Just meets {name}: {row.observed:.4g}, limit {limit:.4g}."


TRIALS = """
SELECT t.centre, t.trial, t.recording, t.session, t.technique, t.start_s, t.end_s, t.status,
    t.flagged, r.file, r.file_sha256, s.tested_at
FROM trials AS t
JOIN recordings AS r
    ON r.centre = t.centre AND r.session = t.session AND r.recording = t.recording
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
