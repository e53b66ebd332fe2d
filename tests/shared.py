"""Studies and nights made once for all processes of a run."""

from __future__ import annotations

import os
import pickle
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import pytest
from filelock import FileLock

from quietsleep.contract import schemas
from quietsleep.contract.schemas import duckdb_ddl
from quietsleep.warehouse import database
from quietsleep.warehouse.layout import Order, lay_out

Made = TypeVar("Made")


def made_once(
    factory: pytest.TempPathFactory, name: str, make: Callable[[Path], Made]
) -> tuple[Path, Made]:
    """Return the folder of this name, and what making it returned; the first process makes it.

    Others wait, so nobody may change the folder: a test that writes works on a copy.
    """
    run = factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        run = run.parent
    folder = run / "shared" / name
    folder.parent.mkdir(exist_ok=True)
    said = folder.with_name(f"{name}.pickle")
    with FileLock(folder.with_name(f"{name}.lock")):
        if not said.exists():
            shutil.rmtree(folder, ignore_errors=True)  # what a process that failed has left
            folder.mkdir()
            said.write_bytes(pickle.dumps(make(folder)))
    answer: Made = pickle.loads(said.read_bytes())
    return folder, answer


def copy_of_one(study: Path, target: Path, *, centre: str) -> Path:
    """Copy a study in which only one centre has delivered; return the copy."""
    shutil.copytree(study, target)
    for deliveries in target.glob("deliveries/*"):
        if deliveries.name != centre:
            shutil.rmtree(deliveries)
    return target


def lay_out_here(order: Order) -> bytes:
    """Lay out study.duckdb in this process; what goes wrong is raised as it is."""
    lay_out(Path(order.folder), order.tables, order.view_statements)
    return b"null\n"


def lay_out_plainly(patch: pytest.MonkeyPatch) -> None:
    """Lay databases out in this process and without the comments on tables."""
    patch.setattr(database, "_answer_to", lay_out_here)
    patch.setattr(schemas, "duckdb_ddl", lambda table: duckdb_ddl(table).partition(";")[0])
