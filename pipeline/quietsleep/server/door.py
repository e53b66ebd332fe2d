"""The door: what is no plain request of a page ends here, in one short sentence.

It says who calls, lets a neighbourhood ask for so much at once and no more, and puts on each answer
what protects who gets it.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping
from contextlib import suppress
from typing import TYPE_CHECKING

from quietsleep.server.access_log import AccessLog
from quietsleep.server.callers import Callers, neighbours
from quietsleep.server.headers import Protected
from quietsleep.server.uploads import MOST_CHUNK
from quietsleep.study.door_limits import DoorLimits

if TYPE_CHECKING:
    from starlette.responses import Response
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

MOST_OF_ADDRESS = 4096
MOST_HEADERS = 100
MOST_OF_HEAD = 16 * 1024
# A chunk of a file and what a proxy may add; forms are shorter, and say so themselves.
MOST_OF_BODY = MOST_CHUNK + 64 * 1024
VERSIONS = ("1.0", "1.1")
NO_PROXY = "This is no proxy: ask for a path, such as /."
TOO_LONG = "The address is too long."
TOO_MUCH = "The head of the request is too long."
TOO_LARGE = "This is more than is taken at once."
TWO_LENGTHS = "The request says its length twice."
NO_PATH = "There is no such page."
BUSY = "Too much is asked for at once from your address. Try again in some seconds."
OTHER_VERSION = "Only HTTP/1.1 and HTTP/1.0 are spoken here."
# Nothing that is shown has such a sign in its address, and no operating system takes it well.
_CONTROL = re.compile(r"[\x00-\x1f\x7f]")


class Door:
    """An application behind the door."""

    def __init__(
        self, app: ASGIApp, limits: DoorLimits, callers: Callers, log: AccessLog | None = None
    ) -> None:
        """`log` takes what is refused here; what comes in is written down by the application."""
        self._app = app
        self._limits = limits
        self._callers = callers
        self._log = log
        self._open: Counter[str] = Counter()
        self._protected = Protected(self._answer, is_public_by_tls=limits.is_public_by_tls)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        await self._protected(scope, receive, send)

    async def _answer(self, scope: Scope, receive: Receive, send: Send) -> None:
        caller = self._callers.caller_of(scope)
        scope["client"] = (caller, scope["client"][1] if scope.get("client") else 0)
        house = neighbours(caller)
        odd = _oddity(scope)
        if odd is None and self._open[house] >= self._limits.connections_of_one:
            odd = (429, BUSY)
        if odd is not None:
            await self._refuse(scope, *odd)(scope, receive, send)
            return
        is_open = True

        def close() -> None:
            nonlocal is_open
            if is_open:
                is_open = False
                self._open[house] -= 1
                if not self._open[house]:
                    del self._open[house]

        async def send_and_close(message: Message) -> None:
            # With its last word an answer is over, whatever is put away after it: who has it may
            # ask again.
            if message["type"] == "http.response.body" and not message.get("more_body", False):
                close()
            await send(message)

        self._open[house] += 1
        try:
            await self._app(scope, receive, send_and_close)
        finally:
            close()

    def _refuse(self, scope: Scope, status: int, sentence: str) -> Response:
        from starlette.responses import PlainTextResponse

        if self._log is not None:
            client, method = scope["client"][0], scope["method"]
            with suppress(OSError):  # nothing was shown
                self._log.write(client=client, method=method, path=scope["path"], status=status)
        more = {"retry-after": "5"} if status == 429 else {"connection": "close"}
        return PlainTextResponse(sentence, status, more)


def _oddity(scope: Scope) -> tuple[int, str] | None:
    """Return status and sentence for what is answered by no page; None for a plain request."""
    said: Mapping[bytes, bytes] = dict(scope["headers"])
    target: bytes = scope.get("raw_path") or b""
    length = len(target) + len(scope.get("query_string", b""))
    size = sum(len(name) + len(value) for name, value in scope["headers"])
    odd = (
        (scope["http_version"] not in VERSIONS, 505, OTHER_VERSION),
        (length > MOST_OF_ADDRESS, 414, TOO_LONG),
        (len(scope["headers"]) > MOST_HEADERS or size > MOST_OF_HEAD, 431, TOO_MUCH),
        (b"transfer-encoding" in said and b"content-length" in said, 400, TWO_LENGTHS),
        (_length(said) > MOST_OF_BODY, 413, TOO_LARGE),
        (scope["method"] == "CONNECT" or b"://" in target[:16], 400, NO_PROXY),
        (bool(_CONTROL.search(scope["path"])), 404, NO_PATH),
    )
    return next(((status, sentence) for is_so, status, sentence in odd if is_so), None)


def _length(said: Mapping[bytes, bytes]) -> int:
    text = said.get(b"content-length", b"0").strip()
    # Digits without end would take long to read.
    return int(text) if text.isdigit() and len(text) < 18 else MOST_OF_BODY + 1
