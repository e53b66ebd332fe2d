"""The orchestrator's server of one night, behind a wall: it answers the night that started it.

A program of its own, started by `embedded.py`. The orchestrator asks for a key on most of its
routes, but not on health, version of its pages, documentation and the first message of a websocket,
and it looks at neither Host nor Origin; the wall stands before all of them.
"""

from __future__ import annotations

import hmac
import os
import socket
import sys
from collections.abc import Awaitable, Callable, MutableMapping
from typing import Any

from quietsleep.night.orchestration.embedded import ADDRESS, KEY, credentials
from quietsleep.store.processes import end_with_input

Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
Application = Callable[[Message, Receive, Send], Awaitable[None]]

# Files that the server writes are for owner and group.
UMASK = 0o027
SETTINGS = {
    "PREFECT_SERVER_UI_ENABLED": "false",
    "PREFECT_SERVER_CORS_ALLOWED_ORIGINS": "",
    # Kinds of stored configuration that no night uses; to write them down costs a start seconds.
    "PREFECT_API_BLOCKS_REGISTER_ON_START": "false",
    "PREFECT__SERVER_FINAL": "1",
}


class Wall:
    """Lets through what carries the key, names this very address, and comes from no page.

    A browser writes the address of its page into Origin, and the name that it looked up into Host:
    a page of another place that has its name point to this machine is refused by either.
    """

    def __init__(self, application: Application, *, key: str, host: str) -> None:
        self._application = application
        self._expected = {b"host": host.encode(), b"authorization": credentials(key).encode()}

    async def __call__(self, scope: Message, receive: Receive, send: Send) -> None:
        """Pass a request on, or refuse it without a word about what there is."""
        if scope["type"] == "lifespan" or self._is_ours(scope["headers"]):
            await self._application(scope, receive, send)
        elif scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008})
        else:
            await send({"type": "http.response.start", "status": 403, "headers": []})
            await send({"type": "http.response.body", "body": b""})

    def _is_ours(self, headers: list[tuple[bytes, bytes]]) -> bool:
        said = {name: [v for n, v in headers if n.lower() == name] for name in self._expected}
        return not any(name.lower() == b"origin" for name, _ in headers) and all(
            len(said[name]) == 1 and hmac.compare_digest(said[name][0], value)
            for name, value in self._expected.items()
        )


def serve(listener: socket.socket, key: str) -> None:
    """Serve until whoever started this process is gone."""
    os.umask(UMASK)
    os.environ.pop(ADDRESS, None)
    os.environ.update(SETTINGS)
    # Behind the wall the orchestrator asks once more.
    os.environ[f"PREFECT_SERVER_{KEY.removeprefix('PREFECT_')}"] = key
    import uvicorn
    from prefect.server.api.server import create_app

    host, port = listener.getsockname()
    wall = Wall(create_app(ephemeral=True, final=True), key=key, host=f"{host}:{port}")
    config = uvicorn.Config(wall, log_level="error", lifespan="on", server_header=False)
    uvicorn.Server(config).run(sockets=[listener])


def main() -> None:
    """Take the socket that was bound, by its number, and the key from standard input."""
    # Not by the buffered reader: what it took would be lost to the thread that waits for the end.
    key = b""
    while (byte := os.read(0, 1)) not in (b"\n", b""):
        key += byte
    end_with_input()
    serve(socket.socket(fileno=int(sys.argv[1])), key.decode())


if __name__ == "__main__":
    main()
