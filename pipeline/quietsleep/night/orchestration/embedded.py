"""Settings of the orchestrator for a study: embedded, quiet, no analytics, files in the study."""

from __future__ import annotations

import os
import signal
from contextlib import suppress
from pathlib import Path


def embed(work: Path) -> None:
    """Keep the orchestrator inside the study's work folder; call before it is imported.

    Nothing is written to the home directory, nothing is sent anywhere, and its own result cache
    stays off: what is measured is kept under content keys in the state. A server that a killed
    night of this study has left running is ended.
    """
    home = work / "prefect"
    home.mkdir(parents=True, exist_ok=True)
    end_orphans(home)
    os.environ[OWNER] = own_name()
    os.environ.update(
        PREFECT_HOME=str(home),
        PREFECT_PROFILES_PATH=str(home / "profiles.toml"),
        PREFECT_SERVER_ANALYTICS_ENABLED="false",
        DO_NOT_TRACK="1",
        PREFECT_RESULTS_PERSIST_BY_DEFAULT="false",
        PREFECT_LOGGING_TO_API_ENABLED="false",
        PREFECT_SERVER_EPHEMERAL_STARTUP_TIMEOUT_SECONDS="120",
    )
    os.environ.setdefault("PREFECT_LOGGING_LEVEL", "CRITICAL")
    os.environ.setdefault("PREFECT_SERVER_LOGGING_LEVEL", "CRITICAL")


OWNER = "QUIETSLEEP_OWNER"
PROCESSES = Path("/proc")


def own_name() -> str:
    """Return a name of this process that no later process has: its number and when it began."""
    return _name(os.getpid()) or str(os.getpid())


def end_orphans(home: Path) -> list[int]:
    """End the servers of dead nights that keep their files in `home`; returns their numbers."""
    ended = []
    for process in _processes():
        owner = _owner(process, home)
        if owner and not is_alive(owner):
            with suppress(OSError):
                os.kill(process, signal.SIGTERM)
                ended.append(process)
    return ended


def _processes() -> list[int]:
    try:
        return [int(entry.name) for entry in PROCESSES.iterdir() if entry.name.isdigit()]
    except OSError:
        return []


def _owner(process: int, home: Path) -> str | None:
    """Return who started a process that works for this study; None for any other process."""
    try:
        entries = (PROCESSES / str(process) / "environ").read_bytes().split(b"\0")
    except OSError:
        return None
    held = dict(entry.partition(b"=")[::2] for entry in entries)
    if held.get(b"PREFECT_HOME") != os.fsencode(home):
        return None
    return held.get(OWNER.encode(), b"").decode() or None


def is_alive(owner: str) -> bool:
    """Say whether the process of a name that `own_name` gave is alive."""
    number = owner.partition("-")[0]
    return number.isdigit() and _name(int(number)) == owner


def _name(process: int) -> str | None:
    """Return number and start of a living process; None for one that is gone."""
    try:
        said = (PROCESSES / str(process) / "stat").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return None
    # The name of the program may hold anything; what follows its last bracket is fixed.
    fields = said.rpartition(")")[2].split()
    return None if fields[0] == "Z" else f"{process}-{fields[19]}"
