"""A release written in every format reads back as it was."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq
import pyreadstat
import pytest

from quietsleep.contract import TABLES, Column
from quietsleep.contract.model import Table
from quietsleep.errors import WarehouseError
from quietsleep.study.study import Privacy
from quietsleep.warehouse import exports
from quietsleep.warehouse.exports import WRITERS, export_release, faults, read_sheets
from quietsleep.warehouse.release import make_release
from quietsleep.warehouse.views import views

READERS: dict[str, tuple[Callable[..., Any], str]] = {
    "stata": (pyreadstat.read_dta, "dta"),
    "spss": (pyreadstat.read_sav, "sav"),
    "sas": (pyreadstat.read_xport, "xpt"),
}
NAMES = ("sessions", "clean_sessions", "clean_outcomes", "rules", "rejections", "agreement")
MOMENT = datetime(2026, 1, 31, 23, 59, 58, 123456, tzinfo=UTC)


@pytest.fixture(scope="module")
def made(new_study: Any, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, list[str]]:
    """A release with hard values in it, exported in every format: (release, folder, notices)."""
    study = new_study()
    study.rows["sessions"][0] |= {
        "tested_at": MOMENT, "weight_kg": 0.1 + 0.2, "noisy_breathing": True, "operator": "=op",
        "spo2_min_pct": 1e-12, "why": 'Grüße, "quoted"\nand a second line; ' + "x" * 300,
    }  # fmt: skip
    study.rows["sessions"][1] |= {"noisy_breathing": False, "staff_present": 2}
    path = tmp_path_factory.mktemp("exported")
    study.publish(path, "n1")
    # With days as they are, so that every kind of cell is in it.
    signed = Privacy("exact", "Agreed by the ethics board.", "r1", date(2026, 3, 1))
    release = make_release(path, "r1", privacy=signed)
    out = path / "out"
    notices = export_release(release, out, list(WRITERS))
    return release, out, notices


def expected(release: Path, name: str) -> tuple[tuple[Column, ...], list[dict[str, Any]]]:
    (sheet,) = read_sheets(release, [name])
    return sheet.columns, sheet.data.to_pylist()


def plain(value: Any, column: Column) -> Any:
    """Return what a statistics format holds of a value."""
    if column.type == "text":
        return value or ""
    if value is None:
        return None
    if column.type == "choice":
        return float(column.choices.index(value) + 1)
    if column.type == "datetime":
        return value.astimezone(UTC).replace(tzinfo=None)
    return value if column.type == "date" else float(value)


def same(found: Any, value: Any, column: Column) -> bool:
    if value is None:
        return bool(pd.isna(found))
    if column.type == "datetime":
        # SPSS counts seconds since 1582 in a double.
        return bool(abs((pd.Timestamp(found) - pd.Timestamp(value)).total_seconds()) < 1e-5)
    if isinstance(value, float):
        return float(found) == value
    return bool(found == value)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("kind", READERS)
def test_statistics_formats_read_back(made: Any, kind: str, name: str) -> None:
    release, out, _ = made
    reader, ending = READERS[kind]
    frame, meta = reader(out / kind / f"{name}.{ending}")
    columns, rows = expected(release, name)
    assert list(frame.columns) == [c.name for c in columns]
    assert len(frame) == len(rows)
    for column in columns:
        for found, row in zip(frame[column.name], rows, strict=True):
            value = plain(row[column.name], column)
            assert same(found, value, column), (column.name, found, value)
    for label, column in zip(meta.column_labels, columns, strict=True):
        assert label
        assert column.unit is None or label.startswith(f"[{column.unit}]"), label


def test_no_moment_became_1970(made: Any) -> None:
    _, out, _ = made
    for kind, (reader, ending) in READERS.items():
        frame, _ = reader(out / kind / f"sessions.{ending}")
        assert set(frame["tested_at"].dt.year) == {2026}, kind
        rules, _ = reader(out / kind / f"rules.{ending}")
        assert date(2000, 1, 1) in list(rules["valid_from"]), kind


def test_a_second_resolution_moment_is_cast_before_it_is_written() -> None:
    table = pa.table({"tested_at": pa.array([MOMENT], pa.timestamp("s", "UTC"))})
    column = TABLES["sessions"].column("tested_at")
    sheet = exports.PlainTable(Table("t", "warehouse", "one", (), (column,)), table)
    frame = exports.plain_frame(sheet)
    assert frame["tested_at"].dtype == "datetime64[us]"
    assert frame["tested_at"][0] == pd.Timestamp("2026-01-31 23:59:58")


@pytest.mark.parametrize("kind", READERS)
@pytest.mark.parametrize("n_missing", [0, 1, 179, 5000])
def test_a_date_behind_missing_ones_is_a_date(kind: str, n_missing: int, tmp_path: Path) -> None:
    day = date(2026, 1, 31)
    table = pa.table({"valid_until": pa.array([None] * n_missing + [day], pa.date32())})
    column = TABLES["rules"].column("valid_until")
    sheet = exports.PlainTable(Table("t", "warehouse", "one", (), (column,)), table)
    WRITERS[kind](sheet, tmp_path, tmp_path)
    reader, ending = READERS[kind]
    found = list(reader(tmp_path / f"t.{ending}")[0]["valid_until"])
    assert found[-1] == day and sum(pd.isna(value) for value in found) == n_missing


def test_yes_and_no_have_value_labels(made: Any) -> None:
    _, out, _ = made
    for kind in ("stata", "spss"):
        reader, ending = READERS[kind]
        frame, meta = reader(out / kind / f"sessions.{ending}")
        assert meta.variable_value_labels["noisy_breathing"] == {0: "no", 1: "yes"}
        assert sorted(frame["noisy_breathing"].dropna()) == [0, 1]


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("kind", READERS)
def test_a_column_of_choices_reads_back_by_its_labels(made: Any, kind: str, name: str) -> None:
    release, out, _ = made
    reader, ending = READERS[kind]
    frame, meta = reader(out / kind / f"{name}.{ending}")
    program = (out / "sas" / "formats.sas").read_text(encoding="utf-8")
    columns, rows = expected(release, name)
    coded = [column for column in columns if column.type == "choice"]
    assert coded
    for column in coded:
        labels = meta.variable_value_labels.get(column.name, {})
        if kind == "sas":
            labels = sas_labels(program, name, column.name)
        words = [None if pd.isna(code) else labels[code] for code in frame[column.name]]
        assert words == [row[column.name] for row in rows], column.name


def sas_labels(program: str, table: str, column: str) -> dict[float, str]:
    """Read the labels of a column out of the SAS program, as SAS would."""
    used = re.search(rf"modify {table};\s*format ([^;]*);", program)
    assert used is not None
    words = used.group(1).split()
    name = words[words.index(column) + 1].removesuffix(".")
    line = re.search(rf"value {name} ([^;]*);", program)
    assert line is not None and len(name) <= 32 and not name[-1].isdigit()
    return {float(code): word for code, word in re.findall(r"(\d+) = '([^']*)'", line.group(1))}


def test_csv_reads_back(made: Any) -> None:
    release, out, notices = made
    for name in NAMES:
        (sheet,) = read_sheets(release, [name])
        options = pa_csv.ConvertOptions(
            column_types=sheet.data.schema,
            strings_can_be_null=True,
            quoted_strings_can_be_null=False,
        )
        parse = pa_csv.ParseOptions(newlines_in_values=True)
        found = pa_csv.read_csv(
            out / "csv" / f"{name}.csv", convert_options=options, parse_options=parse
        )
        assert found.to_pylist() == sheet.data.to_pylist(), name
    text = (out / "csv" / "sessions.csv").read_text(encoding="utf-8")
    assert "=op" in text
    assert "'=op" not in text
    assert [n for n in notices if n.startswith("sessions.operator: 1 cells begin with")]


def test_parquet_reads_back(made: Any) -> None:
    release, out, _ = made
    for sheet in read_sheets(release, None):
        assert pq.read_table(out / "parquet" / f"{sheet.name}.parquet").equals(sheet.data)


def test_dataset_json_is_valid_and_reads_back(made: Any) -> None:
    release, out, _ = made
    for name in [*TABLES, *(v.name for v in views())]:
        if name in TABLES and TABLES[name].group != "warehouse":
            continue
        content = json.loads((out / "dataset-json" / f"{name}.json").read_text(encoding="utf-8"))
        assert faults(content) == [], name
        columns, rows = expected(release, name)
        assert [c["name"] for c in content["columns"]] == [c.name for c in columns]
        for found, row in zip(content["rows"], rows, strict=True):
            for value, column in zip(found, columns, strict=True):
                want = row[column.name]
                if column.type == "datetime" and want is not None:
                    assert datetime.fromisoformat(value) == want
                elif column.type == "date" and want is not None:
                    assert date.fromisoformat(value) == want
                else:
                    assert value == want, (name, column.name)


def test_dataset_json_faults_are_found(made: Any) -> None:
    _, out, _ = made
    good = json.loads((out / "dataset-json" / "sessions.json").read_text(encoding="utf-8"))
    order = [c["name"] for c in good["columns"]]
    weight = order.index("weight_kg")

    def cell(value: Any) -> list[list[Any]]:
        first = list(good["rows"][0])
        first[weight] = value
        return [first, *good["rows"][1:]]

    spoilt: list[tuple[dict[str, Any], str]] = [
        ({"records": 99}, "records says 99"),
        ({"datasetJSONVersion": "2.0"}, "datasetJSONVersion"),
        ({"rows": [*good["rows"][:-1], [1]]}, "has 1 cells"),
        ({"rows": cell("six")}, "is no double"),
        ({"rows": cell(True)}, "is no double"),
        ({"name": ""}, "name"),
        ({"extra": 1}, "extra"),
        ({"columns": [{**good["columns"][0], "dataType": "words"}]}, "words"),
    ]
    for change, words in spoilt:
        assert any(words in fault for fault in faults({**good, **change})), words
    missing = {k: v for k, v in good.items() if k != "itemGroupOID"}
    assert any("itemGroupOID" in fault for fault in faults(missing))


def test_numbers_that_json_does_not_know_stop_the_export(tmp_path: Path) -> None:
    from quietsleep.warehouse.exports import write_dataset_json

    column = Column("x", "number", "A number.", unit="1", nullable=True)
    facts = {"study": "s", "release": "r", "code_fingerprint": "c"}
    with pytest.raises(ValueError, match="JSON"):
        write_dataset_json(
            tmp_path / "x.json", "x", pa.table({"x": [math.inf]}), columns=(column,), label="x",
            facts=facts,
        )  # fmt: skip


def test_every_name_fits_stata_and_sas() -> None:
    for table in (*TABLES.values(), *views()):
        for column in table.columns:
            assert len(column.name) <= exports.LONGEST_NAME, (table.name, column.name)


def test_unknown_words_are_refused(made: Any, tmp_path: Path) -> None:
    release, _, _ = made
    with pytest.raises(WarehouseError, match="Unknown format excel"):
        export_release(release, tmp_path, ["excel"])
    with pytest.raises(WarehouseError, match="No table or view is called guests"):
        export_release(release, tmp_path, ["csv"], names=["guests"])
