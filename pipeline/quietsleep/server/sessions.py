"""Browsers that showed a token: a cookie each, and a word that every form of theirs carries."""

from __future__ import annotations

import hashlib
import hmac
import secrets
from dataclasses import dataclass, field
from time import monotonic

from quietsleep.server.access import Token

COOKIE = "quietsleep"
SECONDS_OPEN = 8 * 3600
MOST_SESSIONS = 10_000


@dataclass(frozen=True, slots=True)
class LoginSession:
    """One browser: the name of its token, until when it counts, and what its forms carry."""

    name: str
    until: float
    form_token: str

    def is_own(self, form_token: str) -> bool:
        """Whether a form carries the word of this browser."""
        return hmac.compare_digest(self.form_token.encode(), form_token.encode())


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
        self._open[_digest(cookie)] = LoginSession(token.name, until, secrets.token_urlsafe(24))
        return cookie

    def of(self, cookie: str) -> LoginSession | None:
        """Return the session of a cookie; None for one that is not known or over."""
        found = self._open.get(_digest(cookie))
        return found if found is not None and monotonic() < found.until else None

    def end(self, cookie: str) -> None:
        """Forget a cookie."""
        self._open.pop(_digest(cookie), None)


def _digest(cookie: str) -> str:
    return hashlib.sha256(cookie.encode("utf-8", "surrogatepass")).hexdigest()
