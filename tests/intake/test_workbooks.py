"""Workbooks: what only a spreadsheet can hold is a sentence; hostile ones stay shut."""

from __future__ import annotations

import io
import tracemalloc
import zipfile
from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime
from types import SimpleNamespace
from typing import Any

import openpyxl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from openpyxl import Workbook
from openpyxl.worksheet.worksheet import Worksheet

from quietsleep.intake.delivery import ReadDelivery, read_delivery
from quietsleep.intake.files import workbook
from quietsleep.intake.files.workbook import WorkbookError, read_workbook
from quietsleep.intake.find import find_deliveries
from quietsleep.study.study import Study
from tests.intake import writings
from tests.intake.conftest import Draft
from tests.intake.test_any_bytes import damaged, damages, one_place_for_each_row
from tests.intake.test_tolerant_tables import quick
from tests.intake.writings import book_bytes, book_of, in_workbook

Change = Callable[[Worksheet], None]


@pytest.fixture
def study(study: Study) -> Study:
    centre = replace(study.centres["larch"], time_zone=writings.ZONE)
    return replace(study, centres={**study.centres, "larch": centre})


def take(study: Study, draft: Draft) -> ReadDelivery:
    draft.write(study.deliveries_path)
    (found,) = [f for f in find_deliveries(study, "larch") if f.delivery == draft.delivery]
    result = read_delivery(study, found)
    one_place_for_each_row(result)
    return result


def changed(study: Study, draft: Draft, change: Change) -> ReadDelivery:
    """Take in the delivery as a workbook, its sheet of sessions changed by somebody."""
    book = book_of(draft)
    change(book["Sessions"])
    return take(study, in_workbook(draft, book))


def column(sheet: Worksheet, title: str) -> str:
    return next(str(c.column_letter) for c in sheet[1] if c.value == title)


def put(title: str, value: Any, *, row: int = 2, shown_as: str = "") -> Change:
    def change(sheet: Worksheet) -> None:
        cell = sheet[f"{column(sheet, title)}{row}"]
        cell.value = value
        if shown_as:
            cell.number_format = shown_as

    return change


def only(result: ReadDelivery) -> str:
    (problem,) = result.problems
    assert problem.sentence.endswith(".") and problem.remedy and problem.expected
    return problem.sentence


def test_merged_cells_hold_the_delivery(study: Study, draft: Draft) -> None:
    def merge(sheet: Worksheet) -> None:
        at = column(sheet, "birth_weight_kg")
        sheet.merge_cells(f"{at}2:{at}4")

    result = changed(study, draft, merge)
    assert result.state == "quarantined"
    assert "Export.xlsx, sheet Sessions has merged cells, the first of them from H2 to row 4" in (
        only(result)
    )


def test_merged_cells_beside_the_table_do_not(study: Study, draft: Draft) -> None:
    result = changed(study, draft, lambda sheet: sheet.merge_cells("AZ2:BA9"))
    assert result.state == "accepted" and result.problems == []


def test_a_formula_without_a_value_holds_the_delivery(study: Study, draft: Draft) -> None:
    result = changed(study, draft, put("birth_weight_kg", "=3400/1000", row=3))
    assert result.state == "quarantined"
    assert "has formulas without a value, the first in cell H3" in only(result)


def with_value(data: bytes, formula: str, value: str) -> bytes:
    """The workbook as a program saves it that computes: with the value of its formula."""
    sink = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(sink, "w") as new:
        for name in old.namelist():
            part = old.read(name)
            part = part.replace(
                f"<f>{formula}</f><v></v>".encode(), f"<f>{formula}</f><v>{value}</v>".encode()
            ).replace(f"<f>{formula}</f><v />".encode(), f"<f>{formula}</f><v>{value}</v>".encode())
            new.writestr(name, part)
    return sink.getvalue()


def test_a_formula_is_read_as_the_value_it_had(study: Study, draft: Draft) -> None:
    book = book_of(draft)
    put("birth_weight_kg", "=3300/1000")(book["Sessions"])
    data = with_value(book_bytes(book), "3300/1000", "3.3")
    result = take(study, in_workbook(draft, data))
    assert result.state == "accepted" and result.problems == []
    assert result.tables["sessions"]["birth_weight_kg"][0] == 3.3
    assert "formulas as the values that they had" in result.read_tolerantly


def test_two_sheets_of_one_name_hold_the_delivery(study: Study, draft: Draft) -> None:
    book = book_of(draft)
    writings.fill(book.create_sheet("SESSIONS "), "sessions", [["session"]], writings.as_text)
    result = take(study, in_workbook(draft, book))
    assert result.state == "quarantined"
    assert "Export.xlsx, sheet Sessions and Export.xlsx, sheet SESSIONS" in only(result)


@pytest.mark.parametrize("value", [46084.3958, 46084])
def test_a_time_as_a_serial_number_is_said_to_be_one(
    study: Study, draft: Draft, value: float
) -> None:
    result = changed(study, draft, put("tested_at", value, shown_as="General"))
    (problem,) = result.held_sessions["larch-s001"]
    assert "is a number, as spreadsheets count days" in problem.sentence
    assert set(result.tables["sessions"]["session"]) == {"larch-s002", "larch-s003"}


def test_a_day_without_a_time_of_day_is_no_time(study: Study, draft: Draft) -> None:
    result = changed(study, draft, put("tested_at", date(2026, 3, 3), shown_as="dd.mm.yyyy"))
    assert set(result.held_sessions) == {"larch-s001"}


@pytest.mark.parametrize("shown_as", ["dd.mm.yyyy hh:mm", "yyyy-mm-dd", "m/d/yy h:mm AM/PM"])
def test_a_time_is_read_however_it_is_shown(study: Study, draft: Draft, shown_as: str) -> None:
    when = datetime(2026, 3, 3, 9, 30)
    result = changed(study, draft, put("tested_at", when, shown_as=shown_as))
    assert result.problems == []
    assert result.tables["sessions"]["tested_at"][0].isoformat() == "2026-03-03T08:30:00+00:00"


def test_an_hour_that_came_twice_is_no_time(study: Study, draft: Draft) -> None:
    result = changed(study, draft, put("tested_at", datetime(2026, 10, 25, 2, 30)))
    (problem,) = result.held_sessions["larch-s001"]
    assert "clocks were changed in that hour" in problem.sentence


def test_numbers_that_are_text_are_numbers(study: Study, draft: Draft) -> None:
    result = changed(study, draft, put("weight_kg", "6,25"))
    assert result.state == "accepted" and result.problems == []
    assert [*result.tables["sessions"]["weight_kg"]] == [6.25, 6.2, 6.2]
    assert "numbers that are text" in result.read_tolerantly


def test_a_number_that_may_be_thousands_is_not_guessed(study: Study, draft: Draft) -> None:
    result = changed(study, draft, put("weight_kg", "6,250"))
    assert set(result.held_sessions) == {"larch-s001"}


@pytest.mark.parametrize(
    ("value", "shown_as", "code"), [(7, "0000", "0007"), (7, "General", "7"), (12, "00", "12")]
)
def test_a_code_of_digits_keeps_the_zeros_that_are_shown(
    study: Study, draft: Draft, value: int, shown_as: str, code: str
) -> None:
    result = changed(study, draft, put("infant", value, shown_as=shown_as))
    assert result.tables["sessions"]["infant"][0] == code


@pytest.mark.parametrize("value", ["#DIV/0!", "#N/A", "#VALUE!"])
def test_errors_of_formulas_are_bad_cells(study: Study, draft: Draft, value: str) -> None:
    result = changed(study, draft, put("weight_kg", value))
    assert set(result.held_sessions) == {"larch-s001"}


def test_digits_that_a_spreadsheet_does_not_show_are_not_read(study: Study, draft: Draft) -> None:
    result = changed(study, draft, put("weight_kg", 3.3000000000000003))
    assert result.tables["sessions"]["weight_kg"][0] == 3.3


def test_sheets_that_are_no_tables_are_named_and_not_read(study: Study, draft: Draft) -> None:
    book = book_of(draft)
    book.create_sheet("Notes").append(["bed", "Position"])
    result = take(study, in_workbook(draft, book))
    assert result.state == "accepted"
    assert "column bed, column Position of Export.xlsx, sheet 5" in only(result)


@pytest.mark.parametrize(
    "cell",
    ["Ottilie Quensel", "Zwingmann", "0151 23456789", "12 High Street", "756.1234.5678.97"],
)
@pytest.mark.parametrize("where", ["cell", "column", "sheet", "unit", "heading", "title"])
def test_a_person_is_refused_wherever_it_stands(
    study: Study, draft: Draft, cell: str, where: str
) -> None:
    book = book_of(draft)
    sheet = book["Sessions"]
    if where == "cell":
        sheet[f"{column(sheet, 'visit')}3"] = cell
    elif where == "column":
        sheet["AZ1"], sheet["AZ3"] = "colour", cell
    elif where == "sheet":
        book.create_sheet("x")["B7"] = cell
    elif where == "unit":
        sheet.insert_rows(2)
        sheet[f"{column(sheet, 'weight_kg')}2"] = "kg"
        sheet[f"{column(sheet, 'operator')}2"] = cell
    elif where == "heading":
        sheet["AZ1"] = cell
    result = take(study, in_workbook(draft, book, f"{cell}.xlsx" if where == "title" else "E.xlsx"))
    assert cell not in repr(result.problems) and cell not in result.read_tolerantly
    refused = {p.kind for p in result.problems} == {"person"}
    if where == "column":  # nobody reads it, so it is not searched: it gets nowhere
        assert result.state == "accepted" and cell not in repr(result)
        return
    # A rare name where no codes are expected may be anything; it is not repeated.
    unexpected = where in ("heading", "sheet", "title")
    assert refused or (unexpected and cell in ("Ottilie Quensel", "Zwingmann"))


def test_a_date_of_birth_is_refused_although_it_comes_as_midnight(
    study: Study, draft: Draft
) -> None:
    for shown_as in ("dd.mm.yyyy", "yyyy-mm-dd hh:mm", "General"):
        book = book_of(draft)
        sheet = book["Sessions"]
        at = column(sheet, "visit")
        for row in (2, 3, 4):
            sheet[f"{at}{row}"] = datetime(2025, 11, row)
            sheet[f"{at}{row}"].number_format = shown_as
        each = replace(draft, delivery=f"d-{shown_as[:2]}", signals=dict(draft.signals))
        result = take(study, in_workbook(each, book))
        assert shown_as == "General" or {p.kind for p in result.problems} == {"person"}
        assert "2025-11" not in repr(result.problems)


def parts_of(data: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def packed(parts: dict[str, bytes], *, twice: str = "") -> bytes:
    sink = io.BytesIO()
    with zipfile.ZipFile(sink, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in parts.items():
            archive.writestr(name, data)
        if twice:
            with pytest.warns(UserWarning, match="Duplicate"):
                archive.writestr(twice, parts[twice])
    return sink.getvalue()


SHEET = "xl/worksheets/sheet1.xml"
HEAD = b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>'
TAIL = b"</sheetData></worksheet>"


def sound() -> bytes:
    book = Workbook()
    book.active.append(["session", "infant"])
    return book_bytes(book)


def with_sheet(sheet: bytes) -> bytes:
    return packed({**parts_of(sound()), SHEET: sheet})


def doctype(text: str = '<!DOCTYPE a [<!ENTITY b "c">]>') -> bytes:
    return text.encode() + HEAD + TAIL


HOSTILE: dict[str, tuple[Callable[[], bytes], str]] = {
    "nothing": (lambda: b"", "is no workbook, or was cut short"),
    "text": (lambda: b"session;infant\n", "is no workbook, or was cut short"),
    "cut short": (lambda: sound()[:-200], "is no workbook, or was cut short"),
    "locked": (lambda: b"\xd0\xcf\x11\xe0" + bytes(600), "locked by a password, or is of the old"),
    "no workbook": (lambda: packed({"a.txt": b"x"}), "is no workbook, or is damaged inside"),
    "bomb": (
        lambda: with_sheet(HEAD + b" " * (60 * 1024**2) + TAIL),
        "unpacks to more than 500 times its size",
    ),
    "large": (
        lambda: packed({**parts_of(sound()), "xl/media/a.bin": bytes(65 * 1024**2)}),
        "unpacks to over 64 MB",
    ),
    "marks": (
        lambda: with_sheet(
            HEAD + b"".join(b'<c r="%d"/>' % (n * 7919) for n in range(2_100_000)) + TAIL
        ),
        "holds more than about 571 000 cells",
    ),
    "parts": (
        lambda: packed({**parts_of(sound()), **{f"x/{n}.xml": b"" for n in range(1_000)}}),
        "has more than 1000 parts",
    ),
    "twice": (lambda: packed(parts_of(sound()), twice=SHEET), "holds two parts of one name"),
    "entities": (lambda: with_sheet(doctype()), "holds a part that defines entities"),
    "entities far in": (
        lambda: with_sheet(doctype("<!--" + "x y" * 400_000 + "--><!DOCTYPE a>")),
        "holds a part that defines entities",
    ),
    "entities in another width": (
        lambda: with_sheet(doctype().decode().encode("utf-16")),
        "holds a part that is not written in UTF-8",
    ),
    "entities in other letters": (
        lambda: with_sheet(b'<?xml version="1.0" encoding="cp037"?>' + doctype()),
        "holds a part that is not written in UTF-8",
    ),
    "entities in a picture": (
        lambda: packed({**parts_of(sound()), "xl/media/a.png": doctype()}),
        "holds a part that defines entities",
    ),
    "sheets": (
        lambda: book_bytes(many_sheets(51)),
        "has more than 50 sheets",
    ),
    "rows": (
        lambda: with_sheet(
            HEAD + b'<row r="1"><c><v>1</v></c></row>' + b'<row r="900000000"><c><v>1</v></c></row>'
            + TAIL
        ),
        "",
    ),
}  # fmt: skip


def many_sheets(n: int) -> Workbook:
    book = Workbook()
    for _ in range(n - 1):
        book.create_sheet()
    return book


@pytest.mark.parametrize("case", HOSTILE)
def test_what_may_not_be_opened(
    study: Study, draft: Draft, monkeypatch: pytest.MonkeyPatch, case: str
) -> None:
    make, said = HOSTILE[case]
    data = make()
    if said and case not in ("no workbook", "sheets"):
        # It is judged before the library that understands workbooks sees any of it.
        monkeypatch.setattr(openpyxl, "load_workbook", None)
    if not said:
        read_workbook(data)
        return
    with pytest.raises(WorkbookError, match=said):
        read_workbook(data)
    result = take(study, in_workbook(draft, data))
    assert result.state == "quarantined" and [p.kind for p in result.problems] == ["workbook"]
    assert said in only(result)


def test_more_rows_than_a_table_may_have(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workbook, "MOST_ROWS", 10)
    book = many_sheets(2)
    for sheet in book:
        for n in range(6):
            sheet.append([n + 1])
    with pytest.raises(WorkbookError, match="has more than 10 rows"):
        read_workbook(book_bytes(book))


def test_the_memory_of_a_workbook_at_its_bound_is_bounded() -> None:
    row = b"".join(b'<c r="%s1"><v>1</v></c>' % bytes([65 + n]) for n in range(20))
    rows = (b'<row r="%d">%s</row>' % (n, row.replace(b'1"', b'%d"' % n)) for n in range(1, 25_001))
    data = with_sheet(HEAD + b"".join(rows) + TAIL)
    tracemalloc.start()
    try:
        (sheet,) = read_workbook(data)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert len(sheet.rows) == 25_000
    assert peak < 300 * 1024**2


def test_an_unreadable_workbook_beside_whole_tables_holds_nothing(
    study: Study, draft: Draft
) -> None:
    draft.signals["Plan.xlsx"] = b"x"
    result = take(study, draft)
    assert result.state == "accepted" and len(result.tables["sessions"]) == 3
    assert "Plan.xlsx is no workbook, or was cut short; nothing of it was read." in only(result)


@quick
@given(damage=damages)
def test_any_bytes_as_a_workbook(study: Study, kit: SimpleNamespace, damage: Any) -> None:
    draft = kit.draft(2)
    whole = book_bytes(book_of(draft))
    result = take(study, in_workbook(draft, damaged(whole, damage)))
    assert result.state == "accepted" or result.problems


@quick
@given(data=st.data())
def test_any_damage_inside_a_workbook(
    study: Study, kit: SimpleNamespace, data: st.DataObject
) -> None:
    draft = kit.draft(2)
    parts = parts_of(book_bytes(book_of(draft)))
    name = data.draw(st.sampled_from(sorted(parts)))
    parts[name] = damaged(parts[name], data.draw(damages))
    result = take(study, in_workbook(draft, packed(parts)))
    assert result.state == "accepted" or result.problems


odd_values = st.one_of(
    st.integers(), st.floats(allow_nan=False, allow_infinity=False), st.booleans(), st.none(),
    st.datetimes(datetime(1900, 3, 1), datetime(9999, 1, 1)), st.dates(date(1900, 3, 1)),
    st.times(), st.timedeltas(),
    st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"]), max_size=9).filter(
        lambda text: not text.startswith("=")
    ),
)  # fmt: skip


@quick
@given(data=st.data())
def test_odd_values_hold_their_own_rows_only(
    study: Study, kit: SimpleNamespace, data: st.DataObject
) -> None:
    draft = kit.draft(3)
    book = book_of(draft)
    sheet = book["Sessions"]
    row = data.draw(st.sampled_from([2, 3, 4]))
    title = data.draw(st.sampled_from([c.value for c in sheet[1]][3:]))
    put(title, data.draw(odd_values), row=row)(sheet)
    result = take(study, in_workbook(draft, book))
    if result.state == "accepted":
        assert set(result.held_sessions) <= {f"larch-s00{row - 1}"}
    else:
        assert {p.kind for p in result.problems} == {"person"}
