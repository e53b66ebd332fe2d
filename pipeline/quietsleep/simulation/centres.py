"""The demo study: five invented centres, half a year of sessions, planted faults, known truth."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, fields
from datetime import UTC, date, datetime, time, timedelta
from multiprocessing import get_context
from pathlib import Path
from typing import TypeVar

from quietsleep.data import data_folder
from quietsleep.simulation.checks import CheckDay, simulate_check_day
from quietsleep.simulation.exports import CONTRACT, Cells, hand_over, manifest_bytes, table_bytes
from quietsleep.simulation.faults import FAULTS
from quietsleep.simulation.scenario import Scenario, centre_toml, load_scenarios
from quietsleep.simulation.sessions import (
    SimulatedSession,
    Slot,
    planted,
    simulate_session,
    slots_of,
)

J = TypeVar("J")
DELIVERIES_A_CENTRE = 3
LARGEST_DELIVERY = 40  # sessions, so that a delivery in the making fits in memory
TABLE_FILES = ("sessions", "recordings", "checks", "reported")
FACT_COLUMNS = ["recording", "technique", "trial", "fact", "value"]
TRUTH_COLUMNS = ["recording", "technique", "trial", "at_s", "quantity", "value"]
FAULT_COLUMNS = [
    "fault",
    "centre",
    "item_kind",
    "item",
    "session",
    "share",
    "expected_rule",
    "level",
    "verdict",
    "meaning",
]


@dataclass(frozen=True, slots=True)
class Written:
    """What one delivery left for the truth folder."""

    truth_rows: list[Cells]
    breath_rows: list[Cells]
    fact_rows: list[Cells]
    fault_rows: list[Cells]
    infant_rows: list[Cells]


@dataclass(frozen=True, slots=True)
class SimulationJob:
    """One delivery to be made: everything that a worker needs."""

    scenario: Scenario
    number: int
    slots: tuple[Slot, ...]
    check_slots: tuple[Slot, ...]
    seed: int
    folder: Path
    again: bool = False


def write_demo_study(
    path: Path | str, *, seed: int = 7, sessions_per_centre: int = 12, processes: int = 2
) -> Path:
    """Write a whole study folder with deliveries, and beside them `truth/` for tests only.

    The same arguments give the same bytes. Larger studies repeat the planted faults every
    twelve sessions.
    """
    path = Path(path)
    scenarios = load_scenarios()
    write_study_files(path, scenarios, seed=seed)
    write_study_rules(path)
    jobs = [
        job
        for scenario in scenarios
        if scenario.delivers
        for job in jobs_of(scenario, path, seed=seed, sessions=sessions_per_centre)
    ]
    written = run(write_delivery, jobs, processes)
    write_truth(path / "truth", scenarios, written)
    return path


def run(work: Callable[[J], Written], jobs: Sequence[J], processes: int) -> list[Written]:
    """Do the jobs here or in worker processes, results in the order of the jobs."""
    if processes <= 1:
        return [work(job) for job in jobs]
    with ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        return list(pool.map(work, jobs))


def jobs_of(scenario: Scenario, path: Path, *, seed: int, sessions: int) -> list[SimulationJob]:
    """Deliveries over the months, and once more those sessions that were corrected."""
    slots = slots_of(scenario, seed=seed, sessions=sessions)
    size = min(-(-len(slots) // DELIVERIES_A_CENTRE), LARGEST_DELIVERY)
    first_of_day: dict[date, Slot] = {}
    for slot in slots:
        first_of_day.setdefault(slot.tested_at.date(), slot)
    jobs = []
    for number, first in enumerate(range(0, len(slots), size), start=1):
        part = tuple(slots[first : first + size])
        days = tuple(s for s in part if first_of_day[s.tested_at.date()] is s)
        folder = path / "deliveries" / scenario.centre / f"{scenario.centre}-{number:02d}"
        jobs.append(SimulationJob(scenario, number, part, days, seed, folder))
    twice = tuple(
        slot for slot in slots[:12] if any(p.fault == "superseded" for p in planted(scenario, slot))
    )
    if twice:
        folder = path / "deliveries" / scenario.centre / f"{scenario.centre}-02-corrected"
        jobs.append(SimulationJob(scenario, 2, twice, (), seed, folder, again=True))
    return jobs


def write_delivery(job: SimulationJob) -> Written:
    """Simulate and write one delivery."""
    sessions = [simulate_session(job.scenario, slot, seed=job.seed) for slot in job.slots]
    days = [simulate_check_day(job.scenario, slot, seed=job.seed) for slot in job.check_slots]
    for session in sessions:
        correct_or_spoil(job, session)
    last = max(slot.tested_at for slot in job.slots).date()
    if job.again:
        last += timedelta(days=job.scenario.days_between * 4)
    zipped = job.number in job.scenario.zipped and not job.again
    centre = job.scenario.centre
    written = deliver(sessions, days, centre=centre, folder=job.folder, last=last, zipped=zipped)
    return Written(*([] for _ in fields(Written))) if job.again else written


def deliver(
    sessions: Sequence[SimulatedSession],
    days: Sequence[CheckDay],
    *,
    centre: str,
    folder: Path,
    last: date,
    zipped: bool = False,
) -> Written:
    """Write sessions and days of checks as one delivery, handed over two days after the last."""
    handed, spoiled = collected(sessions, days)
    created = datetime.combine(last + timedelta(days=2), time(15, 0), UTC)
    manifest = manifest_bytes(handed, centre=centre, delivery=folder.name, created=created)
    hand_over(folder, handed, spoiled=spoiled, manifest=manifest, zipped=zipped)
    made: list[SimulatedSession | CheckDay] = [*sessions, *days]
    return Written(
        truth_rows=[row for item in made for row in item.truth_rows],
        breath_rows=[row for session in sessions for row in session.breath_rows],
        fact_rows=[row for session in sessions for row in session.fact_rows],
        fault_rows=[row | {"centre": centre} for item in made for row in item.fault_rows],
        infant_rows=[session.infant_row for session in sessions],
    )


def correct_or_spoil(job: SimulationJob, session: SimulatedSession) -> None:
    """The first delivery of a superseded session has a wrong weight; the later one is right."""
    faults = {p.fault for p in planted(job.scenario, session.slot)}
    if "superseded" in faults and not job.again:
        session.session_row["weight_kg"] = f"{float(session.session_row['weight_kg']) + 1.5:.2f}"


def collected(
    sessions: Sequence[SimulatedSession], days: Sequence[CheckDay]
) -> tuple[dict[str, bytes], dict[str, bytes | None]]:
    """Tables and signal files of a delivery, and those that are spoiled on the way."""
    rows: Mapping[str, list[dict[str, str]]] = {
        "sessions": [session.session_row for session in sessions],
        "recordings": [row for session in sessions for row in session.recording_rows],
        "checks": [row for day in days for row in day.rows],
        "reported": [row for session in sessions for row in session.reported_rows],
    }
    handed: dict[str, bytes] = {}
    for name in TABLE_FILES:
        handed[f"{name}.csv"] = table_bytes(rows[name], columns_of(name))
    spoiled: dict[str, bytes | None] = {}
    for session in sessions:
        handed.update(session.files)
        spoiled.update(session.spoiled)
    for day in days:
        handed.update(day.files)
    return handed, spoiled


def columns_of(table: str) -> list[str]:
    """Columns of a table of a delivery, as the contract lists them."""
    file = data_folder("contracts") / "tables" / f"delivery_{table}.toml"
    return [column["name"] for column in tomllib.loads(file.read_text("utf-8"))["columns"]]


def write_study_files(path: Path, scenarios: Sequence[Scenario], *, seed: int) -> None:
    """study.toml and centres/; scenarios of one centre make one centre of several devices."""
    (path / "centres").mkdir(parents=True, exist_ok=True)
    (path / "deliveries").mkdir(exist_ok=True)
    study = (
        'study = "quietsleep-demo"\ntitle = "Invented demo study"\n'
        f'contract = "{CONTRACT}"\nseed = {seed}\n'
    )
    (path / "study.toml").write_text(study, encoding="utf-8")
    for centre in {scenario.centre: None for scenario in scenarios}:
        own = [scenario for scenario in scenarios if scenario.centre == centre]
        (path / "centres" / f"{centre}.toml").write_text(centre_toml(*own), encoding="utf-8")


def write_study_rules(path: Path) -> None:
    """limits.toml and waivers.toml, which name items of the demo study."""
    for name in ("limits.toml", "waivers.toml"):
        text = (data_folder("demo_centres") / "scenario" / "study" / name).read_text("utf-8")
        (path / name).write_text(text, encoding="utf-8")


def write_truth(folder: Path, scenarios: Sequence[Scenario], written: Sequence[Written]) -> None:
    """Truth beside the study: quantities of every trial, infants, and planted faults."""
    folder.mkdir(parents=True, exist_ok=True)
    nothing = [
        {
            "fault": "nothing_delivered",
            "centre": s.centre,
            "item_kind": "centre",
            "item": s.centre,
            "expected_rule": FAULTS["nothing_delivered"].expected_rule,
            "level": "delivery",
            "verdict": FAULTS["nothing_delivered"].verdict,
            "meaning": FAULTS["nothing_delivered"].meaning,
        }
        for s in scenarios
        if not s.delivers
    ]
    truth = [row for part in written for row in part.truth_rows]
    faults = [row for part in written for row in part.fault_rows] + nothing
    infants = [row for part in written for row in part.infant_rows]
    breaths = [row for part in written for row in part.breath_rows]
    (folder / "trials.csv").write_bytes(table_bytes(truth, TRUTH_COLUMNS))
    of_breaths = list(breaths[0]) if breaths else ["recording", "start_s", "end_s"]
    (folder / "breaths.csv").write_bytes(table_bytes(breaths, of_breaths))
    facts = [row for part in written for row in part.fact_rows]
    (folder / "facts.csv").write_bytes(table_bytes(facts, FACT_COLUMNS))
    (folder / "faults.csv").write_bytes(table_bytes(faults, FAULT_COLUMNS))
    (folder / "infants.csv").write_bytes(table_bytes(infants, list(infants[0])))
