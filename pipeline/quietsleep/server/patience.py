"""How long one connection is waited for: while it asks, sends, takes its answer, or says nothing.

What happens is looked at from time to time, and what is owed is reckoned from that. Nothing here
touches a socket.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum

from quietsleep.study.door_limits import DoorLimits


class Phase(Enum):
    """What a connection is about; in the first two nobody has asked for anything yet."""

    IDLE = "idle"
    HEAD = "head"
    BODY = "body"
    ANSWER = "answer"


@dataclass(slots=True)
class Patience:
    """The clock of one connection; `since` is when its phase began, `came_at` its last byte."""

    limits: DoorLimits
    since: float
    came_at: float
    phase: Phase = Phase.HEAD
    n_bytes: int = 0
    request: object = None
    _looked_at: float = 0.0
    _taken_at: float | None = None

    def came(self, n: int, now: float) -> None:
        """Note that bytes came."""
        self.n_bytes += n
        self.came_at = now

    def taken(self, now: float) -> None:
        """Note that what was to be taken was, up to what fits into one buffer."""
        self._taken_at = now

    def look(
        self,
        phase: Phase,
        request: object,
        now: float,
        *,
        n_unsent: int = 0,
        by_us: bool = False,
        is_answered: bool = False,
    ) -> bool:
        """Say whether a connection has had its time; `by_us` when it is we who do not read.

        `is_answered` is true when the answer is out and what was sent has no use any more.
        """
        if (phase, request) != (self.phase, self.request):
            # A new request that is seen while it sends has sent these bytes already.
            self.phase, self.request, self.since, self.n_bytes = phase, request, now, 0
            self.came_at = now
        elif by_us:
            self.since += now - self._looked_at
            self.came_at = now
        self._looked_at = now
        return self._takes_too_long(n_unsent, now) or self._says_too_little(now, is_answered)

    def _says_too_little(self, now: float, is_answered: bool) -> bool:
        limits, waited = self.limits, now - self.since
        if self.phase is Phase.IDLE:
            return waited > limits.idle_s
        if self.phase is Phase.HEAD:
            return waited > limits.head_s
        if self.phase is Phase.BODY:
            earned = 0.0 if is_answered else self.n_bytes / (limits.least_kb_s * 1024)
            return waited > limits.pause_s + earned or now - self.came_at > limits.pause_s
        return False

    def _takes_too_long(self, n_unsent: int, now: float) -> bool:
        if not n_unsent:
            self._taken_at = None
            return False
        if self._taken_at is None:
            self._taken_at = now
        return now - self._taken_at > self.limits.answer_s
