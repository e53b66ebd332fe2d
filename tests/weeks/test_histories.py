"""Random weeks: after each night state, warehouse, conservation and queries are as the rules say.

At the end a rebuild from deliveries, register and key gives the same bytes. A failure prints its
seed and the smallest history that still fails.
"""

from __future__ import annotations

import faulthandler
from collections import Counter
from pathlib import Path

import pytest

from tests.weeks.history import CENTRES
from tests.weeks.oracle import Oracle
from tests.weeks.play import play, shrunk, told
from tests.weeks.random_weeks import random_history


def holds(seed: int, folder: Path, *, nights: int, n_centres: int, busy: int) -> None:
    """Play the history of a seed; where it fails, make it small and tell it."""
    history = random_history(seed, nights=nights, n_centres=n_centres, busy=busy)
    failure = play(history, folder / "first")
    if failure is None:
        return
    faulthandler.cancel_dump_traceback_later()  # making it small takes many nights
    small, why = shrunk(history, folder / "smaller", failure)
    pytest.fail(f"{failure}\n\nsmallest:\n{told(small)}\n{why}", pytrace=False)


@pytest.mark.parametrize("seed", range(10))
def test_weeks_are_as_the_rules_say(seed: int, tmp_path: Path) -> None:
    holds(seed, tmp_path, nights=7, n_centres=1 + seed % 2, busy=3)


@pytest.mark.soak
@pytest.mark.parametrize("seed", range(1000, 1200))
def test_months_are_as_the_rules_say(seed: int, tmp_path: Path) -> None:
    holds(seed, tmp_path, nights=30, n_centres=2 + seed % 2, busy=1 + seed % 3)


def test_the_oracle_counts_every_recording_once_and_all_events_come() -> None:
    happened: Counter[str] = Counter()
    asked: Counter[str] = Counter()
    for seed in range(40):
        history = random_history(seed, nights=30)
        oracle = Oracle(CENTRES[: history.n_centres])
        for night, actions in enumerate(history.nights):
            for action in actions:
                oracle.happens(night, action)
                happened[type(action).__name__] += 1
            expected = oracle.stands(night)
            asked.update(what for what, _, _ in expected.queries)
            for counts in expected.counts.values():
                states = ("in_force", "superseded", "withdrawn", "quarantined")
                assert counts["delivered"] == sum(counts[state] for state in states)
    assert len(happened) == 9 and min(happened.values()) > 10
    assert len(asked) == 13
