"""Nights of the weeks wait for no disk: what a crash would lose is not looked at here."""

from __future__ import annotations

import os

import pytest

from quietsleep.judge import blocks
from tests.shared import lay_out_plainly


@pytest.fixture(autouse=True)
def no_waiting_for_the_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave out fsync."""
    monkeypatch.setattr(os, "fsync", lambda number: None)


@pytest.fixture(autouse=True)
def small_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    """Cut a study where it can be, so that nights take over what did not change."""
    monkeypatch.setattr(blocks, "WORTH_A_BLOCK", 8)
    monkeypatch.setattr(blocks, "MORE_A_BLOCK", 8)


@pytest.fixture(autouse=True)
def plain_databases(monkeypatch: pytest.MonkeyPatch) -> None:
    """Lay databases out in this process: their rows are looked at, not their comments or bytes."""
    lay_out_plainly(monkeypatch)
