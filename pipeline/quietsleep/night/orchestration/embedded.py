"""An orchestrator of its own for a night: embedded, quiet, closed to all others, in the study.

Its server answers nobody but the night that started it (`server.py`), and ends with it.
"""

from __future__ import annotations

import base64
import os
import secrets
import socket
import subprocess
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from http.client import HTTPConnection, HTTPException
from pathlib import Path

LOOPBACK = "127.0.0.1"
SECONDS_TO_START = 120.0
SECONDS_TO_END = 5.0
# Owner and group, as everything else of a study that is no page.
CLOSED_TO_OTHERS = 0o750
# An operator's own server, which all nights then use (docs/cluster.md).
ADDRESS, KEY = "PREFECT_API_URL", "PREFECT_API_AUTH_STRING"


class OrchestratorError(Exception):
    """The embedded server did not start; a night is run without it."""


@contextmanager
def embedded(work: Path) -> Iterator[None]:
    """Give the flows of a block an orchestrator; import what knows it only inside.

    Where the environment names the server of an operator, that one is used and none is started.
    """
    settings = settings_in(work)
    if os.environ.get(ADDRESS):
        with _environment(settings):
            yield
        return
    key = f"night:{secrets.token_urlsafe(32)}"
    with _environment(settings), _server(work / "prefect", key) as address:
        here = {ADDRESS: f"http://{address}/api", KEY: key, **_past_proxies()}
        with _environment(here):
            _use_environment()
            _wait_for(address, key)
            with _events_untold():
                yield


def settings_in(work: Path) -> dict[str, str]:
    """Return the orchestrator's settings for a study, and make the folder that they name.

    Nothing is written to the home directory, nothing is sent anywhere, and its own result cache
    stays off: what is measured is kept under content keys in the state. It never starts a server
    by itself: that one would be open to everybody on the machine.
    """
    home = work / "prefect"
    home.mkdir(parents=True, exist_ok=True)
    home.chmod(CLOSED_TO_OTHERS)
    quiet = {
        name: os.environ.get(name, "CRITICAL")
        for name in ("PREFECT_LOGGING_LEVEL", "PREFECT_SERVER_LOGGING_LEVEL")
    }
    return quiet | {
        "PREFECT_HOME": str(home),
        "PREFECT_PROFILES_PATH": str(home / "profiles.toml"),
        "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
        "DO_NOT_TRACK": "1",
        "PREFECT_RESULTS_PERSIST_BY_DEFAULT": "false",
        "PREFECT_LOGGING_TO_API_ENABLED": "false",
        "PREFECT_SERVER_ALLOW_EPHEMERAL_MODE": "false",
    }


def credentials(key: str) -> str:
    """Return what a request with this key says of who sends it."""
    return f"Basic {base64.b64encode(key.encode()).decode()}"


@contextmanager
def _server(home: Path, key: str) -> Iterator[str]:
    """Run a server for the length of a block; yields its address.

    It is given a socket that is bound already, so that nobody can take the port in between and be
    sent the key. The key goes through a pipe, and so stands in no list of processes and no file;
    the end of the same pipe tells the server that the night is gone. What it prints goes to a file:
    whoever reads the output of a night does not wait for a server.
    """
    log = os.open(home / "server.log", os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o640)
    with socket.create_server((LOOPBACK, 0)) as listener:
        address = f"{LOOPBACK}:{listener.getsockname()[1]}"
        # No module of the folder that a night happens to be started in is to be imported.
        program = [sys.executable, "-P", "-m", "quietsleep.night.orchestration.server"]
        process = subprocess.Popen(
            [*program, str(listener.fileno())],
            stdin=subprocess.PIPE,
            stdout=log,
            stderr=log,
            pass_fds=[listener.fileno()],
            start_new_session=True,  # Ctrl-C is for the night, which ends its server
        )
        os.close(log)
    assert process.stdin is not None
    try:
        process.stdin.write(f"{key}\n".encode())
        process.stdin.flush()
        yield address
    finally:
        _end(process)


def _end(process: subprocess.Popen[bytes]) -> None:
    assert process.stdin is not None
    with suppress(BrokenPipeError):  # it never started
        process.stdin.close()
    try:
        process.wait(timeout=SECONDS_TO_END)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def _wait_for(address: str, key: str) -> None:
    """Wait until the server answers; until it accepts, the request waits at its socket."""
    connection = HTTPConnection(address, timeout=SECONDS_TO_START)
    try:
        connection.request("GET", "/api/health", headers={"Authorization": credentials(key)})
        status = connection.getresponse().status
    except (OSError, HTTPException) as error:
        raise OrchestratorError(f"no answer from {address}: {error}") from error
    finally:
        connection.close()
    if status != 200:
        raise OrchestratorError(f"{address} answers {status}")


def _past_proxies() -> dict[str, str]:
    """Return settings by which requests to this machine, and the key in them, reach no proxy."""
    held = os.environ.get("no_proxy", os.environ.get("NO_PROXY", ""))
    past = ",".join(filter(None, (held, LOOPBACK)))
    return {"no_proxy": past, "NO_PROXY": past}


def _use_environment() -> None:
    """Have the orchestrator go by the environment of now, also in the second night of a process.

    It is imported here, while its server starts.
    """
    from prefect.context import refresh_global_settings_context

    refresh_global_settings_context()


@contextmanager
def _events_untold() -> Iterator[None]:
    """Send the server no events: nobody reads them, and what is left of them outlives the server.

    The process would try to deliver each for seconds before it ends.
    """
    from prefect.events.clients import NullEventsClient
    from prefect.events.worker import EventsWorker

    EventsWorker.set_client_override(NullEventsClient)
    try:
        yield
    finally:
        EventsWorker.set_client_override(None)


@contextmanager
def _environment(said: Mapping[str, str]) -> Iterator[None]:
    before = {name: os.environ.get(name) for name in said}
    os.environ.update(said)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
