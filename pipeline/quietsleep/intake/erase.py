"""The raw files of what was withdrawn: where they are, and how a delivery is rid of them.

The rows go out of the tables of the delivery, whatever files and sheets these are, the signal files
go, and delivery.json is written anew, so that the delivery stays whole. Deliveries in a store are
listed alone.
"""

from __future__ import annotations

import hashlib
import io
import json
import os
import re
import zipfile
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from quietsleep.intake.cells import TextTable, read_text_table, table_of_sheet
from quietsleep.intake.dialect import decoded, find_tables
from quietsleep.intake.files.workbook import WorkbookError, read_workbook
from quietsleep.intake.find import MANIFEST, FoundDelivery
from quietsleep.intake.reference import DeliveryReference
from quietsleep.intake.source import DeliveryFiles, Refused, open_source
from quietsleep.study.dialect import words_of
from quietsleep.study.study import Study

TABLES = ("sessions", "recordings", "reported")
NOWHERE = DeliveryReference("", "")
LAST = 2**31
_LINE = re.compile(r"(?<=\n)|(?<=\r)(?!\n)")


@dataclass(frozen=True, slots=True)
class TableRows:
    """Rows of one table of a delivery, each from its line up to that of the next row.

    `sheet` is the title of the sheet where the file is a workbook.
    """

    table: str
    path: str
    sheet: str
    spans: tuple[tuple[int, int], ...]

    @property
    def place(self) -> str:
        """Where the rows are, as the centre sees it."""
        return f"{self.path}, sheet {self.sheet}" if self.sheet else self.path

    def holds(self, line: int) -> bool:
        """Whether a line is of one of these rows."""
        return any(first <= line < end for first, end in self.spans)


@dataclass(frozen=True, slots=True)
class RawFiles:
    """What a delivery holds of some sessions: signal files, and rows of its tables."""

    found: FoundDelivery
    files: tuple[str, ...]
    rows: tuple[TableRows, ...]

    @property
    def can_be_erased(self) -> bool:
        """Whether it lies on this machine."""
        return isinstance(self.found.path, Path)


def raw_files(
    study: Study, found: FoundDelivery, *, sessions: Collection[str], infants: Collection[str]
) -> RawFiles | None:
    """Look for what a delivery holds of sessions and infants; None where it holds nothing.

    A session is also what a row of these infants names.
    """
    with suppress(Refused, OSError, KeyError, ValueError), open_source(found) as source:
        rows: list[TableRows] = []
        files: set[str] = set()
        for path, sheet, table in _tables(study, found.centre, source):
            at = {column: n for n, column in enumerate(table.header)}
            spans = []
            ends = [*(row.row for row in table.rows[1:]), LAST]
            for row, end in zip(table.rows, ends, strict=False):
                cells = {c: row.cells[n] for c, n in at.items() if n < len(row.cells)}
                if cells.get("session") in sessions or cells.get("infant") in infants:
                    spans.append((row.row, end))
                    files |= {cells["file"]} if cells.get("file") in source.files else set()
            if spans:
                rows.append(TableRows(table.name, path, sheet, tuple(spans)))
        files |= {
            path for path in source.files if path.split("/")[:1] == ["signals"]
            and path.split("/")[1:2] and path.split("/")[1] in sessions
        }  # fmt: skip
        if rows or files:
            return RawFiles(found, tuple(sorted(files)), tuple(rows))
    return None


def _tables(
    study: Study, centre: str, source: DeliveryFiles
) -> Iterator[tuple[str, str, TextTable]]:
    """Yield the tables that sessions stand in: file, sheet where it is a workbook, and table."""
    words = words_of(study.tables, study.centres[centre].tables)
    tables = find_tables(source.files)
    texts = [*tables.texts.items(), *((n, p) for n, own in tables.twice.items() for p in own[1:])]
    for name, path in texts:
        if name in TABLES:
            yield path, "", read_text_table(name, source.read(path), NOWHERE, words=words)
    for path in tables.workbooks:
        with suppress(WorkbookError):
            for sheet in read_workbook(source.read(path)):
                name = sheet.title.strip().casefold()
                if name in TABLES:
                    table = table_of_sheet(name, sheet, NOWHERE, file=path, words=words)
                    yield path, sheet.title, table


def erase(raw: RawFiles) -> str:
    """Rid a delivery of its rows and files; returns the digest of its new delivery.json."""
    path = raw.found.path
    if not isinstance(path, Path):
        raise TypeError("a delivery in a store is not erased from here")
    return _erase_archive(path, raw) if raw.found.is_archive else _erase_folder(path, raw)


def _erase_folder(path: Path, raw: RawFiles) -> str:
    changed = _changed(raw, lambda name: (path / name).read_bytes())
    manifest = _manifest((path / MANIFEST).read_bytes(), changed, raw.files)
    for name, data in {**changed, MANIFEST: manifest}.items():
        _write(path / name, data)
    for file in raw.files:
        (path / file).unlink(missing_ok=True)
        with suppress(OSError):
            (path / file).parent.rmdir()
    return hashlib.sha256(manifest).hexdigest()


def _erase_archive(path: Path, raw: RawFiles) -> str:
    fresh = path.with_name(f".{path.name}.new")
    manifest = b""
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(fresh, "w", zipfile.ZIP_DEFLATED) as new:
        names = [info.filename for info in old.infolist() if not info.is_dir()]
        around = next(n.removesuffix(MANIFEST) for n in names if n.endswith(MANIFEST))
        changed = _changed(raw, lambda name: old.read(f"{around}{name}"))
        manifest = _manifest(old.read(f"{around}{MANIFEST}"), changed, raw.files)
        for name in names:
            inside = name.removeprefix(around)
            if inside not in raw.files:
                data = {**changed, MANIFEST: manifest}.get(inside)
                new.writestr(name, old.read(name) if data is None else data)
    with fresh.open("rb") as file:
        os.fsync(file.fileno())
    fresh.replace(path)
    return hashlib.sha256(manifest).hexdigest()


def _changed(raw: RawFiles, read: Callable[[str], bytes]) -> dict[str, bytes]:
    """Return the files of the tables without the rows, by their paths."""
    by_path: dict[str, list[TableRows]] = {}
    for each in raw.rows:
        by_path.setdefault(each.path, []).append(each)
    return {path: _without_rows(read(path), rows) for path, rows in by_path.items()}


def _without_rows(data: bytes, rows: Sequence[TableRows]) -> bytes:
    """Return a table, or a workbook, without some of its rows."""
    if rows[0].sheet:
        return _workbook_without(data, rows)
    # As they are counted when they are read.
    lines = [line for line in _LINE.split(decoded(data)) if line]
    kept = [line for number, line in enumerate(lines, start=1) if not rows[0].holds(number)]
    return "".join(kept).encode()


def _workbook_without(data: bytes, rows: Sequence[TableRows]) -> bytes:
    """Return a workbook without some rows; formulas become the values that they had."""
    from openpyxl import load_workbook

    book = load_workbook(io.BytesIO(data), data_only=True, keep_links=False)
    for each in rows:
        sheet = book[each.sheet]
        for number in range(sheet.max_row, 0, -1):
            if each.holds(number):
                sheet.delete_rows(number)
    written = io.BytesIO()
    book.save(written)
    return written.getvalue()


def _manifest(data: bytes, changed: Mapping[str, bytes], gone: Collection[str]) -> bytes:
    content = json.loads(data.decode("utf-8-sig"))
    files = [entry for entry in content["files"] if entry["path"] not in gone]
    for entry in files:
        if entry["path"] in changed:
            new = changed[entry["path"]]
            entry |= {"bytes": len(new), "sha256": hashlib.sha256(new).hexdigest()}
    return (json.dumps({**content, "files": files}, indent=1) + "\n").encode()


def _write(path: Path, data: bytes) -> None:
    fresh = path.with_name(f".{path.name}.new")
    with fresh.open("wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    fresh.replace(path)
