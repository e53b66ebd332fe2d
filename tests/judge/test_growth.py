"""Growth z-scores against the WHO standards, and corrected age.

WHO Child Growth Standards (2006), weight-for-age and length-for-age tables by day.
"""

from __future__ import annotations

import math

import pytest

from quietsleep.judge.scores import corrected_age_days, length_z, weight_z


def test_who_weight_examples() -> None:
    # WHO weight-for-age: boy, birth, 3.5 kg 0.3098; girl, 26 weeks, 7.3 kg 0.0119.
    boy = weight_z(3.5, sex="male", age_days=0, gestation_weeks=40)
    girl = weight_z(7.3, sex="female", age_days=26 * 7, gestation_weeks=40)
    assert boy.z == pytest.approx(0.3098, abs=5e-5) and boy.why == ""
    assert girl.z == pytest.approx(0.0119, abs=5e-5)


def test_who_birth_length() -> None:
    # WHO length-for-age at birth, boys: L 1, M 49.8842, S 0.03795 (from memory).
    found = length_z(49.8842 * (1 + 2 * 0.03795), sex="male", age_days=0, gestation_weeks=40)
    assert found.z == pytest.approx(2.0, abs=1e-3)


def test_tail_rule_beyond_three_sd() -> None:
    # WHO (2006): beyond +3 SD by steps of SD3 - SD2; boys' weight at birth L 0.3487, M 3.3464,
    # S 0.14602 (from memory). Plain LMS would give another value.
    lam, median, spread = 0.3487, 3.3464, 0.14602
    sd2, sd3 = (median * (1 + lam * spread * n) ** (1 / lam) for n in (2, 3))
    value = sd3 + 2.0 * (sd3 - sd2)
    plain = ((value / median) ** lam - 1) / (lam * spread)
    found = weight_z(value, sex="male", age_days=0, gestation_weeks=40).z
    assert found == pytest.approx(5.0, abs=2e-3)
    assert abs(plain - found) > 0.1


def test_a_typing_error_gets_a_number_so_that_its_rule_can_fail() -> None:
    found = weight_z(45.0, sex="female", age_days=180, gestation_weeks=40)
    assert math.isfinite(found.z) and found.z > 5


def test_corrected_age() -> None:
    assert corrected_age_days(100, 40) == 100
    assert corrected_age_days(100, 37) == 100
    assert corrected_age_days(100, 36) == 100 - 28
    assert corrected_age_days(100, 28.5) == pytest.approx(100 - 80.5)
    assert math.isnan(corrected_age_days(100, math.nan))


def test_z_scores_use_corrected_age() -> None:
    early = weight_z(7.3, sex="female", age_days=26 * 7 + 35, gestation_weeks=35)
    assert early.z == pytest.approx(0.0119, abs=5e-5)


@pytest.mark.parametrize(
    ("facts", "word"),
    [
        ({"sex": None, "age_days": 10, "gestation_weeks": 40}, "sex"),
        ({"sex": "male", "age_days": math.nan, "gestation_weeks": 40}, "Age"),
        ({"sex": "male", "age_days": 7, "gestation_weeks": 36}, "begin at term"),
        ({"sex": "male", "age_days": 2000, "gestation_weeks": 40}, "end at 1826"),
    ],
)
def test_out_of_the_tables_gives_nan_and_a_reason(facts: dict[str, float], word: str) -> None:
    for found in (weight_z(5.0, **facts), length_z(55.0, **facts)):  # type: ignore[arg-type]
        assert math.isnan(found.z) and word in found.why


@pytest.mark.parametrize("measure", [math.nan, 0.0, -1.0])
def test_no_measure_gives_nan_and_a_reason(measure: float) -> None:
    found = length_z(measure, sex="male", age_days=10, gestation_weeks=40)
    assert math.isnan(found.z) and "not known" in found.why
