"""What is registered of tables: its page is whole and its example stands; nonsense is refused."""

from __future__ import annotations

import re
from dataclasses import fields
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietsleep import contract
from quietsleep.errors import StudyError
from quietsleep.study.dialect import (
    UNIT_WORDS,
    TableDialect,
    TableWords,
    fold,
    fold_title,
    fold_unit,
    words_of,
)
from quietsleep.study.study import Study, load_study

PAGE = (Path(__file__).parents[2] / "docs" / "tables.md").read_text(encoding="utf-8")
DELIVERY = [t for t in contract.TABLES.values() if t.group == "delivery"]


def study_with(folder: Path, tables: str, centre: str = "") -> Study:
    (folder / "centres").mkdir(exist_ok=True)
    head = 'study = "s"\ntitle = "A study"\ncontract = "1"\n'
    (folder / "study.toml").write_text(head + tables, encoding="utf-8")
    device = (
        '[[devices]]\ndevice = "d"\nequipment_class = "a"\nfile_format = "edf"\nrate_hz = 100\n'
        'gas_state = "btps"\n[[devices.channels]]\nchannel = "flow"\ncolumn = "F"\n'
        'unit = "L/s"\npositive = "inspiration"\n'
    )
    (folder / "centres" / "larch.toml").write_text(
        f'title = "Larch"\ncentre = "larch"\n{centre}\n{device}', encoding="utf-8"
    )
    return load_study(folder)


def test_the_example_of_the_page_stands(tmp_path: Path) -> None:
    (block,) = re.findall(r"```toml\n(.*?)```", PAGE, re.S)
    for study in (study_with(tmp_path, block), study_with(tmp_path, "", block)):
        words = words_of(study.tables, study.centres["larch"].tables)
        assert words.column("sessions", "wt") == "weight_kg"
        assert words.column("sessions", "SITZUNG") == "session"
        assert words.column("recordings", "Sitzung") is None
        assert words.column("recordings", "Sitzungs Nr.") == "session"
        assert words.is_missing("na") and words.is_ignored("lfd nr")
        assert words.is_code("QS-0012-b3") and not words.is_code("QS-00123")
        assert words.is_unit("kg", "[Kilogramm]")


def test_the_page_names_every_key() -> None:
    for field in fields(TableDialect):
        assert f"| `{field.name}` |" in PAGE
    for table in DELIVERY:
        assert f"`{table.name.removeprefix('delivery_')}`" in PAGE


def test_the_page_gives_the_bounds_of_workbooks() -> None:
    from quietsleep.intake.files import workbook

    assert f"{workbook.MOST_UNPACKED_BYTES // 1024**2} MB" in PAGE
    assert f"{workbook.MOST_SHEETS} sheets" in PAGE
    assert f"{workbook.MOST_ROWS // 1000} 000 rows" in PAGE


@pytest.mark.parametrize(
    ("tables", "said"),
    [
        ('[tables]\nmising = ["NA"]', "mising"),
        ('[tables.columns]\nweigth_kg = ["WT"]', "weight_kg"),
        ('[tables.columns]\n"checks.weight_kg" = ["WT"]', "not in the contract"),
        ('[tables.columns]\nweight_kg = ["L"]\nlength_cm = ["l"]', "two meanings in sessions"),
        ('[tables.columns]\nweight_kg = ["Length-CM"]', "two meanings in sessions"),
        ('[tables.choices.sex]\nfemal = ["f"]', "female"),
        ('[tables.choices.sex]\nfemale = ["x"]\nmale = ["X"]', "two meanings: female and male"),
        ('[tables.choices.sex]\nfemale = ["male"]', "two meanings: male and female"),
        ('[tables]\nmissing = ["-"]\n[tables.choices.yes_no]\nno = ["-"]', "a missing value"),
        ('[tables.choices.weight_kg]\nlow = ["l"]', "not in the contract"),
        ('[tables.units]\ng = ["Gramm"]', "not in the contract"),
        ('[tables]\ncodes = ["@@@-@@"]', "names and numbers of persons would pass"),
        ('[tables]\ncodes = ["X@@@@"]', "names and numbers of persons would pass"),
        ('[tables]\ncodes = ["####"]', "names and numbers of persons would pass"),
        ('[tables]\ncodes = ["####-##-##"]', "dates of birth would pass"),
        ('[tables]\ncodes = ["I########"]', "dates of birth would pass"),
        ('[tables]\ncodes = ["[A-Z]+"]', "is no form of a code"),
    ],
)
def test_nonsense_is_refused_in_one_sentence(tmp_path: Path, tables: str, said: str) -> None:
    for of_all, of_centre in ((tables, ""), ("", tables)):
        with pytest.raises(StudyError, match=re.escape(said)) as refused:
            study_with(tmp_path, of_all, of_centre)
        assert "\n" not in str(refused.value)


def test_headings_of_one_table_stay_apart_when_compared() -> None:
    for table in DELIVERY:
        titles = [fold_title(c.name) for c in table.columns]
        assert len({*titles}) == len(titles)
        known = {c.name: TableWords().column(table.name.removeprefix("delivery_"), c.name.title())
                 for c in table.columns}  # fmt: skip
        assert all(name == meant for name, meant in known.items())


def test_words_of_units_stay_apart() -> None:
    units = {c.unit for t in DELIVERY for c in t.columns if c.unit}
    assert {*UNIT_WORDS} <= units
    for unit in units:
        others = units - {unit}
        assert TableWords().is_unit(unit, f"[{unit.upper()}]")
        assert not any(TableWords().is_unit(other, unit) for other in others)
        for word in UNIT_WORDS.get(unit, ()):
            assert not any(TableWords().is_unit(other, word) for other in others)


@pytest.mark.parametrize("unit", ["g", "lb", "cmH2O", "mbar", "mm", "months", "ug", "mmHg", "h"])
def test_no_other_unit_passes(unit: str) -> None:
    units = {c.unit for t in DELIVERY for c in t.columns if c.unit}
    assert not any(TableWords().is_unit(known, unit) for known in units)


@settings(derandomize=True, database=None, deadline=None)
@given(st.text(max_size=20))
def test_what_is_compared_is_compared_once(text: str) -> None:
    assert fold(fold(text)) == fold(text)
    assert fold_title(fold_title(text)) == fold_title(text)
    assert fold_unit(text) == fold_unit(f" {text} ")
    assert TableWords().column("sessions", text) in {None, *(c.name for c in DELIVERY[0].columns),
        *(c.name for t in DELIVERY for c in t.columns)}  # fmt: skip


@settings(derandomize=True, database=None, deadline=None)
@given(st.text("AQ12#@-", min_size=1, max_size=9))
def test_no_form_that_stands_lets_a_name_or_a_date_pass(form: str) -> None:
    try:
        words = words_of(TableDialect(codes=(form,)))
    except ValueError:
        return
    for value in (
        "Anna",
        "Jansen",
        "Anna-May",
        "2025-10-12",
        "20251012",
        "0612345678",
        "Q20251012",
    ):
        assert not words.is_code(value)
