"""Every planted fault is caught by the rule that names it, in a normal night."""

from __future__ import annotations

import pytest

from benchmarks.figures import Joined, Share, fault_shares
from benchmarks.grid import STATES, in_signals
from quietsleep.simulation.faults import FAULTS

KEYS = [key for key in FAULTS if in_signals(key)]
BORDER_KEYS = [key for key in FAULTS if not in_signals(key) and key not in STATES]


@pytest.fixture(scope="module")
def shares(joined: Joined) -> dict[str, Share]:
    """One session each, every one with another infant on another measuring set."""
    return {share.name: share for share in fault_shares(joined)}


@pytest.mark.parametrize("key", KEYS)
def test_planted_fault_breaks_the_rule_that_names_it(key: str, shares: dict[str, Share]) -> None:
    share = shares[key]
    assert share.n + share.left_out >= 1
    assert share.right == share.n, share.missed


def test_few_plants_are_too_weak_for_their_infant(shares: dict[str, Share]) -> None:
    assert [key for key, share in shares.items() if share.n == 0] == []


@pytest.mark.parametrize("key", BORDER_KEYS)
def test_fault_of_a_session_or_a_file_is_caught_at_the_border(
    key: str, shares: dict[str, Share]
) -> None:
    share = shares[key]
    assert share.n >= 12
    assert share.right == share.n, share.missed


def test_no_fault_of_the_registry_is_left_out(shares: dict[str, Share]) -> None:
    assert {*shares, *STATES} == set(FAULTS)
