"""Serve the pages of a study to browsers: on this machine to all, elsewhere by token only.

A path is taken only if every part of it is plain, and what it leads to must be a plain file below
the folder of the one centre that it names. No header has a say in that.
"""

from __future__ import annotations

import re
import socket
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from starlette.types import ASGIApp

LOOPBACK = "127.0.0.1"
NAMES_OF_THIS_MACHINE = (LOOPBACK, "localhost")
# Folders of pages that are no centre: the overview is for the coordinating centre.
OVERVIEW, DICTIONARY = "overview", "dictionary"
_PART = r"[A-Za-z0-9_][A-Za-z0-9_.-]{0,119}"
_PATH = re.compile(rf"/(?P<folder>{_PART})(?P<rest>(?:/{_PART}){{0,4}}/?)")
HEADERS = {
    "cache-control": "private, no-store",
    "content-security-policy": "frame-ancestors 'none'",
    "cross-origin-resource-policy": "same-origin",
    "referrer-policy": "no-referrer",
    "x-content-type-options": "nosniff",
}


def free_port(host: str = LOOPBACK) -> int:
    """Return a port of this machine that nothing listens on."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family) as probe:
        probe.bind((host, 0))
        return int(probe.getsockname()[1])


def folder_named(path: str) -> str | None:
    """Return the first part of a request's path, the folder that it asks for; None if not plain."""
    match = _PATH.fullmatch(path)
    return match["folder"] if match else None


def file_at(pages: Path, path: str) -> Path | None:
    """Return the file that a path means, below its own folder of pages; None where none is.

    Links are followed before the place is judged, so none leads out of the folder.
    """
    match = _PATH.fullmatch(path)
    if match is None or not match["rest"]:
        return None
    folder = pages / match["folder"]
    rest = match["rest"].removeprefix("/")
    wanted = folder / rest / "index.html" if not rest or rest.endswith("/") else folder / rest
    try:
        real, own = wanted.resolve(strict=True), folder.resolve(strict=True)
        inside = own == pages.resolve(strict=True) / match["folder"] and real.is_relative_to(own)
        return real if inside and real.is_file() else None
    except (OSError, RuntimeError, ValueError):
        return None


def is_loopback(host: str) -> bool:
    """Whether a host is an address of this machine that no other machine reaches."""
    return host in (*NAMES_OF_THIS_MACHINE, "::1")


def open_pages(folder: Path) -> ASGIApp:
    """Return the application that shows a folder of pages to whoever uses this machine.

    Only requests that name this machine are answered, so that no page from elsewhere can read
    them through the browser.
    """
    from starlette.applications import Starlette
    from starlette.middleware import Middleware
    from starlette.middleware.trustedhost import TrustedHostMiddleware
    from starlette.routing import Mount
    from starlette.staticfiles import StaticFiles

    return Starlette(
        routes=[Mount("/", StaticFiles(directory=folder, html=True))],
        middleware=[Middleware(TrustedHostMiddleware, allowed_hosts=[*NAMES_OF_THIS_MACHINE])],
    )


def serve(
    app: ASGIApp,
    *,
    port: int,
    host: str = LOOPBACK,
    certificate: Path | None = None,
    key: Path | None = None,
) -> None:
    """Serve an application until interrupted. No header of a proxy is believed."""
    import uvicorn

    uvicorn.run(
        app,
        host=host,
        port=port,
        log_level="warning",
        access_log=False,
        proxy_headers=False,
        server_header=False,
        ssl_certfile=certificate,
        ssl_keyfile=key,
        timeout_keep_alive=10,
        limit_concurrency=200,
    )
