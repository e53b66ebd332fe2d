"""Blind reading: who is shown what in which order, and what is written down of it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from quietsleep import contract
from quietsleep.review.blind import (
    BlindNight,
    ReadAlready,
    Reader,
    TrialReplaced,
    decide_blind,
    find_trial,
    read_blind_night,
    reading_list,
    reasons_for,
)
from quietsleep.review.desk import waiting_trials, write_down
from quietsleep.study.review_log import Review, ReviewError, reviews_of
from quietsleep.study.study import Study, load_study
from quietsleep.warehouse.registered import open_register

ONE, TWO = Reader("r1", b"1" * 32), Reader("r2", b"2" * 32)


@pytest.fixture(autouse=True)
def all_drawn(monkeypatch: pytest.MonkeyPatch) -> None:
    """The small night has few trials: all of them are read again."""
    for module in ("queue", "blind"):
        monkeypatch.setattr(f"quietsleep.review.{module}.drawn_for_second_reading", lambda *_: True)


@pytest.fixture
def study(study_path: Path) -> Study:
    return load_study(study_path)


@pytest.fixture
def night(study: Study) -> BlindNight:
    return read_blind_night(study)


def written(study: Study) -> tuple[Review, ...]:
    return reviews_of(open_register(study))


def test_every_reader_has_an_order_that_stays_and_is_nobody_elses(
    study: Study, night: BlindNight
) -> None:
    mine, again = (reading_list(study, night, ONE) for _ in range(2))
    other = reading_list(study, night, TWO)
    assert mine == again and len(mine.waiting) > 5
    names = [t.trial for t in mine.waiting]
    assert sorted(names) == sorted(t.trial for t in other.waiting)
    assert names != [t.trial for t in other.waiting] and names != sorted(names)
    # What one reader's page says leads to nothing at another's.
    assert not {t.handle for t in mine.waiting} & {t.handle for t in other.waiting}
    for each in mine.waiting:
        assert find_trial(night, TWO, each.handle) is None
        assert find_trial(night, ONE, each.handle) == each
        assert each.centre not in each.handle


def test_being_shown_a_trial_does_not_tell_that_the_rules_accept_it(
    study: Study, night: BlindNight, monkeypatch: pytest.MonkeyPatch
) -> None:
    waits = waiting_trials(study)
    offered = {*zip(waits["centre"], waits["trial"], strict=True)}
    trials = night.published.trials[night.published.trials["machine"] != "accepted"]
    refused = {*zip(trials["centre"], trials["trial"], strict=True)}
    assert refused - offered
    shown = {(t.centre, t.trial) for t in reading_list(study, night, ONE).waiting}
    assert shown == offered | refused
    monkeypatch.setattr("quietsleep.review.blind.drawn_for_second_reading", lambda *_: False)
    shown = {(t.centre, t.trial) for t in reading_list(study, night, ONE).waiting}
    assert shown == offered


def test_a_decision_is_the_one_that_the_command_line_writes(
    study: Study, night: BlindNight
) -> None:
    trial = reading_list(study, night, ONE).waiting[0]
    said = decide_blind(
        study, night, ONE, trial.handle, decision="reject", reason="leak_seen", note="At 3 s."
    )
    by_hand = write_down(
        study, trial.trial, centre=trial.centre, reader="r3", decision="reject",
        reason="leak_seen", note="At 3 s.", blind=True, new_reader=True,
    )  # fmt: skip
    own: dict[str, Any] = {"review": "", "reader": "", "decided_at": "", "seal": "", "seat": ""}
    assert replace(said, **own) == replace(by_hand, **own)
    # At the desk a token says who sits there, at a terminal the account.
    assert said.seat and by_hand.seat and said.seat != by_hand.seat
    assert said.blind and said.reader == "r1"


def test_a_trial_is_shown_and_written_once_and_counted(study: Study, night: BlindNight) -> None:
    before = reading_list(study, night, ONE)
    assert before.n_read == 0 and before.last is None
    trial = before.waiting[0]
    decide_blind(study, night, ONE, trial.handle, decision="accept", reason="")
    now = reading_list(study, night, ONE)
    assert now.waiting == before.waiting[1:] and now.n_read == 1
    assert now.last is not None and now.last[0] == trial
    assert now.last[1].reason == reasons_for("accept")[0].name
    with pytest.raises(ReadAlready):
        decide_blind(study, night, ONE, trial.handle, decision="reject", reason="leak_seen")
    assert len(written(study)) == 1
    decide_blind(study, night, ONE, trial.handle, decision="reject", reason="leak_seen", again=True)
    now = reading_list(study, night, ONE)
    assert now.n_read == 1 and now.last is not None and now.last[1].decision == "reject"
    assert [r.decision for r in written(study)] == ["accept", "reject"]


def test_nobody_sees_what_another_decided(study: Study, night: BlindNight) -> None:
    for trial in reading_list(study, night, TWO).waiting[:3]:
        decide_blind(
            study, night, TWO, trial.handle, decision="reject", reason="leak_seen", note="Seen."
        )
    mine = reading_list(study, night, ONE)
    assert mine.last is None and mine.n_read == 0
    assert "leak_seen" not in repr(mine) and "r2" not in repr(mine)


@pytest.mark.parametrize("column", ["file_sha256", "start_s"])
def test_what_was_replaced_while_it_was_shown_is_not_written_down(
    study: Study, night: BlindNight, column: str
) -> None:
    trial = reading_list(study, night, ONE).waiting[0]
    here = (night.published.trials["centre"] == trial.centre) & (
        night.published.trials.trial == trial.trial
    )
    changed = night.published.trials.copy()
    changed.loc[here, column] = "0" * 64 if column == "file_sha256" else -1.0
    with pytest.raises(TrialReplaced, match="Nothing was written down"):
        later = replace(night, published=replace(night.published, trials=changed))
        decide_blind(study, later, ONE, trial.handle, decision="accept", reason="")
    with pytest.raises(TrialReplaced):
        decide_blind(study, night, ONE, "nonsense", decision="accept", reason="")
    assert written(study) == ()


def test_reasons_of_one_who_sees_no_verdict_speak_of_none(study: Study, night: BlindNight) -> None:
    for decision in ("accept", "reject"):
        given = reasons_for(decision)
        assert given and all(r.decision == decision for r in given)
        assert not any("rule" in r.sentence for r in given)
    assert not reasons_for("accept")[0].needs_note
    assert any(r.knows_rules for r in contract.REVIEWING.reasons.values())
    trial = reading_list(study, night, ONE).waiting[0]
    for reason, note in (("said_in_note", " "), ("nothing_against", ""), ("leak_seen", "x" * 501)):
        with pytest.raises(ReviewError):
            decide_blind(
                study, night, ONE, trial.handle, decision="reject", reason=reason, note=note
            )
    assert written(study) == ()
