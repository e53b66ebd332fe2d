"""A night that changes nothing: run on a copy of the study, and held against what is published.

The copy lies in a folder of temporary files and goes with it. Deliveries and published files are
not copied but linked to, and only read.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager, nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from quietsleep import contract
from quietsleep.errors import WarehouseError
from quietsleep.night.night import NightReport
from quietsleep.night.stages import run_aside
from quietsleep.store.state import night_lock
from quietsleep.study.register import FILE
from quietsleep.study.register_key import KEY_VARIABLE
from quietsleep.study.register_witness import forget
from quietsleep.study.study import Study
from quietsleep.warehouse.current import current_night
from quietsleep.warehouse.database import open_night
from quietsleep.warehouse.session_changes import COLUMNS, SessionChange, session_changes
from quietsleep.warehouse.stamps import FILE as STAMPS

# Folders of a study that a night reads whole; files beside them are copied as well.
COPIED = ("centres", "references")
OF_WORK = ("state.duckdb", "register", "centres")
CHANGES = f"SELECT {', '.join(COLUMNS)} FROM changes WHERE night = ? ORDER BY ALL"
QUERIES = "SELECT query, centre, kind, sentence, remedy FROM queries WHERE state = 'open'"


@dataclass(frozen=True, slots=True)
class CountedChange:
    """How much would change in one table for one cause: rows added, removed, and values."""

    table: str
    cause: str
    added: int
    removed: int
    values: int


@dataclass(frozen=True, slots=True)
class DryRun:
    """What a night would come to, and what it would change of the published night `against`."""

    report: NightReport
    against: str | None
    sessions: tuple[SessionChange, ...]
    counts: tuple[CountedChange, ...]
    new_queries: tuple[dict[str, Any], ...]
    settled_queries: tuple[dict[str, Any], ...]


def dry_run(study: Study, *, workers: int | None = None, full: bool = False) -> DryRun:
    """Run the night that would come next on a copy, and say what it would change.

    NightRunning where a night is at work. A study that never had a night is sealed by a key that
    goes with the copy.
    """
    before = _published(study.path)
    with tempfile.TemporaryDirectory(prefix="quietsleep-dry-run-") as place:
        aside = Path(place).resolve() / study.path.resolve().name
        with _nobody_at_work(study):
            copy_for_dry_run(study, before, aside)
        with _own_key(study, Path(place) / "register.key"):
            try:
                report = run_aside(aside, workers=workers, full=full)
            finally:
                forget(aside)
        after = _published(aside) if report.published and not report.idle else None
        return _compared(report, before, after)


@contextmanager
def _nobody_at_work(study: Study) -> Iterator[None]:
    """Keep nights away while the state is copied; a study that never had one has no lock."""
    if not study.work_path.is_dir():
        yield
        return
    lock = night_lock(study.work_path)
    try:
        yield
    finally:
        lock.release()


@contextmanager
def _own_key(study: Study, key: Path) -> Iterator[None]:
    if (study.path / FILE).exists():
        yield
        return
    before = os.environ.get(KEY_VARIABLE)
    os.environ[KEY_VARIABLE] = str(key)
    try:
        yield
    finally:
        if before is None:
            del os.environ[KEY_VARIABLE]
        else:
            os.environ[KEY_VARIABLE] = before


def copy_for_dry_run(study: Study, published: Path | None, aside: Path) -> None:
    """Copy what a night changes of a study, and link to what it reads."""
    aside.mkdir(parents=True)
    for file in (path for path in study.path.iterdir() if path.is_file()):
        shutil.copy2(file, aside / file.name)
    for name in COPIED:
        if (study.path / name).is_dir():
            shutil.copytree(study.path / name, aside / name)
    if study.deliveries_path.is_dir():
        (aside / "deliveries").symlink_to(study.deliveries_path.resolve(), target_is_directory=True)
    for name in OF_WORK:
        source, target = study.work_path / name, aside / "work" / name
        target.parent.mkdir(exist_ok=True)
        if source.is_dir():
            shutil.copytree(source, target)
        elif source.exists():
            shutil.copy2(source, target)
    if published is not None:
        _link_night(published, aside / "warehouse")


def _link_night(published: Path, warehouse: Path) -> None:
    night = warehouse / "nights" / published.name
    for file in (path for path in published.rglob("*") if path.is_file()):
        target = night / file.relative_to(published)
        target.parent.mkdir(parents=True, exist_ok=True)
        target.symlink_to(file)
    # The files are those of the study, so what was kept of their sizes and times holds.
    if (stamps := published.parent.parent / STAMPS).is_file():
        shutil.copy2(stamps, warehouse / STAMPS)
    (warehouse / "current").symlink_to(Path("nights") / published.name, target_is_directory=True)


def _published(path: Path) -> Path | None:
    try:
        return current_night(path)
    except WarehouseError:
        return None


def _compared(report: NightReport, before: Path | None, after: Path | None) -> DryRun:
    changes = pd.DataFrame(columns=[*COLUMNS])
    then, now = _open_queries(before), _open_queries(before)
    if after is not None:
        now = _open_queries(after)
        with closing(open_night(after)) as warehouse:
            changes = warehouse.execute(CHANGES, [report.night]).df()
    return DryRun(
        report,
        before.name if before else None,
        tuple(session_changes(changes)),
        tuple(counted(changes)),
        tuple(row for number, row in now.items() if number not in then),
        tuple(row for number, row in then.items() if number not in now),
    )


def _open_queries(night: Path | None) -> dict[int, dict[str, Any]]:
    with closing(open_night(night)) if night else nullcontext() as warehouse:
        if warehouse is None:
            return {}
        answer = warehouse.execute(QUERIES)
        names = [column[0] for column in answer.description or ()]
        rows = [dict(zip(names, row, strict=True)) for row in answer.fetchall()]
    order = {kind: place for place, kind in enumerate(contract.QUERIES.kinds)}
    rows.sort(key=lambda row: (order.get(row["kind"], len(order)), row["query"]))
    return {row["query"]: row for row in rows}


def counted(changes: pd.DataFrame) -> Iterator[CountedChange]:
    """Count changes by table and cause."""
    for (table, cause), rows in changes.groupby(["table_name", "cause"], dropna=False):
        whole = rows["column_name"] == ""
        yield CountedChange(
            str(table),
            str(cause),
            int((whole & rows["before"].isna()).sum()),
            int((whole & rows["after"].isna()).sum()),
            int((~whole).sum()),
        )
