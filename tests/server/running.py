"""An application behind a real server on this machine, in a thread, as `serve` starts it."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import uvicorn


@contextmanager
def running(app: Any, *, host: str = "127.0.0.1") -> Iterator[str]:
    """Serve an application for as long as the block runs; gives its address."""
    config = uvicorn.Config(
        app, host=host, port=0, log_level="critical", access_log=False, proxy_headers=False,
        server_header=False, lifespan="off", ws="none", loop="asyncio", http="h11",
    )  # fmt: skip
    server = uvicorn.Server(config)
    listening = socket.socket()
    listening.bind((host, 0))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
    thread.start()
    while thread.is_alive() and not server.started:
        time.sleep(0.01)
    try:
        yield f"http://{host}:{listening.getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join(10)
        listening.close()
