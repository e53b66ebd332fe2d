"""The files of a delivery, out of a folder or out of an archive, behind one face.

An archive is judged before anything of it is read: entries, sizes, ratio, paths, links.
"""

from __future__ import annotations

import re
import shutil
import stat
import zipfile
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Protocol

from pipeline.intake.discover import LEFT_BEHIND, MANIFEST, Found
from pipeline.intake.place import Place
from pipeline.intake.read import MOST_BYTES, read_bounded
from pipeline.records import Problem

MOST_ENTRIES = 20_000
MOST_TOTAL_BYTES = 20 * 1024**3
MOST_DIRECTORY_BYTES = 16 * 1024**2
# Text of numbers shrinks to a third or a tenth; beyond these an archive is made to burst.
MOST_RATIO = 100
MOST_RATIO_OF_ENTRY = 1_000
_SMALL_BYTES = 1024**2
SAFE_PATH = re.compile(
    r"(?=.{1,200}$)[A-Za-z0-9_][A-Za-z0-9_. -]*(?:/[A-Za-z0-9_][A-Za-z0-9_. -]*){0,3}"
)
_END_RECORD = b"PK\x05\x06"


class Source(Protocol):
    """The plain files of one delivery."""

    files: Mapping[str, tuple[int, int]]

    def read(self, path: str) -> bytes:
        """Read one whole file; raises OSError with a reason when it cannot be."""


class Refused(Exception):
    """An archive that may not be opened; `problem` says why."""

    def __init__(self, problem: Problem) -> None:
        super().__init__(problem)
        self.problem = problem


class Folder:
    """The files of a delivery folder."""

    def __init__(self, found: Found) -> None:
        self._root = found.path
        self.files: Mapping[str, tuple[int, int]] = found.stats

    def read(self, path: str) -> bytes:
        """Read one whole file; raises OSError with a reason when it cannot be."""
        return read_bounded(self._root / path)


class Archive:
    """The files of a .zip; a single folder around all of them is taken off their paths."""

    def __init__(self, found: Found) -> None:
        """Open and judge the archive; raises Refused."""
        self._place = Place(found.centre, found.delivery)
        self._where = f"{found.delivery}.zip"
        try:
            if _directory_bytes(found.path) > MOST_DIRECTORY_BYTES:
                raise self._refusal("its list of entries is too long")
            self._zip = zipfile.ZipFile(found.path)
        except Refused:
            raise
        except Exception:  # any bytes may come: the library raises more than its own errors
            raise self._refusal("it is damaged or cut short") from None
        try:
            self.files, self._infos = self._judge(found)
        except Refused:
            self.close()
            raise

    def close(self) -> None:
        """Close the archive."""
        self._zip.close()

    def read(self, path: str) -> bytes:
        """Read one whole file; raises OSError with a reason when it cannot be."""
        if self._infos[path].file_size > MOST_BYTES:
            raise OSError(f"it is larger than {MOST_BYTES // 1024**2} MB")
        try:
            return self._zip.read(self._infos[path])
        except Exception:  # any bytes may come: the library raises more than its own errors
            raise OSError("its part of the archive is damaged") from None

    def _judge(
        self, found: Found
    ) -> tuple[Mapping[str, tuple[int, int]], Mapping[str, zipfile.ZipInfo]]:
        entries = [i for i in self._zip.infolist() if not _is_left_behind(i.filename)]
        reason = unsafe_entries(entries, found.stats[""][0])
        if reason:
            raise self._refusal(reason)
        plain = {i.filename: i for i in entries if not i.is_dir()}
        around = _folder_around(plain)
        infos = {name[len(around) :]: info for name, info in plain.items()}
        mtime_ns = found.stats[""][1]
        return {name: (info.file_size, mtime_ns) for name, info in infos.items()}, infos

    def _refusal(self, reason: str) -> Refused:
        return Refused(
            self._place.problem(
                "archive",
                self._where,
                f"The archive {self._where} was not opened: {reason}.",
                expected=(
                    f"a .zip of at most {MOST_ENTRIES} plain files with plain relative paths, "
                    f"not encrypted, {MOST_TOTAL_BYTES // 1024**3} GB unpacked"
                ),
                remedy="Make the archive anew from the delivery folder with an ordinary tool.",
            )
        )


@contextmanager
def open_source(found: Found) -> Iterator[Source]:
    """Open a delivery, folder or archive; raises Refused for an archive that may not be opened."""
    if not found.is_archive:
        yield Folder(found)
        return
    archive = Archive(found)
    try:
        yield archive
    finally:
        archive.close()


def unsafe_entries(entries: list[zipfile.ZipInfo], archive_bytes: int) -> str:
    """Say why the entries of an archive may not be unpacked; empty when they may."""
    if len(entries) > MOST_ENTRIES:
        return f"it has more than {MOST_ENTRIES} entries"
    total = sum(i.file_size for i in entries)
    if total > MOST_TOTAL_BYTES:
        return f"it unpacks to more than {MOST_TOTAL_BYTES // 1024**3} GB"
    if sum(i.compress_size for i in entries) > archive_bytes:
        return "its entries overlap"
    if total > _SMALL_BYTES and total > MOST_RATIO * archive_bytes:
        return f"it unpacks to more than {MOST_RATIO} times its size"
    if len({i.filename for i in entries}) < len(entries):
        return "it holds several entries of one name"
    return next((r for r in map(_unsafe_entry, entries) if r), "")


def _unsafe_entry(info: zipfile.ZipInfo) -> str:
    kind = stat.S_IFMT(info.external_attr >> 16)
    burst = info.file_size > MOST_RATIO_OF_ENTRY * max(info.compress_size, 1)
    checks = (
        (not SAFE_PATH.fullmatch(info.filename.rstrip("/")), "a path in it is not plain"),
        (kind not in {0, stat.S_IFREG, stat.S_IFDIR}, "it holds a link or a device"),
        (bool(info.flag_bits & 0x1), "it is encrypted"),
        (info.compress_type not in {zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED}, "its packing"),
        (burst and info.file_size > _SMALL_BYTES, "an entry unpacks to too many times its size"),
    )
    return next((reason for wrong, reason in checks if wrong), "")


def unpack(source: Source, paths: Iterable[str], target: Path) -> None:
    """Write files of a source below `target`, whole or not at all; raises OSError."""
    part = target.with_name(f"{target.name}.part")
    shutil.rmtree(part, ignore_errors=True)
    part.mkdir(parents=True)
    for path in paths:
        out = part / path
        out.parent.mkdir(parents=True, exist_ok=True)
        out.write_bytes(source.read(path))
    shutil.rmtree(target, ignore_errors=True)
    part.replace(target)


def discard(target: Path) -> None:
    """Take away what was unpacked earlier of a delivery."""
    with suppress(OSError):
        shutil.rmtree(target)


def _is_left_behind(name: str) -> bool:
    return any(part in LEFT_BEHIND for part in name.split("/"))


def _folder_around(names: Iterable[str]) -> str:
    names = list(names)
    around = next((n[: -len(MANIFEST)] for n in names if n.endswith(f"/{MANIFEST}")), "")
    single = around.count("/") == 1 and all(n.startswith(around) for n in names)
    return around if single else ""


def _directory_bytes(path: Path) -> int:
    """Size of the list of entries as the end of the archive says; it is read before the list."""
    with path.open("rb") as file:
        size = file.seek(0, 2)
        file.seek(max(0, size - 65_557))
        tail = file.read()
    at = tail.rfind(_END_RECORD)
    return int.from_bytes(tail[at + 12 : at + 16], "little") if at >= 0 else 0
