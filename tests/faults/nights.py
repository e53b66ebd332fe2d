"""What the tests of faults share: a very small study, nights to be killed, and comparisons."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from pathlib import Path
from queue import LifoQueue
from subprocess import PIPE
from typing import Any, TypeVar

import pyarrow.parquet as pq

from quietsleep.simulation.centres import (
    jobs_of,
    write_delivery,
    write_study_files,
    write_study_rules,
)
from quietsleep.simulation.scenario import load_scenarios
from quietsleep.warehouse.current import current_night
from quietsleep.warehouse.database import open_current

HERE = Path(__file__).parent
# Tables in which the name of the night stands, or when a delivery arrived, or what changed since
# the night before.
OF_THE_NIGHT = {"ledger", "conservation", "problems", "queries", "deliveries", "recordings",
                "checks", "centres"}  # fmt: skip
NOT_COMPARED = {"nights", "changes", "session_changes", "briefing"}
# With those of the code, because a process that started earlier may have read another.
NIGHT_COLUMNS = {"night", "first_night", "opened_in", "closed_in", "arrived_at",
                 "last_delivery_at", "code_fingerprint", "content_key"}  # fmt: skip
T = TypeVar("T")
R = TypeVar("R")
FIRST, SECOND = "juniper", "larch"


def write_micro_study(path: Path) -> Path:
    """Write a study of two centres with one visit each, one of box and one of forced flows."""
    scenarios = tuple(s for s in load_scenarios() if s.centre in (FIRST, SECOND))
    write_study_files(path, scenarios, seed=7)
    write_study_rules(path)
    (path / "waivers.toml").unlink()
    for scenario in scenarios:
        for job in jobs_of(scenario, path, seed=7, sessions=1):
            write_delivery(job)
    return path


class Nights:
    """Two servers of nights, so that two studies can be at work at once; see `serving`.

    Each starts when it is first needed: often the nights wanted were run for another process.
    """

    AT_ONCE = 2

    def __init__(self) -> None:
        self._servers: list[subprocess.Popen[str]] = []
        self._free: LifoQueue[subprocess.Popen[str] | None] = LifoQueue()
        for _ in range(self.AT_ONCE):
            self._free.put(None)

    def _start(self) -> subprocess.Popen[str]:
        command = [sys.executable, str(HERE / "serving.py")]
        server = subprocess.Popen(command, stdin=PIPE, stdout=PIPE, text=True)
        self._servers.append(server)
        return server

    def run(self, study: Path, **order: Any) -> dict[str, Any]:
        """Run one night and return how it ended."""
        server = self._free.get() or self._start()
        try:
            assert server.stdin is not None and server.stdout is not None
            server.stdin.write(json.dumps({"study": str(study), **order}) + "\n")
            server.stdin.flush()
            answer: dict[str, Any] = json.loads(server.stdout.readline())
            return answer
        finally:
            self._free.put(server)

    def side_by_side(self, act: Callable[[T], R], items: Iterable[T]) -> list[R]:
        """Do something with nights to each item, two items at a time."""
        with ThreadPoolExecutor(self.AT_ONCE) as threads:
            return list(threads.map(act, items))

    def close(self) -> None:
        for server in self._servers:
            server.communicate()


@contextmanager
def reader(study: Path, end: Path) -> Iterator[list[dict[str, Any]]]:
    """Read the study's warehouse all through a block; afterwards the list holds what was seen."""
    seen: list[dict[str, Any]] = []
    process = subprocess.Popen(
        [sys.executable, str(HERE / "reading.py"), str(study), str(end)],
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        yield seen
    finally:
        end.touch()
        said, _ = process.communicate(timeout=600)
        seen.append(json.loads(said))


def content(study: Path) -> dict[str, str]:
    """Digest what the published night says, its own name left out."""
    night = current_night(study)
    found = {}
    for file in sorted(night.glob("tables/**/*.parquet")):
        place = file.relative_to(night)
        table = place.parts[1]
        if table in NOT_COMPARED:
            continue
        body = file.read_bytes()
        if table in OF_THE_NIGHT:
            rows = pq.ParquetFile(file).read().to_pylist()
            told = [[str(v) for k, v in row.items() if k not in NIGHT_COLUMNS] for row in rows]
            body = json.dumps(sorted(told)).encode()
        found[place.as_posix()] = hashlib.sha256(body).hexdigest()
    return found


def open_kinds(study: Path) -> list[str]:
    """Name the kinds of data queries that are open."""
    with open_current(study) as warehouse:
        sql = "SELECT DISTINCT kind FROM queries WHERE state = 'open' ORDER BY kind"
        return [kind for (kind,) in warehouse.execute(sql).fetchall()]


def without_queries(found: dict[str, str]) -> dict[str, str]:
    """Leave out of what a night says the data queries."""
    return {name: digest for name, digest in found.items() if "/queries/" not in name}


def pages(study: Path) -> set[str]:
    """Name the pages of a study."""
    return {p.relative_to(study).as_posix() for p in (study / "pages").rglob("*") if p.is_file()}


def left_over(study: Path) -> list[str]:
    """Name what a killed night may leave and the next one must have taken away."""
    kept = (study / "warehouse", study / "pages", study / "work")
    found = [p for top in kept for p in top.rglob("*")]
    return [str(p) for p in found if p.name.endswith((".new", ".part", ".aside"))]


def copy_of(study: Path, path: Path) -> Path:
    """Copy a study, deliveries with their times, so that what is known of them still holds."""
    shutil.copytree(study, path, symlinks=True)
    return path


def processes_of(study: Path) -> list[int]:
    """Name the processes whose environment or command names a study, the server's among them."""
    found = []
    for process in Path("/proc").glob("[0-9]*"):
        with suppress(OSError):
            said = (process / "environ").read_bytes() + (process / "cmdline").read_bytes()
            if bytes(study) in said and int(process.name) != os.getpid():
                found.append(int(process.name))
    return found


def touch(study: Path) -> None:
    """Give the next night something to look at, without any change of content."""
    with (study / "study.toml").open("a", encoding="utf-8") as file:
        file.write("# touched\n")
