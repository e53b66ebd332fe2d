"""A store and a cluster on loopback, as a test needs them."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import fsspec
import pyarrow.parquet as pq

from quietsleep.night.orchestration.cluster_worker import own_facts
from quietsleep.warehouse.current import current_night, night_facts
from quietsleep.warehouse.database import open_current

ROOT = Path(__file__).parents[2]
BUCKET = "study-bucket"
LOOPBACK = "127.0.0.1"
SIGNAL = "/signals/"
ARRIVES = ("arrived_at", "last_delivery_at")
KEYS = {
    "AWS_ACCESS_KEY_ID": "for-tests",
    "AWS_SECRET_ACCESS_KEY": "for-tests-only",
    "AWS_DEFAULT_REGION": "us-east-1",
}
DASK = "import sys; from dask.cli import run_cli; sys.argv[0] = 'dask'; run_cli()"


@dataclass
class Store:
    """A server that speaks S3, with every request it was sent."""

    url: str
    requests: list[tuple[str, str]] = field(default_factory=list)
    delay_s: float = 0.0

    def signals_read(self) -> Counter[str]:
        """How often each signal file was asked for since the last `forget`."""
        return Counter(
            p.split("?")[0] for kind, p in self.requests if kind == "GET" and SIGNAL in p
        )

    def counts(self) -> Counter[str]:
        """How many requests of each kind since the last `forget`."""
        return Counter(kind for kind, _ in self.requests)

    def forget(self) -> None:
        self.requests.clear()

    @property
    def files(self) -> Any:
        return fsspec.filesystem("s3", use_listings_cache=False)

    def upload(self, folder: Path, address: str) -> None:
        """Put every file below a folder into the store, as a centre's tool would."""
        for file in sorted(p for p in folder.rglob("*") if p.is_file()):
            self.files.put_file(str(file), f"{address}/{file.relative_to(folder)}")


def kind_of(command: str, path: str, headers: Mapping[str, str]) -> str:
    """Name a request as the store's operators do."""
    if command == "PUT" and any(name.lower() == "x-amz-copy-source" for name in headers):
        return "COPY"
    return "LIST" if "list-type=2" in path else command


class Workers:
    """A scheduler and two workers, processes of their own."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.port = free_port()
        self.address = f"tcp://{LOOPBACK}:{self.port}"
        self._running: list[subprocess.Popen[bytes]] = []

    def start(self, count: int = 2) -> None:
        self.run("scheduler", "--host", LOOPBACK, "--port", str(self.port), "--no-show")
        for number in range(count):
            self.add_worker(f"w{number}")

    def add_worker(self, name: str, *, code: str = str(ROOT / "pipeline")) -> None:
        words = ("--nthreads", "1", "--host", LOOPBACK, "--name", name)
        place = ("--local-directory", str(self.folder / name))
        self.run("worker", self.address, *words, *place, code=code)

    def run(self, *words: str, code: str = str(ROOT / "pipeline")) -> None:
        environment = os.environ | {"PYTHONPATH": code, "HOME": str(self.folder)}
        with (self.folder / "dask.log").open("ab") as log:
            process = subprocess.Popen(
                [sys.executable, "-c", DASK, *words, "--no-dashboard"],
                cwd=self.folder,
                env=environment,
                stdout=log,
                stderr=log,
                stdin=subprocess.DEVNULL,
                start_new_session=True,
            )
        self._running.append(process)

    def client(self) -> Any:
        from distributed import Client

        return Client(self.address, timeout=300, set_as_default=False)  # type: ignore[no-untyped-call]

    def wait(self, count: int = 2) -> None:
        with self.client() as client:
            client.wait_for_workers(count, timeout=600)

    def processes(self) -> dict[str, int]:
        """Address -> number of the process of each worker."""
        with self.client() as client:
            found: dict[str, int] = client.run(os.getpid)
        return found

    def times_asked(self) -> dict[str, int]:
        """How often each worker was asked what it runs: once a night and once a chunk."""
        with self.client() as client:
            seen = client.run(own_facts.cache_info)
        return {worker: info.hits + info.misses for worker, info in seen.items()}

    def stop(self) -> None:
        """End scheduler, nannies and workers at once, each with its whole group of processes."""
        for process in self._running:
            with suppress(ProcessLookupError):
                os.killpg(process.pid, signal.SIGKILL)
            process.wait()
        self._running.clear()


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind((LOOPBACK, 0))
        return int(probe.getsockname()[1])


def add_to_study(study: Path, lines: Sequence[str]) -> None:
    """Write more lines into study.toml."""
    with (study / "study.toml").open("a", encoding="utf-8") as file:
        file.write("\n" + "\n".join(lines) + "\n")


def change_a_limit(study: Path) -> None:
    """Change a decision of the study, so that the next night judges otherwise."""
    file = study / "limits.toml"
    text = file.read_text(encoding="utf-8")
    assert "limit = 20\n" in text
    file.write_text(text.replace("limit = 20\n", "limit = 25\n"), encoding="utf-8")


def wait_until(true: Callable[[], bool], seconds: float = 600.0) -> None:
    """Wait until something is true; AssertionError when it never becomes so, however slow."""
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "it did not come about"
        time.sleep(0.005)


def parts(study: Path) -> dict[str, object]:
    """Digest of every parquet file of the current night but the one that holds its times.

    Of those in which the time stands at which a delivery arrived, the rows without it.
    """
    night = current_night(study)
    found: dict[str, object] = {}
    for part in night_facts(night)["parts"]:
        if part["table"] in ("deliveries", "centres"):
            rows = pq.ParquetFile(night / part["path"]).read()
            arrives = [name for name in rows.column_names if name in ARRIVES]
            found[part["path"]] = rows.drop_columns(arrives).to_pylist()
        elif part["table"] != "nights":
            found[part["path"]] = part["file_sha256"]
    return found


def conservation(study: Path) -> list[tuple[object, ...]]:
    """Rows that say where every recording and trial of the current night went."""
    with open_current(study) as warehouse:
        return warehouse.execute("SELECT * FROM conservation ORDER BY ALL").fetchall()
