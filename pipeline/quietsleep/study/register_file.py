"""The study register as bytes on disk: read line by line within bounds, written durably.

Whoever can write into the study folder can put anything where the register lies: a link to another
file, a pipe that is never at its end, a line of gigabytes. So nothing but a plain file is opened,
and no line is read beyond a length that no entry of ours has.
"""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Generator, Sequence
from pathlib import Path
from typing import BinaryIO

from quietsleep.errors import QuietsleepError

# An entry names the recordings of a delivery: a million of them take less.
LONGEST_LINE = 64 * 1024**2
# Not known on every system; where it is not, what was opened is looked at all the same.
_NEVER_ELSEWHERE = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
# A link, a socket.
_NOT_OPENED = {errno.ELOOP, errno.EMLINK, errno.ENXIO}


class NoPlainFile(QuietsleepError):
    """Where the register should lie there is a link, a folder or a pipe."""


def lines_of(path: Path) -> Generator[bytes, None, None]:
    """Yield the lines of a file with their ends; an unfinished one at the end has none.

    Nothing comes after a line that is longer than any of ours, and of that only the beginning.
    Nothing comes of a file that is not there. NoPlainFile for what is none.
    """
    try:
        handle = _opened(path, os.O_RDONLY)
    except FileNotFoundError:
        return
    with os.fdopen(handle, "rb") as file:
        while line := file.readline(LONGEST_LINE + 1):
            yield line
            if len(line) > LONGEST_LINE:
                return


def is_plain(path: Path, n_bytes: int) -> bool:
    """Say whether there is a plain file of that size."""
    try:
        info = path.lstat()
    except FileNotFoundError:
        return False
    return stat.S_ISREG(info.st_mode) and info.st_size == n_bytes


def append(path: Path, lines: Sequence[str], after: int) -> None:
    """Write lines at the end, behind the first `after` bytes, durably."""
    is_new = not path.exists()
    handle = _opened(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT)
    with os.fdopen(handle, "ab") as file:
        file.truncate(after)
        _write_out(file, lines)
    if is_new:
        sync_folder(path.parent)


def write(path: Path, lines: Sequence[str]) -> None:
    """Put a whole file in the place of what is there, durably and in one step."""
    fresh = path.with_name(f"{path.name}.new")
    fresh.unlink(missing_ok=True)  # a link there would lead the writing elsewhere
    with fresh.open("xb") as file:
        _write_out(file, lines)
    fresh.replace(path)
    sync_folder(path.parent)


def put_aside(path: Path, aside: Path) -> None:
    """Keep what lies at `path` in another place; a plain file also stays where it is."""
    try:
        handle = _opened(path, os.O_RDONLY)
    except FileNotFoundError:
        aside.write_bytes(b"")
        return
    except NoPlainFile:
        path.rename(aside)
        return
    with os.fdopen(handle, "rb") as found, aside.open("xb") as kept:
        while piece := found.read(LONGEST_LINE):
            kept.write(piece)


def _opened(path: Path, flags: int) -> int:
    try:
        handle = os.open(path, flags | _NEVER_ELSEWHERE, 0o640)
    except IsADirectoryError:
        raise NoPlainFile(_said(path)) from None
    except OSError as error:
        if error.errno in _NOT_OPENED:
            raise NoPlainFile(_said(path)) from None
        raise
    if not stat.S_ISREG(os.fstat(handle).st_mode):
        os.close(handle)
        raise NoPlainFile(_said(path))
    return handle


def _said(path: Path) -> str:
    return f"{path.name} is no plain file but a link, a folder or a pipe: take it away."


def _write_out(file: BinaryIO, lines: Sequence[str]) -> None:
    file.write("".join(lines).encode())
    file.flush()
    os.fsync(file.fileno())


def sync_folder(folder: Path) -> None:
    """Make the names inside a folder durable (POSIX keeps renames apart from file contents)."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
