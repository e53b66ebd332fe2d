"""One connection: its bytes are read by the protocol of uvicorn, under the clock of `patience`.

What is no request is answered in one short sentence, and nothing of it is told in the terminal: who
calls may send whatever it likes.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import h11
from uvicorn.protocols.http.h11_impl import STATUS_PHRASES, H11Protocol

from quietsleep.server.doorkeeper import IS_KNOWN, Doorkeeper, Guest
from quietsleep.server.headers import plain_headers
from quietsleep.server.patience import Patience, Phase

if TYPE_CHECKING:
    import asyncio

NOT_HTTP = "This is no request that is understood here."
TOO_LONG = "The address is too long."
TOO_MUCH = "The head of the request is too long."
TOO_LATE = "The request did not come in time."
# Bytes that wait to be taken before an answer is made on.
MOST_UNSENT = 64 * 1024
# What a client and the status of an answer to no request are told to.
Note = Callable[[str, int], None]


class DoorLine(H11Protocol):
    """A connection that a doorkeeper looks after."""

    def __init__(self, *given: Any, keeper: Doorkeeper, note: Note, **more: Any) -> None:
        """`note` is told of what was refused before it was a request."""
        super().__init__(*given, **more)
        self._keeper = keeper
        self._note = note
        self._guest: Guest | None = None
        self._patience = Patience(keeper.limits, keeper.clock(), keeper.clock())

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to read."""
        super().connection_made(transport)
        transport.set_write_buffer_limits(high=MOST_UNSENT)
        self._guest = self._keeper.find(self.client)
        if self._guest is not None:
            self._guest.served = self

    def data_received(self, data: bytes) -> None:
        """Read what came."""
        self._patience.came(len(data), self._keeper.clock())
        if self.transport.is_closing():
            return
        try:
            super().data_received(data)
        except (ValueError, h11.ProtocolError):
            self._refuse(400, NOT_HTTP)
        if self.cycle is not None and self._guest is not None:
            self._keeper.has_asked(self._guest)
            self._guest = None

    def resume_writing(self) -> None:
        """Note that what waited was taken."""
        self._patience.taken(self._keeper.clock())
        super().resume_writing()

    def may_go(self) -> bool:
        """Whether it says nothing now, or is a stranger that sends or takes slowly."""
        phase, n_unsent = self._phase(), self.transport.get_write_buffer_size()
        if phase in (Phase.IDLE, Phase.HEAD) and not n_unsent:
            return True
        is_known = self.cycle is not None and IS_KNOWN in self.cycle.scope.get("state", {})
        return not is_known and (phase is Phase.BODY or n_unsent > 0)

    def is_answering(self) -> bool:
        """Whether an answer is made or goes out."""
        return self._phase() is Phase.ANSWER

    def look(self, now: float) -> None:
        """Let the connection go where it has had its time."""
        phase, n_unsent = self._phase(), self.transport.get_write_buffer_size()
        over = self._patience.look(
            phase,
            self.cycle,
            now,
            n_unsent=n_unsent,
            by_us=self.flow.read_paused,
            is_answered=self.conn.our_state in (h11.DONE, h11.MUST_CLOSE, h11.CLOSED, h11.ERROR),
        )
        if not over:
            return
        if phase is Phase.IDLE or n_unsent or self.transport.is_closing():
            self.transport.abort()
        else:
            self._refuse(408, TOO_LATE)

    def send_400_response(self, msg: str) -> None:
        """Answer what is no request; it is called while the error that says why is handled."""
        error = sys.exception()
        status = error.error_status_hint if isinstance(error, h11.RemoteProtocolError) else 400
        sentence = TOO_MUCH if status == 431 else NOT_HTTP
        if status == 431 and b"\n" not in self.conn.trailing_data[0]:
            status, sentence = 414, TOO_LONG
        self._refuse(status, sentence)

    def _unsupported_upgrade_warning(self) -> None:
        """Say nothing: a request that wants another protocol is answered in this one."""

    def _phase(self) -> Phase:
        theirs = self.conn.their_state
        if theirs is h11.IDLE and self.conn.our_state is h11.IDLE:
            is_first = self.cycle is None
            return Phase.HEAD if is_first or self.conn.trailing_data[0] else Phase.IDLE
        return Phase.BODY if theirs is h11.SEND_BODY else Phase.ANSWER

    def _refuse(self, status: int, sentence: str) -> None:
        """Answer in one sentence where that can be done still, and close."""
        if self.conn.our_state in (h11.IDLE, h11.SEND_RESPONSE) and not self.transport.is_closing():
            response = h11.Response(
                status_code=status,
                headers=plain_headers(status, sentence),
                reason=STATUS_PHRASES[status],
            )
            for event in (response, h11.Data(data=sentence.encode()), h11.EndOfMessage()):
                self.transport.write(self.conn.send(event) or b"")
            self._note(self.client[0] if self.client else "", status)
        if self.cycle is not None and not self.cycle.response_complete:
            # Whoever works on an answer is told that nobody waits for it.
            self.cycle.disconnected = True
            self.cycle.message_event.set()
        self.transport.close()
