"""A study behind the door, with a page for each of two centres."""

from __future__ import annotations

from pathlib import Path

import pytest

from quietsleep.server import access
from tests.hostile.lines import OWN


@pytest.fixture(autouse=True)
def quick_hash(monkeypatch: pytest.MonkeyPatch) -> None:
    """Tokens cost no time."""
    monkeypatch.setattr(access, "_SCRYPT_N", 2**4)


@pytest.fixture
def study(tmp_path: Path) -> Path:
    for name in ("larch", "rowan", "overview"):
        folder = tmp_path / "study" / "pages" / name
        folder.mkdir(parents=True)
        (folder / "index.html").write_bytes(b"<head></head><header></header>" + OWN)
    return tmp_path / "study"
