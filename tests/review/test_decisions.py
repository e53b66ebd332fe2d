"""The file of decisions: what is changed by hand is found out, and nothing is lost."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from quietsleep.study.review_log import (
    FIRST_PREVIOUS,
    Review,
    ReviewError,
    ReviewLogFile,
    digest,
    line_of,
)

Maker = Callable[..., Review]
Lines = list[str]


@pytest.fixture
def file(tmp_path: Path, review: Maker) -> ReviewLogFile:
    """Five decisions, written down one after the other."""
    file = ReviewLogFile(tmp_path, tmp_path / "work")
    for number in range(1, 6):
        decision = "reject" if number == 4 else "accept"
        file.append(
            review(reader=f"reader-{number}", decision=decision, note=f"Note\u2028{number}")
        )
    return file


def published(file: ReviewLogFile) -> dict[str, str]:
    return {r.review: r.sha256 for r in file.read().reviews}


def test_decisions_come_back_as_written(file: ReviewLogFile) -> None:
    chain = file.read()
    assert chain.broken == "" and chain.suspect == ()
    assert [r.review for r in chain.reviews] == [f"rv-00000{n}" for n in range(1, 6)]
    assert [r.reader for r in chain.reviews] == [f"reader-{n}" for n in range(1, 6)]
    assert chain.reviews[0].previous == FIRST_PREVIOUS
    assert [r.previous for r in chain.reviews[1:]] == [r.sha256 for r in chain.reviews[:-1]]
    assert file.mend() is None


def test_no_file_is_no_decision(tmp_path: Path) -> None:
    chain = ReviewLogFile(tmp_path, tmp_path / "work").read()
    assert chain.reviews == () and chain.broken == ""


def edit(lines: Lines) -> Lines:
    return [line.replace('"reject"', '"accept"') for line in lines]


def edit_with_its_digest(lines: Lines) -> Lines:
    """Change a decision and work out its own digest anew, but not those of the lines after it."""
    body = json.loads(lines[3])
    changed = Review(**body | {"decision": "accept", "overrules": tuple(body["overrules"])})
    return [*lines[:3], line_of(replace(changed, sha256=digest(changed))), *lines[4:]]


def write_anew(lines: Lines) -> Lines:
    """Change a decision and work out every digest anew."""
    found: Lines = []
    previous = FIRST_PREVIOUS
    for line in lines:
        body = json.loads(line)
        changed = Review(**body | {"decision": "accept", "overrules": tuple(body["overrules"])})
        changed = replace(changed, previous=previous)
        changed = replace(changed, sha256=digest(changed))
        previous = changed.sha256
        found.append(line_of(changed))
    return found


TAMPERED: dict[str, tuple[Callable[[Lines], Lines], int]] = {
    "edited": (edit, 3),
    "edited with its digest": (edit_with_its_digest, 3),
    "written anew": (write_anew, 3),
    "deleted": (lambda lines: [*lines[:3], lines[4]], 3),
    "first deleted": (lambda lines: lines[1:], 0),
    "reordered": (lambda lines: [lines[0], lines[2], lines[1], *lines[3:]], 1),
    "cut short": (lambda lines: lines[:3], 3),
    "emptied": (lambda lines: [], 0),
    "line twice": (lambda lines: [*lines, lines[-1]], 5),
    "no JSON": (lambda lines: [*lines[:2], "rubbish", *lines[3:]], 2),
    "space added": (lambda lines: [*lines[:2], f" {lines[2]}", *lines[3:]], 2),
    "other numbers": (lambda lines: [s.replace("10.0", "1e400") for s in lines], 0),
    "wrong types": (lambda lines: [s.replace('"reader-1"', "[1]") for s in lines], 0),
}


@pytest.mark.parametrize("how", TAMPERED)
def test_tampering_is_found_out_and_mended(file: ReviewLogFile, how: str) -> None:
    tamper, n_whole = TAMPERED[how]
    before = file.path.read_bytes()
    lines = before.decode().removesuffix("\n").split("\n")
    changed = "".join(f"{line}\n" for line in tamper(lines))
    file.path.write_text(changed, encoding="utf-8", newline="\n")
    chain = file.read()
    assert len(chain.reviews) == n_whole
    assert f"decision {n_whole + 1} " in chain.broken and "--mend" in chain.broken
    # What came after the break is not forgotten: the rejection of reader-4 is still known.
    if n_whole < 4:
        assert ("reader-4", "reject") in {(r.reader, r.decision) for r in chain.suspect}
    aside = file.mend()
    assert aside is not None and aside.read_text(encoding="utf-8") == changed
    assert file.path.read_bytes() == before and file.read().broken == ""


def test_nothing_is_written_down_after_a_break(file: ReviewLogFile, review: Maker) -> None:
    file.path.write_bytes(file.path.read_bytes()[:-40])
    with pytest.raises(ReviewError, match="--mend"):
        file.append(review())
    file.mend()
    assert file.append(review()).review == "rv-000006"


def test_both_files_written_anew_are_found_out_by_the_last_night(file: ReviewLogFile) -> None:
    known = published(file)
    lines = file.path.read_text(encoding="utf-8").removesuffix("\n").split("\n")
    for path in (file.path, file.kept):
        path.write_text("".join(f"{s}\n" for s in write_anew(lines)), encoding="utf-8")
    assert ReviewLogFile(file.path.parent, file.kept.parents[1]).read().broken == ""
    watched = ReviewLogFile(file.path.parent, file.kept.parents[1], known)
    assert len(watched.read().reviews) == 3
    with pytest.raises(ReviewError, match="backup"):
        watched.mend()


def test_both_files_cut_short_are_found_out_by_the_last_night(file: ReviewLogFile) -> None:
    known = published(file)
    for path in (file.path, file.kept):
        lines = path.read_bytes().splitlines(keepends=True)
        path.write_bytes(b"".join(lines[:2]))
    assert ReviewLogFile(file.path.parent, file.kept.parents[1], known).read().broken
