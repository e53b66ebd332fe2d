"""Browsers that showed a token: a cookie each, and a word that every form of theirs carries.

The word is written otherwise in every page, so that its length when packed tells nothing of it to
whoever listens on the line (Gluck Y, Harris N, Prado A. BREACH, 2013).
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from base64 import b64decode, urlsafe_b64encode
from dataclasses import dataclass, field
from time import monotonic

from quietsleep.server.access import Token

COOKIE = "quietsleep"
SECONDS_OPEN = 8 * 3600
MOST_SESSIONS = 10_000


@dataclass(frozen=True, slots=True)
class LoginSession:
    """One browser: the name of its token, until when it counts, and the word of its forms."""

    name: str
    until: float
    word: bytes

    @property
    def form_token(self) -> str:
        """What a form carries: the word under a pad of its own, the pad before it."""
        pad = secrets.token_bytes(len(self.word))
        return urlsafe_b64encode(pad + _under(pad, self.word)).decode()

    def is_own(self, form_token: str) -> bool:
        """Whether a form carries the word of this browser."""
        try:
            said = b64decode(form_token.encode(), altchars=b"-_", validate=True)
        except ValueError:
            return False
        size = len(self.word)
        return len(said) == 2 * size and hmac.compare_digest(
            _under(said[:size], said[size:]), self.word
        )


@dataclass(slots=True)
class LoginSessions:
    """All such browsers, by the digest of their cookie; they are forgotten with the process."""

    _open: dict[str, LoginSession] = field(default_factory=dict)

    def begin(self, token: Token) -> str:
        """Return the cookie of a new session."""
        if len(self._open) >= MOST_SESSIONS:
            del self._open[next(iter(self._open))]
        cookie = secrets.token_urlsafe(32)
        until = monotonic() + SECONDS_OPEN
        self._open[_digest(cookie)] = LoginSession(token.name, until, secrets.token_bytes(24))
        return cookie

    def of(self, cookie: str) -> LoginSession | None:
        """Return the session of a cookie; None for one that is not known or over."""
        found = self._open.get(_digest(cookie))
        return found if found is not None and monotonic() < found.until else None

    def end(self, cookie: str) -> None:
        """Forget a cookie."""
        self._open.pop(_digest(cookie), None)


def _under(pad: bytes, word: bytes) -> bytes:
    return bytes(a ^ b for a, b in zip(pad, word, strict=True))


def _digest(cookie: str) -> str:
    return hashlib.sha256(cookie.encode("utf-8", "surrogatepass")).hexdigest()
