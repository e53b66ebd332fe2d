"""Accuracy over a small grid of simulated infants: the benchmark's figures at its own targets.

The targets are those of the project's requirements, not widened. What the full benchmark does not
reach (docs/accuracy.md says so) is asserted here at the level that it does reach.
"""

from __future__ import annotations

import pytest

from benchmarks.figures import (
    TARGETS,
    Accuracy,
    Share,
    check_accuracy,
    clean_shares,
    outcome_accuracy,
)
from benchmarks.grid import case_of
from benchmarks.infants import clean_visit
from benchmarks.judgement import Case, judge_visits

# All lengths, conditions, rates and forms of device.
NUMBERS = tuple(range(35))
# Outcomes whose worst infant may miss the target; their 95th percentile must not.
WORST_MAY_MISS: frozenset[str] = frozenset({"vmaxfrc_ml_s"})


@pytest.fixture(scope="module")
def case() -> Case:
    return judge_visits([clean_visit(number) for number in NUMBERS])


@pytest.fixture(scope="module")
def accuracy(case: Case) -> dict[str, Accuracy]:
    return {row.name: row for row in outcome_accuracy(case) + check_accuracy(case)}


@pytest.fixture(scope="module")
def shares(case: Case) -> list[Share]:
    return clean_shares(case)


def test_the_grid_spans_what_it_promises() -> None:
    cases = [case_of(number) for number in NUMBERS]
    lengths = [each.infant.length_cm for each in cases]
    assert min(lengths) < 51.0 and max(lengths) > 83.0
    assert {each.rate_hz for each in cases} >= {100.0, 1000.0}
    assert len({each.condition for each in cases}) == 5
    assert {each.form.head.gas_state for each in cases} == {"measured", "btps"}
    assert {s.bits for each in cases for s in each.form.sensors} == {12, 16}


@pytest.mark.parametrize("name", TARGETS)
def test_nineteen_infants_in_twenty_are_measured_within_the_target(
    name: str, accuracy: dict[str, Accuracy]
) -> None:
    row = accuracy[name]
    assert row.errors.size >= len(NUMBERS) // 2
    assert row.p95 <= TARGETS[name][0], row.worst_case


@pytest.mark.parametrize("name", sorted(set(TARGETS) - WORST_MAY_MISS))
def test_the_worst_infant_is_measured_within_the_target(
    name: str, accuracy: dict[str, Accuracy]
) -> None:
    assert accuracy[name].worst <= TARGETS[name][0], accuracy[name].worst_case


def test_clean_recordings_are_accepted(shares: list[Share]) -> None:
    for share in shares:
        assert share.n >= len(NUMBERS)
        assert share.reached, (share.name, share.what, share.missed)
