"""What every answer says to the browser that gets it, good and bad ones alike."""

from __future__ import annotations

import logging
from asyncio import CancelledError
from collections.abc import Iterator, Mapping
from http import HTTPStatus
from typing import TYPE_CHECKING

from starlette.requests import ClientDisconnect

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

LOG = logging.getLogger("quietsleep.server")
# Nothing inline and nothing from elsewhere: what a centre delivers is never a script here. The
# browser tells where a form comes from only under a referrer policy that lets it.
HEADERS: Mapping[str, str] = {
    "cache-control": "private, no-store",
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; "
    "img-src 'self' data:; connect-src 'self'; form-action 'self'; base-uri 'none'; "
    "frame-ancestors 'none'",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
    "referrer-policy": "same-origin",
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
}
# Browsers heed it, and complain of it elsewhere, where nobody can have changed what they get.
OPENER = ("cross-origin-opener-policy", "same-origin")
BY_TLS_ALONE = ("strict-transport-security", "max-age=31536000")
_TRUSTED = ("127.0.0.1", "localhost", "[::1]")
BROKEN = "Something went wrong here, and was written down. Try again in some minutes."
STOPPING = "The server is being stopped. Try again in some minutes."


def headers_for(*, host: str, by_tls: bool, is_public_by_tls: bool) -> Iterator[tuple[str, str]]:
    """Yield the headers of an answer to a request for a host."""
    yield from HEADERS.items()
    name = host.partition("]")[0] + "]" if host.startswith("[") else host.partition(":")[0]
    if by_tls or is_public_by_tls or name in _TRUSTED:
        yield OPENER
    if is_public_by_tls:
        yield BY_TLS_ALONE


def plain_headers(status: int, text: str) -> list[tuple[bytes, bytes]]:
    """Return the headers of a short answer that is given before anything was understood."""
    said = {
        "content-type": "text/plain; charset=utf-8",
        "content-length": str(len(text.encode())),
        "connection": "close",
        **({"retry-after": "5"} if status == HTTPStatus.SERVICE_UNAVAILABLE else {}),
    }
    return [(name.encode(), value.encode()) for name, value in {**HEADERS, **said}.items()]


def plain_answer(status: int, text: str) -> bytes:
    """Return such an answer as it goes out."""
    head = f"HTTP/1.1 {status} {HTTPStatus(status).phrase}\r\n".encode()
    lines = b"".join(b"%s: %s\r\n" % pair for pair in plain_headers(status, text))
    return head + lines + b"\r\n" + text.encode()


class Protected:
    """Puts them on every answer of an application, also on that of a mistake of ours."""

    def __init__(
        self,
        app: ASGIApp,
        *,
        is_public_by_tls: bool = False,
        other: Mapping[str, str] | None = None,
    ) -> None:
        """`other` are headers in place of those that stand here."""
        self._app = app
        self._is_public_by_tls = is_public_by_tls
        self._other = other or {}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        from starlette.datastructures import Headers, MutableHeaders

        if scope["type"] == "websocket":  # nothing here speaks it
            await send({"type": "websocket.close", "code": 1000})
        if scope["type"] != "http":
            return
        wanted = dict(
            headers_for(
                host=Headers(scope=scope).get("host", ""),
                by_tls=scope["scheme"] == "https",
                is_public_by_tls=self._is_public_by_tls,
            )
        )
        has_begun = False

        async def send_with(message: Message) -> None:
            nonlocal has_begun
            if message["type"] == "http.response.start":
                has_begun = True
                message.setdefault("headers", [])
                headers = MutableHeaders(scope=message)
                for name, value in {**wanted, **self._other}.items():
                    headers.setdefault(name, value)
            await send(message)

        try:
            await self._app(scope, receive, send_with)
        except ClientDisconnect:
            pass  # nobody is there to be told
        except CancelledError:  # the server stops, and has waited
            if not has_begun:
                await _say(503, STOPPING, send_with)
        except Exception:
            LOG.exception("a request could not be answered")
            if has_begun:
                raise  # whoever serves breaks the answer off
            await _say(500, BROKEN, send_with)


async def _say(status: int, sentence: str, send: Send) -> None:
    headers = plain_headers(status, sentence)
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": sentence.encode()})
