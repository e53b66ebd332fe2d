"""A large study at low cost: `python -m benchmarks.large_study FOLDER --sessions 2000`.

The recordings are those of simulated visits, a few hundred of them, and lie in the deliveries as
hard links. Every visit has a body and a room of its own, so each recording of each visit is
measured anew: it is read, hashed and computed as if it were alone.
"""

from __future__ import annotations

import argparse
import csv
import hashlib
import io
import json
import os
import shutil
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import islice
from pathlib import Path
from typing import Any

from quietsleep.simulation.centres import SimulationJob, run, write_delivery, write_study_files
from quietsleep.simulation.exports import table_bytes
from quietsleep.simulation.faults import FAULTS
from quietsleep.simulation.scenario import Scenario, load_scenarios
from quietsleep.simulation.sessions import slots_of

RECORDINGS_A_SESSION = 50
SESSIONS_A_DELIVERY = 100
SIMULATED_VISITS = 24
SEED = 7
Row = dict[str, str]


@dataclass(frozen=True, slots=True)
class Pool:
    """What was simulated for one centre: rows of its tables, and the digest of each file."""

    folder: Path
    sessions: Sequence[Row]
    recordings: Sequence[Row]
    checks: Sequence[Row]
    reported: Mapping[str, Sequence[Row]]
    digests: Mapping[str, tuple[int, str]]


def write_large_study(
    path: Path, *, sessions: int, recordings: int = RECORDINGS_A_SESSION, processes: int = 2
) -> Path:
    """Write a study of so many sessions, with so many recordings in each, over all centres."""
    scenarios = [_sound(scenario) for scenario in load_scenarios() if scenario.delivers]
    write_study_files(path, scenarios, seed=SEED)
    simulated = path / "simulated"
    jobs = [
        SimulationJob(scenario, 1, tuple(slots), tuple(slots), SEED, simulated / scenario.centre)
        for scenario in scenarios
        if (slots := slots_of(scenario, seed=SEED, sessions=SIMULATED_VISITS))
    ]
    run(write_delivery, jobs, processes)
    for turn, scenario in enumerate(scenarios):
        own = sessions // len(scenarios) + (turn < sessions % len(scenarios))
        pool = _read_pool(simulated / scenario.centre)
        for number, first in enumerate(range(0, own, SESSIONS_A_DELIVERY), start=1):
            wanted = range(first, min(first + SESSIONS_A_DELIVERY, own))
            name = f"{scenario.centre}-{number:03d}"
            folder = path / "deliveries" / scenario.centre / name
            _write_delivery(folder, pool, wanted, recordings=recordings)
    return path


def _sound(scenario: Scenario) -> Scenario:
    """A centre whose infants and manoeuvres may fail, but whose tables and files do not."""
    kept = tuple(
        p for p in scenario.planted if FAULTS[p.fault].owner not in ("session", "delivery")
    )
    return replace(scenario, planted=kept, slips=(), zipped=())


def _read_pool(folder: Path) -> Pool:
    rows = {name: _rows(folder / f"{name}.csv") for name in ("sessions", "recordings", "checks")}
    reported: dict[str, list[Row]] = {}
    for row in _rows(folder / "reported.csv"):
        reported.setdefault(row["session"], []).append(row)
    listed = json.loads((folder / "delivery.json").read_text())["files"]
    digests = {file["path"]: (file["bytes"], file["sha256"]) for file in listed}
    return Pool(folder, rows["sessions"], rows["recordings"], rows["checks"], reported, digests)


def _rows(path: Path) -> list[Row]:
    with path.open(newline="") as file:
        return list(csv.DictReader(file))


def _write_delivery(folder: Path, pool: Pool, wanted: range, *, recordings: int) -> None:
    """Write one delivery; `wanted` numbers its sessions within the centre."""
    tables: dict[str, list[Row]] = {n: [] for n in ("sessions", "recordings", "checks", "reported")}
    linked: dict[str, str] = {}
    for number in wanted:
        session = _session(pool, number)
        tables["sessions"].append(session)
        before = pool.sessions[number % len(pool.sessions)]["session"]
        tables["reported"] += [
            row | {"session": session["session"]} for row in pool.reported.get(before, ())
        ]
        for row, file in _recordings(pool, session, number, recordings):
            tables["recordings"].append(row)
            linked[row["file"]] = file
        for row, file in _checks(pool, session, number):
            tables["checks"].append(row)
            linked[row["file"]] = file
    _hand_over(folder, pool, tables, linked)


def _session(pool: Pool, number: int) -> Row:
    """A visit of its own: another day, body and room than that of the simulated visit."""
    turn, place = divmod(number, len(pool.sessions))
    row = pool.sessions[place]
    centre = pool.folder.name
    return row | {
        "session": f"{centre}-s{number + 1:05d}",
        "infant": f"{centre}-i{number + 1:05d}",
        "tested_at": _later(row["tested_at"], turn),
        "weight_kg": f"{float(row['weight_kg']) * (1.0 + 0.0002 * (turn % 97)):.4f}",
        "room_temperature_c": f"{float(row['room_temperature_c']) + 0.001 * (turn % 89):.3f}",
    }


def _later(time: str, turn: int) -> str:
    """The same time some days earlier, so that few sessions share a day and none lies ahead."""
    return (datetime.fromisoformat(time) - timedelta(days=turn)).isoformat()


def _recordings(pool: Pool, session: Row, number: int, count: int) -> Iterator[tuple[Row, str]]:
    """So many recordings of the pool, each at most once in a session."""
    size = len(pool.recordings)
    if count > size:
        raise ValueError(f"{pool.folder.name} has {size} simulated recordings, not {count}")
    turn = number // len(pool.sessions)
    for place in islice(range(number * count, number * count + size), count):
        row = pool.recordings[place % size]
        code = f"{session['session']}-r{place % size + 1:03d}"
        moved = row | {"session": session["session"], "recording": code, "file": ""}
        moved["started_at"] = _later(row["started_at"], turn) if row.get("started_at") else ""
        suffix = Path(row["file"]).suffix
        file = f"signals/{session['session']}/{code}{suffix}"
        yield {k: v for k, v in (moved | {"file": file}).items() if k in row}, row["file"]


def _checks(pool: Pool, session: Row, number: int) -> Iterator[tuple[Row, str]]:
    """The checks of the simulated visit's day, moved to the day of the session."""
    turn, place = divmod(number, len(pool.sessions))
    day = pool.sessions[place]["tested_at"][:10]
    for row in pool.checks:
        if row["done_at"][:10] == day:
            code = f"{pool.folder.name}-{row['kind'].replace('_', '-')}-{number + 1:05d}"
            file = f"signals/{code}/{code}{Path(row['file']).suffix}"
            moved = {"check": code, "done_at": _later(row["done_at"], turn), "file": file}
            yield row | moved, row["file"]


def _hand_over(
    folder: Path, pool: Pool, tables: Mapping[str, Sequence[Row]], linked: Mapping[str, str]
) -> None:
    folder.mkdir(parents=True)
    listed: list[dict[str, Any]] = []
    for path, file in linked.items():
        target = folder / path
        target.parent.mkdir(parents=True, exist_ok=True)
        _link(pool.folder / file, target)
        size, sha256 = pool.digests[file]
        listed.append({"path": path, "bytes": size, "sha256": sha256})
    for name, rows in tables.items():
        columns = _heading(pool.folder / f"{name}.csv")
        data = table_bytes(rows, columns)
        (folder / f"{name}.csv").write_bytes(data)
        digest = hashlib.sha256(data).hexdigest()
        listed.append({"path": f"{name}.csv", "bytes": len(data), "sha256": digest})
    manifest = json.loads((pool.folder / "delivery.json").read_text())
    manifest |= {"delivery": folder.name, "files": listed}
    (folder / "delivery.json").write_text(json.dumps(manifest))


def _heading(table: Path) -> list[str]:
    with table.open(newline="") as file:
        return next(csv.reader(io.StringIO(file.readline())))


def _link(source: Path, target: Path) -> None:
    """Link a file; where the source has as many links as it may, it is copied first."""
    try:
        os.link(source, target)
    except OSError:
        fresh = source.with_name(f"{source.name}.more")
        shutil.copy2(source, fresh)
        fresh.replace(source)
        os.link(source, target)


def main() -> None:
    parser = argparse.ArgumentParser(description="Write a large study at low cost.")
    parser.add_argument("folder", type=Path)
    parser.add_argument("--sessions", type=int, default=2000)
    parser.add_argument("--recordings", type=int, default=RECORDINGS_A_SESSION)
    args = parser.parse_args()
    write_large_study(args.folder, sessions=args.sessions, recordings=args.recordings)


if __name__ == "__main__":
    main()
