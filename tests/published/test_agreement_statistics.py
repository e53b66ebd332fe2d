"""Agreement statistics against the worked examples that introduced them.

Both data tables were compared with public copies of them; the printed results are from memory.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from quietsleep.warehouse.statistics import intraclass, limits_of_agreement, repeatability

# Bland JM, Altman DG. Lancet 1986;1:307-310, table 1: peak expiratory flow of 17 subjects, L/min,
# two readings with a large meter and two with a mini meter.
LARGE = np.array(
    [
        [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427],
        [490, 397, 512, 401, 470, 611, 415, 431, 638, 429, 420, 633, 275, 492, 165, 372, 421],
    ]
)
MINI = np.array(
    [
        [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451],
        [525, 415, 508, 444, 500, 625, 460, 390, 642, 432, 420, 605, 227, 467, 268, 370, 443],
    ]
)
# Shrout PE, Fleiss JL. Psychol Bull 1979;86:420-428, table 2: 6 targets rated by 4 judges.
RATINGS = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]


def test_bland_and_altman_1986() -> None:
    limits = limits_of_agreement(LARGE[0], MINI[0], width_sd=2.0)
    assert limits.n == 17
    assert round(limits.bias, 1) == -2.1
    assert round(limits.sd, 1) == 38.8
    # Printed from the rounded SD: -79.7 and 75.5.
    assert limits.lower == pytest.approx(-79.7, abs=0.1)
    assert limits.upper == pytest.approx(75.5, abs=0.1)
    # Printed intervals: bias -22.0 to 17.8, lower -114.3 to -45.1, upper 40.9 to 110.1.
    assert limits.bias_interval == pytest.approx((-22.0, 17.8), abs=0.1)
    assert limits.lower_interval == pytest.approx((-114.3, -45.1), abs=0.2)
    assert limits.upper_interval == pytest.approx((40.9, 110.1), abs=0.2)


def test_bland_and_altman_1986_repeatability() -> None:
    # Printed: 43.2 L/min for the large and 56.4 for the mini meter, from SDs of 21.6 and 28.2.
    assert repeatability(*LARGE) / 2 == pytest.approx(21.6, abs=0.05)
    assert repeatability(*MINI) / 2 == pytest.approx(28.2, abs=0.05)


def test_shrout_and_fleiss_1979() -> None:
    found = intraclass(RATINGS)
    assert (found.n, found.k) == (6, 4)
    # Printed in their table 4.
    assert [round(x, 2) for x in (found.single_1, found.single_2, found.single_3)] == [
        0.17, 0.29, 0.71,
    ]  # fmt: skip
    assert [round(x, 2) for x in (found.mean_1, found.mean_2, found.mean_3)] == [0.44, 0.62, 0.91]
    # Interval as common statistics packages print it for this table (from memory): 0.02 to 0.76.
    assert [round(x, 2) for x in found.single_2_interval] == [0.02, 0.76]


def test_perfect_agreement_and_bad_input() -> None:
    same = [[1.0, 1.0], [2.0, 2.0], [4.0, 4.0]]
    assert intraclass(same).single_2 == 1.0
    with pytest.raises(ValueError, match="complete table"):
        intraclass([[1.0, np.nan], [2.0, 3.0]])
    with pytest.raises(ValueError, match="at least 3 pairs"):
        limits_of_agreement([1.0, 2.0, np.nan], [1.0, 2.0, 3.0])


SAME = st.sampled_from([0.0, 1.0, 1.0, 2.0, 52.1])


@given(st.lists(st.lists(SAME, min_size=2, max_size=2), min_size=3, max_size=6))
@example([[52.1, 52.1]] * 3)  # three equal pairs
@example([[1.0, 2.0], [2.0, 1.0], [1.5, 1.5]])  # equal means of rows and of columns
@example([[1.0, 1.0], [1.0, 1.0], [1.0, 2.0]])
def test_results_that_hardly_vary_give_a_number_or_none_and_never_an_error(
    pairs: list[list[float]],
) -> None:
    found = intraclass(pairs)
    limits = limits_of_agreement([p[0] for p in pairs], [p[1] for p in pairs])
    assert limits.lower <= limits.bias <= limits.upper
    for number in (found.single_1, found.single_3):
        assert np.isnan(number) or -1.0 - 1e-9 <= number <= 1.0 + 1e-9
    if len({value for pair in pairs for value in pair}) == 1:
        assert np.isnan(found.single_2) and np.isnan(found.single_2_interval).all()
