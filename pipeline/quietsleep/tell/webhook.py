"""Digests to a webhook: each is posted as one JSON object over HTTPS."""

from __future__ import annotations

import json
import socket
import ssl
from collections.abc import Callable, Iterable
from http.client import HTTPException
from typing import Any
from urllib.error import HTTPError, URLError
from urllib.request import HTTPRedirectHandler, HTTPSHandler, Request, build_opener

from quietsleep.study.telling import SecretMissing, WebhookWay, secret, url_refusal
from quietsleep.tell.outbox import Message, Reply

SECONDS = 15.0
FORMAT = 1


class _NoRedirect(HTTPRedirectHandler):
    """Follow nobody: what is posted is meant for one address, and so is the token."""

    def redirect_request(self, *_: Any) -> None:
        """Return no request, so that the answer counts as it stands."""


class Webhook:
    """One address that takes all that waits, one request a message."""

    def __init__(self, way: WebhookWay, study: str) -> None:
        self._way, self._study = way, study
        self._ended = False

    def send(self, waiting: Iterable[Message], told: Callable[[Message, Reply], None]) -> None:
        """Post what waits, and tell what became of each.

        Raises OSError, HTTPException and SecretMissing where nothing more can be sent.
        """
        url = self._url()
        token = secret(self._way.token_variable) if self._way.token_variable else ""
        opener = build_opener(_NoRedirect, HTTPSHandler(context=ssl.create_default_context()))
        for message in waiting:
            if self._ended:
                return
            headers = {"Content-Type": "application/json", "User-Agent": "quietsleep"}
            if token:
                headers["Authorization"] = f"Bearer {token}"
            request = Request(url, self.body_of(message), headers, method="POST")
            try:
                with opener.open(request, timeout=SECONDS):
                    told(message, Reply(True))
            except HTTPError as error:
                error.close()
                told(message, Reply(False, f"the webhook answered {error.code}"))
            except URLError as error:
                # The kind beneath tells what it was; this one only wraps it.
                raise error.reason if isinstance(error.reason, Exception) else error from None

    def close(self) -> None:
        """Begin no further request."""
        self._ended = True

    def body_of(self, message: Message) -> bytes:
        """Return what is posted: `id` is the same at every try of a message."""
        return json.dumps(
            {
                "format": FORMAT,
                "id": f"{self._study}.{message.name}",
                "study": self._study,
                "night": message.night,
                "centre": message.to or None,
                "subject": message.subject,
                "text": message.body("txt"),
                "html": message.body("html"),
                "written_at": message.written_at.isoformat(timespec="seconds"),
            }
        ).encode()

    def _url(self) -> str:
        variable = self._way.url_variable
        if variable is None:
            return self._way.url or ""
        url = secret(variable)
        # What stands in the environment may have its secret behind a question mark as well.
        if refusal := url_refusal(url.partition("?")[0]):
            raise SecretMissing(f"the address in {variable} {refusal}")
        return url


# What may go wrong, the most particular first.
_WORDS: tuple[tuple[type[Exception], str], ...] = (
    (ssl.SSLCertVerificationError, "the certificate of the webhook cannot be trusted ({why})"),
    (TimeoutError, "the webhook does not answer"),
    (socket.gaierror, "the webhook's machine is not known on this network"),
    (ConnectionRefusedError, "the webhook takes no connection"),
    (ssl.SSLError, "the webhook does not speak TLS"),
    (HTTPException, "the webhook broke off"),
    (OSError, "the webhook broke off"),
    (Exception, "the webhook could not be used ({kind})"),
)


def in_words(error: Exception) -> str:
    """Say why nothing could be posted, without the address, which may be a secret."""
    words = next(words for kind, words in _WORDS if isinstance(error, kind))
    return words.format(why=getattr(error, "verify_message", ""), kind=type(error).__name__)
