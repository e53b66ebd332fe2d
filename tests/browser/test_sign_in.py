"""People sign in and out with a real browser: where it came from is what the browser says."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from quietsleep.night.night import NightReport
from quietsleep.server import access
from quietsleep.server.access import Tokens
from quietsleep.server.app import SiteApp
from tests.browser.windows import Window, wait_for, wait_for_path, wait_for_text
from tests.server.running import running


@pytest.fixture(autouse=True)
def quick_hash(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(access, "_SCRYPT_N", 2**4)


@pytest.fixture
def site(
    small_night: tuple[Path, NightReport], tmp_path: Path
) -> Iterator[tuple[str, Tokens]]:
    """The pages of a night behind tokens."""
    study = tmp_path / "study"
    for name in ("willow", "larch", "overview", "dictionary"):
        shutil.copytree(small_night[0] / "pages" / name, study / "pages" / name)
    with running(SiteApp(study, study / "work", is_secure=False)) as address:
        yield address, Tokens(study)


def sign_in(window: Window, token: str) -> None:
    window.write("#token", token)
    window.press("Enter")


def test_token_opens_the_pages(window: Window, site: tuple[str, Tokens]) -> None:
    address, tokens = site
    window.open(f"{address}/")
    wait_for_path(window, "/-/login")
    sign_in(window, tokens.issue("willow"))
    wait_for_path(window, "/willow/")
