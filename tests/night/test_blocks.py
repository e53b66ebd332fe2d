"""A study judged in many blocks is the study judged in one: the same rows, the same bytes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from quietsleep.judge import blocks
from quietsleep.judge import study as judging
from quietsleep.judge.blocks import Block, blocks_of
from quietsleep.measure.pool import InProcess
from quietsleep.measure.roster import Roster, read_roster
from quietsleep.night.stages import run_night
from quietsleep.store.state import State
from quietsleep.study.history import history_of
from quietsleep.study.study import load_study
from quietsleep.warehouse.current import current_night, night_facts
from quietsleep.warehouse.registered import open_register
from tests.faults.nights import FIRST, SECOND, write_micro_study
from tests.handmade import deliveries_of

CENTRES = (FIRST, SECOND)
TABLES = ("sessions", "recordings", "checks", "reported")
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
    monkeypatch.setattr(blocks, "MOST_A_BLOCK", 3)
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
    monkeypatch.setattr(blocks, "MOST_A_BLOCK", size)
    cut = list(blocks_of(roster))
    assert [block.number for block in cut] == [*range(1, len(cut) + 1)]
    assert (len(cut) > len(roster.sessions["centre"].unique())) == (size < 1000)
    for name in ("sessions", "recordings", "reported", "session_checks"):
        parts = [getattr(block.roster, name) for block in cut]
        assert sorted(pd.concat(parts).index) == sorted(getattr(roster, name).index), name
    centres = [centre for block in cut for centre in block.checks_of]
    assert sorted(centres) == sorted(roster.sessions["centre"].unique())
    for block in cut:
        checks, linked = block.roster.checks, block.roster.session_checks
        own = roster.checks["centre"].isin(block.checks_of)
        assert set(roster.checks.index[own]) <= set(checks.index)
        assert set(linked["check_id"]) <= set(checks["check_id"])
        assert len(block.roster.recordings) <= size or len(block.roster.sessions) == 1


OWN_CODES = ("session", "infant", "recording", "check")


def write_study_of_same_codes(path: Path) -> Path:
    """Write a study of two centres whose sessions, infants and recordings have the same codes."""
    study = write_micro_study(path)
    for centre in CENTRES:
        for delivery in deliveries_of(study, centre):
            for table in TABLES:
                delivery.put(
                    table,
                    [
                        {n: c.removeprefix(f"{centre}-") if n in OWN_CODES else c
                         for n, c in row.items()}
                        for row in delivery.rows(table)
                    ],
                )  # fmt: skip
            delivery.seal()
    return study


def one_centre_a_block(roster: Roster) -> Iterator[Block]:
    for number, centre in enumerate(CENTRES, start=1):
        frames = {name: getattr(roster, name) for name in Roster.__dataclass_fields__}
        own = Roster(**{name: rows[rows["centre"] == centre] for name, rows in frames.items()})
        (block,) = blocks_of(own)
        yield replace(block, number=number)


def test_centres_whose_sessions_have_the_same_codes_may_share_a_block(
    tmp_path: Path, pool: InProcess, monkeypatch: pytest.MonkeyPatch
) -> None:
    study = write_study_of_same_codes(tmp_path / "study")
    assert run_night(study).published
    together, roster = published(study), roster_of(study)
    assert len(roster.sessions) == 2 and roster.sessions["session"].nunique() == 1
    (block,) = blocks_of(roster)
    assert block.checks_of == set(CENTRES)
    monkeypatch.setattr(judging, "blocks_of", one_centre_a_block)
    assert run_night(study, full=True).published
    assert published(study) == together
