"""Forms: where one comes from, what it says, and where it may lead to."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import TYPE_CHECKING
from urllib.parse import parse_qs, urlsplit

if TYPE_CHECKING:
    from starlette.requests import Request

FORM_TOKEN = "form_token"
_MOST_BYTES = 4096
_MOST_FIELDS = 12
_PART = r"[A-Za-z0-9_][A-Za-z0-9_.-]{0,119}"
PAGE_PATH = re.compile(rf"/(?P<folder>{_PART})(?P<rest>(?:/{_PART}){{0,4}}/?)")
DESK, QUERIES, READING = "/-/desk/", "/-/queries/", "/-/reading/"
_DESK_PATH = re.compile(
    rf"{DESK}(?:{_PART}/){{0,3}}(?:{_PART})?|{QUERIES}[0-9]{{0,9}}|{READING}(?:last)?"
)


def is_own_form(request: Request) -> bool:
    """Whether a post comes from these pages: a browser says where it comes from.

    `Sec-Fetch-Site` is the browser's own word, which no page can write, and decides where it is
    sent (only over TLS, or on this machine). Else `Origin` has to name this host. A program that
    is no browser sends neither; it has no cookie that a foreign page could use.
    """
    site, origin = request.headers.get("sec-fetch-site"), request.headers.get("origin")
    names_us = origin is not None and _is_host(origin, request.headers.get("host", ""))
    if site is not None:
        return site == "same-origin" and (names_us or origin in (None, "null"))
    return origin is None or names_us


def _is_host(origin: str, host: str) -> bool:
    try:
        parts = urlsplit(origin)
    except ValueError:
        return False
    # The scheme is the proxy's: behind one that ends TLS this side speaks http.
    return parts.scheme in ("http", "https") and bool(host) and parts.netloc == host


async def fields_of(request: Request, *, most_bytes: int = _MOST_BYTES) -> Mapping[str, str] | None:
    """Return the fields of a form of bounded size; None when it is no such form."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/x-www-form-urlencoded":
        return None
    body = b""
    async for piece in request.stream():
        body += piece
        if len(body) > most_bytes:
            return None
    try:
        values = parse_qs(
            body.decode("ascii"), strict_parsing=bool(body), max_num_fields=_MOST_FIELDS,
            errors="strict",
        )  # fmt: skip
    except ValueError:
        return None
    return {name: each[0] for name, each in values.items()}


def own_path(text: str) -> str:
    """Return a path of this server as it was given; empty for whatever else a text may be."""
    return text if PAGE_PATH.fullmatch(text) or _DESK_PATH.fullmatch(text) else ""
