"""The raw files of what was withdrawn: where they are, and how a delivery is rid of them.

The rows go out of the tables of the delivery, the signal files go, and delivery.json is written
anew, so that the delivery stays whole. Deliveries in a store are listed alone.
"""

from __future__ import annotations

import hashlib
import json
import os
import zipfile
from collections.abc import Callable, Collection, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from quietsleep.intake.dialect import LINE_END, decoded, find_tables
from quietsleep.intake.files.workbook import read_workbook, write_workbook
from quietsleep.intake.find import MANIFEST, FoundDelivery
from quietsleep.intake.reference import DeliveryReference
from quietsleep.intake.source import Refused, open_source
from quietsleep.intake.tables import read_tables, table_of_title
from quietsleep.study.dialect import TableWords

TABLES = ("sessions", "recordings", "reported")


@dataclass(frozen=True, slots=True)
class RawFiles:
    """What a delivery holds of some sessions: signal files, and rows of its tables by line.

    `paths` are the files that the tables lie in; several may lie in one workbook.
    """

    found: FoundDelivery
    files: tuple[str, ...]
    rows: Mapping[str, frozenset[int]]
    paths: Mapping[str, str]

    @property
    def can_be_erased(self) -> bool:
        """Whether it lies on this machine."""
        return isinstance(self.found.path, Path)


def raw_files(
    found: FoundDelivery,
    *,
    sessions: Collection[str],
    infants: Collection[str],
    words: TableWords | None = None,
) -> RawFiles | None:
    """Look for what a delivery holds of sessions and infants; None where it holds nothing.

    A session is also what a row of these infants names. `words` is what is registered of the
    tables.
    """
    with suppress(Refused, OSError, KeyError, ValueError), open_source(found) as source:
        where = find_tables(path for path in source.files if path != MANIFEST)
        tables = read_tables(where, source.read, DeliveryReference("", ""), words or TableWords())
        rows: dict[str, set[int]] = {}
        files: set[str] = set()
        for name, table in tables.texts.items():
            if name not in TABLES:
                continue
            at = {column: n for n, column in enumerate(table.header)}
            for row in table.rows:
                cells = {c: row.cells[n] for c, n in at.items() if n < len(row.cells)}
                if cells.get("session") in sessions or cells.get("infant") in infants:
                    lines = range(row.row, row.row + row.n_lines)
                    rows.setdefault(name, set()).update(lines)
                    files |= {cells["file"]} if cells.get("file") in source.files else set()
        files |= {
            path for path in source.files if path.split("/")[:1] == ["signals"]
            and path.split("/")[1:2] and path.split("/")[1] in sessions
        }  # fmt: skip
        if rows or files:
            said = {name: frozenset(lines) for name, lines in rows.items()}
            return RawFiles(found, tuple(sorted(files)), said, tables.paths)
    return None


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
    """Return the files of the tables anew, without the rows of what was withdrawn."""
    lines_in: dict[str, dict[str, frozenset[int]]] = {}
    for name, lines in raw.rows.items():
        lines_in.setdefault(raw.paths[name], {})[name] = lines
    texts = {*find_tables(lines_in).texts.values()}
    return {
        path: _without_lines(read(path), next(iter(of_tables.values())))
        if path in texts
        else _without_rows(read(path), of_tables)
        for path, of_tables in lines_in.items()
    }


def _without_lines(data: bytes, lines: Collection[int]) -> bytes:
    """Return a table without some of its lines, counted as an editor shows them."""
    text = decoded(data)
    ends = [match.end() for match in LINE_END.finditer(text)]
    pieces = zip([0, *ends], [*ends, len(text)], strict=True)
    kept = [text[a:b] for number, (a, b) in enumerate(pieces, start=1) if number not in lines]
    return "".join(kept).encode("utf-8")


def _without_rows(data: bytes, rows: Mapping[str, Collection[int]]) -> bytes:
    """Return a workbook of its tables alone, without some of their rows.

    What else it holds (other sheets, comments, older values) may tell of it too, and goes as well.
    """
    sheets = [sheet for sheet in read_workbook(data) if table_of_title(sheet)]
    return write_workbook(
        replace(
            sheet,
            rows=tuple(
                (number, cells)
                for number, cells in sheet.rows
                if number not in rows.get(table_of_title(sheet), ())
            ),
        )
        for sheet in sheets
    )


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
