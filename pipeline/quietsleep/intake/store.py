"""Files that lie at an address ("s3://bucket/study") instead of in a folder, through fsspec.

Whatever a store or its library answers, callers meet what a local file would give: bytes, or an
OSError with a number. FileNotFoundError is a file that is not there; every other failure may have
passed tomorrow. Keys and endpoint come from the environment, as the store's library reads them.

A file inside an archive has the address "zip://path/inside::s3://bucket/delivery.zip". It is read
from there, so nothing has to be unpacked where several machines can reach it, and no right to
write beside the deliveries is needed.
"""

from __future__ import annotations

import errno
import hashlib
import threading
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from time import monotonic
from typing import IO, Any

ZIP = "zip://"
ZIP_OF = "::"
MOST_DIRECTORY_BYTES = 16 * 1024**2
# Reading an archive from its end, its list and then file after file: one request per block.
BLOCK_BYTES = 1024**2
# A list of an archive's entries is read once for the recordings of a chunk, not once for each.
SECONDS_OPEN = 60.0
# The library tries again for about ten seconds; until this is over nobody has to wait so again.
SECONDS_DOWN = 60.0
_END_RECORD = b"PK\x05\x06"


@dataclass(frozen=True, slots=True)
class Address:
    """Where a file or a folder of files lies in a store."""

    url: str

    def __str__(self) -> str:
        return self.url

    def __truediv__(self, inside: str) -> Address:
        head, chained, store = self.url.partition(ZIP_OF)
        return Address(f"{head}{'' if head.endswith('/') else '/'}{inside}{chained}{store}")

    @property
    def name(self) -> str:
        """Last part of the path."""
        return self.url.partition(ZIP_OF)[0].rpartition("/")[2]

    def read(self, most_bytes: int) -> bytes:
        """Read a whole file in one request; OSError for one beyond `most_bytes`."""
        if self.url.startswith(ZIP):
            return _member(self, most_bytes)
        with _as_of_a_file(self):
            try:
                data: bytes = _store(self).cat_file(self.url, start=0, end=most_bytes + 1)
            except FileNotFoundError:
                raise
            except OSError:
                # A range of an empty object is none: stores refuse it.
                if _store(self).info(self.url)["size"] != 0:
                    raise
                return b""
        if len(data) > most_bytes:
            raise OSError(f"it is larger than {most_bytes // 1024**2} MB")
        return data

    def open(self, mode: str = "rb") -> IO[bytes]:
        """Open a file for reading in any order."""
        with _as_of_a_file(self):
            file: IO[bytes] = _store(self).open(
                self.url, mode, block_size=BLOCK_BYTES, cache_type="readahead"
            )
            return file

    def listed(self) -> dict[str, tuple[int, int]]:
        """Return path -> (bytes, stamp) of all files below; a path as the store holds it.

        The stamp stands for a time in nanoseconds and changes with the content: times of stores
        are counted in seconds, so the content's tag, where there is one, gives the rest.
        """
        with _as_of_a_file(self):
            store = _store(self)
            found = store.find(self.url, detail=True)
            root = store._strip_protocol(self.url).rstrip("/") + "/"
        plain = {p: i for p, i in found.items() if i["type"] == "file" and not i.get("islink")}
        # An object whose name ends with a slash is how some tools keep an empty folder.
        return {
            p.removeprefix(root): (int(info["size"]), stamp_ns(info))
            for p, info in plain.items()
            if not p.endswith("/")
        }

    def children(self) -> dict[str, bool]:
        """Return the names directly below, and whether each is a folder of more."""
        with _as_of_a_file(self):
            listed = _store(self).ls(self.url, detail=True)
        return {i["name"].rstrip("/").rpartition("/")[2]: i["type"] == "directory" for i in listed}

    def write(self, data: bytes) -> None:
        """Write a small file in one step: a reader sees the old one or the new one."""
        with _as_of_a_file(self):
            store = _store(self)
            if not _is_local(self):
                store.pipe_file(self.url, data)
                return
            fresh = f"{self.url}.new"
            store.pipe_file(fresh, data)
            store.mv(fresh, self.url)

    def put(self, files: Mapping[str, Path]) -> None:
        """Write local files to paths below this address, several at a time."""
        if files:
            with _as_of_a_file(self):
                sources = [str(file) for file in files.values()]
                _store(self).put(sources, [str(self / path) for path in files])

    def copy(self, files: Mapping[str, Address]) -> None:
        """Copy files of the same store to paths below this address; no byte travels here."""
        if files:
            with _as_of_a_file(self):
                sources = [str(address) for address in files.values()]
                targets = [str(self / path) for path in files]
                _store(self).copy(sources, targets, on_error="raise")

    def fetch(self, target: Path) -> None:
        """Copy the file to a local one."""
        with _as_of_a_file(self):
            _store(self).get_file(self.url, str(target))

    def remove(self, paths: Sequence[str]) -> None:
        """Remove files below this address."""
        if paths:
            with _as_of_a_file(self):
                _store(self).rm([str(self / path) for path in paths])


def placed(text: str) -> Path | Address:
    """Return what a text of the state names: an address, or a path (which never holds "://")."""
    return Address(text) if "://" in text else Path(text)


def stamp_ns(info: Mapping[str, Any]) -> int:
    """Return seconds of the time a store gives, and nanoseconds out of the content's tag."""
    times = (info.get(n) for n in ("LastModified", "last_modified", "mtime", "updated", "created"))
    time = next((t for t in times if t is not None), 0)
    seconds = time.timestamp() if isinstance(time, datetime) else float(time or 0)
    tag = next((str(info[n]) for n in ("ETag", "etag", "md5Hash") if info.get(n)), "")
    if not tag:
        return round(seconds * 1e6) * 1000
    return int(seconds) * 10**9 + int(hashlib.sha256(tag.encode()).hexdigest()[:12], 16) % 10**9


def _is_local(address: Address) -> bool:
    return address.url.startswith(("file://", "local://"))


def _store(address: Address) -> Any:
    """Return the store; never with remembered listings, for others write there too."""
    import fsspec

    scheme = address.url.partition("://")[0]
    options: dict[str, Any] = {"auto_mkdir": True} if _is_local(address) else {}
    return fsspec.filesystem(scheme, use_listings_cache=False, **options)


_DOWN: dict[str, float] = {}


@contextmanager
def _as_of_a_file(address: Address) -> Iterator[None]:
    """Turn whatever a store's library raises into an OSError with a number and no address."""
    bucket = "/".join(address.url.rpartition(ZIP_OF)[2].split("/")[:3])
    if monotonic() < _DOWN.get(bucket, 0.0):
        raise OSError(errno.EIO, "the store does not answer", str(address))
    try:
        yield
    except FileNotFoundError:
        raise FileNotFoundError(errno.ENOENT, "it is not there", str(address)) from None
    except PermissionError as error:
        raise PermissionError(errno.EACCES, "permission denied", str(address)) from error
    except OSError as error:
        if error.errno is None:
            _DOWN[bucket] = monotonic() + SECONDS_DOWN
        said = error.strerror or "the store does not answer"
        raise OSError(error.errno or errno.EIO, said, str(address)) from error
    except Exception as error:  # the library's own: no connection, no keys, an answer of no kind
        kind = type(error).__name__
        if "onnect" in kind or "HTTP" in kind:
            _DOWN[bucket] = monotonic() + SECONDS_DOWN
        said = "the store has no keys" if "Credential" in kind else "the store does not answer"
        raise OSError(errno.EIO, f"{said} ({kind})", str(address)) from error


_OPEN: dict[str, tuple[float, zipfile.ZipFile]] = {}
_READING = threading.Lock()


def _member(address: Address, most_bytes: int) -> bytes:
    """Read a file of an archive; whatever is wrong with the archive by now may have passed.

    The archive was judged when it was taken in, and the digest of the bytes is compared after.
    """
    inside, _, url = address.url.removeprefix(ZIP).partition(ZIP_OF)
    with _READING:
        try:
            archive = _archive(Address(url))
            info = archive.getinfo(inside)
            if info.file_size > most_bytes:
                raise OSError(f"it is larger than {most_bytes // 1024**2} MB")
            return archive.read(info)
        except FileNotFoundError:
            raise
        except OSError:
            _OPEN.clear()
            raise
        except Exception as error:  # any bytes may come: the library raises more than its own
            _OPEN.clear()
            said = "the archive is not the one any more that was taken in"
            raise OSError(errno.EIO, said, str(address)) from error


def _archive(address: Address) -> zipfile.ZipFile:
    until, archive = _OPEN.get(address.url, (0.0, None))
    if archive is None or monotonic() > until:
        _OPEN.clear()
        file = address.open()
        if directory_bytes(file) > MOST_DIRECTORY_BYTES:
            raise OSError(errno.EIO, "its list of entries is too long", str(address))
        archive = zipfile.ZipFile(file)
        _OPEN[address.url] = (monotonic() + SECONDS_OPEN, archive)
    return archive


def directory_bytes(file: IO[bytes]) -> int:
    """Size of the list of entries as the end of the archive says; it is read before the list."""
    size = file.seek(0, 2)
    file.seek(max(0, size - 65_557))
    tail = file.read()
    at = tail.rfind(_END_RECORD)
    return int.from_bytes(tail[at + 12 : at + 16], "little") if at >= 0 else 0
