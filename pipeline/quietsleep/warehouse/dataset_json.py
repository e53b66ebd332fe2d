"""Dataset-JSON 1.1, the exchange format for tabular clinical data of CDISC.

Written from the public specification "CDISC Dataset-JSON Specification", version 1.1, 2024-12-05.
`SCHEMA` restates its two attribute tables (top level and columns) and the table of supported
types. What is checked of a file: that schema, and `faults` below, which the schema cannot say
(number of records, width of rows, the JSON type of every cell). Not checked: agreement with a
Define-XML file, controlled terminology, or the names that SDTM or ADaM would ask for, because this
warehouse is neither.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pyarrow as pa

from quietsleep.contract.model import Column
from quietsleep.contract.schemas import column_comment

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
