"""Bytes over a socket to the real door: nothing on this side tidies up what is sent."""

from __future__ import annotations

import json
import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from quietsleep.server.access_log import LOG
from quietsleep.server.app import SiteApp
from quietsleep.server.headers import HEADERS
from quietsleep.server.serve import OpenDoor
from quietsleep.study.door_limits import DoorLimits
from tests.server.running import opened

OWN = b"own page"
HALF = b"GET /larch/ HTTP/1.1\r\nHost: 127.0.0.1\r\nX-Slow: "
FORM = b"Content-Type: application/x-www-form-urlencoded\r\n"
# Tenths of a second in place of seconds.
SHORT = DoorLimits(head_s=0.6, pause_s=0.6, answer_s=0.8, idle_s=0.6, least_kb_s=2.0)


def site(study: Path, limits: DoorLimits) -> SiteApp:
    return SiteApp(study, study / "work", is_secure=False, limits=limits)


@contextmanager
def at_the_door(study: Path, limits: DoorLimits, **more: Any) -> Iterator[OpenDoor]:
    shown = site(study, limits)
    with opened(shown, limits, log=shown.log, **more) as door:
        yield door


def heard_until(line: socket.socket, end: bytes) -> bytes:
    """What comes up to a last word; the line may stay open."""
    said = b""
    while end not in said and (piece := line.recv(65_536)):
        said += piece
    return said


def port_of(door: OpenDoor) -> int:
    return int(door.sockets[0].getsockname()[1])


def call(door: OpenDoor, *, at: str = "127.0.0.1", timeout: float = 10.0) -> socket.socket:
    return socket.create_connection(
        ("127.0.0.1", port_of(door)), timeout=timeout, source_address=(at, 0)
    )


def heard(line: socket.socket) -> bytes:
    """All that comes until the other side ends it."""
    parts = []
    with suppress(ConnectionResetError, BrokenPipeError):
        while piece := line.recv(65_536):
            parts.append(piece)
    return b"".join(parts)


def asked(door: OpenDoor, raw: bytes, *, at: str = "127.0.0.1") -> bytes:
    with call(door, at=at) as line:
        with suppress(ConnectionResetError, BrokenPipeError):
            line.sendall(raw)
        return heard(line)


def get(path: str, *lines: str) -> bytes:
    said = (f"GET {path} HTTP/1.1", "Host: 127.0.0.1", "Connection: close", *lines, "", "")
    return "\r\n".join(said).encode()


def status_of(answer: bytes) -> int:
    return int(answer.split(b" ", 2)[1]) if answer.startswith(b"HTTP/1.1 ") else 0


def headers_of(answer: bytes) -> dict[str, str]:
    head = answer.partition(b"\r\n\r\n")[0].decode("latin-1").split("\r\n")[1:]
    return {name.lower(): value.strip() for name, _, value in (h.partition(":") for h in head)}


def entries(study: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in (study / "work" / LOG).read_text().splitlines()]


def wait_until(is_so: Any, *, seconds: float = 8.0) -> bool:
    until = time.monotonic() + seconds
    while not is_so():
        if time.monotonic() > until:
            return False
        time.sleep(0.02)
    return True


def is_protected(answer: bytes) -> bool:
    said = headers_of(answer)
    kept = {"cache-control", "content-security-policy"}
    same = all(said[name] == value for name, value in HEADERS.items() if name not in kept)
    policy = said["content-security-policy"]
    return same and "unsafe" not in policy and "'none'" in policy and "cache-control" in said
