"""The files of a delivery, out of a folder or out of an archive, behind one face.

An archive is judged before anything of it is read: entries, sizes, ratio, paths, links.
"""

from __future__ import annotations

import errno
import re
import shutil
import stat
import zipfile
from collections import deque
from collections.abc import Iterable, Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO, Protocol

from quietsleep.intake.files.read import MOST_BYTES, read_bounded
from quietsleep.intake.find import MANIFEST, FoundDelivery, is_left_behind
from quietsleep.intake.reference import DeliveryReference
from quietsleep.intake.store import MOST_DIRECTORY_BYTES, ZIP, ZIP_OF, Address, directory_bytes
from quietsleep.records import Problem

MOST_ENTRIES = 20_000
MOST_TOTAL_BYTES = 20 * 1024**3
# Text of numbers shrinks to a third or a tenth; beyond these an archive is made to burst.
MOST_RATIO = 100
MOST_RATIO_OF_ENTRY = 1_000
_SMALL_BYTES = 1024**2
# From a store one small file after the other would mean to wait for most of the time.
MOST_ASKED_AHEAD = 12
MOST_BYTES_AHEAD = 8 * 1024**2
SAFE_PATH = re.compile(
    r"(?=.{1,200}$)[A-Za-z0-9_][A-Za-z0-9_. -]*(?:/[A-Za-z0-9_][A-Za-z0-9_. -]*){0,3}"
)


class DeliveryFiles(Protocol):
    """The plain files of one delivery."""

    files: Mapping[str, tuple[int, int]]

    def read(self, path: str) -> bytes:
        """Read one whole file; raises OSError with a reason when it cannot be."""

    def expect(self, paths: Iterable[str]) -> None:
        """Say which files will be read next, in this order."""


class Refused(Exception):
    """An archive that may not be opened; `problem` says why."""

    def __init__(self, problem: Problem) -> None:
        super().__init__(problem)
        self.problem = problem


class FolderSource:
    """The files of a delivery folder."""

    def __init__(self, found: FoundDelivery) -> None:
        self._root = found.path
        self.files: Mapping[str, tuple[int, int]] = found.stats

    def read(self, path: str) -> bytes:
        """Read one whole file; raises OSError with a reason when it cannot be."""
        return read_bounded(self._root / path)

    def expect(self, paths: Iterable[str]) -> None:
        """A folder gives its files at once."""


class StoredSource:
    """The files of a delivery in a store; small ones are asked for ahead, several at a time."""

    def __init__(self, found: FoundDelivery) -> None:
        self._root = found.path
        self.files: Mapping[str, tuple[int, int]] = found.stats
        self._threads = ThreadPoolExecutor(MOST_ASKED_AHEAD)
        self._waiting: deque[str] = deque()
        self._coming: dict[str, Future[bytes]] = {}

    def expect(self, paths: Iterable[str]) -> None:
        """Ask for the first of these files now, and for each further one when one was read."""
        self._waiting = deque(p for p in paths if self.files[p][0] <= MOST_BYTES_AHEAD)
        self._ask()

    def read(self, path: str) -> bytes:
        """Read one whole file; raises OSError with a reason when it cannot be."""
        coming = self._coming.pop(path, None)
        self._ask()
        return coming.result() if coming else read_bounded(self._root / path)

    def close(self) -> None:
        """Leave what was asked for and not read."""
        self._threads.shutdown(wait=True, cancel_futures=True)

    def _ask(self) -> None:
        while self._waiting and len(self._coming) < MOST_ASKED_AHEAD:
            path = self._waiting.popleft()
            self._coming[path] = self._threads.submit(read_bounded, self._root / path)


class Archive:
    """The files of a .zip; a single folder around all of them is taken off their paths."""

    def __init__(self, found: FoundDelivery) -> None:
        """Open and judge the archive; raises Refused."""
        self._place = DeliveryReference(found.centre, found.delivery)
        self._where = f"{found.delivery}.zip"
        self._file = self._opened(found.path)
        try:
            if directory_bytes(self._file) > MOST_DIRECTORY_BYTES:
                raise self._refusal("its list of entries is too long")
            self._zip = zipfile.ZipFile(self._file)
            self.files, self._infos, self._around = self._judge(found)
        except BaseException as error:  # any bytes may come: the library raises more than its own
            self._file.close()
            raise self._said(error) from None

    def close(self) -> None:
        """Close the archive."""
        self._zip.close()
        self._file.close()

    def inside(self, archive: Address) -> Address:
        """Return where the files lie that `files` names, for an archive in a store."""
        return Address(f"{ZIP}{self._around}{ZIP_OF}{archive}")

    def read(self, path: str) -> bytes:
        """Read one whole file; raises OSError with a reason when it cannot be."""
        if self._infos[path].file_size > MOST_BYTES:
            raise OSError(f"it is larger than {MOST_BYTES // 1024**2} MB")
        try:
            return self._zip.read(self._infos[path])
        except Exception as error:  # any bytes may come: the library raises more than its own
            if isinstance(error, OSError) and error.errno is not None:
                raise
            raise OSError("its part of the archive is damaged") from None

    def expect(self, paths: Iterable[str]) -> None:
        """An archive is read in one stream already."""

    def _opened(self, path: Path | Address) -> IO[bytes]:
        try:
            return path.open("rb")
        except OSError as error:
            raise self._said(error) from None

    def _said(self, error: BaseException) -> BaseException:
        """Return what to raise: a machine or store in the way is not the archive's damage."""
        if isinstance(error, Refused) or not isinstance(error, Exception):
            return error
        if isinstance(error, OSError) and error.errno not in {None, errno.EINVAL}:
            return Refused(not_opened(self._place, self._where, error))
        return self._refusal("it is damaged or cut short")

    def _judge(
        self, found: FoundDelivery
    ) -> tuple[Mapping[str, tuple[int, int]], Mapping[str, zipfile.ZipInfo], str]:
        entries = [i for i in self._zip.infolist() if not is_left_behind(i.filename)]
        reason = unsafe_entries(entries, found.stats[""][0])
        if reason:
            raise self._refusal(reason)
        plain = {i.filename: i for i in entries if not i.is_dir()}
        around = _folder_around(plain)
        infos = {name[len(around) :]: info for name, info in plain.items()}
        mtime_ns = found.stats[""][1]
        files = {name: (info.file_size, mtime_ns) for name, info in infos.items()}
        return files, infos, around

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


def not_opened(place: DeliveryReference, where: str, error: OSError) -> Problem:
    """The machine or the store stood in the way; the next night tries again."""
    return place.problem(
        "not_opened",
        where,
        f"{where} cannot be read: {error.strerror or error}.",
        expected="a file that the night may read",
        remedy="Nothing, if it passes: the next night tries again.",
    )


@contextmanager
def open_source(found: FoundDelivery) -> Iterator[DeliveryFiles]:
    """Open a delivery, folder or archive; raises Refused for an archive that may not be opened."""
    if not found.is_archive and isinstance(found.path, Path):
        yield FolderSource(found)
        return
    source = Archive(found) if found.is_archive else StoredSource(found)
    try:
        yield source
    finally:
        source.close()


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


def unpack(source: DeliveryFiles, paths: Iterable[str], target: Path) -> None:
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


def _folder_around(names: Iterable[str]) -> str:
    names = list(names)
    around = next((n[: -len(MANIFEST)] for n in names if n.endswith(f"/{MANIFEST}")), "")
    single = around.count("/") == 1 and all(n.startswith(around) for n in names)
    return around if single else ""
