"""A night: what it holds while it is at work, when it has nothing to do, and how it ended."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from time import monotonic

import pandas as pd

from quietsleep.intake.find import DeliveryInventory, take_inventory
from quietsleep.measure.fingerprint import Job, code_fingerprint
from quietsleep.measure.recording import Pool, measuring_pool
from quietsleep.measure.roster import Roster
from quietsleep.night.verdict import NightState, NightVerdict, judge_of_night
from quietsleep.store.state import State
from quietsleep.study.review_log import FILE as REVIEWS
from quietsleep.study.storage import check_installed
from quietsleep.study.study import Study, load_study
from quietsleep.warehouse.current import WarehouseError, current_night, nights_folder
from quietsleep.warehouse.database import open_night as open_warehouse
from quietsleep.warehouse.integrity import is_complete
from quietsleep.warehouse.tables import JudgedStudy
from quietsleep.warehouse.upload import nights_uploaded

FIRST_NAME = "n000000"
# Opens what measures, given the study, a number of processes of this machine, and where to say
# what a person has to know of it.
Opener = Callable[[Study, int, list[str]], AbstractContextManager[Pool]]


@dataclass(slots=True)
class Night:
    """A night at work: the study, its open state, and what the stages hand on."""

    study: Study
    state: State
    pool: Pool
    name: str
    started_at: datetime
    full: bool
    inventory: DeliveryInventory
    notices: list[str] = field(default_factory=list)
    signature: str = ""
    began: float = field(default_factory=monotonic)
    chunks: list[list[Job]] = field(default_factory=list)
    jobs: dict[tuple[str, str], Job] = field(default_factory=dict)
    roster: Roster | None = None
    judged_study: JudgedStudy | None = None
    conservation: pd.DataFrame = field(default_factory=pd.DataFrame)
    folder: Path | None = None
    failures: list[str] = field(default_factory=list)
    spans: dict[str, tuple[float, float]] = field(default_factory=dict)
    n_measured: int = 0


@dataclass(frozen=True, slots=True)
class NightReport:
    """How a night ended, in numbers and sentences; `spans` says from when to when a stage ran."""

    night: str
    state: NightState
    idle: bool
    published: bool
    conservation: pd.DataFrame
    sentences: tuple[str, ...]
    n_measured: int
    n_unchanged: int
    n_problems: int
    seconds: float
    spans: Mapping[str, tuple[float, float]] = field(default_factory=dict)


@contextmanager
def open_night(
    study_path: Path, *, workers: int | None = None, full: bool = False, pool: Opener | None = None
) -> Iterator[Night]:
    """Open the study and its state for one night; raises StudyError and NightRunning.

    `workers` is the number of measuring processes, all cores unless given. `full` looks into
    every file again, even where size and time have not changed. `pool` opens what measures where
    these are not processes of this machine.
    """
    study = load_study(study_path)
    check_installed(study.storage)
    processes, notices = workers or os.cpu_count() or 1, list[str]()
    with (
        State(study.work_path) as state,
        pool(study, processes, notices) if pool else measuring_pool(processes) as opened,
    ):
        name, now = _next_name(study, state), datetime.now(UTC)
        # Taken before anything is read: what arrives during the night is left for the next one.
        night = Night(study, state, opened, name, now, full, take_inventory(study), notices)
        night.signature = signature(study, night.inventory)
        yield night


def _next_name(study: Study, state: State) -> str:
    """Return the name after the last that the state, the warehouse or its store remembers."""
    last = state.value("SELECT max(night) FROM nights") or FIRST_NAME
    kept = [folder.name for folder in nights_folder(study.path).glob("n" + 6 * "[0-9]")]
    carried = nights_uploaded(study.storage.warehouse)
    return f"n{int(max([last, *kept, *carried])[1:]) + 1:06d}"


def signature(study: Study, seen: DeliveryInventory) -> str:
    """Return a digest of all that a night rests on: deliveries, study files, code.

    Only names, sizes and times of deliveries are looked at. Equal signatures mean that nothing
    can have changed, so an unchanged night ends at once.
    """
    digest = hashlib.sha256(code_fingerprint().encode())
    for centre in study.centres:
        for found in seen.found[centre]:
            digest.update(f"{centre}/{found.delivery}/{found.stat_digest}".encode())
    for problem in seen.strays:
        digest.update(problem.sentence.encode())
    for file in study_files(study.path):
        digest.update(file.read_bytes())
    return digest.hexdigest()


def study_files(path: Path) -> list[Path]:
    """Return the files by which the coordinating centre steers a study."""
    named = [path / name for name in ("study.toml", "limits.toml", "waivers.toml", REVIEWS)]
    listed = [*path.glob("centres/*.toml"), *path.glob("references/*.toml")]
    return sorted(file for file in [*named, *listed] if file.is_file())


def is_idle(night: Night) -> bool:
    """Say whether nothing changed since the last night, and that night was published whole."""
    last = night.state.frame(
        "SELECT signature, published, state FROM nights ORDER BY night DESC LIMIT 1"
    )
    if night.full or last.empty or not last["published"][0] or last["state"][0] == "red":
        return False
    if last["signature"][0] != night.signature or night.state.waits():
        return False
    try:
        return is_complete(current_night(night.study.path))
    except WarehouseError:
        return False


def close_idle(night: Night) -> NightReport:
    """Record a night in which nothing had changed; the published night stays current."""
    last = current_night(night.study.path)
    with open_warehouse(last) as warehouse:
        conservation = warehouse.execute("SELECT * FROM conservation").df()
    before = night.state.frame("SELECT state, sentences FROM nights ORDER BY night DESC LIMIT 1")
    state: NightState = "red" if night.failures else before["state"][0]
    sentences = [*night.failures, *before["sentences"][0].splitlines()]
    _record(night, NightVerdict(state, tuple(sentences)), published=True)
    return _report(night, state, conservation, tuple(sentences), idle=True)


def close_night(night: Night) -> NightReport:
    """Record how the night ended and say it in numbers and sentences."""
    verdict = judge_of_night(night.judged_study, night.conservation, night.failures, night.notices)
    _record(night, verdict, published=night.folder is not None)
    return _report(night, verdict.state, night.conservation, verdict.sentences, idle=False)


def _record(night: Night, verdict: NightVerdict, *, published: bool) -> None:
    row = {
        "night": night.name,
        "started_at": night.started_at,
        "ended_at": datetime.now(UTC),
        "state": verdict.state,
        "sentences": "\n".join(verdict.sentences),
        "signature": night.signature if published else "",
        "code_fingerprint": code_fingerprint(),
        "published": published,
    }
    night.state.append("nights", pd.DataFrame([row]))


def _report(
    night: Night,
    state: NightState,
    conservation: pd.DataFrame,
    sentences: tuple[str, ...],
    *,
    idle: bool,
) -> NightReport:
    return NightReport(
        night=night.name,
        state=state,
        idle=idle,
        published=night.folder is not None,
        conservation=conservation,
        sentences=sentences,
        n_measured=night.n_measured,
        n_unchanged=night.state.value("SELECT count(*) FROM measured") - night.n_measured,
        n_problems=night.state.value("SELECT count(*) FROM problems"),
        seconds=monotonic() - night.began,
        spans=dict(night.spans),
    )
