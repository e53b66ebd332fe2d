"""Tokens: for the pages of a centre, for all pages, or for one reader's own reading list.

Only their hashes are ever written down.

`access.json` in the study folder holds them. It is read again whenever it changes, so a revoked
token opens nothing more from the next request on.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import re
import secrets
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from threading import Lock

from filelock import FileLock

from quietsleep.errors import QuietsleepError

# What the token of a reader has for a centre: no centre is called so, and it is not all of them.
NO_CENTRE = "-"
FILE = "access.json"
SECRET_BYTES = 32
# scrypt at 16 MB and some tens of milliseconds: RFC 7914 sets the parameters, the choice of
# 2^14, 8, 1 is common practice for what must answer at once.
_SCRYPT_N, _SCRYPT_R, _SCRYPT_P = 2**14, 8, 1
_NAME = re.compile(r"[a-z0-9]{10}")
TOKEN = re.compile(r"qs_[a-z0-9]{10}_[A-Za-z0-9_-]{43}")


@dataclass(frozen=True, slots=True)
class Token:
    """What is kept of a token: `centre` is empty for one that opens all pages.

    That of a reader has NO_CENTRE and the reader's code; it opens the reading list and no pages.
    """

    name: str
    centre: str
    salt: str
    hash: str
    issued_at: str
    revoked_at: str = ""
    reader: str = ""

    @property
    def whose(self) -> str:
        """Whose token it is: a centre's, a reader's, or for all pages."""
        return f"reader {self.reader}" if self.reader else self.centre or "all"

    def opens(self, centre: str) -> bool:
        """Whether the pages of a centre are open to it."""
        return not (self.revoked_at or self.reader) and self.centre in ("", centre)


class AccessError(QuietsleepError):
    """The tokens cannot be read or changed as asked; the message is one plain sentence."""


class Tokens:
    """The tokens of one study; one of a code that a centre had before is its own (`renamed`)."""

    def __init__(self, study_path: Path, renamed: Mapping[str, str] | None = None) -> None:
        self._path = study_path / FILE
        self._renamed = renamed or {}
        self._lock = Lock()
        self._stamp: tuple[int, int, int] | None = None
        self._known: dict[str, Token] = {}
        self._own_key = secrets.token_bytes(32)
        self._proven: dict[str, bytes] = {}

    def list(self) -> list[Token]:
        """Return all tokens that were ever issued, the oldest first; AccessError."""
        return list(self._read().values())

    def named(self, name: str) -> Token | None:
        """Return a token that stands; None for one that never was or was revoked."""
        found = self._read().get(name)
        if found is None or found.revoked_at:
            return None
        return replace(found, centre=self._renamed.get(found.centre, found.centre))

    def issue(self, centre: str) -> str:
        """Make a token for a centre, or for all pages where `centre` is empty, and return it.

        It is shown this once; what is kept does not tell it.
        """
        return self._make(centre, "")

    def issue_reader(self, code: str) -> str:
        """Make the token of a reader and return it, shown this once.

        AccessError where a reader of that code has one, or of a code that differs in its case only.
        """
        return self._make(NO_CENTRE, code)

    def _make(self, centre: str, reader: str) -> str:
        alphabet = "abcdefghijkmnpqrstuvwxyz23456789"
        name = "".join(secrets.choice(alphabet) for _ in range(10))
        secret, salt = secrets.token_urlsafe(SECRET_BYTES), secrets.token_bytes(16)
        fresh = Token(name, centre, salt.hex(), _hash(secret, salt).hex(), _now(), reader=reader)
        with FileLock(f"{self._path}.lock"):
            known = self._read()
            _refuse_second(reader, known.values())
            self._write({**known, name: fresh})
        return f"qs_{name}_{secret}"

    def revoke(self, name: str) -> Token:
        """Let a token open nothing any more; AccessError when there is none of that name."""
        with FileLock(f"{self._path}.lock"):
            known = self._read()
            if name not in known:
                raise AccessError(f"No token is called {name!r}. List them to see their names.")
            gone = replace(known[name], revoked_at=known[name].revoked_at or _now())
            self._write({**known, name: gone})
        return gone

    def name_in(self, text: str) -> str:
        """Return the name of the token that a text claims to be; empty where none is called so."""
        name = text.split("_", 2)[1] if TOKEN.fullmatch(text) else ""
        return name if name in self._read() else ""

    def recall(self, text: str) -> Token | None:
        """Return the token that a text is, where this process has proven it before.

        A keyed digest tells, so that a page of many files does not cost as many slow hashes.
        """
        if not TOKEN.fullmatch(text):
            return None
        name = text.split("_", 2)[1]
        same = hmac.compare_digest(self._proven.get(name, b""), self._mark(text))
        return self.named(name) if same else None

    def prove(self, text: str) -> Token | None:
        """Return the token that a text is; None where it is none, after the same time."""
        if not TOKEN.fullmatch(text):
            return None
        _, name, secret = text.split("_", 2)
        token = self.named(name)
        salt = bytes.fromhex(token.salt) if token else bytes(16)
        wanted = bytes.fromhex(token.hash) if token else bytes(32)
        same = hmac.compare_digest(_hash(secret, salt), wanted)
        if token is None or not same:
            return None
        self._proven[name] = self._mark(text)
        return token

    def _mark(self, text: str) -> bytes:
        return hmac.digest(self._own_key, text.encode(), "sha256")

    def _read(self) -> dict[str, Token]:
        with self._lock:
            try:
                info = self._path.stat()
            except FileNotFoundError:
                self._stamp, self._known = None, {}
                return {}
            stamp = (info.st_mtime_ns, info.st_size, info.st_ino)
            if stamp != self._stamp:
                self._known, self._stamp = _parse(self._path), stamp
            return self._known

    def _write(self, tokens: dict[str, Token]) -> None:
        fresh = self._path.with_name(f"{FILE}.new")
        handle = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            json.dump({"tokens": [asdict(t) for t in tokens.values()]}, file, indent=1)
            file.flush()
            os.fsync(handle)
        fresh.replace(self._path)


def _parse(path: Path) -> dict[str, Token]:
    try:
        entries = json.loads(path.read_text(encoding="utf-8"))["tokens"]
        tokens = [Token(**entry) for entry in entries]
        for token in tokens:
            lengths = len(bytes.fromhex(token.salt)), len(bytes.fromhex(token.hash))
            said = (token.centre, token.revoked_at, token.reader)
            texts = all(isinstance(text, str) for text in said)
            if bool(token.reader) != (token.centre == NO_CENTRE):
                raise ValueError("half the token of a reader")
            if not (_NAME.fullmatch(token.name) and texts and lengths == (16, 32)):
                raise ValueError("not a token")
    except (OSError, ValueError, TypeError, KeyError, RecursionError):
        sentence = f"{FILE} is damaged; no token opens anything until it is mended."
        raise AccessError(sentence) from None
    return {token.name: token for token in tokens}


def _refuse_second(reader: str, known: Iterable[Token]) -> None:
    """Raise AccessError where a token of a reader stands already: one reader, one token."""
    for token in known:
        if reader and not token.revoked_at and token.reader.casefold() == reader.casefold():
            raise AccessError(
                f"Reader {token.reader} has a token, {token.name}. One reader has one: "
                f"end it with --revoke {token.name} before another is made."
            )


def _hash(secret: str, salt: bytes) -> bytes:
    return hashlib.scrypt(
        secret.encode(), salt=salt, n=_SCRYPT_N, r=_SCRYPT_R, p=_SCRYPT_P, dklen=32
    )


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds")
