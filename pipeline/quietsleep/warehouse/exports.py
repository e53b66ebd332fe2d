"""A release as parquet, csv, Stata, SPSS, SAS transport and CDISC Dataset-JSON files.

Values are never changed to suit a format. What a format cannot hold is told in `notices`:
- csv is UTF-8 with one header line; missing is an empty cell. A text cell that begins with = + - @
  is left as it is, and named, because a spreadsheet may run it as a formula.
- Stata, SPSS and SAS have no missing text: it becomes an empty text, and trailing blanks go.
- Stata labels hold 80 characters and SPSS labels 256; longer ones are cut, the dictionary has all.
- A column of choices (sex, status, severity) is a number with value labels there, from 1 in the
  order of the contract; yes is 1 and no is 0. SAS transport files hold no value labels: formats.sas
  beside them makes them. Numbers beyond about 7e75 do not fit the number format of SAS.
- Moments are written in UTC without a zone. SPSS counts seconds since 1582, so they are exact to
  some microseconds.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq

from quietsleep.contract.model import Column, Table
from quietsleep.contract.schemas import column_comment
from quietsleep.contract.sql import identifier
from quietsleep.errors import WarehouseError
from quietsleep.warehouse.database import open_night
from quietsleep.warehouse.described import warehouse_contract
from quietsleep.warehouse.privacy import released_table
from quietsleep.warehouse.release import tells_exact_days
from quietsleep.warehouse.views import views

if TYPE_CHECKING:
    import pandas as pd

LONGEST_NAME = 32
FORMULA_START = "^[=+@-]"


@dataclass(frozen=True, slots=True)
class PlainTable:
    """One table or view ready to be written: its description and its rows."""

    table: Table
    data: pa.Table

    @property
    def name(self) -> str:
        """Name of the table or view."""
        return self.table.name

    @property
    def columns(self) -> tuple[Column, ...]:
        """Columns in order."""
        return self.table.columns


def export_release(
    release_path: Path,
    out_path: Path,
    formats: Sequence[str],
    *,
    names: Sequence[str] | None = None,
) -> list[str]:
    """Write tables and views of a release below `out_path/<format>/`; return notices to pass on.

    `names` picks tables and views, all of them when left out. WarehouseError on an unknown format
    or name, and when a column's name is too long for Stata and SAS.
    """
    if not (release_path / "RELEASE.json").is_file():
        raise WarehouseError(
            f"{release_path} is no release. What leaves the study is a release, without the days "
            "that a night holds: make one with 'quietsleep release STUDY LABEL'."
        )
    unknown = sorted(set(formats) - set(WRITERS))
    if unknown:
        known = ", ".join(WRITERS)
        raise WarehouseError(f"Unknown format {', '.join(unknown)}; known are {known}.")
    notices: list[str] = []
    coded: dict[str, dict[str, dict[int | float, str]]] = {}
    for sheet in read_sheets(release_path, names):
        notices += _notices(sheet)
        coded[sheet.name] = _value_labels(sheet)
        for name in formats:
            folder = out_path / name
            folder.mkdir(parents=True, exist_ok=True)
            WRITERS[name](sheet, folder, release_path)
    if "sas" in formats:
        (out_path / "sas" / "formats.sas").write_text(sas_formats(coded), encoding="utf-8")
    return notices


def sas_formats(coded: Mapping[str, Mapping[str, Mapping[int | float, str]]]) -> str:
    """Return the SAS program that gives tables in WORK the labels of their codes."""
    known: dict[tuple[tuple[int | float, str], ...], str] = {}
    uses: list[str] = []
    for table, columns in coded.items():
        named = [
            f"{column} {known.setdefault(tuple(labels.items()), f'code{len(known) + 1}f')}."
            for column, labels in columns.items()
        ]
        if named:
            uses.append(f"  modify {table};\n    format {' '.join(named)};")
    values = [
        f"  value {name} " + " ".join(f"{code} = '{_doubled(text)}'" for code, text in labels) + ";"
        for labels, name in known.items()
    ]
    return "\n".join(
        ["proc format;", *values, "run;", "proc datasets library=work nolist;", *uses, "quit;", ""]
    )


def _doubled(text: str) -> str:
    return text.replace("'", "''")


def read_sheets(folder: Path, names: Sequence[str] | None) -> Iterator[PlainTable]:
    """Yield the tables, then the views, of a night or release."""
    described: dict[str, Table] = dict(sorted(warehouse_contract().items()))
    described |= {view.name: view for view in views()}
    if (folder / "RELEASE.json").is_file() and not tells_exact_days(folder):
        described = {name: released_table(table) for name, table in described.items()}
    unknown = sorted(set(names or ()) - set(described))
    if unknown:
        raise WarehouseError(f"No table or view is called {', '.join(unknown)}.")
    with open_night(folder) as connection:
        for name, table in described.items():
            if names is None or name in names:
                order = ", ".join(map(identifier, table.key))
                query = f"SELECT * FROM {identifier(name)} ORDER BY {order}"
                yield PlainTable(table, connection.sql(query).to_arrow_table())


def _notices(sheet: PlainTable) -> Iterable[str]:
    for column in sheet.columns:
        if column.type in ("text", "choice"):
            hits = pc.match_substring_regex(sheet.data[column.name], FORMULA_START)
            count = pc.sum(hits).as_py()
            if count:
                yield (
                    f"{sheet.name}.{column.name}: {count} cells begin with = + - or @; open the "
                    "csv with text columns, not by a double click in a spreadsheet."
                )


def plain_frame(sheet: PlainTable) -> pd.DataFrame:
    """Return the rows as the statistics formats take them.

    Numbers, counts, yes/no and the codes of choices become doubles, moments become UTC without zone
    in microseconds (a second-resolution moment would be written as 1970), and missing text becomes
    empty text.
    """
    import pandas as pd

    found: dict[str, Any] = {}
    for column in sheet.columns:
        if len(column.name) > LONGEST_NAME:
            raise WarehouseError(f"Column {column.name} is longer than {LONGEST_NAME} characters.")
        values = sheet.data[column.name]
        if column.type == "datetime":
            moments = values.cast(pa.timestamp("us", "UTC")).cast(pa.timestamp("us"))
            found[column.name] = moments.to_pandas().astype("datetime64[us]")
        elif column.type == "date":
            found[column.name] = _days(values.to_pylist())
        elif column.type in ("number", "integer", "yes_no"):
            found[column.name] = values.cast(pa.float64()).to_pandas()
        elif column.choices:
            codes = pc.index_in(values, value_set=pa.array(column.choices))
            found[column.name] = pc.add(codes.cast(pa.float64()), 1.0).to_pandas()
        else:
            text = pc.fill_null(values.cast(pa.string()), "")
            found[column.name] = pd.Series(text.to_pylist(), dtype="object")
    return pd.DataFrame(found)


def _days(values: Sequence[date | None]) -> pd.Series:
    """Return dates as pyreadstat takes them: behind many None it would take a date for text."""
    import pandas as pd

    if all(day is None for day in values):
        return pd.Series(values, dtype="float64")
    return pd.Series([pd.NaT if day is None else day for day in values], dtype="object")


def _labels(sheet: PlainTable, longest: int) -> list[str | None]:
    """Return a label for each column: unit first, then the meaning, cut to fit."""
    labels: list[str | None] = []
    for column in sheet.columns:
        label = column_comment(column)
        if len(label.encode()) > longest:
            label = label.encode()[: longest - 3].decode(errors="ignore") + "..."
        labels.append(label)
    return labels


def _value_labels(sheet: PlainTable) -> dict[str, dict[int | float, str]]:
    coded = {column.name: value_labels(column) for column in sheet.columns}
    return {name: labels for name, labels in coded.items() if labels}


def value_labels(column: Column) -> dict[int | float, str]:
    """Return the label of each code of a column in the statistics formats; empty if it has none."""
    if column.type == "yes_no":
        return {0: "no", 1: "yes"}
    return dict(enumerate(column.choices, start=1))


def _title(sheet: PlainTable) -> str:
    return f"One row is {sheet.table.one_row_is}"[:64]


def _write_parquet(sheet: PlainTable, folder: Path, _: Path) -> None:
    pq.write_table(sheet.data, folder / f"{sheet.name}.parquet", compression="zstd")


def _write_csv(sheet: PlainTable, folder: Path, _: Path) -> None:
    options = pa_csv.WriteOptions(quoting_style="needed")
    pa_csv.write_csv(sheet.data, folder / f"{sheet.name}.csv", options)


def _write_stata(sheet: PlainTable, folder: Path, _: Path) -> None:
    import pyreadstat

    pyreadstat.write_dta(
        plain_frame(sheet),
        folder / f"{sheet.name}.dta",
        file_label=_title(sheet),
        column_labels=_labels(sheet, 80),
        variable_value_labels=_value_labels(sheet),
        variable_format=_date_formats(sheet, "%td"),
        version=15,
    )


def _write_spss(sheet: PlainTable, folder: Path, _: Path) -> None:
    import pyreadstat

    pyreadstat.write_sav(
        plain_frame(sheet),
        folder / f"{sheet.name}.sav",
        file_label=_title(sheet),
        column_labels=_labels(sheet, 256),
        variable_value_labels=_value_labels(sheet),
        variable_format=_date_formats(sheet, "DATE11"),
    )


def _write_sas(sheet: PlainTable, folder: Path, _: Path) -> None:
    import pyreadstat

    pyreadstat.write_xport(
        plain_frame(sheet),
        folder / f"{sheet.name}.xpt",
        file_label=_title(sheet)[:40],
        column_labels=_labels(sheet, 256),
        table_name=sheet.name,
        variable_format=_date_formats(sheet, "DATE"),
        file_format_version=8,
    )


def _date_formats(sheet: PlainTable, code: str) -> dict[str, str]:
    return {c.name: code for c in sheet.columns if c.type == "date"}


def _write_dataset_json(sheet: PlainTable, folder: Path, release_path: Path) -> None:
    write_dataset_json(
        folder / f"{sheet.name}.json",
        sheet.name,
        sheet.data,
        columns=sheet.columns,
        label=_title(sheet),
        key=sheet.table.key,
        facts=json.loads((release_path / "RELEASE.json").read_text(encoding="utf-8")),
    )


WRITERS: dict[str, Callable[[PlainTable, Path, Path], None]] = {
    "parquet": _write_parquet,
    "csv": _write_csv,
    "stata": _write_stata,
    "spss": _write_spss,
    "sas": _write_sas,
    "dataset-json": _write_dataset_json,
}


VERSION = "1.1.0"
DATA_TYPES = {
    "text": "string",
    "choice": "string",
    "number": "double",
    "integer": "integer",
    "yes_no": "boolean",
    "date": "date",
    "datetime": "datetime",
}
_MOMENT = r"^\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}(\.\d+)?([+-]\d{2}:\d{2}|Z)?$"
_TEXT = {"type": "string", "minLength": 1}
SCHEMA: dict[str, Any] = {
    "$schema": "https://json-schema.org/draft/2020-12/schema",
    "type": "object",
    "additionalProperties": False,
    "required": [
        "datasetJSONCreationDateTime", "datasetJSONVersion", "itemGroupOID", "records", "name",
        "label", "columns",
    ],
    "properties": {
        "datasetJSONCreationDateTime": {"type": "string", "pattern": _MOMENT},
        "datasetJSONVersion": {"type": "string", "pattern": r"^1\.1(\.(0|[1-9]\d*))?$"},
        "fileOID": _TEXT,
        "dbLastModifiedDateTime": {"type": "string", "pattern": _MOMENT},
        "originator": {"type": "string"},
        "sourceSystem": {
            "type": "object",
            "additionalProperties": False,
            "required": ["name", "version"],
            "properties": {"name": {"type": "string"}, "version": {"type": "string"}},
        },
        "studyOID": _TEXT,
        "metaDataVersionOID": _TEXT,
        "metaDataRef": {"type": "string"},
        "itemGroupOID": _TEXT,
        "records": {"type": "integer", "minimum": 0},
        "name": _TEXT,
        "label": {"type": "string"},
        "columns": {
            "type": "array",
            "items": {
                "type": "object",
                "additionalProperties": False,
                "required": ["itemOID", "name", "label", "dataType"],
                "properties": {
                    "itemOID": _TEXT,
                    "name": _TEXT,
                    "label": {"type": "string"},
                    "dataType": {
                        "enum": [
                            "string", "integer", "decimal", "float", "double", "boolean",
                            "datetime", "date", "time", "URI",
                        ]
                    },
                    "targetDataType": {"enum": ["integer", "decimal"]},
                    "length": {"type": "integer", "minimum": 1},
                    "displayFormat": {"type": "string"},
                    "keySequence": {"type": "integer", "minimum": 1},
                },
            },
        },
        "rows": {
            "type": "array",
            "items": {
                "type": "array",
                "items": {"type": ["string", "number", "boolean", "null"]},
            },
        },
    },
}  # fmt: skip
_CELL_TYPES: dict[str, tuple[type, ...]] = {
    "string": (str,), "integer": (int,), "float": (int, float), "double": (int, float),
    "decimal": (str,), "boolean": (bool,), "datetime": (str,), "date": (str,), "time": (str,),
    "URI": (str,),
}  # fmt: skip


def write_dataset_json(
    path: Path,
    name: str,
    data: pa.Table,
    *,
    columns: Sequence[Column],
    label: str,
    key: Sequence[str] = (),
    facts: Mapping[str, Any],
) -> None:
    """Write one table as one Dataset-JSON file, rows one a line.

    `facts` is RELEASE.json. Missing values are null, moments ISO 8601 in UTC, and numbers are
    written so that they read back to the same double.
    """
    head = {
        "datasetJSONCreationDateTime": datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        "datasetJSONVersion": VERSION,
        "fileOID": f"{facts['study']}.{facts['release']}.{name}",
        "originator": str(facts["study"]),
        "sourceSystem": {"name": "quietsleep", "version": str(facts["code_fingerprint"])},
        "studyOID": str(facts["study"]),
        "itemGroupOID": f"IG.{name.upper()}",
        "records": data.num_rows,
        "name": name,
        "label": label,
        "columns": [_column(name, column, key) for column in columns],
    }
    text = json.dumps(head, ensure_ascii=False, allow_nan=False)[:-1]
    with path.open("w", encoding="utf-8") as file:
        file.write(text + ', "rows": [')
        file.write(",".join("\n" + row for row in _rows(data)))
        file.write("\n]}\n")


def _column(name: str, column: Column, key: Sequence[str]) -> dict[str, Any]:
    described: dict[str, Any] = {
        "itemOID": f"IT.{name.upper()}.{column.name.upper()}",
        "name": column.name,
        "label": column_comment(column),
        "dataType": DATA_TYPES[column.type],
    }
    if column.name in key:
        described["keySequence"] = list(key).index(column.name) + 1
    return described


def _rows(data: pa.Table) -> Iterator[str]:
    for batch in data.to_batches(max_chunksize=10_000):
        cells = [[_cell(value) for value in column.to_pylist()] for column in batch.columns]
        for row in zip(*cells, strict=True):
            yield json.dumps(row, ensure_ascii=False, allow_nan=False)


def _cell(value: Any) -> Any:
    if isinstance(value, datetime):
        moment = value.astimezone(UTC) if value.tzinfo else value.replace(tzinfo=UTC)
        return moment.isoformat().replace("+00:00", "Z")
    return value.isoformat() if isinstance(value, date) else value


def faults(content: Mapping[str, Any]) -> list[str]:
    """Return what is wrong with the content of a file, a sentence each; none when it is right."""
    from jsonschema import Draft202012Validator

    found = [
        f"{error.json_path}: {error.message}"
        for error in Draft202012Validator(SCHEMA).iter_errors(dict(content))
    ]
    if found:
        return found
    rows, columns = content.get("rows", []), content["columns"]
    if len(rows) != content["records"]:
        found.append(f"records says {content['records']}, but there are {len(rows)} rows.")
    for number, row in enumerate(rows, start=1):
        if len(row) != len(columns):
            found.append(f"Row {number} has {len(row)} cells for {len(columns)} columns.")
            continue
        for value, column in zip(row, columns, strict=True):
            wanted = _CELL_TYPES[column["dataType"]]
            is_flag = isinstance(value, bool) and bool not in wanted
            if value is not None and (is_flag or not isinstance(value, wanted)):
                found.append(
                    f"Row {number}, {column['name']}: {value!r} is no {column['dataType']}."
                )
    return found
