"""Who waits for a reader: near a limit, flagged, drawn, or with readers who disagree."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
import pytest

from quietsleep.judge.readers import decide
from quietsleep.review.queue import borderline, drawn_for_second_reading, waiting
from quietsleep.study.review_log import Review

Maker = Callable[..., Review]
FILE = "f" * 64


def verdict(observed: float, **changed: Any) -> dict[str, Any]:
    given = {
        "item_kind": "trial", "centre": "larch", "item": "a#1",
        "rule": "single_occlusion.long_fit", "quantity": "fit_share_pct", "observed": observed,
        "limit_low": 40.0, "limit_high": np.nan, "severity": "reject", "waiver": None,
        "state": "pass" if observed >= 40 else "fail", "sentence": "",
    }  # fmt: skip
    return given | changed


@pytest.mark.parametrize(
    ("observed", "near"),
    [(42.0, True), (42.01, False), (40.0, False), (39.99, True), (38.0, True), (37.99, False)],
)
def test_borderline_is_five_percent_of_the_limit_on_both_sides(observed: float, near: bool) -> None:
    assert bool(len(borderline(pd.DataFrame([verdict(observed)])))) is near


@pytest.mark.parametrize(("observed", "near"), [(0.9896, True), (0.9904, True), (0.991, False)])
def test_nearness_below_a_ceiling_counts_what_is_left_up_to_it(observed: float, near: bool) -> None:
    rows = [
        verdict(observed, quantity="fit_r2", rule="single_occlusion.straight_expiration",
                limit_low=0.99, state="pass" if observed >= 0.99 else "fail")
    ]  # fmt: skip
    assert bool(len(borderline(pd.DataFrame(rows)))) is near


def test_a_trial_that_fails_clearly_is_not_borderline_whatever_else_is_near() -> None:
    other = verdict(3.0, rule="single_occlusion.steady_eel", quantity="eel_sd_pct", state="fail",
                    limit_low=np.nan, limit_high=1.0)  # fmt: skip
    assert len(borderline(pd.DataFrame([verdict(41.0), other]))) == 0
    assert len(borderline(pd.DataFrame([verdict(41.0), other | {"severity": "flag"}]))) == 1


def test_the_draw_is_about_five_percent_and_the_same_every_time() -> None:
    names = [f"rec-{i}#1" for i in range(20_000)]
    drawn = [n for n in names if drawn_for_second_reading("study", "larch", n)]
    # 5 % of 20 000 is 1000, and chance spreads it by sqrt(20 000 x 0.05 x 0.95) = 31.
    assert abs(len(drawn) - 1000) < 4 * 31
    assert (
        drawn == [n for n in reversed(names) if drawn_for_second_reading("study", "larch", n)][::-1]
    )
    assert set(drawn) != {n for n in names if drawn_for_second_reading("study", "willow", n)}
    # A fixed point: whoever changes the draw changes which trials were promised to readers.
    assert drawn[:2] == EXPECTED


EXPECTED = ["rec-46#1", "rec-51#1"]


def trials(machine: str, *, flagged: bool = False) -> pd.DataFrame:
    return pd.DataFrame(
        [{"centre": "larch", "trial": "a#1", "file_sha256": FILE, "flagged": flagged,
          "machine": machine}]
    )  # fmt: skip


NOTHING_NEAR = pd.DataFrame([verdict(90.0)])


def why(rows: pd.DataFrame, *reviews: Review) -> list[str]:
    found = waiting(rows, NOTHING_NEAR, reviews, study="no draw")
    return [] if found.empty else list(found["why"].iloc[0])


def test_flagged_trials_wait_until_read(review: Maker) -> None:
    rows = trials("accepted", flagged=True)
    assert not drawn_for_second_reading("no draw", "larch", "a#1")
    assert why(rows) == ["flagged"]
    assert why(rows, review(trial="a#1")) == []
    assert why(trials("accepted")) == []
    assert why(trials("rejected", flagged=True)) == []


def test_one_acceptance_of_a_rejected_trial_waits_for_another_reader(review: Maker) -> None:
    first = review(trial="a#1")
    assert why(trials("rejected"), first) == ["a second reader is needed"]
    assert why(trials("rejected"), first, review(trial="a#1", reader="reader-2")) == []
    again = review(trial="a#1")
    assert why(trials("rejected"), first, again) == ["a second reader is needed"]


def test_readers_who_disagree_wait_for_one_more(review: Maker) -> None:
    reject = review(trial="a#1", decision="reject", reader="reader-2")
    both = (review(trial="a#1"), reject)
    assert why(trials("accepted"), *both) == ["readers disagree"]
    assert why(trials("accepted"), *both, review(trial="a#1", reader="reader-3")) == []
    # The reader who changed their mind counts once.
    assert why(trials("accepted"), *both, review(trial="a#1", decision="reject")) == []


def test_a_decision_on_another_file_does_not_count(review: Maker) -> None:
    rows = trials("accepted", flagged=True)
    assert why(rows, review(trial="a#1", file_sha256="e" * 64)) == ["flagged"]


def test_what_decisions_come_to() -> None:
    assert decide([]) is None
    assert decide(["accept"]) is True
    assert decide(["reject"]) is False
    assert decide(["accept", "reject"]) is False
    assert decide(["accept", "accept", "reject"]) is True
    assert decide(["accept", "accept", "reject", "reject"]) is False
