"""Wrong tokens, counted by the name in the token and by the address that it came from.

A token cannot be guessed: its secret has 256 bits. What is bounded is the work that wrong ones
cause. So nobody is held up by the mistakes of a neighbour behind the same proxy, and a token that
others try elsewhere still opens to who has it. Names that no token has are counted as one.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from time import monotonic

from quietsleep.server.callers import neighbours
from quietsleep.study.door_limits import DoorLimits

MOST_REMEMBERED = 10_000


@dataclass(slots=True)
class _Wrong:
    n: int = 0
    last: float = 0.0
    until: float = 0.0


class Attempts:
    """Counts wrong tokens; after too many of one name from one address there is a growing wait."""

    def __init__(self, limits: DoorLimits, clock: Callable[[], float] = monotonic) -> None:
        self._limits = limits
        self._clock = clock
        self._wrong: OrderedDict[tuple[str, str], _Wrong] = OrderedDict()

    def wait_s(self, client: str, name: str) -> float:
        """Return how long a name has to wait at an address; 0 when it may be tried."""
        found = self._wrong.get((neighbours(client), name))
        return max(0.0, found.until - self._clock()) if found else 0.0

    def count(self, client: str, name: str) -> None:
        """Count an attempt before it is judged, so that many at once are all counted."""
        key, now, limits = (neighbours(client), name), self._clock(), self._limits
        found = self._wrong.pop(key, None)
        if found is None or now - found.last > limits.longest_wait_s + limits.wait_s:
            found = _Wrong()
        found.n, found.last = found.n + 1, now
        if (beyond := found.n - limits.attempts) >= 0:
            # No further than the wait can grow, whatever was counted.
            wait_s = limits.wait_s * 2.0 ** min(beyond, 60)
            found.until = now + min(wait_s, limits.longest_wait_s)
        self._wrong[key] = found
        if len(self._wrong) > MOST_REMEMBERED:
            self._wrong.popitem(last=False)

    def forgive(self, client: str, name: str) -> None:
        """Forget what was wrong before: a good one came."""
        self._wrong.pop((neighbours(client), name), None)

    def __len__(self) -> int:
        """Return how many names at addresses are remembered."""
        return len(self._wrong)
