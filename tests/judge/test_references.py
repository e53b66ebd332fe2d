"""Published values of reference equations, and refusals in words.

V'maxFRC: Hoo et al., AJRCCM 2002;165:1084-1092. FRC: Pediatr Pulmonol 1993;15:357-361, collated
Eur Respir J 2001;17:529-536. Crs: Bull Eur Physiopathol Respir 1985;21:411-416.
"""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from quietsleep import contract
from quietsleep.judge.scores import (
    References,
    Subject,
    load_references,
    predict,
    score,
    score_by,
)


def subject(sex: str | None = "male", length_cm: float = 65.0, **other: object) -> Subject:
    facts = {
        "weight_kg": 7.0,
        "age_days": 180.0,
        "corrected_age_days": 180.0,
        "equipment_class": "a",
    } | other
    return Subject(sex=sex, length_cm=length_cm, **facts)  # type: ignore[arg-type]


PUBLISHED = load_references()


def predicted(key: str, sex: str, length_cm: float) -> float:
    equation = PUBLISHED.published[key].equation_for(sex)
    assert equation is not None
    return predict(equation, subject(sex, length_cm).values())


@pytest.mark.parametrize(("sex", "flow", "z"), [("male", 171.4, -1.03), ("female", 210.3, -1.65)])
def test_vmaxfrc_at_65_cm(sex: str, flow: float, z: float) -> None:
    # Hoo et al. 2002, worked at 65 cm and 100 mL/s; 210.25 is printed rounded up.
    assert predicted("vmaxfrc_2002", sex, 65) == pytest.approx(flow, abs=0.06)
    found = score("vmaxfrc_ml_s", 100.0, subject(sex), PUBLISHED)
    assert found.z == pytest.approx(z, abs=0.005)
    assert found.percent_predicted == pytest.approx(100 * 100 / flow, abs=0.05)
    assert found.equation == "vmaxfrc_2002" and found.why == ""


def test_vmaxfrc_holds_up_to_84_cm_and_no_further() -> None:
    # Hoo et al. 2002: not to be used beyond 84 cm.
    assert math.isfinite(score("vmaxfrc_ml_s", 300.0, subject(length_cm=84), PUBLISHED).z)
    beyond = score("vmaxfrc_ml_s", 300.0, subject(length_cm=84.1), PUBLISHED)
    assert math.isnan(beyond.z) and math.isnan(beyond.percent_predicted)
    assert beyond.equation is None
    assert beyond.why == ("vmaxfrc_2002 holds for length 45 to 84 cm; this infant has 84.1 cm.")


def test_frc_by_gas_dilution_at_70_cm() -> None:
    # Pediatr Pulmonol 1993;15:357-361: ln FRC = -5.465 + 2.49 ln L, SD 0.178.
    assert predicted("frc_gas_dilution_1993", "female", 70) == pytest.approx(166.3, abs=0.05)
    found = score_by(
        PUBLISHED.published["frc_gas_dilution_1993"], 166.3 * math.exp(0.178), subject(length_cm=70)
    )
    assert found.z == pytest.approx(1.0, abs=0.005)


# Eur Respir J 2001;17:529-536, collated mL at 50, 60, 70, 80, 90 cm.
@pytest.mark.parametrize(
    ("length_cm", "frc_ml"), [(50, 72), (60, 114), (70, 168), (80, 236), (90, 318)]
)
def test_frc_by_gas_dilution_lies_near_the_collated_values(length_cm: int, frc_ml: int) -> None:
    assert predicted("frc_gas_dilution_1993", "male", length_cm) == pytest.approx(frc_ml, rel=0.025)


def test_box_volume_is_not_scored_by_gas_dilution() -> None:
    found = score("frc_pleth_ml", 166.0, subject(length_cm=70), PUBLISHED)
    assert math.isnan(found.z) and found.equation is None
    assert "No reference equation" in found.why


def test_crs_at_70_cm_gives_percent_but_no_z() -> None:
    # Bull Eur Physiopathol Respir 1985;21:411-416: 1.58e-4 L^3.13 mL/kPa, no SD known.
    assert predicted("crs_1985", "male", 70) == pytest.approx(94.1, abs=0.06)
    found = score("crs_single_ml_kpa", 94.1, subject(length_cm=70), PUBLISHED)
    assert math.isnan(found.z) and found.percent_predicted == pytest.approx(100, abs=0.1)
    assert found.equation == "crs_1985" and "no spread" in found.why


@pytest.mark.parametrize(("length_cm", "crs"), [(57.6, 65.6), (77.6, 145.5)])
def test_crs_is_of_the_size_found_later(length_cm: float, crs: float) -> None:
    # Means of healthy infants, Dezateux et al., Thorax 2001;56:30-37: another laboratory and
    # decade, so only the order of size is asked.
    assert predicted("crs_1985", "male", length_cm) == pytest.approx(crs, rel=0.25)


@pytest.mark.parametrize(
    ("value", "who", "word"),
    [
        (math.nan, subject(), "no value"),
        (-5.0, subject(), "A value of -5"),
        (100.0, subject(sex=None), "sex"),
        (100.0, subject(length_cm=math.nan), "needs length"),
    ],
)
def test_what_cannot_be_scored_says_why(value: float, who: Subject, word: str) -> None:
    found = score("vmaxfrc_ml_s", value, who, PUBLISHED)
    assert math.isnan(found.z) and word in found.why


# ------------------------------------------------------------- a study's own equations
OWN = """
key = "own_vmaxfrc"
title = "Own equation"
outcomes = ["vmaxfrc_ml_s"]
unit = "mL/s"
source = "Own healthy infants of the study, analysis of 2026"
obtained = "study proposal"
equipment_classes = ["jacket_b"]
[ranges]
length_cm = [50, 80]
age_days = [10, 700]
[[equations]]
sexes = ["female", "male"]
transform = "ln"
sd = 0.2
terms = [
    { coefficient = 1.0 },
    { coefficient = 0.9, of = "length_cm", ln = true },
    { coefficient = 0.001, of = "age_days" },
]
"""
LMS = """
key = "own_fvc"
title = "Own table"
outcomes = ["fvc_ml"]
unit = "mL"
source = "Own healthy infants of the study, analysis of 2026"
obtained = "study proposal"
[ranges]
length_cm = [50, 70]
[[tables]]
sexes = ["male"]
by = "length_cm"
rows = [[50, 1.0, 100, 0.10], [60, 1.0, 200, 0.10], [70, 0.0, 300, 0.20]]
"""


def own(study: Path, **files: str) -> References:
    (study / "references").mkdir(exist_ok=True)
    for name, text in files.items():
        (study / "references" / f"{name}.toml").write_text(text)
    return load_references(study)


def test_own_equation_stands_first_on_its_equipment_and_nowhere_else(tmp_path: Path) -> None:
    references = own(tmp_path, own_vmaxfrc=OWN)
    by_own = score("vmaxfrc_ml_s", 200.0, subject(equipment_class="jacket_b"), references)
    assert by_own.equation == "own_vmaxfrc"
    expected = (math.log(200) - (1.0 + 0.9 * math.log(65) + 0.001 * 180)) / 0.2
    assert by_own.z == pytest.approx(expected)
    assert score("vmaxfrc_ml_s", 200.0, subject(), references).equation == "vmaxfrc_2002"


def test_own_equation_alone_says_which_equipment_it_is_for(tmp_path: Path) -> None:
    text = OWN.replace("vmaxfrc_ml_s", "fef50_ml_s")
    found = score("fef50_ml_s", 200.0, subject(), own(tmp_path, own_vmaxfrc=text))
    assert found.equation is None
    assert found.why == (
        "own_vmaxfrc holds for equipment of class jacket_b only; this test was done with a."
    )


def test_lms_table_between_and_at_its_rows(tmp_path: Path) -> None:
    references = own(tmp_path, own_fvc=LMS)

    def at(length_cm: float, value: float) -> float:
        return score("fvc_ml", value, subject(length_cm=length_cm), references).z

    assert at(50, 100) == pytest.approx(0)
    assert at(55, 165) == pytest.approx((165 / 150 - 1) / 0.10)
    assert at(70, 300 * math.exp(0.4)) == pytest.approx(2.0)
    assert math.isnan(at(70.5, 300)) and math.isnan(at(50, -1))
    female = score("fvc_ml", 100.0, subject("female", 50), references)
    assert female.why == "own_fvc has no equation for female infants."


BAD = {
    "unknown transform": (OWN, '"ln"', '"log10"', 'transform is "log10"; it may be: identity'),
    "unknown predictor": (OWN, 'of = "age_days"', 'of = "height"',
                          'of is "height"; is weight_kg meant?'),
    "predictor without range": (OWN, "age_days = [10, 700]\n", "", "age_days has no range"),
    "sd of zero": (OWN, "sd = 0.2", "sd = 0.0", "sd is 0; it must be above 0"),
    "sd not finite": (OWN, "sd = 0.2", "sd = inf", "sd is inf; it must be a finite number"),
    "crossed range": (OWN, "[50, 80]", "[80, 50]",
                      "length_cm is [80, 50]; it needs a lowest and a higher"),
    "logarithm from zero": (OWN, "[50, 80]", "[0, 80]", "must begin above 0"),
    "power and logarithm": (OWN, "ln = true", "ln = true, power = 2", "not both"),
    "power of nothing": (OWN, "{ coefficient = 1.0 }", "{ coefficient = 1.0, power = 2 }", "need"),
    "same sex twice": (OWN, "[[equations]]", "[[equations]]\nsexes=['male']\ntransform='ln'\n"
                       "terms=[{coefficient=1}]\n[[equations]]", "male stands twice"),
    "no source": (OWN, 'source = "Own healthy infants of the study, analysis of 2026"',
                  'source = ""', 'source is ""; it must be a text in quotes, not empty'),
    "unknown outcome": (OWN, "vmaxfrc_ml_s", "vmax", 'outcomes is "vmax"; it may be: '),
    "other unit": (OWN, 'unit = "mL/s"', 'unit = "L/s"', 'unit is "L/s", not the unit'),
    "unknown sex": (OWN, '"female", "male"', '"boys"',
                    'sexes 1 is "boys"; it may be: female, male'),
    "no equation": (OWN.partition("[[equations]]")[0], "title", "title", "holds no"),
    "falling rows": (LMS, "[60,", "[45,", "rows do not rise in length_cm"),
    "short row": (LMS, "[60, 1.0, 200, 0.10]", "[60, 1.0, 200]",
                  "rows 2 is [60, 1, 200], which is not a row of 4 numbers"),
    "median of zero": (LMS, "200, 0.10", "0, 0.10", "M and S above 0"),
    "range past the rows": (LMS, "[50, 70]", "[50, 75]", "reaches beyond the rows"),
}  # fmt: skip


@pytest.mark.parametrize("case", BAD)
def test_bad_own_equation_is_refused_in_words(tmp_path: Path, case: str) -> None:
    text, old, new, message = BAD[case]
    name = "own_fvc" if text is LMS else "own_vmaxfrc"
    assert old in text
    with pytest.raises(contract.ContractError) as refusal:
        own(tmp_path, **{name: text.replace(old, new, 1)})
    assert message in str(refusal.value) and f"{name}.toml" in str(refusal.value)


def test_an_equation_that_predicts_below_zero_is_refused(tmp_path: Path) -> None:
    text = OWN.replace('"ln"', '"sqrt"').replace("coefficient = 1.0", "coefficient = -100.0")
    with pytest.raises(contract.ContractError, match=r"predicts -9.* which is not above 0"):
        own(tmp_path, own_vmaxfrc=text)


def test_two_own_equations_for_the_same_infants_are_refused(tmp_path: Path) -> None:
    second = OWN.replace("own_vmaxfrc", "own_second")
    with pytest.raises(contract.ContractError, match="would be scored by own_second as well"):
        own(tmp_path, own_vmaxfrc=OWN, own_second=second)


def test_own_equation_may_not_take_a_published_key(tmp_path: Path) -> None:
    text = OWN.replace("own_vmaxfrc", "vmaxfrc_2002")
    with pytest.raises(contract.ContractError, match="a published equation has the same key"):
        own(tmp_path, vmaxfrc_2002=text)


def test_a_study_without_equations_has_the_published_ones(tmp_path: Path) -> None:
    assert load_references(tmp_path).own == {}
    assert set(load_references(tmp_path).published) == set(contract.REFERENCES)
