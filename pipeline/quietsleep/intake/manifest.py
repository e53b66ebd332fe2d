"""delivery.json, and whether the files are those that it lists."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field
from datetime import datetime

from quietsleep import contract
from quietsleep.intake.find import MANIFEST, MOST_FILES, FoundDelivery, is_left_behind
from quietsleep.intake.hold import USABLE_ID
from quietsleep.intake.reference import DeliveryReference
from quietsleep.intake.source import SAFE_PATH, DeliveryFiles
from quietsleep.records import Problem

MOST_BYTES = 16 * 1024**2
FIELDS = ("contract", "centre", "delivery", "created", "files", "note", "replaces")
_WRITE_AGAIN = (
    "Seal the delivery anew when all files are in place (quietsleep pack), and deliver again."
)
_HAND_OVER_AGAIN = "Put the whole file into a new delivery."


@dataclass(slots=True)
class Manifest:
    """What delivery.json says; `problems` is empty when it can be used."""

    sha256: str = ""
    created: datetime | None = None
    files: dict[str, tuple[int, str]] = field(default_factory=dict)
    replaces: tuple[str, ...] = ()
    unknown_fields: tuple[str, ...] = ()
    problems: list[Problem] = field(default_factory=list)


@dataclass(slots=True)
class Verified:
    """What the files are: `stamps` path -> (bytes, mtime_ns, sha256) and path -> its problem."""

    stamps: dict[str, tuple[int, int, str]] = field(default_factory=dict)
    bad: dict[str, Problem] = field(default_factory=dict)


def read_manifest(data: bytes, found: FoundDelivery, was: Collection[str] = ()) -> Manifest:
    """Read delivery.json; whatever is wrong with it holds the delivery and becomes a problem.

    `was` are the codes that the centre had before: it may name itself by one of them.
    """
    manifest = Manifest(sha256=hashlib.sha256(data).hexdigest())
    place = DeliveryReference(found.centre, found.delivery)
    try:
        content = json.loads(data.decode("utf-8-sig")) if len(data) <= MOST_BYTES else None
    except (ValueError, RecursionError):
        content = None
    if not isinstance(content, dict):
        _refuse(manifest, place, "is no JSON object in UTF-8", "a JSON object")
        return manifest
    manifest.unknown_fields = tuple(str(k) for k in content if k not in FIELDS)
    _check_words(manifest, place, content, was)
    _read_created(manifest, place, content.get("created"))
    _read_files(manifest, place, content.get("files"))
    _read_replaces(manifest, place, content.get("replaces", []))
    return manifest


def _refuse(
    manifest: Manifest, place: DeliveryReference, what: str, expected: str, remedy: str = ""
) -> None:
    manifest.problems.append(
        place.problem(
            "delivery_json",
            MANIFEST,
            f"{MANIFEST} {what}.",
            expected=expected,
            remedy=remedy or _WRITE_AGAIN,
        )
    )


def _check_words(
    manifest: Manifest,
    place: DeliveryReference,
    content: Mapping[str, object],
    was: Collection[str],
) -> None:
    # A name that is there under two codes of the centre has the old code before it.
    own_names = [place.delivery.removeprefix(f"{old}.") for old in was]
    wanted: dict[str, tuple[str, ...]] = {
        "contract": contract.READABLE_VERSIONS[::-1],
        "centre": (place.centre, *was),
        "delivery": (place.delivery, *own_names),
    }
    for name, values in wanted.items():
        value = values[0]
        if name not in content:
            _refuse(manifest, place, f"does not say {name}", f'"{value}"')
        elif content[name] not in values:
            what = f'says another {name} than "{value}"'
            remedy = "Deliver it under its own name, in the folder of its own centre."
            if name == "contract":
                remedy = f"Export by version {value} of the delivery contract."
            _refuse(manifest, place, what, f'"{value}"', remedy)


def _read_created(manifest: Manifest, place: DeliveryReference, value: object) -> None:
    try:
        created = datetime.fromisoformat(value) if isinstance(value, str) else None
        if created is not None and created.utcoffset() is not None and created.year >= 2000:
            manifest.created = created
    except (ValueError, OverflowError):
        pass
    if manifest.created is None:
        what = "does not say when it was created, as a time with its offset"
        _refuse(manifest, place, what, "created such as 2026-03-02T17:05:00+01:00")


def _read_files(manifest: Manifest, place: DeliveryReference, entries: object) -> None:
    if not isinstance(entries, list):
        _refuse(manifest, place, "has no list of files", "files: a list")
        return
    if len(entries) > MOST_FILES:
        what = f"lists more than {MOST_FILES} files"
        _refuse(manifest, place, what, f"at most {MOST_FILES} files in one delivery")
        return
    for number, entry in enumerate(entries, start=1):
        listed = _listed(entry)
        if listed is None:
            what = f"has an entry {number} of files that is not path, bytes and sha256"
            _refuse(manifest, place, what, '{"path": ..., "bytes": ..., "sha256": ...}')
            return
        path, size, sha256 = listed
        if is_left_behind(path):
            continue
        if not SAFE_PATH.fullmatch(path) or path in manifest.files:
            what = f"lists a path in entry {number} of files that is not plain, or a second time"
            _refuse(manifest, place, what, "each file once, by its path inside the delivery")
            return
        manifest.files[path] = (size, sha256)


def _read_replaces(manifest: Manifest, place: DeliveryReference, said: object) -> None:
    """Read which sessions the delivery replaces whole; each is a code."""
    listed: list[object] = said if isinstance(said, list) and len(said) <= MOST_FILES else [None]
    codes = [code for code in listed if isinstance(code, str) and USABLE_ID.fullmatch(code)]
    if len(codes) != len(listed):
        what = "says in replaces something else than codes of sessions"
        _refuse(manifest, place, what, 'replaces such as ["s003"], or nothing')
        return
    manifest.replaces = tuple(dict.fromkeys(codes))


def _listed(entry: object) -> tuple[str, int, str] | None:
    if not isinstance(entry, dict):
        return None
    path, size, sha256 = entry.get("path"), entry.get("bytes"), entry.get("sha256")
    if isinstance(path, str) and isinstance(sha256, str) and type(size) is int:
        return path, size, sha256.lower()
    return None


@dataclass(frozen=True, slots=True)
class Verifier:
    """Compares the files of a source with their entries, one at a time.

    `known` holds what is known of earlier nights, path -> (bytes, mtime_ns, sha256): a file whose
    size and time are the same is not hashed again.
    """

    source: DeliveryFiles
    place: DeliveryReference
    listed: Mapping[str, tuple[int, str]]
    known: Mapping[str, tuple[int, int, str]]
    verified: Verified = field(default_factory=Verified)

    @property
    def stamps(self) -> dict[str, tuple[int, int, str]]:
        """Files that are what was listed: path -> (bytes, mtime_ns, sha256)."""
        return self.verified.stamps

    def as_listed(self) -> list[str]:
        """Files that are there with the size of their entry: each of these will be read."""
        there = self.source.files
        return [p for p, (size, _) in self.listed.items() if p in there and there[p][0] == size]

    def read(self, path: str) -> bytes | None:
        """Return the bytes of a listed file, or None when it is bad; either is written down."""
        try:
            return self._checked(path)
        except _BadFile as bad:
            self.verified.bad[path] = self.place.problem(
                bad.kind,
                path,
                f"{path} {bad.what}.",
                expected=f"the file of {self.listed[path][0]} bytes that {MANIFEST} lists",
                remedy=_HAND_OVER_AGAIN,
            )
            return None

    def _checked(self, path: str) -> bytes:
        size, sha256 = self.listed[path]
        stat = self.source.files.get(path)
        if stat is None:
            raise _BadFile("missing_file", "is listed but is not there")
        if stat[0] < size:
            raise _BadFile("cut_short", f"was cut short: it has {stat[0]} of {size} bytes")
        if stat[0] > size:
            what = f"was changed after it was listed: it has {stat[0]} bytes, not {size}"
            raise _BadFile("changed_file", what)
        try:
            data = self.source.read(path)
        except OSError as error:
            what = f"cannot be read: {error.strerror or error}"
            kind = "file_not_read" if error.errno is None else "not_opened"
            raise _BadFile(kind, what) from None
        stamp = (*stat, sha256)
        if self.known.get(path) != stamp and hashlib.sha256(data).hexdigest() != sha256:
            what = "was changed after it was listed: its checksum (sha256) differs"
            raise _BadFile("changed_file", what)
        self.verified.stamps[path] = stamp
        return data


class _BadFile(Exception):
    """A file that is not what was listed."""

    def __init__(self, kind: str, what: str) -> None:
        super().__init__(kind, what)
        self.kind = kind
        self.what = what


def unlisted_files(
    source: DeliveryFiles,
    manifest: Manifest,
    place: DeliveryReference,
    may_show: Callable[[str], bool],
) -> list[Problem]:
    """Name the files that are there and not listed: a warning, nothing of them is read."""
    extra = sorted(p for p in source.files if p != MANIFEST and p not in manifest.files)
    plain = [p for p in extra if SAFE_PATH.fullmatch(p) and may_show(p)]
    problems = [_unlisted(place, p, f"{p} is in the delivery") for p in plain[:20]]
    rest = len(extra) - len(problems)
    if rest:
        what = f"{rest} {'more ' if problems else ''}{'files are' if rest > 1 else 'file is'}"
        problems.append(_unlisted(place, "delivery", f"{what} in the delivery"))
    return problems


def _unlisted(place: DeliveryReference, where: str, what: str) -> Problem:
    return place.problem(
        "unlisted_file",
        where,
        f"{what} but not in {MANIFEST}; nothing of it was read.",
        expected="every file listed",
        remedy="List the file in a new delivery, or leave it out.",
    )
