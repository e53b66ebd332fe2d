"""Uploads: what centres are handing over, chunk by chunk, in a folder of its own each.

An upload lies in `work/uploads/<centre>/<number>/` until it is sent or was left for a day:
`received` holds whole files under their own names, `parts` what is still coming. Bytes are only
ever written here; nothing of them is run, and nothing is seen by a night.
"""

from __future__ import annotations

import json
import os
import re
import secrets
import shutil
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from filelock import FileLock, Timeout

from quietsleep.errors import QuietsleepError
from quietsleep.intake.find import is_left_behind
from quietsleep.intake.privacy import PrivacyScan
from quietsleep.intake.reference import DeliveryReference, study_words
from quietsleep.intake.source import SAFE_PATH
from quietsleep.study.study import Study
from quietsleep.study.upload_limits import MB

FOLDER = "uploads"
MOST_CHUNK = 8 * MB
MOST_OPEN = 20
SECONDS_TO_WAIT = 20.0
GONE = "This delivery was sent or put away meanwhile."
# What an operating system takes for a device, whatever ending follows.
_DEVICE = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.I)
_NUMBER = re.compile(r"[0-9a-f]{16}")
_PART = re.compile(r"\d{1,15}-\d{1,15}")
ARCHIVE = ".zip"


class UploadRefused(QuietsleepError):
    """Something cannot be taken; the message is one plain sentence for who hands it over."""


class OtherOffset(Exception):
    """A chunk does not follow on what is there: `received` bytes are."""

    def __init__(self, received: int) -> None:
        super().__init__(received)
        self.received = received


@dataclass(frozen=True, slots=True)
class Piece:
    """A chunk of a file: which file, of how many bytes, when changed (ms), and from which byte."""

    path: str
    n_bytes: int
    modified_ms: int
    offset: int


@dataclass(frozen=True, slots=True)
class Upload:
    """One upload, by its folder."""

    centre: str
    number: str
    folder: Path

    @property
    def received(self) -> Path:
        """Folder of the files that are whole."""
        return self.folder / "received"

    @property
    def parts(self) -> Path:
        """Folder of the files that are still coming."""
        return self.folder / "parts"

    @property
    def made(self) -> Path:
        """Folder of the delivery as it will be sent; it is made anew by each check."""
        return self.folder / "made"

    @property
    def incoming(self) -> Path:
        """Folder of chunks that are on the line."""
        return self.folder / "incoming"

    @contextmanager
    def turn(self) -> Iterator[None]:
        """One at a time, across threads and processes; UploadRefused where it is gone."""
        lock = FileLock(f"{self.folder}.lock")
        try:
            lock.acquire(timeout=SECONDS_TO_WAIT)
        except Timeout:
            raise UploadRefused(
                "This delivery is being checked or sent just now. Wait a little, and try again."
            ) from None
        try:
            if not self.folder.is_dir():
                raise UploadRefused(GONE)
            yield
        finally:
            lock.release()

    def said(self, name: str) -> dict[str, Any] | None:
        """Read what was written down under a name; None where nothing was."""
        try:
            found: dict[str, Any] = json.loads((self.folder / f"{name}.json").read_bytes())
        except (OSError, ValueError):
            return None
        return found

    def say(self, name: str, content: dict[str, Any]) -> None:
        """Write something down under a name."""
        fresh = self.folder / f"{name}.new"
        fresh.write_text(json.dumps(content), encoding="utf-8")
        fresh.replace(self.folder / f"{name}.json")

    def files(self) -> dict[str, tuple[int, int]]:
        """Whole files: path -> (bytes, time of change in ms)."""
        return _files(self.received)

    def coming(self) -> dict[str, tuple[int, int, int]]:
        """Files that are still coming: path -> (bytes here, bytes, time of change in ms)."""
        found = {}
        for inside, (here, _) in _files(self.parts).items():
            path, _, name = inside.rpartition("/")
            if _PART.fullmatch(name):
                n_bytes, modified_ms = map(int, name.split("-"))
                found[path] = (here, n_bytes, modified_ms)
        return found

    def changed(self) -> None:
        """What was made and said of it does not hold any more."""
        (self.folder / "checked.json").unlink(missing_ok=True)
        shutil.rmtree(self.made, ignore_errors=True)


class Uploads:
    """All uploads of a study."""

    def __init__(self, study: Study, clock: Callable[[], float] = time.time) -> None:
        self._study = study
        self._root = study.work_path / FOLDER
        self._clock = clock
        self.limits = study.upload_limits

    def begin(self, centre: str, *, by: str) -> Upload:
        """Begin an upload; `by` is the name of the token. UploadRefused for too many."""
        self.sweep()
        with self._of_centre(centre):
            if len(self.of(centre)) >= MOST_OPEN:
                raise UploadRefused(
                    f"{MOST_OPEN} deliveries are begun and not sent. Send one, or put one away."
                )
            number = secrets.token_hex(8)
            upload = Upload(centre, number, self._root / centre / number)
            for folder in (upload.received, upload.parts, upload.incoming):
                folder.mkdir(parents=True)
            upload.say("upload", {"by": by, "begun_at": self._clock()})
        return upload

    def find(self, centre: str, number: str) -> Upload | None:
        """Return an upload of a centre; None where there is none of this number."""
        if not _NUMBER.fullmatch(number):
            return None
        upload = Upload(centre, number, self._root / centre / number)
        return upload if (upload.folder / "upload.json").is_file() else None

    def of(self, centre: str) -> list[Upload]:
        """Return the uploads of a centre that are not sent, the newest first."""
        names = [path.name for path in (self._root / centre).glob("*") if path.is_dir()]
        found = [upload for name in names if (upload := self.find(centre, name))]
        return sorted(found, key=lambda u: (u.folder / "upload.json").stat().st_mtime, reverse=True)

    def accept(self, upload: Upload, piece: Piece) -> None:
        """Say before its bytes come that a chunk may come; UploadRefused with a sentence."""
        self._check_name(upload.centre, piece.path)
        limits = self.limits
        is_archive = piece.path.lower().endswith(ARCHIVE)
        most_mb = limits.delivery_mb if is_archive else limits.file_mb
        if piece.n_bytes > most_mb * MB:
            raise UploadRefused(f"{piece.path} is larger than {most_mb} MB, the most for one file.")
        if not 0 <= piece.offset <= piece.n_bytes:
            raise UploadRefused(f"{piece.path} was not sent whole; choose it again.")

    def take(self, upload: Upload, piece: Piece, chunk: Path) -> int:
        """Put a chunk behind what is there of its file; return how many bytes are there now.

        Raises OtherOffset where it does not follow, UploadRefused where a bound is met. `chunk` is
        taken away.
        """
        size = chunk.stat().st_size
        with upload.turn():
            there = upload.files().get(piece.path)
            if there == (piece.n_bytes, piece.modified_ms):
                return piece.n_bytes
            part = upload.parts / piece.path / f"{piece.n_bytes}-{piece.modified_ms}"
            here = part.stat().st_size if part.is_file() else 0
            if piece.offset not in (0, here):
                raise OtherOffset(here)
            if piece.offset + size > piece.n_bytes:
                raise UploadRefused(f"{piece.path} grew while it was sent; choose it again.")
            self._check_bounds(upload, size, is_new=not (there or here))
            try:
                part.parent.mkdir(parents=True, exist_ok=True)
                _append(part, chunk, fresh=piece.offset == 0)
                now = piece.offset + size
                if now == piece.n_bytes:
                    self._whole(upload, piece, part)
            except (FileExistsError, NotADirectoryError, IsADirectoryError):
                raise UploadRefused(
                    f"{piece.path} has the name of a folder that is there already."
                ) from None
            os.utime(upload.folder / "upload.json")
        return now

    def put_away(self, upload: Upload) -> None:
        """Remove an upload with all that came of it."""
        with FileLock(f"{upload.folder}.lock", timeout=120):
            gone = upload.folder.with_name(f"{upload.number}.gone")
            with suppress(FileNotFoundError):
                upload.folder.replace(gone)
            shutil.rmtree(gone, ignore_errors=True)
        Path(f"{upload.folder}.lock").unlink(missing_ok=True)

    def sweep(self) -> None:
        """Remove what was left: uploads that nothing came to for a while."""
        before = self._clock() - self.limits.keep_hours * 3600
        for folder in self._root.glob("*/*/"):
            noted = folder / "upload.json"
            try:
                left = (noted if noted.exists() else folder).stat().st_mtime < before
            except FileNotFoundError:
                continue
            if left:
                self.put_away(Upload(folder.parent.name, folder.name, folder))

    @contextmanager
    def _of_centre(self, centre: str) -> Iterator[None]:
        self._root.mkdir(parents=True, exist_ok=True)
        with FileLock(self._root / f"{centre}.lock", timeout=120):
            yield

    def _whole(self, upload: Upload, piece: Piece, part: Path) -> None:
        target = upload.received / piece.path
        target.parent.mkdir(parents=True, exist_ok=True)
        os.utime(part, ns=(piece.modified_ms * 10**6,) * 2)
        part.replace(target)
        shutil.rmtree(upload.parts / piece.path, ignore_errors=True)
        upload.changed()

    def _check_bounds(self, upload: Upload, size: int, *, is_new: bool) -> None:
        limits = self.limits
        n_files, n_bytes = _weight(upload)
        if is_new and n_files >= limits.files:
            raise UploadRefused(f"A delivery holds at most {limits.files} files.")
        if n_bytes + size > limits.delivery_mb * MB:
            raise UploadRefused(f"A delivery holds at most {limits.delivery_mb} MB.")
        others = sum(_weight(u)[1] for u in self.of(upload.centre) if u.number != upload.number)
        if others + n_bytes + size > limits.centre_mb * MB:
            raise UploadRefused(
                f"More than {limits.centre_mb} MB of your centre wait to be sent. Send a delivery "
                "that is begun, or put one away."
            )

    def _check_name(self, centre: str, path: str) -> None:
        parts = path.split("/")
        # A folder around all of it may be one level more; it is taken off.
        inside = path.partition("/")[2] if len(parts) > 1 and is_plain(parts[0]) else ""
        if not (is_plain(path) or is_plain(inside)) or is_left_behind(path):
            raise UploadRefused(
                "A file was left out: its name holds more than plain letters, digits, '-', '_', "
                "'.' and blanks, or lies too deep in folders. Rename it, and choose it again."
            )
        scan = PrivacyScan(DeliveryReference(centre, ""), study_words(self._study))
        beside, listed = ({path}, set()) if len(parts) == 1 else (set(), {path})
        scan.paths(listed, beside, ())
        if scan.problems:
            raise UploadRefused(
                "A file was left out: its name could tell who somebody is. Rename it by the code "
                "of the session, and choose it again."
            )


def is_plain(path: str) -> bool:
    """Whether a path inside a delivery is plain on every system: no device, no hidden end."""
    badly = (p.endswith((".", " ")) or _DEVICE.fullmatch(p) for p in path.split("/"))
    return bool(SAFE_PATH.fullmatch(path)) and not any(badly)


def _append(part: Path, chunk: Path, *, fresh: bool) -> None:
    with chunk.open("rb") as source, part.open("wb" if fresh else "ab") as target:
        shutil.copyfileobj(source, target, MB)


def _files(root: Path) -> dict[str, tuple[int, int]]:
    found = {}
    for place, _, names in os.walk(root):
        for name in names:
            path = Path(place, name)
            with suppress(FileNotFoundError):
                info = path.stat()
                inside = path.relative_to(root).as_posix()
                found[inside] = (info.st_size, info.st_mtime_ns // 10**6)
    return found


def _weight(upload: Upload) -> tuple[int, int]:
    """Number of files, and bytes of them, that lie in an upload."""
    sizes = [size for folder in (upload.received, upload.parts)
             for size, _ in _files(folder).values()]  # fmt: skip
    return len(sizes), sum(sizes)
