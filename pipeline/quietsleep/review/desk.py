"""Over-reading of a published night: its trials, the decisions on them, and who waits."""

from __future__ import annotations

import getpass
import os
import platform
import re
from collections.abc import Collection
from contextlib import closing
from datetime import UTC, date, datetime, timedelta
from difflib import get_close_matches
from typing import Any

import pandas as pd

from quietsleep import contract
from quietsleep.contract import Choice
from quietsleep.contract.toml import CODE
from quietsleep.intake.identifiers import plain, value_identifies
from quietsleep.judge.readers import unmet
from quietsleep.review.queue import Published, read_trials, speaking, waiting
from quietsleep.store.items import code_of_item
from quietsleep.study.register import RegisterError
from quietsleep.study.review_log import Review, ReviewError, reviews_of, write_review
from quietsleep.study.study import Study
from quietsleep.warehouse.current import current_night
from quietsleep.warehouse.database import open_night
from quietsleep.warehouse.registered import open_register


def read_published(study: Study) -> Published:
    """Read the trials of the last night; WarehouseError when no night has been published."""
    with closing(open_night(current_night(study.path))) as warehouse:
        return read_trials(warehouse)


def waiting_trials(study: Study) -> pd.DataFrame:
    """Return the trials of the last night that wait for a reader.

    They are as `review.queue.waiting` returns them, with `said`: what the rules found.
    RegisterError where the study register is not as it was written down.
    """
    published = read_published(study)
    register = open_register(study)
    if register.broken:
        raise RegisterError(register.broken)
    reviews = reviews_of(register, study.renamed)
    rows = waiting(published.trials, published.verdicts, reviews, study=study.name)
    said = speaking(published.verdicts)
    keys = zip(rows["centre"], rows["trial"], strict=True)
    return rows.assign(said=[said.get(key, "") for key in keys])


def write_down(
    study: Study,
    trial: str,
    *,
    reader: str,
    decision: Choice,
    reason: str,
    centre: str | None = None,
    note: str = "",
    blind: bool = False,
    new_reader: bool = False,
    published: Published | None = None,
    seat: str = "",
) -> Review:
    """Write what a reader decided of one trial into the study register and return it.

    `seat` is what it was handed in by, the account of this machine unless given; a mark of it is
    kept, by which two codes of one person are seen.
    `published` is the night that the reader looked at, the last one where it is not given.
    ReviewError when trial, reader, reason or note cannot stand. A code that no reader has used
    yet needs `new_reader`: a slip of the pen must not make a second reader out of one.
    """
    published = published or read_published(study)
    read = _trial_of(published.trials, trial, centre)
    register = open_register(study)
    known = {review.reader for review in reviews_of(register)}
    check_reader(reader, known=known, new_reader=new_reader)
    reason = check_reason(reason, decision, technique=read["technique"], note=note)
    overrules = unmet(published.verdicts)
    here = (overrules["centre"] == read["centre"]) & (overrules["item"] == read["trial"])
    # Where the centre is, it may have been the day before or the day after that of UTC.
    days = frozenset(read["tested_at"].date() + timedelta(days=n) for n in (-1, 0, 1))
    return write_review(
        register,
        Review(
            review="",
            centre=read["centre"],
            trial=read["trial"],
            technique=read["technique"],
            file_sha256=read["file_sha256"],
            start_s=float(read["start_s"]),
            end_s=float(read["end_s"]),
            reader=reader,
            decided_at=datetime.now(UTC).isoformat(timespec="seconds"),
            decision=decision,
            reason=reason,
            note=check_note(note, words=codes_of(study), days=days),
            blind=blind,
            machine=read["machine"],
            overrules=tuple(sorted(overrules.loc[here, "rule"])),
            seat=register.mark(seat or _account()),
        ),
    )


def _account() -> str:
    try:
        return f"account {getpass.getuser()} of {platform.node()}"
    except (OSError, KeyError):  # an account without a name, as containers have
        return f"account {os.getuid()} of {platform.node()}"


def _trial_of(trials: pd.DataFrame, trial: str, centre: str | None) -> dict[str, Any]:
    rows = trials[(trials["trial"] == trial) | (trials["trial"].map(code_of_item) == trial)]
    if centre is not None:
        rows = rows[rows["centre"] == centre]
    if rows.empty:
        raise ReviewError(
            f"There is no trial {trial} in the last night; "
            "'quietsleep review' and the pages name them."
        )
    if rows["centre"].nunique() > 1:
        raise ReviewError(
            f"Trial {trial} is at {', '.join(rows['centre'].unique())}: say which with --centre."
        )
    if len(rows) > 1:
        raise ReviewError(
            f"{trial} is in several sessions: say which as {', '.join(rows['trial'])}."
        )
    return dict(rows.iloc[0])


LONGEST_NOTE = 500


def check_reader(reader: str, *, known: Collection[str], new_reader: bool) -> None:
    """Raise ReviewError unless a reader's code is a code, and known or meant to be new."""
    check_signer(reader)
    if reader in known or new_reader:
        return
    close = get_close_matches(reader, sorted(known), 1)
    hint = f" Is {close[0]} meant?" if close else ""
    raise ReviewError(
        f"No reader {reader} has decided anything yet.{hint} "
        "If this is a new reader, say so with --new-reader."
    )


def check_signer(code: str) -> None:
    """Raise ReviewError unless the code of who signs is a code and no name."""
    if not re.fullmatch(CODE, code):
        raise ReviewError(
            f'"{code}" is no code of a reader: use letters, digits, hyphen, underscore, point.'
        )
    if value_identifies(code, is_code=True):
        raise ReviewError("The reader looks like a person's name: use a code such as reader-1.")


def check_reason(reason: str, decision: Choice, *, technique: str, note: str) -> str:
    """Return a reason as it is stored: a reason of the contract, or a trial rule by its key."""
    given = contract.REVIEWING.reasons.get(reason)
    if given is not None and given.needs_note and not note.strip():
        raise ReviewError("This reason says nothing without words: say in the note what was seen.")
    known = {r.name for r in contract.REVIEWING.reasons.values() if r.decision == decision}
    rules = {
        rule.key
        for rule in contract.TECHNIQUES[technique].rules
        if rule.level == "trial" and rule.severity != "alert"
    }
    for key in (reason, f"{technique}.{reason}"):
        if key in known | rules:
            return key
    short = sorted(rule.partition(".")[2] for rule in rules)
    raise ReviewError(
        f'"{reason}" is no reason to {decision} a trial of {technique.replace("_", " ")}. '
        f"Reasons: {', '.join(sorted(known))}; or a rule: {', '.join(short)}."
    )


def check_note(note: str, *, words: frozenset[str], days: frozenset[date]) -> str:
    """Return a reader's own words; ReviewError for what looks as if it tells of a person.

    `words` are codes of the study, `days` the day of the test: both may stand in a note.
    """
    text = note.strip()
    if len(text) > LONGEST_NOTE or any(not c.isprintable() for c in text):
        raise ReviewError(f"A note is one line of at most {LONGEST_NOTE} characters.")
    if kind := value_identifies(text, is_code=False, words=words, days=days):
        raise ReviewError(
            f"The note holds what looks like {kind}. Nothing was written down; "
            "say it without anything that tells who somebody is."
        )
    return text


def codes_of(study: Study) -> frozenset[str]:
    """Return the words of the study's own codes, which may stand in a note."""
    codes = (study.name, *study.centres, *study.renamed, *study.devices)
    return frozenset(plain(w) for code in codes for w in re.findall(r"[^\W\d_]+", code))
