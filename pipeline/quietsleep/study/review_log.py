"""The file of readers' decisions: only added to, each line with the digest of the one before.

`reviews.jsonl` in the study folder is what people see. The program keeps a second copy below
`work/`, and every published night holds the digests of its decisions, so that an edited, removed,
moved or added line is found out, and so is a file that was cut short or written anew.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, fields, replace
from datetime import UTC, datetime
from itertools import takewhile
from pathlib import Path
from typing import Any

from filelock import FileLock

from quietsleep.contract import Choice
from quietsleep.errors import QuietsleepError

FILE = "reviews.jsonl"
FIRST_PREVIOUS = "0" * 64
SECONDS_TO_WAIT = 20.0


@dataclass(frozen=True, slots=True)
class Review:
    """One decision of one reader on one trial, tied to the signal that was read.

    `machine` and `overrules` hold what the rules alone said then: the status and the reject rules
    that were not met. `sha256` is over all other fields, `previous` among them.
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
    previous: str = FIRST_PREVIOUS
    sha256: str = ""

    @property
    def recording(self) -> str:
        """The recording of the trial that was read."""
        return self.trial.rpartition("#")[0]

    @property
    def day(self) -> datetime:
        """When the decision was written down."""
        return datetime.fromisoformat(self.decided_at)


@dataclass(frozen=True, slots=True)
class ReviewLog:
    """The decisions that stand, and where the file was changed by hand.

    `suspect` are decisions from the break on, as the file or the kept copy has them. `broken` is a
    sentence, empty where the file is whole.
    """

    reviews: tuple[Review, ...] = ()
    suspect: tuple[Review, ...] = ()
    broken: str = ""


class ReviewError(QuietsleepError):
    """A decision that cannot be written down; the message is one plain sentence."""


def digest(review: Review) -> str:
    """Return the SHA-256 of a decision and, through `previous`, of all before it."""
    body = {name: value for name, value in asdict(review).items() if name != "sha256"}
    return hashlib.sha256(_json(body).encode()).hexdigest()


def line_of(review: Review) -> str:
    """Return the line of a decision, without its end."""
    return _json(asdict(review))


def _json(body: Mapping[str, Any]) -> str:
    return json.dumps(body, sort_keys=True, ensure_ascii=False, separators=(",", ":"))


def parse_line(line: str) -> Review | None:
    """Return the decision of a line; None where it is no decision at all."""
    with suppress(ValueError, TypeError):
        body = json.loads(line)
        if set(body) == {f.name for f in fields(Review)}:
            review = Review(**body | {"overrules": tuple(body["overrules"])})
            if review.decision in ("accept", "reject") and review.day.tzinfo is not None:
                texts = [getattr(review, f.name) for f in fields(Review) if f.type == "str"]
                numbers = (review.start_s, review.end_s)
                if all(isinstance(t, str) for t in texts) and all(
                    isinstance(n, float) for n in numbers
                ):
                    return review
    return None


def name_of(number: int) -> str:
    """Return the identifier of the decision on that line, counted from 1."""
    return f"rv-{number:06d}"


def whole(lines: Sequence[str]) -> list[Review]:
    """Return the decisions up to the first line that does not follow from the one before."""
    found: list[Review] = []
    for number, line in enumerate(lines, start=1):
        review = parse_line(line)
        previous = found[-1].sha256 if found else FIRST_PREVIOUS
        if (
            review is None
            or line != line_of(review)
            or review.review != name_of(number)
            or review.previous != previous
            or review.sha256 != digest(review)
        ):
            break
        found.append(review)
    return found


class ReviewLogFile:
    """The decisions of one study on disk. `published` maps review to digest in the last night."""

    def __init__(
        self, study_path: Path, work_path: Path, published: Mapping[str, str] | None = None
    ) -> None:
        self.path = study_path / FILE
        self.kept = work_path / "reviews" / FILE
        self.published = published or {}

    def read(self) -> ReviewLog:
        """Read and verify the decisions; never raises for what the file says."""
        with self._turn():
            return self._read()

    def append(self, review: Review) -> Review:
        """Write one decision down and return it with its place in the chain.

        ReviewError when the file was changed by hand: it must be mended first.
        """
        with self._turn():
            log = self._read()
            if log.broken:
                raise ReviewError(log.broken)
            placed = replace(
                review,
                review=name_of(len(log.reviews) + 1),
                previous=log.reviews[-1].sha256 if log.reviews else FIRST_PREVIOUS,
            )
            placed = replace(placed, sha256=digest(placed))
            if not self.kept.exists():
                self._write(self.kept, [line_of(r) for r in log.reviews])
            # The kept copy comes first: a line that only the seen file has was never ours.
            for path in (self.kept, self.path):
                _append(path, line_of(placed))
            return placed

    def mend(self) -> Path | None:
        """Put back the decisions as they were written down; returns where the broken file went.

        Nothing is lost: the file as it was found is kept beside the copy. None when the file is
        whole. ReviewError when neither file holds all decisions that were published.
        """
        with self._turn():
            if not self._read().broken:
                return None
            candidates = [whole(_lines(path)) for path in (self.kept, self.path)]
            good = max((c for c in candidates if self._holds_published(c)), key=len, default=None)
            if good is None:
                raise ReviewError(
                    f"Neither {FILE} nor the copy in work/reviews holds every decision that was "
                    f"published. Put both back from a backup; what they say now is left as it is."
                )
            stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%f")
            aside = self.kept.with_name(f"broken-{stamp}.jsonl")
            aside.parent.mkdir(parents=True, exist_ok=True)
            aside.write_bytes(self.path.read_bytes() if self.path.exists() else b"")
            for path in (self.kept, self.path):
                self._write(path, [line_of(r) for r in good])
            return aside

    def _turn(self) -> FileLock:
        self.kept.parent.mkdir(parents=True, exist_ok=True)
        return FileLock(self.kept.with_name("reviews.lock"), timeout=SECONDS_TO_WAIT)

    def _read(self) -> ReviewLog:
        lines = _lines(self.path)
        kept = _lines(self.kept) if self.kept.exists() else lines
        reviews = whole(lines)
        n = min(_n_alike(lines, kept), self._n_as_published(reviews))
        if n == len(lines) == len(kept) and self._holds_published(reviews):
            return ReviewLog(tuple(reviews))
        later = [parse_line(line) for line in (*lines[n:], *kept[n:])]
        suspect = {r.sha256: r for r in later if r is not None}
        return ReviewLog(tuple(reviews[:n]), tuple(suspect.values()), _broken(n, lines, kept))

    def _n_as_published(self, reviews: Sequence[Review]) -> int:
        said = [self.published.get(r.review, r.sha256) for r in reviews]
        return _n_alike(said, [r.sha256 for r in reviews])

    def _holds_published(self, reviews: Sequence[Review]) -> bool:
        return self.published.items() <= {r.review: r.sha256 for r in reviews}.items()

    @staticmethod
    def _write(path: Path, lines: Sequence[str]) -> None:
        path.parent.mkdir(parents=True, exist_ok=True)
        fresh = path.with_name(path.name + ".new")
        fresh.write_text("".join(f"{line}\n" for line in lines), encoding="utf-8")
        fresh.replace(path)


def _n_alike(first: Sequence[str], second: Sequence[str]) -> int:
    """Return how many texts are the same from the start on."""
    pairs = zip(first, second, strict=False)
    return sum(1 for _ in takewhile(lambda pair: pair[0] == pair[1], pairs))


def _lines(path: Path) -> list[str]:
    """Return the lines of a file; an unfinished last line is a line of its own, and never whole."""
    if not path.exists():
        return []
    text = path.read_bytes().decode("utf-8", "replace")
    # Only \n ends a line: other signs that end lines elsewhere may stand in a note.
    parts = re.split("(?<=\n)", text)
    return [
        part.removesuffix("\n") if part.endswith("\n") else f"{part} " for part in parts if part
    ]


def _append(path: Path, line: str) -> None:
    with path.open("a", encoding="utf-8", newline="\n") as file:
        file.write(f"{line}\n")
        file.flush()
        os.fsync(file.fileno())


def _broken(n: int, lines: Sequence[str], kept: Sequence[str]) -> str:
    what = "ends too early" if len(lines) == n < len(kept) else "was changed by hand"
    return (
        f"{FILE} {what}: decision {n + 1} is not as it was written down. From there on no "
        "acceptance counts, only rejections hold. Run 'quietsleep review STUDY --mend', which "
        "puts the decisions back and keeps the changed file aside."
    )
