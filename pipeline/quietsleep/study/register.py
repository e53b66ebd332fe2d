"""The study register: one sealed, append-only file of what deliveries cannot bring back.

`register.jsonl` in the study folder holds one entry a line: which delivery arrived when and what it
brought, what readers decided, what was withdrawn, which queries were answered, what was published.
Each entry is sealed with HMAC-SHA256 (RFC 2104) over the seal before it and itself, by a key that
lies outside the study folder. So an entry that was edited, moved or added by hand is found out by
its seal; one that was taken away at the end is found out by heads: the number of entries and the
last seal, which the state, the copy in `work/`, every published night and release, and this machine
outside the study folder remember.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import threading
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal, get_args

from filelock import FileLock

from quietsleep.errors import QuietsleepError
from quietsleep.study.register_file import (
    LONGEST_LINE,
    NoPlainFile,
    append,
    is_plain,
    lines_of,
    put_aside,
    write,
)
from quietsleep.study.register_key import id_of_key, make_key, read_key, refuse_other_key
from quietsleep.study.register_witness import remember, remembered

FILE = "register.jsonl"
FORMAT = 1
SECONDS_TO_WAIT = 20.0
MEANT = "'quietsleep register STUDY --meant --by READER --reason ...'"

Kind = Literal[
    "begun",  # the study, and the key by its name
    "arrival",  # a delivery was seen for the first time
    "delivered",  # what a delivery brought when it was taken in
    "superseded",  # what an amendment replaced, and whether it had been accepted
    "review",  # what a reader decided of a trial
    "withdrawal",  # an infant or session taken out
    "erased",  # deliveries whose raw files were rid of what was withdrawn
    "query",  # data queries that a night opened, closed or found changed
    "answer",  # what a person said to a data query
    "token",  # the token of a reader, by its hash
    "published",  # a night that was published
    "released",  # a release that was made of a night
    "taken_over",  # a file of an earlier form whose content was written down here
    "renamed",  # a centre has another code now
    "meant",  # a person says that the register was changed on purpose
]
KINDS = frozenset(get_args(Kind))
Body = Mapping[str, Any]


class RegisterError(QuietsleepError):
    """The study register cannot be used; the message is one plain sentence."""


@dataclass(frozen=True, slots=True)
class RegisterEntry:
    """One entry; `number` counts from 1, `at` is ISO 8601 with offset."""

    number: int
    kind: Kind
    at: str
    body: Body
    seal: str

    @property
    def when(self) -> datetime:
        """When it was written down."""
        return datetime.fromisoformat(self.at)


@dataclass(frozen=True, slots=True)
class RegisterHead:
    """How far the register once went: so many entries, the last with that seal; `who` knew it."""

    entries: int
    seal: str
    who: str = ""

    def as_said(self) -> dict[str, Any]:
        """Return it as NIGHT.json says it."""
        return {"entries": self.entries, "seal": self.seal}


def head_said(said: Any, who: str) -> RegisterHead | None:
    """Return a head as NIGHT.json says it; None where it says none."""
    with suppress(TypeError, KeyError, ValueError):
        return RegisterHead(int(said["entries"]), str(said["seal"]), who)
    return None


def bodies_as_they_lie(study_path: Path, kind: Kind) -> Iterator[Body]:
    """Yield what the entries of a kind say, in order, without the key: nobody vouches for them."""
    sign = f'"kind":"{kind}"'.encode()
    with suppress(NoPlainFile), closing(lines_of(study_path / FILE)) as lines:
        for line in lines:
            if sign in line and (said := _said(line)) is not None and said["kind"] == kind:
                yield said["body"]


@dataclass(frozen=True, slots=True)
class _Verified:
    """The entries of a file up to the first line that does not follow, and what comes after.

    A last line without its end was never whole: whoever wrote it was killed. It is no change.
    """

    entries: list[RegisterEntry]
    n_bytes: int = 0
    after: Literal["nothing", "torn line", "changed line", "no file"] = "nothing"


class Register:
    """The register of one study, read and verified; several threads may append to it.

    `broken` is a sentence, empty where the register is as it was written down. Opening it makes
    key and register where there is neither; KeyMissing where the key is gone or is another one.
    One opened `with_new_key` has to be sealed anew before anything else.
    """

    def __init__(
        self,
        study_path: Path,
        work_path: Path,
        *,
        study: str,
        key_path: Path,
        heads: Iterable[RegisterHead] = (),
        with_new_key: bool = False,
    ) -> None:
        self.path = study_path / FILE
        self.kept = work_path / "register" / FILE
        self.broken = ""
        self._study, self._study_path = study, study_path
        self._heads = (*heads, *_seen_here(study_path))
        self._here = threading.RLock()
        self._entries: list[RegisterEntry] = []
        self._n_bytes = 0
        with self._turn():
            there = (self.path.is_symlink(), self.path.exists(), self.kept.exists())
            is_new = not (any(there) or self._heads)
            self._key = make_key(key_path) if is_new or with_new_key else read_key(key_path)
            self.key_path = key_path
            if not with_new_key:
                self._read()

    @property
    def entries(self) -> tuple[RegisterEntry, ...]:
        """All entries that are as they were written down, in order."""
        return tuple(self._entries)

    @property
    def head(self) -> RegisterHead:
        """How far it goes now."""
        return _head_of(self._entries)

    def of(self, *kinds: Kind) -> list[RegisterEntry]:
        """Return the entries of some kinds, in order."""
        return [entry for entry in self._entries if entry.kind in kinds]

    def since(self, number: int) -> list[RegisterEntry]:
        """Return the entries after the one of that number, in order."""
        return self._entries[number:]

    def append(self, kind: Kind, body: Body, *, at: datetime | None = None) -> RegisterEntry:
        """Write one entry down, durably, and return it; RegisterError where it is broken."""
        return self.append_all([(kind, body)], at=at)[0]

    def append_all(
        self, bodies: Sequence[tuple[Kind, Body]], *, at: datetime | None = None
    ) -> list[RegisterEntry]:
        """Write several entries down at once, in order."""
        if not bodies:
            return []
        with self._turn():
            if not is_plain(self.path, self._n_bytes):
                self._read()
            if self.broken:
                raise RegisterError(self.broken)
            said = (at or datetime.now(UTC)).isoformat(timespec="seconds")
            return self._write_down([(kind, said, body) for kind, body in bodies])

    def mark(self, text: str) -> str:
        """Return a short mark of a text: the same for the same, and telling nothing of it."""
        return hmac.new(self._key, f"mark\n{text}".encode(), hashlib.sha256).hexdigest()[:12]

    def mend(self) -> Path | None:
        """Put back what was written down; returns where the changed file went, None if whole.

        Entries of ours that only the other of the two files has (two machines wrote at the same
        time) are written down again at the end. RegisterError where neither file goes as far as
        is known.
        """
        with self._turn():
            self._read()
            if not self.broken:
                return None
            found = [self._verified(path).entries for path in (self.path, self.kept)]
            good = max((f for f in found if not _unmet(f, self._heads)), key=len, default=None)
            if not good:
                raise RegisterError(
                    f"Neither {FILE} nor the copy in work/register holds all that was written "
                    f"down. Put {FILE} back from a backup; if there is none, {MEANT} says that "
                    "what it holds now is to count."
                )
            held = {entry.seal for entry in good}
            lost = [entry for entries in found for entry in entries if entry.seal not in held]
            aside = self._write_anew(good)
            self._write_down([(e.kind, e.at, e.body) for e in lost if e.kind != "begun"])
            return aside

    def mean(self, *, by: str, reason: str) -> RegisterEntry:
        """Let the register count as far as its seals hold; the entry names what it lacks."""
        with self._turn():
            self._read()
            if not self.broken:
                raise RegisterError(
                    "The study register is as it was written; nothing is to be said."
                )
            kept = self._verified(self.kept).entries
            lacking = _unmet(self._entries, [*self._heads, *([_head_of(kept)] if kept else [])])
            aside = self._write_anew(self._entries)
            return self._say_meant(by, reason, lacking, aside)

    def seal_anew(self, *, by: str, reason: str) -> RegisterEntry:
        """Seal what lies there with the key of now: the one before it is lost for good."""
        with self._turn():
            said = [
                body
                for line in lines_of(self.path)
                if (body := _said(line)) is not None and _can_be_written(body)
            ]
            aside = self._write_anew([])
            self._write_down(
                [(s["kind"], s["at"], s["body"]) for s in said if s["kind"] != "begun"]
            )
            return self._say_meant(by, reason, _unmet(self._entries, self._heads), aside)

    def _say_meant(
        self, by: str, reason: str, lacking: Iterable[RegisterHead], aside: Path
    ) -> RegisterEntry:
        body = {
            "by": by,
            "reason": reason,
            "instead_of": [h.as_said() for h in {(h.entries, h.seal): h for h in lacking}.values()],
            "aside": aside.name,
        }
        said = datetime.now(UTC).isoformat(timespec="seconds")
        return self._write_down([("meant", said, body)])[0]

    @contextmanager
    def _turn(self) -> Iterator[None]:
        self.kept.parent.mkdir(parents=True, exist_ok=True)
        lock = FileLock(self.kept.with_suffix(".lock"), timeout=SECONDS_TO_WAIT)
        with self._here, lock:
            yield

    def _read(self) -> None:
        """Read and verify everything; what is not as it was written down is said in `broken`."""
        found, copied = self._verified(self.path), self._verified(self.kept)
        if found.after == "changed line" and not found.entries:
            self._refuse_other_key()
        heads = [*self._heads]
        if copied.entries:
            heads.append(_head_of(copied.entries, "the copy in work/register"))
        self._entries, self._n_bytes = found.entries, found.n_bytes
        self.broken = _broken(found, _unmet(found.entries, heads))
        if self.broken:
            return
        if not found.entries:
            self._write_down([])
        elif copied.after != "nothing" or copied.n_bytes != found.n_bytes:
            if copied.after == "no file":
                put_aside(self.kept, self._place_aside())
            write(self.kept, [_line(entry) for entry in found.entries])
        self._remember()

    def _verified(self, path: Path) -> _Verified:
        """Return the entries of a file up to the first line that does not follow from the last."""
        found: list[RegisterEntry] = []
        n_bytes = 0
        try:
            with closing(lines_of(path)) as lines:
                for line in lines:
                    entry = _entry_of(line, found[-1] if found else None, self._key)
                    begins = (
                        entry and entry.kind == "begun" and entry.body.get("study") == self._study
                    )
                    if entry is None or (not found) != bool(begins):
                        is_torn = not line.endswith(b"\n") and len(line) <= LONGEST_LINE
                        return _Verified(found, n_bytes, "torn line" if is_torn else "changed line")
                    found.append(entry)
                    n_bytes += len(line)
        except NoPlainFile:
            return _Verified([], 0, "no file")
        return _Verified(found, n_bytes)

    def _refuse_other_key(self) -> None:
        with closing(lines_of(self.path)) as lines:
            first = _said(next(lines, b""))
        if first and first["kind"] == "begun":
            refuse_other_key(self.key_path, self._key, first["body"].get("key"))

    def _remember(self) -> None:
        head = self.head
        if remembered(self._study_path) != (head.entries, head.seal):
            remember(self._study_path, head.entries, head.seal)

    def _write_down(self, said: Sequence[tuple[Kind, str, Body]]) -> list[RegisterEntry]:
        """Append entries to the file and then to its copy; a torn end is cut off before."""
        added: list[RegisterEntry] = []
        wanted = [*said]
        if not self._entries:
            begun = {"study": self._study, "key": id_of_key(self._key), "format": FORMAT}
            first = said[0][1] if said else datetime.now(UTC).isoformat(timespec="seconds")
            wanted.insert(0, ("begun", first, begun))
        for kind, at, body in wanted:
            last = [*self._entries[-1:], *added][-1:]
            added.append(_sealed(self._key, last[0] if last else None, kind, at, body))
        lines = [_line(entry) for entry in added]
        if any(len(line.encode()) > LONGEST_LINE for line in lines):
            raise RegisterError(
                f"An entry of the study register cannot be longer than {LONGEST_LINE // 1024**2} "
                "MB. Divide the delivery that it describes into several."
            )
        append(self.path, lines, self._n_bytes)
        append(self.kept, lines, self._n_bytes)
        self._entries += added
        self._n_bytes += sum(len(line.encode()) for line in lines)
        self.broken = ""
        self._remember()
        return added[len(added) - len(said) :]

    def _write_anew(self, entries: Sequence[RegisterEntry]) -> Path:
        """Write the register anew; returns the place of the file as it was found."""
        aside = self._place_aside()
        put_aside(self.path, aside)
        lines = [_line(entry) for entry in entries]
        for path in (self.path, self.kept):
            write(path, lines)
        self._entries = [*entries]
        self._n_bytes = sum(len(line.encode()) for line in lines)
        return aside

    def _place_aside(self) -> Path:
        stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%f")
        return self.kept.with_name(f"changed-{stamp}.jsonl")


def _seen_here(study_path: Path) -> Iterator[RegisterHead]:
    """Yield how far this machine has seen the register go, where it has."""
    if (seen := remembered(study_path)) is not None:
        yield RegisterHead(*seen, "this machine")


def _json(content: Mapping[str, Any]) -> str:
    return json.dumps(content, sort_keys=True, ensure_ascii=False, separators=(",", ":"))


def _content(number: int, kind: str, at: str, body: Body) -> dict[str, Any]:
    return {"entry": number, "kind": kind, "at": at, "body": body}


def _line(entry: RegisterEntry) -> str:
    content = _content(entry.number, entry.kind, entry.at, entry.body)
    return _json(content | {"seal": entry.seal}) + "\n"


def _sealed(
    key: bytes, last: RegisterEntry | None, kind: Kind, at: str, body: Body
) -> RegisterEntry:
    """Return the entry that follows the last one, sealed."""
    number = last.number + 1 if last else 1
    plain = json.loads(_json(body))  # as it will be read again
    text = f"{last.seal if last else ''}\n{_json(_content(number, kind, at, plain))}"
    return RegisterEntry(
        number, kind, at, plain, hmac.new(key, text.encode(), hashlib.sha256).hexdigest()
    )


def _entry_of(line: bytes, last: RegisterEntry | None, key: bytes) -> RegisterEntry | None:
    """Return the entry of a line that follows the last one by its seal; None where it does not.

    The seal is compared before anything is made of what the line says.
    """
    content, _, seal = line.rpartition(b',"seal":"')
    text = f"{last.seal if last else ''}\n".encode() + content + b"}"
    wanted = hmac.new(key, text, hashlib.sha256).hexdigest()
    if not hmac.compare_digest(seal, f'{wanted}"}}\n'.encode()):
        return None
    if (said := _said(line)) is None:
        return None
    entry = RegisterEntry(said["entry"], said["kind"], said["at"], said["body"], wanted)
    follows = entry.number == (last.number + 1 if last else 1)
    return entry if follows and _line(entry).encode() == line else None


def _said(line: bytes) -> dict[str, Any] | None:
    """Return what a line says; None where it is no entry at all."""
    try:
        said = json.loads(line.decode())
    except (ValueError, RecursionError):
        return None
    if not isinstance(said, dict) or set(said) != {"entry", "kind", "at", "body", "seal"}:
        return None
    texts = all(isinstance(said[name], str) for name in ("kind", "at", "seal"))
    if not texts or said["kind"] not in KINDS or not isinstance(said["body"], dict):
        return None
    with suppress(ValueError):
        return said if datetime.fromisoformat(said["at"]).tzinfo else None
    return None


def _can_be_written(said: Mapping[str, Any]) -> bool:
    """Say whether what a line says can be text again: half a sign by its number cannot."""
    with suppress(ValueError):
        return bool(_json(said).encode())
    return False


def _head_of(entries: Sequence[RegisterEntry], who: str = "") -> RegisterHead:
    return RegisterHead(len(entries), entries[-1].seal if entries else "", who)


def _unmet(entries: Sequence[RegisterEntry], heads: Iterable[RegisterHead]) -> list[RegisterHead]:
    """Return the heads that these entries do not hold, but for those a person has let go."""
    let_go = {
        (head.entries, head.seal)
        for entry in entries
        if entry.kind == "meant"
        for said in entry.body.get("instead_of", ())
        if (head := head_said(said, ""))
    }
    return [
        head
        for head in dict.fromkeys(heads)
        if head.entries
        and (head.entries, head.seal) not in let_go
        and not (len(entries) >= head.entries and entries[head.entries - 1].seal == head.seal)
    ]


def _broken(found: _Verified, unmet: Sequence[RegisterHead]) -> str:
    entries = found.entries
    if found.after == "no file":
        what = "is no plain file but a link, a folder or a pipe"
    elif found.after == "changed line":
        what = f"was changed: entry {len(entries) + 1} is not as it was written down"
    elif unmet:
        furthest = max(unmet, key=lambda head: head.entries)
        what = f"is not the one that {furthest.who} knew"
        if len(entries) < furthest.entries:
            what = (
                f"is shorter than it was: it has {len(entries)} entries, and {furthest.who} knew "
                f"{furthest.entries}"
            )
    else:
        return ""
    return (
        f"The study register ({FILE}) {what}. Nothing is published until 'quietsleep register "
        f"STUDY --mend' puts back what was written down, or {MEANT} says that this is meant."
    )
