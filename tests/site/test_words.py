"""Numbers, limits and statuses in words."""

from __future__ import annotations

import pytest

from quietsleep import contract
from quietsleep.site import words


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (None, "–"),
        (float("nan"), "–"),
        (12, "12"),
        (0.00012345, "0.0001234"),
        (123456.0, "123500"),
        (1e-9, "0.000000001"),
        (2.0, "2"),
    ],
)
def test_numbers_are_short_and_without_exponent(value: float | None, said: str) -> None:
    assert words.number(value) == said


def test_an_observed_value_is_never_rounded_onto_its_limit() -> None:
    assert words.quantity(0.0996, "s", 0.1) == "0.0996\xa0s"
    assert words.quantity(10.0004, "%", None, 10.0) == "10.0004\xa0%"
    assert words.quantity(float("nan"), "s", 0.1) == "not measured"


@pytest.mark.parametrize(
    ("operator", "low", "high", "unit", "said"),
    [
        ("at_least", 0.1, None, "s", "at least 0.1\xa0s"),
        ("at_most", None, 10.0, "%", "at most 10\xa0%"),
        ("between", 2.7, 3.3, "kPa", "2.7 to 3.3\xa0kPa"),
        ("equals", 1.0, 1.0, "1", "exactly 1"),
    ],
)
def test_limits_in_words(operator: str, low: float, high: float, unit: str, said: str) -> None:
    assert words.limit(operator, low, high, unit) == said


def test_unseen_characters_become_visible_and_letters_stay() -> None:
    assert words.seen("a\u202eb\u200d\x00") == "a[U+202E]b[U+200D][U+0000]"
    assert words.seen("Zürich 京都 é") == "Zürich 京都 é"


@pytest.mark.parametrize(
    ("name", "unit", "said"),
    [
        ("gap_s", "s", "gap"),
        ("eel_sd_pct", "%", "EEL SD"),
        ("crs_ml_kpa_kg", "mL/kPa/kg", "Crs"),
        ("rrs_kpa_s_l", "kPa.s/L", "Rrs"),
        ("rr_per_min", "/min", "RR"),
        ("fev0_5_ml", "mL", "FEV0.5"),
        ("fit_r2", "1", "fit r²"),
        ("n_breaths", "1", "number of breaths"),
    ],
)
def test_quantities_lose_their_unit_and_gain_the_trade_s_letters(
    name: str, unit: str, said: str
) -> None:
    assert words.quantity_name(name, unit) == said


def test_every_contract_status_has_a_sign_of_its_own_shape() -> None:
    wanted = set()
    for table, column in (
        ("tests", "status"),
        ("recordings", "state"),
        ("deliveries", "state"),
        ("centres", "state"),
        ("nights", "state"),
    ):
        wanted |= set(contract.TABLES[table].column(column).choices)
    assert wanted <= set(words.STATUS)
    assert set(contract.TABLES["verdicts"].column("state").choices) == set(words.VERDICT)
    shapes = [
        words.STATUS[s].shape for s in ("accepted", "rejected", "not_judgeable", "quarantined")
    ]
    assert len(set(shapes)) == 4
