"""How many may be at the door, in all and from one address, and who has to go when it is full.

Who has signed in stays, and so does a request that is being answered. Of the others makes room who
has been here longest, those first that never asked anything whole, of the address that holds the
most: those that ask half, send slowly or take slowly hold the door shut for nobody but each other.
"""

from __future__ import annotations

import asyncio
import socket
from collections import defaultdict
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from functools import partial
from time import monotonic
from typing import Any, Protocol

from quietsleep.server.callers import Callers, neighbours
from quietsleep.server.headers import plain_answer
from quietsleep.study.door_limits import DoorLimits

FULL = "Too many are here now. Try again in some seconds."
Peer = tuple[str, int]
# So many are let in before those that are here have their turn.
MOST_OF_TURN = 20
# What an application puts into the state of a request once it knows who asks.
IS_KNOWN = "is_known"


class Served(Protocol):
    """A connection whose bytes are read."""

    def may_go(self) -> bool:
        """Whether it says nothing now, or is a stranger that sends or takes slowly."""

    def is_answering(self) -> bool:
        """Whether an answer is made or goes out."""

    def look(self, now: float) -> None:
        """Let it go where it has had its time."""


class Guest:
    """One connection at the door; `served` once its bytes are read, which TLS delays."""

    def __init__(self, peer: Peer, house: str, line: socket.socket, came_at: float) -> None:
        self.peer = peer
        self.house = house
        self.came_at = came_at
        self.served: Served | None = None
        self._line = line

    def may_go(self) -> bool:
        """Whether nothing of use would be lost with it."""
        return self.served is None or self.served.may_go()

    def let_go(self) -> None:
        """End the connection; whoever reads it sees its end."""
        with suppress(OSError):
            self._line.shutdown(socket.SHUT_RDWR)


@dataclass(slots=True)
class _House:
    """Who is here of one address, the oldest first: those that never asked, and the others."""

    fresh: dict[Peer, Guest] = field(default_factory=dict)
    others: dict[Peer, Guest] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.fresh) + len(self.others)

    def least(self) -> Guest | None:
        """Return the guest with which the least is lost; None where all have to stay."""
        if self.fresh:
            return next(iter(self.fresh.values()))
        return next((g for g in self.others.values() if g.may_go()), None)


class Doorkeeper:
    """Admits connections, and looks after those that are here."""

    def __init__(
        self, limits: DoorLimits, callers: Callers, clock: Callable[[], float] = monotonic
    ) -> None:
        self.limits = limits
        self.clock = clock
        self._callers = callers
        self._guests: dict[Peer, Guest] = {}
        self._houses: defaultdict[str, _House] = defaultdict(_House)

    def admit(self, line: socket.socket, peer: Peer) -> Guest | None:
        """Let a connection in, where need be in place of another; None where there is no room."""
        # A proxy stands for many; those are counted by request.
        house = "proxy" if self._callers.is_proxy(peer[0]) else neighbours(peer[0])
        limits, own = self.limits, self._houses.get(house, _House())
        if house != "proxy" and len(own) >= limits.connections_of_one and not self._make_room(own):
            return None
        if len(self._guests) >= limits.connections:
            largest_first = sorted(self._houses.values(), key=len, reverse=True)
            if not any(self._make_room(guests) for guests in largest_first):
                return None
        guest = Guest(peer, house, line, self.clock())
        self._guests[peer] = self._houses[house].fresh[peer] = guest
        return guest

    def has_asked(self, guest: Guest) -> None:
        """Note that a guest asked for something: it does not go first any more."""
        if self._guests.get(guest.peer) is guest and guest.peer in self._houses[guest.house].fresh:
            own = self._houses[guest.house]
            own.others[guest.peer] = own.fresh.pop(guest.peer)

    def leave(self, guest: Guest) -> None:
        """Note that a connection is over."""
        if self._guests.get(guest.peer) is not guest:
            return
        del self._guests[guest.peer]
        own = self._houses[guest.house]
        own.fresh.pop(guest.peer, None)
        own.others.pop(guest.peer, None)
        if not len(own):
            del self._houses[guest.house]

    def find(self, peer: Peer | None) -> Guest | None:
        """Return the guest at an address and port; None where there is none."""
        return self._guests.get(peer) if peer else None

    def look(self) -> None:
        """Look at everybody, and let go whose time is over."""
        now = self.clock()
        for guest in [*self._guests.values()]:
            if guest.served is not None:
                guest.served.look(now)
            elif now - guest.came_at > self.limits.head_s:
                guest.let_go()

    def close(self) -> None:
        """Let all go but those who are being answered: the server stops."""
        for guest in [*self._guests.values()]:
            if guest.served is None or not guest.served.is_answering():
                guest.let_go()

    def __len__(self) -> int:
        """Return how many are here."""
        return len(self._guests)

    def _make_room(self, house: _House) -> bool:
        going = house.least()
        if going is None:
            return False
        going.let_go()
        self.leave(going)
        return True


class Listening(socket.socket):
    """A listening socket that asks the doorkeeper before anything else is done for who comes."""

    keeper: Doorkeeper
    # Under TLS nothing can be said before it is agreed on.
    is_plain: bool
    n_of_turn = 0

    def accept(self) -> tuple[socket.socket, Any]:
        """Return the next connection. ConnectionAbortedError where there is no room for it."""
        if self.n_of_turn >= MOST_OF_TURN:
            raise BlockingIOError
        number, address = self._accept()  # type: ignore[attr-defined]
        if not self.n_of_turn:
            asyncio.get_running_loop().call_soon(self._next_turn)
        self.n_of_turn += 1
        line = _Counted(self.family, self.type, self.proto, fileno=number)
        line.setblocking(False)
        guest = self.keeper.admit(line, (address[0], address[1]))
        if guest is None:
            if self.is_plain:
                with suppress(OSError):
                    line.send(plain_answer(503, FULL))
            line.close()
            raise ConnectionAbortedError
        line.over = partial(self.keeper.leave, guest)
        return line, address

    def _next_turn(self) -> None:
        self.n_of_turn = 0


class _Counted(socket.socket):
    over: Callable[[], None] | None = None

    def close(self) -> None:
        super().close()
        if self.over is not None:
            self.over()


def listen(host: str, port: int, keeper: Doorkeeper, *, is_plain: bool) -> list[Listening]:
    """Return the sockets that listen at the addresses of a host. OSError where none can be had."""
    found: list[Listening] = []
    wanted = socket.getaddrinfo(
        host or None, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
    )
    try:
        for family, kind, number, _, address in dict.fromkeys(wanted):
            listening = Listening(family, kind, number)
            found.append(listening)
            listening.keeper, listening.is_plain = keeper, is_plain
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            if family == socket.AF_INET6:
                listening.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
            # One that is free at the first address is taken at the others too.
            port = port or (found[0].getsockname()[1] if len(found) > 1 else 0)
            listening.bind((address[0], port, *address[2:]))
            listening.listen(1024)
            listening.setblocking(False)
    except OSError:
        for listening in found:
            listening.close()
        raise
    return found
