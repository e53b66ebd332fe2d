"""Equal content gives equal rows, whatever program wrote the table; what was read is told once."""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pandas.testing import assert_frame_equal

from quietsleep import contract
from quietsleep.intake.delivery import ReadDelivery, look_through, read_delivery
from quietsleep.intake.dialect import DELIVERY_TABLES, decoded, find_tables
from quietsleep.intake.find import find_deliveries
from quietsleep.study.dialect import TableDialect
from quietsleep.study.study import Study
from tests.intake import writings
from tests.intake.conftest import Draft
from tests.intake.writings import book_of, in_workbook, rewritten, text_of, with_comma, with_units

quick = settings(
    max_examples=25,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
    derandomize=True,
    database=None,
)


@pytest.fixture
def in_zone(study: Study) -> Study:
    """The study, whose centre has a time zone: that of the offsets it writes."""
    centre = replace(study.centres["larch"], time_zone=writings.ZONE)
    return replace(study, centres={**study.centres, "larch": centre})


def registered(study: Study, tables: TableDialect) -> Study:
    return replace(study, tables=tables)


def take(study: Study, draft: Draft) -> ReadDelivery:
    draft.write(study.deliveries_path)
    (found,) = [f for f in find_deliveries(study, "larch") if f.delivery == draft.delivery]
    return read_delivery(study, found)


def same_rows(left: ReadDelivery, right: ReadDelivery) -> None:
    assert left.state == right.state == "accepted"
    for name in DELIVERY_TABLES:
        one, other = left.tables[name], right.tables[name]
        assert len(one), name
        columns = [c for c in one if c != "row"]
        assert_frame_equal(one[columns], other[columns])


def headings(name: str, cells: list[list[str]], change: Callable[[str], str]) -> str:
    return text_of([[change(title) for title in cells[0]], *cells[1:]])


Write = Callable[[str, list[list[str]]], bytes]
TEXTS: dict[str, tuple[str, Write]] = {
    "semicolon": ("{}.csv", lambda _, c: text_of(c, ";").encode()),
    "semicolon-and-comma": ("{}.csv", lambda n, c: text_of(with_comma(n, c), ";").encode()),
    "tab": ("{}.txt", lambda _, c: text_of(c, "\t").encode()),
    "tab-and-comma": ("{}.tsv", lambda n, c: text_of(with_comma(n, c), "\t").encode()),
    "quoted-comma": ("{}.csv", lambda n, c: text_of(with_comma(n, c)).encode()),
    "bar": ("{}.csv", lambda _, c: text_of(c, "|").encode()),
    "other-case": ("{}.CSV", lambda _, c: text_of(c).encode()),
    "named-separator": ("{}.csv", lambda _, c: ("sep=;\n" + text_of(c, ";")).encode()),
    "all-quoted": ("{}.csv", lambda _, c: text_of(c, quoting=csv.QUOTE_ALL).encode()),
    "carriage-returns": ("{}.csv", lambda _, c: text_of(c).replace("\n", "\r\n").encode()),
    "blank-lines": ("{}.csv", lambda _, c: ("\n\n" + text_of(c).replace("\n", "\n\n")).encode()),
    "utf-8-mark": ("{}.csv", lambda _, c: text_of(c).encode("utf-8-sig")),
    "utf-16-mark": ("{}.txt", lambda _, c: text_of(c, "\t").encode("utf-16")),
    "utf-16-le": ("{}.txt", lambda _, c: text_of(c, "\t").encode("utf-16-le")),
    "utf-16-be": ("{}.csv", lambda _, c: text_of(c).encode("utf-16-be")),
    "upper-headings": ("{}.csv", lambda n, c: headings(n, c, str.upper).encode()),
    "spaced-headings": (
        "{}.csv",
        lambda n, c: headings(n, c, lambda t: f" {t.replace('_', ' ').title()} ").encode(),
    ),
    "hyphens": ("{}.csv", lambda n, c: headings(n, c, lambda t: t.replace("_", "-")).encode()),
    "units": ("{}.csv", lambda n, c: text_of(with_units(n, c)).encode()),
}


@pytest.mark.parametrize("way", TEXTS)
def test_a_text_is_read_alike_whatever_its_writing(
    study: Study, kit: SimpleNamespace, way: str
) -> None:
    plain = take(study, kit.draft())
    path, write = TEXTS[way]
    draft = rewritten(kit.draft(), write, path)
    draft.delivery = "d2"
    result = take(study, draft)
    assert result.problems == []
    same_rows(plain, result)
    assert result.counts == plain.counts


def test_a_cell_over_two_lines_stays_one_cell(study: Study, kit: SimpleNamespace) -> None:
    draft = kit.draft()
    for row in draft.tables["sessions"]:
        row["remark"] = "calm\nthen\nawake"
    result = take(study, draft)
    assert len(result.tables["sessions"]) == 3
    assert result.counts["sessions_rows"] == 3 and result.counts["sessions_held"] == 0
    assert [*result.tables["sessions"]["row"]] == [2, 5, 8]  # as an editor numbers the lines


@pytest.mark.parametrize(
    ("cell_as", "told"),
    [
        (writings.as_typed, "times without an offset as Europe/Berlin"),
        (writings.as_text, "numbers that are text"),
        (writings.as_text_with_comma, "numbers with a decimal comma"),
    ],
)
def test_a_workbook_is_read_like_the_text(
    in_zone: Study, kit: SimpleNamespace, cell_as: object, told: str
) -> None:
    plain = take(in_zone, kit.draft())
    draft = kit.draft()
    draft.delivery = "d2"
    result = take(in_zone, in_workbook(draft, book_of(draft, cell_as)))
    assert result.problems == []
    same_rows(plain, result)
    assert told in result.read_tolerantly
    assert "Export.xlsx, sheet Sessions: " in result.read_tolerantly


def test_rows_of_a_workbook_are_called_as_it_numbers_them(
    study: Study, kit: SimpleNamespace
) -> None:
    draft = kit.draft()
    draft.tables["sessions"][1]["weight_kg"] = "heavy"
    result = take(study, in_workbook(draft, book_of(draft, writings.as_text)))
    (problem,) = result.held_sessions["larch-s002"]
    assert problem.sentence.startswith("Row 3 of Export.xlsx, sheet Sessions, column weight_kg: ")
    assert problem.where == "Export.xlsx, sheet Sessions"


DIALECT = TableDialect(
    missing=("NA", "-", "-9"),
    ignored=("Lfd. Nr",),
    columns={
        "weight_kg": ("Gewicht [kg]", "WT"),
        "sessions.session": ("Sitzung",),
        "session": ("Sitzungs-Nr",),
        "sleep_state": ("Schlaf",),
    },
    choices={
        "sex": {"female": ("f", "w"), "male": ("m",)},
        "yes_no": {"yes": ("ja", "1"), "no": ("nein", "0")},
        "sleep_state": {"quiet": ("ruhig",)},
    },
    units={"kg": ("Kilogramm",)},
    codes=("QS-####",),
)


def local_draft(kit: SimpleNamespace) -> Draft:
    """The delivery as a centre writes it that has the words above."""
    draft: Draft = kit.draft()
    for number, row in enumerate(draft.tables["sessions"], start=1):
        row["Sitzung"] = row.pop("session")
        row["gewicht kg"] = row.pop("weight_kg")
        row["Lfd. Nr"] = str(number)
        row |= {"sex": "W", "consent": "Ja", "feed_given": "1", "noisy_breathing": "Nein"}
        row |= {"sedation_to_sleep_min": "NA", "birth_weight_kg": "-9"}
    for row in draft.tables["recordings"]:
        row["Sitzungs-Nr"] = row.pop("session")
        row["SCHLAF"] = row.pop("sleep_state").replace("quiet", "ruhig")
        row["compressible_dead_space_ml"] = "-"

    def without(name: str, cells: list[list[str]]) -> bytes:
        known = {c.name for c in contract.TABLES[f"delivery_{name}"].columns}
        first = draft_rows[name][0]
        kept = [n for n, t in enumerate(cells[0]) if t in first or t not in known]
        return text_of([[row[n] for n in kept] for row in cells]).encode()

    draft_rows = draft.tables
    return rewritten(draft, without)


def test_what_is_registered_is_read(study: Study, kit: SimpleNamespace) -> None:
    plain_draft = kit.draft()
    for row in plain_draft.tables["sessions"]:
        row["birth_weight_kg"] = ""
    plain = take(study, plain_draft)
    draft = local_draft(kit)
    draft.delivery = "d2"
    result = take(registered(study, DIALECT), draft)
    assert result.problems == []
    same_rows(plain, result)


def test_what_is_registered_for_a_centre_counts_for_it_alone(
    study: Study, kit: SimpleNamespace
) -> None:
    centre = replace(study.centres["larch"], tables=DIALECT)
    result = take(replace(study, centres={**study.centres, "larch": centre}), local_draft(kit))
    assert result.state == "accepted" and not result.problems
    draft = local_draft(kit)
    draft.delivery = "d2"
    assert take(study, draft).state == "quarantined"


def test_what_is_read_tolerantly_is_told_once(study: Study, kit: SimpleNamespace) -> None:
    draft = local_draft(kit)
    told = take(registered(study, DIALECT), draft).read_tolerantly
    for words in (
        "column Sitzung as session",
        "column gewicht kg as weight_kg",
        '"W" as female (3 times)',
        '"NA" as an empty cell (3 times)',
        '"ruhig" as quiet (6 times)',
    ):
        assert told.count(words) == 1
    assert told.count("sessions.csv: ") == 1 and "Lfd" not in told


def test_nothing_is_told_of_what_is_written_as_the_contract_says(
    study: Study, draft: Draft
) -> None:
    draft.tables["sessions"][0]["feed_given"] = "Yes"
    assert take(study, draft).read_tolerantly == ""


def test_a_word_for_missing_does_not_fill_a_cell_that_must_not_be_empty(
    study: Study, draft: Draft
) -> None:
    draft.tables["sessions"][0]["weight_kg"] = "NA"
    result = take(registered(study, DIALECT), draft)
    (problem,) = result.held_sessions["larch-s001"]
    assert "is a missing value" in problem.sentence


def test_a_choice_of_the_contract_is_not_a_missing_value(study: Study, draft: Draft) -> None:
    result = take(registered(study, TableDialect(missing=("none",))), draft)
    assert set(result.tables["sessions"]["sedation"]) == {"none"}


def test_words_that_nobody_registered_are_not_guessed(study: Study, draft: Draft) -> None:
    draft.tables["sessions"][0] |= {"sex": "f"}
    draft.tables["sessions"][1] |= {"birth_weight_kg": "NA"}
    assert set(take(study, draft).held_sessions) == {"larch-s001", "larch-s002"}


def test_of_the_words_of_study_and_centre_those_of_the_centre_count(
    study: Study, draft: Draft
) -> None:
    of_all = TableDialect(choices={"yes_no": {"no": ("-",)}})
    own = replace(study.centres["larch"], tables=TableDialect(missing=("-",)))
    draft.tables["sessions"][0]["noisy_breathing"] = "-"
    both = replace(study, tables=of_all, centres={**study.centres, "larch": own})
    noisy = take(both, draft).tables["sessions"]["noisy_breathing"]
    assert pd.isna(noisy[0]) and noisy[1] == False  # noqa: E712  (of pandas' own kind)


def test_columns_that_are_not_read_are_one_sentence(study: Study, draft: Draft) -> None:
    for row in draft.tables["sessions"]:
        row |= {"Bed": "3", "Position": "Supine", "Head": "Left lateral", "note": "Mild Stridor"}
    for row in draft.tables["checks"]:
        row["room"] = "4"
    result = take(study, draft)
    assert result.state == "accepted" and len(result.tables["sessions"]) == 3
    (problem,) = result.problems
    assert problem.kind == "column_unknown"
    assert "column Bed, column Position, column Head, column note of sessions.csv" in (
        problem.sentence
    )
    assert "column room of checks.csv" in problem.sentence


def test_one_column_under_two_headings_is_refused_by_both(study: Study, draft: Draft) -> None:
    for row in draft.tables["sessions"]:
        row["WT"] = "6.2"
    result = take(registered(study, DIALECT), draft)
    (problem,) = result.problems
    assert result.state == "quarantined"
    assert "has the column weight_kg 2 times (as weight_kg and WT)" in problem.sentence


@pytest.mark.parametrize("unit", ["kg", "[kg]", "(kg)", "KG", "kilograms", "Kilogramm"])
def test_words_for_the_unit_of_a_column(study: Study, draft: Draft, unit: str) -> None:
    draft.tables["sessions"].insert(0, {"weight_kg": unit, "age_days": "days", "sex": "text"})
    result = take(registered(study, DIALECT), draft)
    assert result.state == "accepted" and result.problems == []
    assert [*result.tables["sessions"]["row"]] == [3, 4, 5]
    assert "a row of units below the heading" in result.read_tolerantly


def test_another_unit_than_that_of_the_contract_holds_the_delivery(
    study: Study, draft: Draft
) -> None:
    draft.tables["sessions"].insert(0, {"birth_weight_kg": "g", "age_days": "d"})
    result = take(study, draft)
    (problem,) = result.problems
    assert result.state == "quarantined" and problem.kind == "unit"
    assert "as the unit of birth_weight_kg, which has kg in the contract" in problem.sentence


@pytest.mark.parametrize(
    "row",
    [
        {"session": "larch-s009", "weight_kg": "kg"},
        {"weight_kg": "6.1", "age_days": "d"},
        {"weight_kg": "heavy"},
    ],
)
def test_a_row_of_data_is_no_row_of_units(study: Study, draft: Draft, row: dict[str, str]) -> None:
    draft.tables["sessions"].insert(0, row)
    result = take(study, draft)
    assert result.counts["sessions_rows"] == 4 and result.counts["sessions_held"] == 1


@pytest.mark.parametrize(
    "lock", ["~$Export.xlsx", ".~lock.sessions.csv#", "~WRL0003.tmp", "signals/~$notes.docx"]
)
@pytest.mark.parametrize("zipped", [False, True])
@pytest.mark.parametrize("listed", [False, True])
def test_lock_files_of_office_programs_are_no_part_of_a_delivery(
    study: Study, draft: Draft, lock: str, zipped: bool, listed: bool
) -> None:
    (draft.signals if listed else draft.unlisted)[lock] = b"\x0dOttilie Quensel"
    (draft.write_zip if zipped else draft.write)(study.deliveries_path)
    (found,) = find_deliveries(study, "larch")
    result = read_delivery(study, found)
    assert result.state == "accepted" and result.problems == []
    assert "lock" not in repr(result.files) and "~" not in repr(result.files)


def test_a_lock_file_that_is_gone_is_not_missed(study: Study, draft: Draft) -> None:
    draft.signals["~$Export.xlsx"] = b"x"
    folder = draft.write(study.deliveries_path)
    (folder / "~$Export.xlsx").unlink()
    result = read_delivery(study, find_deliveries(study, "larch")[0])
    assert result.state == "accepted" and result.problems == []


def test_a_lock_file_beside_deliveries_is_no_stray(study: Study, draft: Draft) -> None:
    from quietsleep.intake.find import find_strays

    folder = draft.write(study.deliveries_path)
    (folder.parent / "~$d1.zip").write_bytes(b"x")
    assert find_strays(study) == []


def test_a_table_given_twice_holds_the_delivery(study: Study, draft: Draft) -> None:
    draft.signals["Sessions.txt"] = draft.table_bytes("sessions")
    result = take(study, draft)
    assert result.state == "quarantined"
    assert "Sessions.txt and sessions.csv" in result.problems[0].sentence


def test_a_table_as_text_and_as_a_sheet_holds_the_delivery(
    study: Study, kit: SimpleNamespace
) -> None:
    draft = kit.draft()
    draft.signals["Export.xlsx"] = writings.book_bytes(book_of(draft, writings.as_text))
    result = take(study, draft)
    assert result.state == "quarantined"
    assert {p.kind for p in result.problems} == {"table_twice"} and len(result.problems) == 4


@pytest.mark.parametrize("path", ["Export.xls", "export.ods", "Export.XLSM"])
def test_a_workbook_of_another_form_is_told_of_where_tables_are_missing(
    study: Study, draft: Draft, path: str
) -> None:
    draft.tables = {}
    draft.signals[path] = b"x"
    result = take(study, draft)
    assert {p.kind for p in result.problems} == {"table_missing"}
    assert all("save them as .xlsx" in p.remedy for p in result.problems)


def test_what_check_says_is_what_the_night_says(study: Study, kit: SimpleNamespace) -> None:
    path, write = TEXTS["semicolon-and-comma"]
    folder = rewritten(kit.draft(), write, path).write(study.deliveries_path)
    assert look_through(study, folder)[0] == []


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be"])
@quick
@given(text=st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=40))
def test_a_text_is_decoded_as_it_was_encoded(encoding: str, text: str) -> None:
    whole = "session,infant,visit\n" + text
    assert decoded(whole.encode(encoding)) == whole


@quick
@given(data=st.binary(max_size=200))
def test_any_bytes_are_some_text(data: bytes) -> None:
    assert isinstance(decoded(data), str)


@quick
@given(paths=st.lists(st.text(max_size=12) | st.sampled_from(["Sessions.csv", "a.xlsx"])))
def test_any_paths_are_searched_for_tables(paths: list[str]) -> None:
    assert find_tables(paths).paths <= set(paths)


# Letters that every way of writing can hold; quotes, separators and spaces among them.
odd_cells = st.one_of(
    st.sampled_from(
        ["", "-", "NA", "0,5", "1,234", "1.234,5", "1e5", "007", "6,2 kg", "°C", "½", "١٢", "#N/A"]
    ),
    st.text(st.sampled_from('ab 1.,;|"\t-_/éß'), max_size=6),
)


@quick
@given(data=st.data())
def test_odd_cells_have_one_meaning_in_all_writings(
    study: Study, kit: SimpleNamespace, data: st.DataObject
) -> None:
    """What a cell is taken for hangs on its table, and not on the program that wrote it."""
    draft = kit.draft(3)
    columns = [c for c in draft.tables["sessions"][0] if c not in {"session", "infant"}]
    for row in draft.tables["sessions"]:
        for column in data.draw(st.sets(st.sampled_from(columns), max_size=2)):
            row[column] = data.draw(odd_cells)
    tables = {name: [dict(row) for row in rows] for name, rows in draft.tables.items()}
    found = []
    for number, way in enumerate(("plain", "tab", "quoted", "workbook"), start=1):
        each = kit.draft(3)
        each.tables = {name: [dict(row) for row in rows] for name, rows in tables.items()}
        each.delivery = f"d{number}"
        if way == "tab":
            each = rewritten(each, lambda _, c: text_of(c, "\t").encode(), "{}.txt")
        elif way == "quoted":
            each = rewritten(each, lambda _, c: text_of(c, quoting=csv.QUOTE_ALL).encode("utf-16"))
        elif way == "workbook":
            each = in_workbook(each, book_of(each, writings.as_text))
        found.append(take(study, each))
    first, *others = found
    for other in others:
        assert other.state == first.state
        assert set(other.held_sessions) == set(first.held_sessions)
        for session, problems in first.held_sessions.items():
            mine = [(p.kind, p.column, p.value) for p in problems]
            assert [(p.kind, p.column, p.value) for p in other.held_sessions[session]] == mine
        if first.state == "accepted":
            for name in DELIVERY_TABLES:
                kept = [c for c in first.tables[name] if c != "row"]
                assert_frame_equal(first.tables[name][kept], other.tables[name][kept])


def test_the_files_of_a_delivery_in_an_archive_may_be_called_otherwise(
    study: Study, kit: SimpleNamespace
) -> None:
    path, write = TEXTS["utf-16-mark"]
    rewritten(kit.draft(), write, path).write_zip(study.deliveries_path)
    (found,) = find_deliveries(study, "larch")
    result = read_delivery(study, found)
    assert result.state == "accepted"
    assert len(result.tables["sessions"]) and isinstance(result.root, Path)
    # Tables are read out of the archive: what nobody reads of them is kept nowhere.
    assert not (result.root / "sessions.txt").exists()
