"""The access log: one JSON line for every request, refused ones too; no token stands in it.

Its size is bounded: a file that is full is put aside under a number, and the oldest goes.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Iterator
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from threading import Lock
from typing import TYPE_CHECKING

from filelock import FileLock

from quietsleep.study.door_limits import DoorLimits
from quietsleep.study.upload_limits import MB

if TYPE_CHECKING:
    from quietsleep.server.access import Token

LOG = "access.log"
MOST_OF_PATH = 300
# What looks like a token, or like its secret behind whatever was made of its beginning.
_SECRET = re.compile(r"qs_\w[\w-]*|[\w-]{43,}")


class AccessLog:
    """The files of the log in the work folder of a study."""

    def __init__(self, work_path: Path, limits: DoorLimits) -> None:
        work_path.mkdir(parents=True, exist_ok=True)
        self._path = work_path / LOG
        self._most_bytes = int(limits.log_mb * MB)
        self._n_files = limits.log_files
        self._lock = Lock()

    def write(
        self, *, client: str, method: str, path: str, status: int, token: Token | None = None
    ) -> None:
        """Append one line. OSError where the disk does not take it."""
        entry = {
            "at": datetime.now(UTC).isoformat(timespec="milliseconds"),
            "client": client[:60],
            "method": method[:20],
            # Shortened after the secrets are out: half a token would not look like one.
            "path": _SECRET.sub("...", path[: 10 * MOST_OF_PATH])[:MOST_OF_PATH],
            "token": token.name if token else None,
            "centre": token.whose if token else None,
            "status": status,
        }
        line = (json.dumps(entry, ensure_ascii=True) + "\n").encode()
        with self._lock:
            if self._is_full(len(line)):
                self._put_aside(len(line))
            flags = os.O_WRONLY | os.O_CREAT | os.O_APPEND | getattr(os, "O_NOFOLLOW", 0)
            handle = os.open(self._path, flags, 0o600)
            try:
                os.write(handle, line)
            finally:
                os.close(handle)

    def _is_full(self, more: int) -> bool:
        try:
            return self._path.stat().st_size + more > self._most_bytes
        except FileNotFoundError:
            return False

    def _put_aside(self, more: int) -> None:
        """Give each file the next number; another process may have done so a moment ago."""
        # Whoever holds it for long has other troubles; one line too many is none.
        with suppress(TimeoutError), FileLock(f"{self._path}.lock", timeout=1):
            if not self._is_full(more):
                return
            files = [*self._files()]
            files[-1].unlink(missing_ok=True)
            for older, newer in zip(reversed(files[1:]), reversed(files[:-1]), strict=True):
                with suppress(FileNotFoundError):
                    newer.replace(older)

    def _files(self) -> Iterator[Path]:
        """Yield the files, the newest first."""
        yield self._path
        for number in range(1, self._n_files):
            yield self._path.with_name(f"{LOG}.{number}")
