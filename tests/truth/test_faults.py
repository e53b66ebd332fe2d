"""Every planted fault is caught by the rule that names it, judged as at night."""

from __future__ import annotations

import pytest

from benchmarks.accuracy import in_signals
from benchmarks.border import KEYS as BORDER_KEYS
from benchmarks.border import STATES, border_share
from benchmarks.figures import Share, fault_shares
from benchmarks.infants import faulty_visit
from benchmarks.judgement import judge_visits
from quietsleep.simulation.faults import FAULTS

KEYS = [key for key in FAULTS if in_signals(key)]


@pytest.fixture(scope="module")
def shares() -> dict[str, Share]:
    """One visit each, every one with another infant on another measuring set."""
    visits = [faulty_visit(key, number) for number, key in enumerate(KEYS)]
    return {share.name: share for share in fault_shares(judge_visits(visits))}


@pytest.mark.parametrize("key", KEYS)
def test_planted_fault_breaks_the_rule_that_names_it(key: str, shares: dict[str, Share]) -> None:
    share = shares[key]
    assert share.n + share.left_out >= 1
    assert share.right == share.n, share.missed


def test_few_plants_are_too_weak_for_their_infant(shares: dict[str, Share]) -> None:
    assert [key for key, share in shares.items() if share.n == 0] == []


@pytest.mark.parametrize("key", BORDER_KEYS)
def test_fault_of_a_visit_or_a_file_is_caught_at_the_border(key: str) -> None:
    share = border_share(key, planted=1)
    assert share.n == 12
    assert share.right == share.n, share.missed


def test_no_fault_of_the_registry_is_left_out() -> None:
    assert {*KEYS, *BORDER_KEYS, *STATES} == set(FAULTS)
