"""Keep the night on a schedule: a local orchestration server of our own, supervised here.

A schedule fires only against a running server, so one is started on loopback, watched, and started
again when it ends. For many studies, or to survive a restart of the machine, a system timer that
calls `quietsleep nightly STUDY` does the same with less.
"""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import threading
import time
from contextlib import suppress
from pathlib import Path
from urllib.error import URLError
from urllib.request import urlopen

from quietsleep.errors import QuietsleepError
from quietsleep.night.looks import schedule_kept
from quietsleep.night.orchestration.embedded import embed
from quietsleep.study.study import load_study
from quietsleep.study.telling import cron_of

SECONDS_TO_START = 120.0
LOOPBACK = "127.0.0.1"


class ScheduleError(QuietsleepError):
    """The schedule cannot be kept; the message says why and what to use instead."""


def keep_scheduled(study: Path, *, cron: str, workers: int | None) -> None:
    """Run the night of a study at every time of a cron schedule, until interrupted.

    Raises ScheduleError for a schedule that cannot be read and when no server can be started.
    """
    embed(study / "work")
    check_cron(cron)
    server = LocalServer(study / "work")
    try:
        os.environ["PREFECT_API_URL"] = server.start()
        from quietsleep.night.orchestration.nightly import flow_of

        print(f"Nights of {study.name} run at '{cron}'. Stop with Ctrl-C.", flush=True)
        with suppress(KeyboardInterrupt), schedule_kept(study / "work", cron):
            flow_of(load_study(study)).serve(
                name=study.name,
                cron=cron,
                parameters={"study_path": str(study), "workers": workers},
                print_starting_message=False,
            )
    finally:
        server.stop()


def check_cron(cron: str) -> None:
    """Raise ScheduleError unless the text is a five-field cron schedule."""
    try:
        cron_of(cron)
    except ValueError as error:
        raise ScheduleError(f"The schedule {error}") from None


class LocalServer:
    """An orchestration server on loopback that is started again when it ends."""

    def __init__(self, work: Path) -> None:
        self._log = work / "prefect" / "server.log"
        self._port = _free_port()
        self._process: subprocess.Popen[bytes] | None = None
        self._ending = threading.Event()

    @property
    def url(self) -> str:
        """Address of the server's interface for programs."""
        return f"http://{LOOPBACK}:{self._port}/api"

    def start(self) -> str:
        """Start the server, wait until it answers, watch it; returns its address."""
        self._launch()
        end = time.monotonic() + SECONDS_TO_START
        while not self._answers():
            if time.monotonic() > end or self._ending.is_set():
                self.stop()
                raise ScheduleError(
                    "The local scheduling server did not start (see work/prefect/server.log). "
                    "Use the system's timer instead: call 'quietsleep nightly STUDY' from cron "
                    "or a systemd timer."
                )
            time.sleep(0.5)
        threading.Thread(target=self._watch, daemon=True).start()
        return self.url

    def stop(self) -> None:
        """End the server."""
        self._ending.set()
        if self._process is not None and self._process.poll() is None:
            self._process.terminate()
            try:
                self._process.wait(timeout=20)
            except subprocess.TimeoutExpired:
                self._process.kill()

    def _launch(self) -> None:
        environment = os.environ | {
            "PREFECT_SERVER_API_PORT": str(self._port),
            "PREFECT_SERVER_API_HOST": LOOPBACK,
        }
        environment.pop("PREFECT_API_URL", None)
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "prefect", "server", "start"],
                stdout=log,
                stderr=log,
                stdin=subprocess.DEVNULL,
                env=environment,
            )

    def _answers(self) -> bool:
        try:
            with urlopen(f"{self.url}/health", timeout=2) as answer:
                return bool(answer.status == 200)
        except (URLError, OSError):
            return False

    def _watch(self) -> None:
        while not self._ending.wait(timeout=5):
            if self._process is not None and self._process.poll() is not None:
                self._launch()


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind((LOOPBACK, 0))
        return int(probe.getsockname()[1])
