"""The raw files of what was withdrawn: where they are, and how a delivery is rid of them.

The rows go out of the tables of the delivery, the signal files go, and delivery.json is written
anew, so that the delivery stays whole. Deliveries in a store are listed alone.
"""

from __future__ import annotations

import hashlib
import json
import os
import zipfile
from collections.abc import Collection, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from quietsleep.intake.cells import read_text_table
from quietsleep.intake.files.csv import as_utf8
from quietsleep.intake.find import MANIFEST, FoundDelivery
from quietsleep.intake.reference import DeliveryReference
from quietsleep.intake.source import Refused, open_source

TABLES = ("sessions", "recordings", "reported")


@dataclass(frozen=True, slots=True)
class RawFiles:
    """What a delivery holds of some sessions: signal files, and rows of its tables by line."""

    found: FoundDelivery
    files: tuple[str, ...]
    rows: Mapping[str, frozenset[int]]

    @property
    def can_be_erased(self) -> bool:
        """Whether it lies on this machine."""
        return isinstance(self.found.path, Path)


def raw_files(
    found: FoundDelivery, *, sessions: Collection[str], infants: Collection[str]
) -> RawFiles | None:
    """Look for what a delivery holds of sessions and infants; None where it holds nothing.

    A session is also what a row of these infants names.
    """
    with suppress(Refused, OSError, KeyError, ValueError), open_source(found) as source:
        tables = {
            name: read_text_table(name, source.read(f"{name}.csv"), DeliveryReference("", ""))
            for name in TABLES
            if f"{name}.csv" in source.files
        }
        rows: dict[str, set[int]] = {}
        files: set[str] = set()
        for name, table in tables.items():
            at = {column: n for n, column in enumerate(table.header)}
            for row in table.rows:
                cells = {c: row.cells[n] for c, n in at.items() if n < len(row.cells)}
                if cells.get("session") in sessions or cells.get("infant") in infants:
                    rows.setdefault(name, set()).add(row.row)
                    files |= {cells["file"]} if cells.get("file") in source.files else set()
        files |= {
            path for path in source.files if path.split("/")[:1] == ["signals"]
            and path.split("/")[1:2] and path.split("/")[1] in sessions
        }  # fmt: skip
        if rows or files:
            said = {name: frozenset(lines) for name, lines in rows.items()}
            return RawFiles(found, tuple(sorted(files)), said)
    return None


def erase(raw: RawFiles) -> str:
    """Rid a delivery of its rows and files; returns the digest of its new delivery.json."""
    path = raw.found.path
    if not isinstance(path, Path):
        raise TypeError("a delivery in a store is not erased from here")
    return _erase_archive(path, raw) if raw.found.is_archive else _erase_folder(path, raw)


def _erase_folder(path: Path, raw: RawFiles) -> str:
    changed = {
        f"{name}.csv": _without_lines((path / f"{name}.csv").read_bytes(), lines)
        for name, lines in raw.rows.items()
    }
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
        changed = {
            f"{name}.csv": _without_lines(old.read(f"{around}{name}.csv"), lines)
            for name, lines in raw.rows.items()
        }
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


def _without_lines(data: bytes, lines: Collection[int]) -> bytes:
    """Return a table without some of its lines, counted as an editor shows them."""
    kept = [
        line
        for number, line in enumerate(as_utf8(data).splitlines(keepends=True), start=1)
        if number not in lines
    ]
    return b"".join(kept)


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
