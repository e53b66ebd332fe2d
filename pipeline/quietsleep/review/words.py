"""What a reader may write: a code, a reason of the contract, and words about no person."""

from __future__ import annotations

import re
from collections.abc import Collection
from datetime import date
from difflib import get_close_matches

from quietsleep import contract
from quietsleep.contract import Choice
from quietsleep.intake.identifiers import plain, value_identifies
from quietsleep.study.entry import CODE
from quietsleep.study.review_log import ReviewError
from quietsleep.study.study import Study

LONGEST_NOTE = 500


def check_reader(reader: str, *, known: Collection[str], new_reader: bool) -> None:
    """Raise ReviewError unless a reader's code is a code, and known or meant to be new."""
    if not re.fullmatch(CODE, reader):
        raise ReviewError(
            f'"{reader}" is no code of a reader: use letters, digits, hyphen, underscore, point.'
        )
    if value_identifies(reader, is_code=True):
        raise ReviewError("The reader looks like a person's name: use a code such as reader-1.")
    if reader in known or new_reader:
        return
    close = get_close_matches(reader, sorted(known), 1)
    hint = f" Is {close[0]} meant?" if close else ""
    raise ReviewError(
        f"No reader {reader} has decided anything yet.{hint} "
        "If this is a new reader, say so with --new-reader."
    )


def check_reason(reason: str, decision: Choice, *, technique: str) -> str:
    """Return a reason as it is stored: a reason of the contract, or a trial rule by its key."""
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
    codes = (study.name, *study.centres, *study.devices)
    return frozenset(plain(w) for code in codes for w in re.findall(r"[^\W\d_]+", code))
