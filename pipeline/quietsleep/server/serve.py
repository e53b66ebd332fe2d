"""Opens the door: takes the place where is listened, and serves until interrupted."""

from __future__ import annotations

import socket
import ssl
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import uvicorn

from quietsleep.errors import QuietsleepError
from quietsleep.server.access_log import AccessLog
from quietsleep.server.app import NAMES_OF_THIS_MACHINE
from quietsleep.server.callers import Callers
from quietsleep.server.door import Door
from quietsleep.server.doorkeeper import Doorkeeper, Listening, listen
from quietsleep.server.line import DoorLine
from quietsleep.study.door_limits import DoorLimits

if TYPE_CHECKING:
    from starlette.types import ASGIApp

SECONDS_TO_STOP = 10
# Files that a process has open beside its connections: pages that are read, the log, the study.
FILES_BESIDE = 200
_TICKS_PER_LOOK = 2  # of a tenth of a second each


@dataclass(frozen=True, slots=True)
class Place:
    """Where is listened, and by which certificate TLS is ended; port 0 is a free one."""

    host: str = NAMES_OF_THIS_MACHINE[0]
    port: int = 0
    certificate: Path | None = None
    key: Path | None = None


class DoorServer(uvicorn.Server):
    """A server whose doorkeeper looks at who is there."""

    def __init__(self, config: uvicorn.Config, keeper: Doorkeeper) -> None:
        super().__init__(config)
        self._keeper = keeper

    async def on_tick(self, counter: int) -> bool:
        """Look, and say whether it is time to stop."""
        if counter % _TICKS_PER_LOOK == 0:
            self._keeper.look()
        return await super().on_tick(counter)

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """Stop; nobody who only half asked is waited for."""
        self._keeper.close()
        await super().shutdown(sockets)


@dataclass(frozen=True, slots=True)
class OpenDoor:
    """A door that people may come to once `run` is called; its place is taken already."""

    server: DoorServer
    sockets: list[Listening]
    host: str
    by_tls: bool

    @property
    def address(self) -> str:
        """The address to type."""
        name = f"[{self.host}]" if ":" in self.host else self.host
        port = self.sockets[0].getsockname()[1]
        return f"{'https' if self.by_tls else 'http'}://{name}:{port}/"

    def run(self) -> None:
        """Serve until interrupted."""
        with suppress(KeyboardInterrupt):
            self.server.run(sockets=[*self.sockets])


def open_door(
    app: ASGIApp,
    place: Place,
    limits: DoorLimits,
    *,
    proxies: Sequence[str] = (),
    log: AccessLog | None = None,
) -> OpenDoor:
    """Take a place and put the door before an application. QuietsleepError where that cannot be.

    `proxies` are registered beside those of `limits`; `log` takes what the door refuses.
    """
    limits = replace(limits, connections=_affordable(limits.connections))
    callers = Callers.of(limits, proxies)
    keeper = Doorkeeper(limits, callers)
    config = uvicorn.Config(
        Door(app, limits, callers, log),
        http=partial(DoorLine, keeper=keeper, note=_note(log)),  # type: ignore[arg-type]
        ws="none",
        loop="asyncio",
        lifespan="off",
        # Of what callers send nothing is told; mistakes of ours are told by `headers`.
        log_level="critical",
        access_log=False,
        proxy_headers=False,
        server_header=False,
        ssl_certfile=place.certificate,
        ssl_keyfile=place.key,
        timeout_keep_alive=max(1, round(limits.idle_s)),
        timeout_graceful_shutdown=SECONDS_TO_STOP,
    )
    try:
        config.load()
    except (OSError, ssl.SSLError):
        raise QuietsleepError(
            "Certificate and key cannot be read: give PEM files that belong to each other."
        ) from None
    try:
        sockets = listen(place.host, place.port, keeper, is_plain=not config.is_ssl)
    except OSError as error:
        raise QuietsleepError(
            f"Nothing can listen at port {place.port} of {place.host}: {error.strerror}. "
            "Give another --port, or end what listens there."
        ) from None
    return OpenDoor(DoorServer(config, keeper), sockets, place.host, config.is_ssl)


def is_loopback(host: str) -> bool:
    """Whether a host is an address of this machine that no other machine reaches."""
    return host in (*NAMES_OF_THIS_MACHINE, "::1")


def _note(log: AccessLog | None) -> Callable[[str, int], None]:
    def note(client: str, status: int) -> None:
        if log is not None:
            with suppress(OSError):  # there is nobody to tell, and nothing was shown
                log.write(client=client, method="", path="", status=status)

    return note


def _affordable(wanted: int) -> int:
    """Return as many connections as this process may have open, at most those that are wanted."""
    try:
        import resource
    except ImportError:  # a system without such bounds
        return wanted
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    needed: Any = wanted + FILES_BESIDE
    if soft != resource.RLIM_INFINITY and soft < needed:
        soft = needed if hard == resource.RLIM_INFINITY else min(needed, hard)
        with suppress(ValueError, OSError):
            resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
        soft = resource.getrlimit(resource.RLIMIT_NOFILE)[0]
        return max(10, min(wanted, soft - FILES_BESIDE))
    return wanted
