"""A study behind the door, with a page for each of two centres."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.hostile.lines import OWN


@pytest.fixture
def small_study(tmp_path: Path) -> Path:
    for name in ("larch", "rowan", "overview"):
        folder = tmp_path / "study" / "pages" / name
        folder.mkdir(parents=True)
        (folder / "index.html").write_bytes(b"<head></head><header></header>" + OWN)
    return tmp_path / "study"
