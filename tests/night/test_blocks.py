"""A study judged in many blocks is the study judged in one: the same rows, the same bytes."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from quietsleep.judge import study as blocks
from quietsleep.measure.pool import InProcess
from quietsleep.measure.roster import Roster, read_roster
from quietsleep.night.stages import run_night
from quietsleep.store.state import State
from quietsleep.study.history import history_of
from quietsleep.study.study import load_study
from quietsleep.warehouse.current import current_night, night_facts
from quietsleep.warehouse.registered import open_register

# What names the night itself, or tells the story of several.
OF_THE_NIGHT = {"nights", "ledger", "changes", "conservation", "session_changes", "briefing"}


def published(study: Path) -> dict[str, str]:
    """Digest of the rows of each part."""
    parts = night_facts(current_night(study))["parts"]
    return {p["path"]: p["rows_sha256"] for p in parts if p["table"] not in OF_THE_NIGHT}


def test_blocks_change_no_row(
    study_after: Path, pool: InProcess, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = published(study_after)
    monkeypatch.setattr(blocks, "RECORDINGS_A_BLOCK", 3)
    report = run_night(study_after, full=True)
    assert report.state != "red"
    assert report.conservation["balances"].all()
    assert published(study_after) == whole


def roster_of(study: Path) -> Roster:
    with State(study / "work") as state:
        return read_roster(state, history_of(open_register(load_study(study))))


@pytest.mark.parametrize("size", [1, 4, 1000])
def test_every_row_is_in_one_block(
    study_after: Path, pool: InProcess, monkeypatch: pytest.MonkeyPatch, size: int
) -> None:
    roster = roster_of(study_after)
    monkeypatch.setattr(blocks, "RECORDINGS_A_BLOCK", size)
    cut = list(blocks.blocks_of(roster))
    assert (len(cut) > len(roster.sessions["centre"].unique())) == (size < 1000)
    for name in ("sessions", "recordings", "reported", "session_checks"):
        parts = [getattr(block.roster, name) for block in cut]
        assert sorted(pd.concat(parts).index) == sorted(getattr(roster, name).index), name
    judged = pd.concat([block.roster.checks for block in cut if block.has_checks])
    assert sorted(judged.index) == sorted(roster.checks.index)
    for block in cut:
        assert set(block.roster.session_checks["check_id"]) <= set(block.roster.checks["check_id"])
