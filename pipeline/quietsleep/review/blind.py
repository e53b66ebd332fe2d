"""Blind reading: which trial a reader is shown next, and what becomes of the decision.

A reader sees a trial by a handle that tells neither its centre nor its session. Where a trial
stands in a reader's list depends on its name and the reader alone, so the list is the same after
every restart, another one for every reader, and no trial's place tells why it waits.
"""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from quietsleep import contract
from quietsleep.contract import Choice
from quietsleep.contract.model import ReviewReason
from quietsleep.review.desk import read_published, write_down
from quietsleep.review.queue import (
    KEY,
    Published,
    borderline,
    drawn_for_second_reading,
    waiting,
)
from quietsleep.store.items import code_of_item
from quietsleep.study.register import Register, RegisterError
from quietsleep.study.review_log import Review, ReviewError, reviews_of
from quietsleep.study.study import Study
from quietsleep.warehouse.registered import open_register

REPLACED = (
    "The trial that you have just read is not there any more as you saw it: its recording was "
    "replaced, measured anew or taken out meanwhile. Nothing was written down of it."
)
READ_ALREADY = (
    "You have decided on that trial before. Nothing was written down twice; to decide otherwise, "
    'use "Back to the last".'
)
NOT_WHOLE = (
    "The decision could not be written down: the study register is not as it should be. "
    "The coordinating centre has to look at it; tell them."
)


@dataclass(frozen=True, slots=True)
class Reader:
    """Who reads: the code that stands in the review log, and a secret that handles are made by."""

    code: str
    secret: bytes


@dataclass(frozen=True, slots=True)
class BlindNight:
    """A published night, and (n,) which of its trials can wait before anybody has read them.

    That takes longest to find out, and is the same for all readers until the next night.
    """

    published: Published
    may_wait: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class BlindTrial:
    """One trial as it was published, and the handle by which its reader knows it."""

    handle: str
    centre: str
    trial: str
    technique: str
    file_sha256: str
    start_s: float
    end_s: float

    @property
    def recording(self) -> str:
        """The item of its recording."""
        return self.trial.rpartition("#")[0]

    @property
    def index(self) -> int:
        """Which trial of its recording it is, counted from 1."""
        return int(self.trial.rpartition("#")[2])


@dataclass(frozen=True, slots=True)
class ReadingList:
    """What a reader has to read, in the reader's own order, and what was decided last.

    `n_read` are the trials that this reader has read since the last night was published.
    """

    waiting: tuple[BlindTrial, ...]
    n_read: int
    last: tuple[BlindTrial, Review] | None

    def after(self, handle: str) -> BlindTrial | None:
        """Return the trial that follows one in the list, from its end to its beginning again."""
        places = [place for place, each in enumerate(self.waiting) if each.handle == handle]
        start = places[0] + 1 if places else 0
        return self.waiting[start % len(self.waiting)] if self.waiting else None


class TrialReplaced(ReviewError):
    """The trial is not there any more as its reader saw it."""


class ReadAlready(ReviewError):
    """The reader has decided on the trial before, and did not come to do so again."""


def read_blind_night(study: Study) -> BlindNight:
    """Read the trials of the last night; WarehouseError when no night has been published."""
    published = read_published(study)
    keys = pd.MultiIndex.from_frame(published.trials[KEY])
    drawn = np.array([drawn_for_second_reading(study.name, *key) for key in keys], dtype=bool)
    near = keys.isin(borderline(published.verdicts))
    return BlindNight(published, drawn | near | published.trials["flagged"].to_numpy(dtype=bool))


def reading_list(study: Study, night: BlindNight, reader: Reader) -> ReadingList:
    """Return what one reader has to read of a night; RegisterError where the log is not whole.

    The decisions of others never stand in it. A trial that the reader has decided on is not in
    it again unless its signal was replaced.
    """
    register = _whole_register(study)
    reviews = reviews_of(register, study.renamed)
    published = night.published
    trials = published.trials[night.may_wait | _read_by_anyone(published.trials, reviews)]
    rows = waiting(trials, published.verdicts, reviews, study=study.name)
    rows = pd.concat([rows, _rejected(trials, reviews, rows, study=study.name)])
    unread = [reader.code not in readers for readers in rows["readers"]]
    offered = _blind_rows(rows[unread], reader)
    waits = tuple(sorted(offered, key=lambda each: _place(reader.code, each)))
    published_by = max((entry.number for entry in register.of("published")), default=0)
    own = [e.body for e in register.since(published_by) if _is_own(e.kind, e.body, reader)]
    n_read = len({(body["centre"], body["trial"]) for body in own})
    return ReadingList(waits, n_read, _last(published, reviews, reader))


def decide_blind(
    study: Study,
    night: BlindNight,
    reader: Reader,
    handle: str,
    *,
    decision: Choice,
    reason: str,
    note: str = "",
    again: bool = False,
) -> Review:
    """Write down what a reader decided without having seen what the rules said.

    `reason` may be empty: it is then the first that such a reader can give. With `again` it takes
    the place of what the reader had decided of this trial. TrialReplaced, ReadAlready, ReviewError
    for a reason or a note that cannot stand, RegisterError where the log is not whole.
    """
    trial = find_trial(night, reader, handle)
    if trial is None:
        raise TrialReplaced(REPLACED)
    register = _whole_register(study)
    _refuse_other_token(register, reader)
    given = reviews_of(register, study.renamed)
    if not again and any(_is_of(review, trial, reader) for review in given):
        raise ReadAlready(READ_ALREADY)
    return write_down(
        study,
        trial.trial,
        centre=trial.centre,
        reader=reader.code,
        decision=decision,
        reason=reason or reasons_for(decision)[0].name,
        note=note,
        blind=True,
        new_reader=True,  # the code stands in the token, so it is no slip of the pen
        published=night.published,
        seat=f"token {reader.secret.hex()}",
    )


def note_token(study: Study, code: str, secret: bytes) -> None:
    """Write down that a reader has a token, by its hash; RegisterError where it cannot be."""
    _whole_register(study).append("token", {"reader": code, "hash": secret.hex()})


def _refuse_other_token(register: Register, reader: Reader) -> None:
    """Raise ReviewError where the register knows tokens of a reader, and this is none of them."""
    own = reader.code.casefold()
    known = [e.body for e in register.of("token") if str(e.body.get("reader")).casefold() == own]
    if known and known[-1].get("hash") != reader.secret.hex():
        raise ReviewError(
            f"This is not the token that the study register knows of reader {reader.code}. Ask the "
            "coordinating centre for a new one."
        )


def reasons_for(decision: Choice) -> list[ReviewReason]:
    """Return the reasons that one can give who did not see what the rules said."""
    known = contract.REVIEWING.reasons.values()
    return [r for r in known if r.decision == decision and not r.knows_rules]


def find_trial(night: BlindNight, reader: Reader, handle: str) -> BlindTrial | None:
    """Return the trial of a night that a reader knows by a handle."""
    found = _blind_rows(night.published.trials, reader)
    return next((each for each in found if hmac.compare_digest(each.handle, handle)), None)


def _read_by_anyone(trials: pd.DataFrame, reviews: Iterable[Review]) -> NDArray[np.bool_]:
    # Old decisions name a trial without its session.
    read = {code_of_item(review.trial) for review in reviews}
    return np.array([code_of_item(trial) in read for trial in trials["trial"]], dtype=bool)


def _rejected(
    trials: pd.DataFrame, reviews: Iterable[Review], listed: pd.DataFrame, *, study: str
) -> pd.DataFrame:
    """Return the trials that the rules did not accept and that are drawn as others are.

    Without them a reader would know of almost every trial that the rules accept it.
    """
    read = {(r.centre, r.trial) for r in reviews} | {*zip(listed.centre, listed.trial, strict=True)}
    keys = list(zip(trials["centre"], trials["trial"], strict=True))
    drawn = [drawn_for_second_reading(study, *k) and k not in read for k in keys]
    rows = trials[pd.Series(drawn, index=trials.index) & (trials["machine"] != "accepted")]
    nobody: pd.Series[Any] = pd.Series(
        [[] for _ in range(len(rows))], index=rows.index, dtype="object"
    )
    return rows.assign(readers=nobody)


def _last(
    published: Published, reviews: Iterable[Review], reader: Reader
) -> tuple[BlindTrial, Review] | None:
    """Return what a reader decided last, blind, where the trial is still as it was read."""
    own = [review for review in reviews if review.reader == reader.code and review.blind]
    if not own:
        return None
    trials = published.trials
    rows = trials[(trials["centre"] == own[-1].centre) & (trials["trial"] == own[-1].trial)]
    return next(
        ((each, own[-1]) for each in _blind_rows(rows, reader) if _is_of(own[-1], each, reader)),
        None,
    )


def _is_of(review: Review, trial: BlindTrial, reader: Reader) -> bool:
    said = (review.reader, review.centre, review.trial, review.file_sha256)
    return said == (reader.code, trial.centre, trial.trial, trial.file_sha256)


def _is_own(kind: str, body: Any, reader: Reader) -> bool:
    return kind == "review" and body["reader"] == reader.code


def _blind_rows(rows: pd.DataFrame, reader: Reader) -> Iterator[BlindTrial]:
    names = ("centre", "trial", "technique", "file_sha256", "start_s", "end_s")
    for said in zip(*(rows[name].tolist() for name in names), strict=True):
        text = "\n".join(map(str, said)).encode()
        yield BlindTrial(hmac.digest(reader.secret, text, "sha256").hex()[:32], *said)


def _place(code: str, trial: BlindTrial) -> bytes:
    return hashlib.sha256(f"{code}\n{trial.centre}\n{trial.trial}".encode()).digest()


def _whole_register(study: Study) -> Register:
    register = open_register(study)
    if register.broken:
        raise RegisterError(NOT_WHOLE)
    return register
