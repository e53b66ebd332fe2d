"""Units by their UCUM codes."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from quietsleep.contract import ContractError
from quietsleep.contract.units import check_factors, factor, parse_unit

# NIST Special Publication 811 (2008), appendix B: conventional cm of water 9.80665 E+01 Pa,
# conventional mm of mercury 1.333224 E+02 Pa.
PRINTED = {("cm[H2O]", "kPa"): 0.0980665, ("mm[Hg]", "kPa"): 0.1333224}


@pytest.mark.parametrize("units", PRINTED)
def test_pressure_factors_are_the_printed_ones(units: tuple[str, str]) -> None:
    assert factor(*units) == pytest.approx(PRINTED[units], rel=1e-6)


@pytest.mark.parametrize(
    ("start", "end", "expected"),
    [
        ("L/min", "mL/s", 1000 / 60),
        ("L/s", "mL/s", 1000),
        ("mL/cm[H2O]", "mL/kPa", 1 / 0.0980665),
        ("cm[H2O].s/L", "kPa.s/L", 0.0980665),
        ("mbar", "kPa", 0.1),
        ("%", "1", 0.01),
        ("Cel", "Cel", 1),
        ("mL/kPa/kg", "mL/(kPa.kg)", 1),
    ],
)
def test_factor(start: str, end: str, expected: float) -> None:
    assert factor(start, end) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize(
    ("start", "end", "message"),
    [
        ("cm[H2O]/L/s", "kPa.s/L", "cannot be brought"),
        ("mL", "kPa", "cannot be brought"),
        ("Cel", "K", "needs an offset"),
        ("cmH2O", "kPa", "is no UCUM unit"),
        ("", "kPa", "no UCUM unit"),
        ("10.mL", "mL", "carries a number"),
    ],
)
def test_factor_refuses(start: str, end: str, message: str) -> None:
    with pytest.raises(ContractError, match=message):
        factor(start, end)


def test_parse_unit_gives_one_object_a_code() -> None:
    assert parse_unit("mL/s") is parse_unit("mL/s")
    assert str(parse_unit("mL/s").dimensionality) == "[length] ** 3 / [time]"


def test_usual_conversions_wait_for_no_grammar() -> None:
    asked = (
        "from quietsleep.contract.units import factor; import sys; "
        "print(factor('cm[H2O]', 'kPa'), factor('kPa', 'kPa'), 'pint' in sys.modules)"
    )
    answer = subprocess.run([sys.executable, "-c", asked], check=True, capture_output=True)
    assert answer.stdout.split() == [b"0.0980665", b"1.0", b"False"]


@pytest.mark.parametrize(
    ("written", "message"),
    [
        ('"kPa" = { "Pa" = 100.0 }', "kPa to Pa is 100.0; by the grammar of UCUM it is 1000"),
        ('"kPa" = { "mL" = 1.0 }', "cannot be brought"),
        ('"kPa" = { "Pa" = "1000" }', "a number with a point"),
        ('"kPa" = 1000.0', "a number with a point"),
    ],
)
def test_a_usual_factor_is_held_against_the_grammar(
    tmp_path: Path, written: str, message: str
) -> None:
    (tmp_path / "units.toml").write_text(f'codes = ["kPa"]\n[factors]\n{written}\n')
    with pytest.raises(ContractError, match=message):
        check_factors(tmp_path)
