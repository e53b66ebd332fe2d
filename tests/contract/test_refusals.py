"""What cannot stand in a contract file is refused with file, entry and reason."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from quietsleep.contract import ContractError, load
from quietsleep.contract.load import FOLDER


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    copy = tmp_path / "contracts"
    shutil.copytree(FOLDER, copy, ignore=shutil.ignore_patterns("*.py", "__pycache__"))
    return copy


def spoil(folder: Path, file: str, old: str, new: str) -> None:
    path = folder / file
    text = path.read_text(encoding="utf-8")
    assert old in text, f"{file} no longer holds {old!r}"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


SINGLE = "techniques/single_occlusion.toml"
RULE = 'name = "plateau_long_enough"\nquantity = "plateau_s"\noperator = "at_least"\nlimit = 0.1\n'
SESSION = "session.toml"
CASES = {
    "fault that reads as its opposite": (
        "techniques/tidal.toml",
        'fault = "leak"',
        'fault = "no leak"',
        r'fault is "no leak", which reads as its opposite',
    ),
    "fault that is a sentence": (
        "techniques/tidal.toml",
        'fault = "leak"',
        'fault = "There was a leak."',
        r"fault is .*name the fault in a few words, without a full stop",
    ),
    "rule without a fault": (
        "techniques/tidal.toml",
        'fault = "leak"\n',
        "",
        r"fault is missing",
    ),
    "sentence that names no quantity of its level": (
        SESSION,
        "at the registered altitude of {altitude_m} m",
        "at the registered altitude of {altitude} m",
        r"sentence names \{altitude\}; it may name \{observed\}, \{limit\}, \{unit\} or a quan",
    ),
    "number shown in a way of its own": (
        SESSION,
        "{altitude_m} m",
        "{altitude_m:.1f} m",
        r"sentence names \{altitude_m:\.1f\}; numbers are shown by one function",
    ),
    "doubt of no column": (
        SESSION,
        'touches = "room_humidity_pct"',
        'touches = "room_humidity"',
        r"rule humidity_plausible: touches is \"room_humidity\"; is room_humidity_pct meant\?",
    ),
    "quotient of what nobody measures": (
        "techniques/raised_volume.toml",
        'ratio = ["fvc_ml", "weight_kg"]',
        'ratio = ["fvc", "weight_kg"]',
        r"quantities, fvc_ml_kg, ratio is \"fvc\"; is fvc_ml meant",
    ),
    "quotient by what no session has": (
        "techniques/raised_volume.toml",
        'ratio = ["fvc_ml", "weight_kg"]',
        'ratio = ["fvc_ml", "weight_g"]',
        r"quantities, fvc_ml_kg, ratio is \"weight_g\"; is weight_kg meant",
    ),
    "scales with no channel": (
        "techniques/tidal.toml",
        "scales_with = { flow = 1 }",
        "scales_with = { flwo = 1 }",
        r"possible_tidal_volume, scales_with is \"flwo\"; is flow meant",
    ),
    "version that there is not": (
        "techniques/tidal.toml",
        'since = "2"',
        'since = "3"',
        r"since is \"3\"; it may be: 1, 2",
    ),
    "optional column that must be filled": (
        "tables/delivery_recordings.toml",
        'nullable = true\noptional = true\nmeaning = "Time since the mask',
        'optional = true\nmeaning = "Time since the mask',
        r"mask_on_min\).*a column that may be left out must be nullable",
    ),
    "figure of no rule": (
        "printed.toml",
        'rules = ["session.time_to_sleep"]',
        'rules = ["session.time_to_slep"]',
        r"printed.toml, figures 1: rules is \"session.time_to_slep\"; is session.time_to_sleep mea",
    ),
    "figure that bears on nothing": (
        "printed.toml",
        'bearing = "differs"',
        'bearing = "contradicts"',
        r"bearing is \"contradicts\"; it may be: supports, similar, differs",
    ),
    "unknown unit": (
        SINGLE,
        'unit = "mL/kPa"',
        'unit = "ml per kPa"',
        r"single_occlusion.toml, quantities \d+ \(crs_ml_kpa\): unit is \"ml per kPa\", which is",
    ),
    "unknown source": (
        SINGLE,
        'source = "E5"',
        'source = "E55"',
        r"source is \"E55\", which has no citation",
    ),
    "unknown quantity": (
        SINGLE,
        'quantity = "fit_share_pct"\n',
        'quantity = "fit_shair_pct"\n',
        r"\(long_fit\): quantity is \"fit_shair_pct\", not declared in this file; is fit_",
    ),
    "unknown operator": (
        SINGLE,
        RULE,
        RULE.replace("at_least", "more_than"),
        r"rules \d \(plateau_long_enough\): operator is \"more_than\"; it may be: at_least,",
    ),
    "misspelt field": (
        SINGLE,
        RULE,
        RULE.replace("limit =", "limt ="),
        r"rules \d \(plateau_long_enough\): limit is missing; is limt meant",
    ),
    "extra field": (
        SINGLE,
        RULE,
        RULE + "colour = 1\n",
        r"\(plateau_long_enough\): colour is not known here; it may be: alternative",
    ),
    "field that the place of the file says": (
        SINGLE,
        RULE,
        RULE + 'owner = "tidal"\n',
        r"\(plateau_long_enough\): owner is not known here",
    ),
    "dependents of no check": (
        SINGLE,
        "[settings]",
        "[dependents]\n[settings]",
        r"single_occlusion.toml: dependents is not known here",
    ),
    "too many limits": (
        SINGLE,
        RULE,
        RULE.replace("0.1", "[0.1, 0.2]"),
        r"limit is \[0.1, 0.2\]; at_least takes one number",
    ),
    "text for a limit": (
        SINGLE,
        RULE,
        RULE.replace("0.1", '"0.1"'),
        r'limit is "0.1"; it must be a number',
    ),
    "yes for a limit": (
        SINGLE,
        RULE,
        RULE.replace("0.1", "true"),
        r"limit is true; it must be a number",
    ),
    "crossed limits": (
        "techniques/tidal.toml",
        "[4.5, 11.0]",
        "[11.0, 4.5]",
        r"limit is \[11, 4.5\]; between takes two numbers, \[lowest, highest\]",
    ),
    "unknown placeholder": (
        SINGLE,
        "lasts {observed}",
        "lasts {found}",
        r"sentence names \{found\}",
    ),
    "unpaired brace": (
        SINGLE,
        "lasts {observed} {unit};",
        "lasts {observed} {unit;",
        r"sentence has unpaired braces",
    ),
    "placeholder where nothing was observed": (
        SINGLE,
        'sentence_missing = "No pressure plateau',
        'sentence_missing = "{observed} pressure plateau',
        r"sentence_missing names \{observed\}",
    ),
    "empty sentence": (
        SINGLE,
        'sentence_missing = "No pressure plateau was found during the occlusion."',
        'sentence_missing = " "',
        r'sentence_missing is " "; it must be a text in quotes, not empty',
    ),
    "same quantity twice": (
        SINGLE,
        'name = "plateau_pressure_kpa"',
        'name = "plateau_s"',
        r"quantity trial plateau_s stands twice",
    ),
    "same rule twice": (
        SINGLE,
        'name = "long_fit"',
        'name = "straight_expiration"',
        r"rule single_occlusion.straight_expiration stands twice",
    ),
    "same TOML key twice": (SINGLE, RULE, RULE + "limit = 0.2\n", r"the file is not valid TOML"),
    "same outcome in two techniques": (
        "techniques/double_occlusion.toml",
        'name = "crs_double_ml_kpa"',
        'name = "crs_single_ml_kpa"',
        r"outcome crs_single_ml_kpa stands in two files, double_occlusion and single_occlusion",
    ),
    "outcome of a test quantity": (
        SINGLE,
        'quantity = "tau_s"\nsummary',
        'quantity = "crs_cv_pct"\nsummary',
        r"outcomes \d \(tau_single_s\): quantity is \"crs_cv_pct\", not a trial quantity",
    ),
    "best without a score": (SINGLE, 'summary = "mean"', 'summary = "best"', r"needs a score"),
    "highest mean without counts": (
        SINGLE,
        'summary = "mean"',
        'summary = "highest_mean"',
        r"needs least and most",
    ),
    "unknown check": (
        SINGLE,
        '"shutter_hold"]',
        '"shuter_hold"]',
        r'needs_checks is "shuter_hold"; is shutter_hold meant',
    ),
    "check without dependents": (
        "equipment/shutter_hold.toml",
        "[dependents]",
        "[dependants]",
        r"shutter_hold.toml: dependants is not known here; is dependents meant",
    ),
    "setting that is no number": (
        SINGLE,
        "plateau_window_s = 0.1",
        'plateau_window_s = "0.1"',
        r"\[settings\]: plateau_window_s is \"0.1\"; it must be a number",
    ),
    "key differs from file": (
        SINGLE,
        'key = "single_occlusion"',
        'key = "occlusion"',
        r"differs from the name of the file",
    ),
    "alternative of another level": (
        "techniques/tidal_forced_expiration.toml",
        'alternative = { quantity = "vmaxfrc_spread_ml_s"',
        'alternative = { quantity = "vmaxfrc_ml_s"',
        r"the quantity vmaxfrc_ml_s, not declared at level test",
    ),
    "rule on a name with two levels": (
        "equipment/box_decay.toml",
        'level = "check"\noperator = "between"',
        'operator = "between"',
        r"quantity half_life_s has several levels",
    ),
    "unknown column type": (
        "tables/nights.toml",
        'type = "datetime"',
        'type = "moment"',
        r"columns \d \(\w+\): type is \"moment\"; it may be: text, number",
    ),
    "number without unit": (
        "tables/sessions.toml",
        'unit = "Cel"\n',
        "",
        r"columns \d+ \(room_temperature_c\): a number needs unit or unit_from",
    ),
    "same column twice": (
        "tables/nights.toml",
        'name = "ended_at"',
        'name = "started_at"',
        r"column started_at stands twice",
    ),
    "key without column": (
        "tables/nights.toml",
        'key = ["night"]',
        'key = ["knight"]',
        r"key names the unknown column knight",
    ),
    "key that may be empty": (
        "tables/nights.toml",
        'key = ["night"]',
        'key = ["ended_at"]',
        r"the key column ended_at may not be nullable",
    ),
    "unit of a column nowhere": (
        "tables/outcomes.toml",
        'unit_from = "unit"',
        'unit_from = "units"',
        r'unit_from is "units", which is no column',
    ),
    "unit that the grammar does not know": (
        "units.toml",
        '"Cel"',
        '"Cel", "furlongish"',
        r"'furlongish' is no UCUM unit",
    ),
    "source without citation": (
        "sources.toml",
        "[E2]\ncitation",
        "[E2]\nquotation",
        r"sources.toml, \[E2\]: citation is missing; is quotation meant",
    ),
    "equation of an unknown outcome": (
        "references/crs_1985.toml",
        '"crs_single_ml_kpa"',
        '"crs_ml_kpa"',
        r"crs_1985.toml: outcomes is \"crs_ml_kpa\"; is crs_",
    ),
    "equation in another unit": (
        "references/crs_1985.toml",
        'unit = "mL/kPa"',
        'unit = "mL"',
        r"unit is \"mL\", not the unit of crs_single_ml_kpa",
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_loader_refuses(folder: Path, case: str) -> None:
    file, old, new, message = CASES[case]
    spoil(folder, file, old, new)
    with pytest.raises(ContractError, match=message) as refusal:
        load.check_folder(folder)
    if file != "units.toml":
        assert Path(file).stem in str(refusal.value)


def test_the_untouched_copy_stands(folder: Path) -> None:
    load.check_folder(folder)


def test_a_limit_may_change_without_code(folder: Path) -> None:
    spoil(folder, SINGLE, RULE, RULE.replace("0.1", "0.2"))
    assert load.rules(folder)["single_occlusion.plateau_long_enough"].low == 0.2
