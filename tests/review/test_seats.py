"""Two readers are two people: two codes by one account or token are said, and a token is known."""

from __future__ import annotations

import getpass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from quietsleep.cli.main import app
from quietsleep.judge.readers import PlacedReview, ReviewEffects
from quietsleep.review.blind import (
    BlindNight,
    Reader,
    _blind_rows,
    decide_blind,
    note_token,
)
from quietsleep.review.desk import write_down
from quietsleep.review.queue import Published
from quietsleep.server.access import Tokens
from quietsleep.site.pages.overview import _same_seat
from quietsleep.study.begin import NewCentre, begin_study
from quietsleep.study.review_log import Review, ReviewError, reviews_of
from quietsleep.study.study import Study, load_study
from quietsleep.warehouse.registered import open_register
from quietsleep.warehouse.statistics import agreement_frame
from tests.review.conftest import Maker

TRIALS = pd.DataFrame(
    {
        "centre": "larch", "trial": ["larch-s1/sot1#1", "larch-s1/sot1#2"],
        "technique": "single_occlusion", "recording": "sot1", "file_sha256": "f" * 64,
        "start_s": 1.0, "end_s": 2.0, "machine": "accepted", "flagged": False,
        "tested_at": pd.Timestamp("2026-03-01", tz="UTC"),
    }
)  # fmt: skip
VERDICTS = pd.DataFrame(  # none
    columns=[
        "centre",
        "item_kind",
        "item",
        "rule",
        "state",
        "severity",
        "observed",
        "technique",
        "waiver",
    ]
)


@pytest.fixture
def study(tmp_path: Path) -> Study:
    return begin_study(
        tmp_path / "study", study="invented", title="Invented", centre=NewCentre("larch")
    )


def say(study: Study, trial: str, reader: str, seat: str = "") -> Review:
    published = Published(TRIALS, VERDICTS)
    return write_down(
        study, trial, reader=reader, decision="accept", reason="sound_manoeuvre",
        new_reader=True, published=published, seat=seat,
    )  # fmt: skip


def agreement(reviews: tuple[Review, ...]) -> dict[str, Any]:
    placed = tuple(PlacedReview(r, r.trial, "larch-s1", "counts") for r in reviews)
    frame = agreement_frame(ReviewEffects(placed, ()), TRIALS, VERDICTS)
    rows = frame[(frame["technique"] == "all") & (frame["second"] == "r2")]
    return dict(rows.iloc[0])


def test_one_account_with_two_codes_is_said_and_who_it_was_is_not(study: Study) -> None:
    for reader in ("r1", "r2"):
        for trial in TRIALS["trial"]:
            say(study, trial, reader)
    register = open_register(study)
    row = agreement(reviews_of(register))
    assert (row["n_trials"], row["n_same_seat"]) == (2, 2)
    said = _same_seat(row)
    assert "r1 and r2 may be one person: of the 2 trials that both decided, 2 came twice" in said
    seats = {review.seat for review in reviews_of(register)}
    assert len(seats) == 1 and len(next(iter(seats))) == 12
    assert getpass.getuser() not in next(iter(seats))


def test_two_accounts_or_tokens_are_two_people(study: Study) -> None:
    for reader in ("r1", "r2"):
        say(study, "larch-s1/sot1#1", reader, seat=f"token of {reader}")
    row = agreement(reviews_of(open_register(study)))
    assert (row["n_trials"], row["n_same_seat"]) == (1, 0)
    assert _same_seat(row) == ""


def test_decisions_of_before_have_no_seat_and_are_never_said_to_share_one(
    review: Maker,
) -> None:
    old = tuple(
        review(reader=reader, trial="larch-s1/sot1#1", overrules=()) for reader in ("r1", "r2")
    )
    assert [r.seat for r in old] == ["", ""] and agreement(old)["n_same_seat"] == 0
    assert _same_seat({"technique": "all"}) == "", "a night of an earlier version"


def test_a_reader_is_issued_one_token_whose_hash_the_register_keeps(study: Study) -> None:
    said = CliRunner().invoke(app, ["access", str(study.path), "--issue-reader", "r1"])
    assert said.exit_code == 0, said.output
    (token,) = Tokens(study.path).list()
    (entry,) = open_register(study).of("token")
    assert entry.body == {"reader": "r1", "hash": token.hash}
    assert said.output.strip() not in (study.path / "register.jsonl").read_text()


def test_no_token_is_issued_beside_a_register_that_was_changed(study: Study) -> None:
    register = open_register(study)
    register.append("answer", {"query": 1})
    register.path.write_bytes(register.path.read_bytes()[:-40])
    said = CliRunner().invoke(app, ["access", str(study.path), "--issue-reader", "r1"])
    assert said.exit_code != 0 and Tokens(study.path).list() == []


def test_a_token_put_into_the_list_by_hand_decides_nothing(study: Study) -> None:
    known, forged = Reader("r1", b"1" * 32), Reader("R1", b"2" * 32)
    note_token(study, known.code, known.secret)
    night = BlindNight(Published(TRIALS, VERDICTS), np.array([True, True]))
    for reader in (forged, Reader("r1", b"3" * 32)):
        handle = next(iter(_blind_rows(TRIALS, reader))).handle
        with pytest.raises(ReviewError, match="not the token that the study register knows"):
            decide_blind(study, night, reader, handle, decision="accept", reason="")
    handle = next(iter(_blind_rows(TRIALS, known))).handle
    written = decide_blind(study, night, known, handle, decision="accept", reason="")
    assert written.reader == "r1" and written.seat
    assert len(reviews_of(open_register(load_study(study.path)))) == 1
