"""What readers decided of trials, as entries of the study register.

A file of decisions of an earlier form, `reviews.jsonl`, is read and taken over into the register
once; its lines were sealed each by the one before, without a key.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass, fields, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from quietsleep.contract import Choice
from quietsleep.errors import QuietsleepError
from quietsleep.study.history import History
from quietsleep.study.register import Kind, Register, RegisterEntry

OLD_FILE = "reviews.jsonl"
OLD_FILE_TAKEN = "reviews-taken-over.jsonl"


@dataclass(frozen=True, slots=True)
class Review:
    """One decision of one reader on one trial, tied to the signal that was read.

    `machine` and `overrules` hold what the rules alone said then: the status and the reject rules
    that were not met. `seat` is a mark of the account or token that it was handed in by, empty for
    older ones. `seal` is that of its entry in the register.
    """

    review: str
    centre: str
    trial: str
    technique: str
    file_sha256: str
    start_s: float
    end_s: float
    reader: str
    decided_at: str
    decision: Choice
    reason: str
    note: str
    blind: bool
    machine: str
    overrules: tuple[str, ...]
    seat: str = ""
    seal: str = ""

    @property
    def recording(self) -> str:
        """The recording of the trial that was read: by session and code, or by its code alone."""
        return self.trial.rpartition("#")[0]

    @property
    def day(self) -> datetime:
        """When the decision was written down."""
        return datetime.fromisoformat(self.decided_at)


class ReviewError(QuietsleepError):
    """A decision that cannot be written down; the message is one plain sentence."""


def reviews_of(register: Register, codes: Mapping[str, str] | None = None) -> tuple[Review, ...]:
    """Return every decision ever written down, in order.

    `codes` are codes that centres had before, each with the code of its centre now.
    """
    said = tuple(_review_of(entry) for entry in register.of("review"))
    now = codes or {}
    return tuple(replace(r, centre=now.get(r.centre, r.centre)) for r in said)


def reviews_that_count(register: Register, history: History) -> tuple[Review, ...]:
    """Return the decisions on what was not withdrawn, in order."""
    return tuple(
        review
        for review in reviews_of(register, history.codes)
        if review.review not in (out := history.withdrawn_of(review.centre)).reviews
        and review.trial.partition("/")[0] not in out.sessions
    )


def write_review(register: Register, review: Review) -> Review:
    """Write one decision down and return it with its name and seal."""
    named = replace(review, review=name_of(len(register.of("review")) + 1))
    return _review_of(register.append("review", _body_of(named)))


def name_of(number: int) -> str:
    """Return the identifier of a decision, counted from 1."""
    return f"rv-{number:06d}"


def _body_of(review: Review) -> dict[str, Any]:
    return {name: value for name, value in asdict(review).items() if name != "seal"}


def _review_of(entry: RegisterEntry) -> Review:
    body = {**entry.body, "overrules": tuple(entry.body["overrules"])}
    return Review(**body, seal=entry.seal)


def take_over_old_file(register: Register, study_path: Path, work_path: Path) -> None:
    """Write the decisions of an old file down in the register, once, and rename the file.

    ReviewError where it was changed by hand: what readers decided is then put back by a person.
    """
    old = study_path / OLD_FILE
    if not old.exists():
        return
    lines = _lines(old)
    kept = _lines(work_path / "reviews" / OLD_FILE)
    bodies = _old_bodies(lines)
    if len(bodies) < len(lines) or kept not in ([], lines):
        raise ReviewError(
            f"{OLD_FILE} was changed by hand: decision {len(bodies) + 1} is not as it was written "
            f"down. Put it back from a backup or from work/reviews/{OLD_FILE}; it is then taken "
            "over into the study register."
        )
    known = {entry.body["review"] for entry in register.of("review")}
    new: list[tuple[Kind, Mapping[str, Any]]] = [
        ("review", body) for body in bodies if body["review"] not in known
    ]
    sha256 = hashlib.sha256(old.read_bytes()).hexdigest()
    said = {"file": OLD_FILE, "sha256": sha256, "decisions": len(bodies)}
    register.append_all([*new, ("taken_over", said)])
    old.replace(study_path / OLD_FILE_TAKEN)


def _lines(path: Path) -> list[str]:
    text = path.read_text(encoding="utf-8", errors="replace") if path.exists() else ""
    return text.removesuffix("\n").split("\n") if text else []


def _old_bodies(lines: list[str]) -> list[dict[str, Any]]:
    """Return the decisions up to the first line that does not follow from the one before."""
    found: list[dict[str, Any]] = []
    previous = "0" * 64
    for number, line in enumerate(lines, start=1):
        body: Any = None
        with suppress(ValueError, RecursionError):
            body = json.loads(line)
        if not isinstance(body, dict) or body.get("previous") != previous:
            break
        sealed = {name: value for name, value in body.items() if name != "sha256"}
        if body.get("sha256") != _digest(sealed) or body.get("review") != name_of(number):
            break
        wanted = {f.name for f in fields(Review)} - {"seal", "seat"}
        if set(sealed) != wanted | {"previous"} or not _can_stand(sealed):
            break
        previous = body["sha256"]
        found.append({name: sealed[name] for name in wanted})
    return found


def _can_stand(body: Mapping[str, Any]) -> bool:
    own = {"seal", "seat"}
    texts = [body[f.name] for f in fields(Review) if f.type == "str" and f.name not in own]
    if not all(isinstance(text, str) for text in texts) or not isinstance(body["overrules"], list):
        return False
    if not all(isinstance(body[name], float) for name in ("start_s", "end_s")):
        return False
    with suppress(ValueError):
        return body["decision"] in ("accept", "reject") and bool(
            datetime.fromisoformat(body["decided_at"]).tzinfo
        )
    return False


def _digest(body: Mapping[str, Any]) -> str:
    text = json.dumps(body, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
    return hashlib.sha256(text.encode("utf-8", "replace")).hexdigest()
