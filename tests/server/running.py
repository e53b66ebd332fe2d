"""An application behind the real door on this machine, in a thread, as the commands open it."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from quietsleep.server.serve import OpenDoor, Place, open_door
from quietsleep.study.door_limits import DoorLimits


@contextmanager
def running(app: Any, *, host: str = "127.0.0.1") -> Iterator[str]:
    """Serve an application for as long as the block runs; gives its address."""
    with opened(app, DoorLimits(), host=host) as door:
        yield door.address.rstrip("/")


@contextmanager
def opened(
    app: Any, limits: DoorLimits, *, host: str = "127.0.0.1", **more: Any
) -> Iterator[OpenDoor]:
    """Serve an application under limits for as long as the block runs; gives its door."""
    place = Place(host, 0, more.pop("certificate", None), more.pop("key", None))
    door = open_door(app, place, limits, **more)
    thread = threading.Thread(target=door.run, daemon=True)
    thread.start()
    while thread.is_alive() and not door.server.started:
        time.sleep(0.01)
    try:
        yield door
    finally:
        door.server.should_exit = True
        thread.join(15)
        for listening in door.sockets:
            listening.close()
