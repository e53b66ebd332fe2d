"""Two-way checks over the contracts: nothing is named that is not there, nothing idles."""

from __future__ import annotations

import string
import subprocess
import sys
import tomllib
from collections import Counter

import pytest

from quietsleep import contract
from quietsleep.contract import ContractError, Rule
from quietsleep.contract.load import FOLDER
from quietsleep.contract.model import Column, fault_for
from quietsleep.contract.toml import Entry

# Published figures that tests compare with; no rule and no equation rests on them.
OUTSIDE_CHECKS = {"goetz_2001", "frc_2001", "dezateux_2001", "fleming_2011", "davis_2010", "ucum"}


def test_importing_contracts_reads_no_file_and_nothing_heavy() -> None:
    code = (
        "import sys; from quietsleep import contract; "
        "heavy = ('quietsleep.contract.load', 'pydantic', 'pint', 'pandas', 'numpy'); "
        "print([m for m in heavy if m in sys.modules])"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "[]"


def test_rules_are_read_without_the_ucum_grammar() -> None:
    code = (
        "import sys; from quietsleep import contract; contract.RULES; contract.TABLES; "
        "print('pint' in sys.modules)"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "False"


def test_check_all_passes() -> None:
    contract.check_all()


def test_unknown_names_are_attribute_errors() -> None:
    with pytest.raises(AttributeError, match="the contract has no NOTHING"):
        _ = contract.NOTHING


def test_the_loaded_contracts_are_frozen() -> None:
    with pytest.raises(TypeError):
        contract.RULES["x"] = None  # type: ignore[index]


@pytest.mark.parametrize("rule", contract.RULES.values(), ids=contract.RULES.keys())
def test_rule_can_be_judged_and_explained(rule: Rule) -> None:
    quantity = contract.QUANTITIES[(rule.owner, rule.level, rule.quantity)]
    assert rule.source in contract.SOURCES
    assert rule.key == f"{rule.owner}.{rule.key.partition('.')[2]}"
    named = {name for _, name, _, _ in string.Formatter().parse(rule.sentence) if name}
    assert "observed" in named, "a site must see what was observed"
    beside = {name for owner, level, name in contract.QUANTITIES
              if (owner, level) == (rule.owner, rule.level)}  # fmt: skip
    assert named <= {"observed", "limit", "unit"} | beside
    if not quantity.labels:
        assert "limit" in named, "a site must see the limit of a measured number"
    assert rule.sentence.endswith((".", "?")) and rule.sentence_missing.endswith(".")
    assert rule.remedy.endswith(".") and len(rule.remedy) > 25
    low = rule.low if rule.low is not None else rule.high
    assert low is not None
    if quantity.labels:
        assert rule.operator == "equals" and f"{low:g}" in quantity.labels


@pytest.mark.parametrize("rule", contract.RULES.values(), ids=contract.RULES.keys())
def test_fault_names_what_is_wrong(rule: Rule) -> None:
    for fault in (rule.fault, fault_for(rule.fault, rule.fault_missing, is_missing=True)):
        assert len(fault) <= 60 and not fault.endswith(".")
        assert fault[0].islower() or fault[:2] in ("FE", "FV", "V'"), fault


def test_no_fault_stands_for_two_rules_of_one_owner() -> None:
    said = Counter((r.owner, r.fault) for r in contract.RULES.values())
    assert [key for key, n in said.items() if n > 1] == []


def test_no_remedy_or_sentence_asks_for_more_risk() -> None:
    for rule in contract.RULES.values():
        words = f"{rule.sentence} {rule.sentence_missing} {rule.remedy}".lower()
        for ask in ("increase the dose", "more sedation", "raise the pressure", "deeper sleep"):
            assert ask not in words, rule.key
        if "sedation" in rule.remedy.lower() and "dose" in rule.remedy.lower():
            assert "local policy" in rule.remedy and "never" in rule.remedy, rule.key


def test_no_sentence_stands_for_two_rules_of_one_owner() -> None:
    said = Counter((r.owner, r.sentence) for r in contract.RULES.values())
    assert [key for key, n in said.items() if n > 1] == []


def test_figures_are_marked_honestly() -> None:
    for rule in contract.RULES.values():
        match rule.obtained:
            case "common practice":
                assert rule.source == "common_practice", rule.key
            case "from memory" | "printed":
                assert rule.source not in {"common_practice", "study_proposal"}, rule.key


def test_quantities_have_definition_unit_and_source() -> None:
    codes = set(tomllib.loads((FOLDER / "units.toml").read_text())["codes"])
    for quantity in contract.QUANTITIES.values():
        assert quantity.unit in codes
        assert quantity.source in contract.SOURCES
        assert quantity.definition.endswith("."), quantity


def test_every_unit_on_the_list_is_used() -> None:
    codes = set(tomllib.loads((FOLDER / "units.toml").read_text())["codes"])
    used = {q.unit for q in contract.QUANTITIES.values()}
    used |= {c.unit for t in contract.TABLES.values() for c in t.columns if c.unit}
    assert codes - used == set()


def test_every_source_is_used_or_an_outside_check() -> None:
    used = {q.source for q in contract.QUANTITIES.values()}
    used |= {r.source for r in contract.RULES.values()}
    used |= {r.source for r in contract.REFERENCES.values()}
    assert set(contract.SOURCES) - used == OUTSIDE_CHECKS
    assert used <= set(contract.SOURCES)


def test_units_agree_with_the_names() -> None:
    suffixes = {
        "_ml_s": "mL/s",
        "_ml_kpa": "mL/kPa",
        "_ml_kpa_kg": "mL/kPa/kg",
        "_ml_kg": "mL/kg",
        "_ml_min": "mL/min",
        "_ml": "mL",
        "_kpa_s_l": "kPa.s/L",
        "_kpa": "kPa",
        "_pct": "%",
        "_per_min": "/min",
        "_per_s": "/s",
        "_min": "min",
        "_s": "s",
        "_c": "Cel",
        "_kg": "kg",
        "_cm": "cm",
        "_weeks": "wk",
        "_days": "d",
        "_hz": "Hz",
        "_mg_per_kg": "mg/kg",
        "_l": "L",
        "_m": "m",
    }
    named = [(q.name, q.unit) for q in contract.QUANTITIES.values()]
    named += [(c.name, c.unit) for t in contract.TABLES.values() for c in t.columns if c.unit]
    named += [(o.name, o.unit) for o in contract.OUTCOMES.values()]
    for name, unit in named:
        ends = [suffix for suffix in suffixes if name.endswith(suffix)]
        if ends:
            assert suffixes[max(ends, key=len)] == unit, name


def test_each_technique_rests_on_its_checks() -> None:
    box, hold = {"box_decay", "box_pump"}, {"shutter_hold"}
    expected = {
        "tidal": {"syringe"},
        "single_occlusion": {"syringe"} | hold,
        "double_occlusion": {"syringe"} | hold,
        "plethysmography": {"syringe"} | hold | box,
        "tidal_forced_expiration": {"syringe"},
        "raised_volume": {"syringe"},
    }
    assert {k: set(s.needs_checks) for k, s in contract.TECHNIQUES.items()} == expected
    for key, checks in expected.items():
        rules = {r.key for r in contract.TECHNIQUES[key].rules}
        assert {f"{key}.{c}_check" for c in contract.CHECKS} & rules == {
            f"{key}.{c}_check" for c in checks
        }
        for check in checks:
            rule = contract.RULES[f"{key}.{check}_check"]
            assert (rule.severity, rule.missing, rule.level) == ("reject", "fail", "test")
            # A check that failed is not mended by doing one.
            assert rule.remedy_for(0.0).startswith("Look at the page of the check")
            assert rule.remedy_for(float("nan")).startswith("If it was done, hand it over")


def test_every_recording_is_asked_for_gaps_clipping_sleep_and_the_operator() -> None:
    for spec in contract.TECHNIQUES.values():
        names = spec.names("trial")
        assert {"gap_s", "clipped_share_pct", "quiet_sleep", "operator_accepts"} <= set(names)


def test_every_test_needs_accepted_trials() -> None:
    least = {
        "tidal": 1,
        "single_occlusion": 3,
        "double_occlusion": 3,
        "plethysmography": 3,
        "tidal_forced_expiration": 3,
        "raised_volume": 2,
    }
    for key, n in least.items():
        limits = [
            r.low
            for r in contract.TECHNIQUES[key].rules
            if r.quantity == "n_accepted" and r.severity == "reject"
        ]
        assert limits == [n], key


def test_tables_name_the_techniques_and_checks() -> None:
    for table in contract.TABLES.values():
        for column in table.columns:
            if column.name == "technique" and column.choices:
                assert set(column.choices) == set(contract.TECHNIQUES), table.name
            if (table.name, column.name) == ("queries", "kind"):
                assert column.choices == tuple(contract.QUERIES.kinds)
            elif column.name == "kind" and column.choices:
                assert set(column.choices) == set(contract.CHECKS), table.name


def test_sentences_are_readable_with_values() -> None:
    for rule in contract.RULES.values():
        unit = contract.QUANTITIES[(rule.owner, rule.level, rule.quantity)].unit
        beside = {name: "5" for owner, level, name in contract.QUANTITIES}
        said = rule.sentence.format(**beside, observed="1.2", limit="3 to 4", unit=unit)
        assert "  " not in said and " ." not in said and "{" not in said
        # Codes that only machines read have no place in a sentence.
        if "{unit}" in rule.sentence:
            assert unit not in {"1", "Cel", "/min", "kPa.s/L", "mL/kPa/kg", "d"}, rule.key


def test_an_entry_refuses_a_list_where_a_text_is_asked() -> None:
    entry = Entry({"name": "x", "type": "text", "meaning": ["a"]}, "file.toml", ContractError)
    with pytest.raises(ContractError, match=r'^file\.toml: meaning is \["a"\]; it must be a text'):
        entry.build(Column)
