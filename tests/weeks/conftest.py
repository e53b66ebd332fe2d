"""Nights of the weeks wait for no disk: what a crash would lose is not looked at here."""

from __future__ import annotations

import os

import pytest


@pytest.fixture(autouse=True)
def no_waiting_for_the_disk(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave out fsync."""
    monkeypatch.setattr(os, "fsync", lambda number: None)
