"""A night on a store and a cluster is the night of one machine: the same bytes, by the same flow."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

from pipeline.intake.store import Address
from pipeline.stages import run_night
from pipeline.warehouse.current import current_night, night_facts
from pipeline.warehouse.query import open_current
from tests.cluster.places import ROOT, Store, Workers, add_to_study

# These tell of the night itself: its times, and what was found where.
OF_THE_NIGHT = {"nights"}


def parts(study: Path) -> dict[str, str]:
    """Digest of every parquet file that does not name times."""
    facts = night_facts(current_night(study))
    return {p["path"]: p["file_sha256"] for p in facts["parts"] if p["table"] not in OF_THE_NIGHT}


def conservation(study: Path) -> list[tuple[object, ...]]:
    with open_current(study) as warehouse:
        return warehouse.execute("SELECT * FROM conservation ORDER BY ALL").fetchall()


def nightly(study: Path) -> subprocess.CompletedProcess[str]:
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    return subprocess.run(
        [sys.executable, "-c", "from pipeline.cli import app; app()", "nightly", str(study)],
        capture_output=True, text=True, env=environment, check=False,
    )  # fmt: skip


def test_night_on_store_and_cluster_gives_the_bytes_of_one_machine(
    stored: Path, one_machine: Path, workers: Workers, s3: Store
) -> None:
    add_to_study(stored, ["[cluster]", f'scheduler = "{workers.address}"'])
    ended = nightly(stored)
    assert (ended.returncode, ended.stderr) == (0, ""), ended.stderr
    assert parts(stored) == parts(one_machine)
    assert conservation(stored) == conservation(one_machine)
    print(s3.counts())
