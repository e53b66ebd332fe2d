"""Serve the pages of a study on this machine, for looking at them in a browser."""

from __future__ import annotations

import socket
from pathlib import Path

LOOPBACK = "127.0.0.1"


def free_port() -> int:
    """Return a port of this machine that nothing listens on."""
    with socket.socket() as probe:
        probe.bind((LOOPBACK, 0))
        return int(probe.getsockname()[1])


def serve(folder: Path, *, port: int) -> None:
    """Serve a folder of pages on the loopback address until interrupted.

    Only requests that name this machine are answered, so that no page from elsewhere can read
    them through the browser.
    """
    import uvicorn
    from starlette.applications import Starlette
    from starlette.middleware import Middleware
    from starlette.middleware.trustedhost import TrustedHostMiddleware
    from starlette.routing import Mount
    from starlette.staticfiles import StaticFiles

    app = Starlette(
        routes=[Mount("/", StaticFiles(directory=folder, html=True))],
        middleware=[Middleware(TrustedHostMiddleware, allowed_hosts=[LOOPBACK, "localhost"])],
    )
    uvicorn.run(app, host=LOOPBACK, port=port, log_level="warning")
