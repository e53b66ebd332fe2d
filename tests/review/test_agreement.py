"""Cohen's kappa against worked examples, and against another implementation."""

from __future__ import annotations

import itertools
import math

import pytest
from statsmodels.stats.inter_rater import cohens_kappa

from quietsleep.warehouse.statistics import kappa

# The worked examples most often printed with Cohen's coefficient (Cohen J. Educ Psychol Meas
# 1960;20:37-46): two readers of 50 proposals, and two pairs of 100 with equal observed agreement.
# Counts and results from memory.
EXAMPLES = [
    ([[20, 5], [10, 15]], 0.4),
    ([[45, 15], [25, 15]], 0.1304),
    ([[25, 35], [5, 35]], 0.2593),
]


@pytest.mark.parametrize(("table", "expected"), EXAMPLES)
def test_kappa_of_worked_examples(table: list[list[int]], expected: float) -> None:
    assert kappa(table) == pytest.approx(expected, abs=5e-5)


def test_kappa_agrees_with_another_implementation() -> None:
    for table in itertools.product((0, 1, 7), (0, 3), (2, 9), (1, 40)):
        square = [list(table[:2]), list(table[2:])]
        assert kappa(square) == pytest.approx(cohens_kappa(square, return_results=False), abs=1e-12)


def test_kappa_of_full_and_of_no_agreement() -> None:
    assert kappa([[5, 0], [0, 5]]) == 1.0
    assert kappa([[0, 5], [5, 0]]) == -1.0
    assert math.isnan(kappa([[9, 0], [0, 0]]))
    assert math.isnan(kappa([[0, 0], [0, 0]]))
