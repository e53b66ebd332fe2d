"""A fresh machine gets its browser, or hears in one sentence what to do."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.browser import find_browser as finder

ROOT = Path(__file__).parents[2]


def program(path: Path, text: str) -> None:
    path.write_text(f"#!/bin/sh\n{text}\n", encoding="utf-8")
    path.chmod(0o755)


@pytest.fixture
def bare(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A machine without any browser, which playwright cannot reach its own from."""
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setenv("PLAYWRIGHT_BROWSERS_PATH", str(tmp_path / "kept"))
    monkeypatch.setenv("PLAYWRIGHT_DOWNLOAD_HOST", "http://127.0.0.1:9")
    monkeypatch.delenv(finder.LEFT_OUT, raising=False)
    return tmp_path


def test_browser_that_does_not_start_is_passed_over(bare: Path) -> None:
    program(bare / "chromium", "echo 'error while loading shared libraries' >&2; exit 127")
    assert finder.find_browser() is None
    program(bare / "google-chrome", "echo 'Chrome 1'")
    assert finder.find_browser() == bare / "google-chrome"


def test_browser_comes_by_the_packages_of_the_system_where_playwright_has_none(
    bare: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    asked, browser = bare / "asked", bare / "chromium"
    program(
        bare / "apt-get",
        f'echo "$@" >> {asked}; printf "#!/bin/sh\\n" > {browser}; /bin/chmod 755 {browser}',
    )
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    assert finder.bring_browser() == browser
    assert [line.split()[0] for line in asked.read_text().splitlines()] == ["update", "install"]
    assert "by playwright" in (said := capsys.readouterr().out) and "system's packages" in said


def test_firefox_is_the_one_of_the_system(bare: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked, browser = bare / "asked", bare / "firefox-esr"
    program(
        bare / "apt-get",
        f'echo "$@" >> {asked}; printf "#!/bin/sh\\n" > {browser}; /bin/chmod 755 {browser}',
    )
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    assert finder.find_browser(finder.FIREFOX) is None
    assert finder.bring_browser(finder.FIREFOX) == browser
    assert asked.read_text().splitlines()[-1].split()[-1] == "firefox-esr"


def test_who_may_not_install_is_told_what_to_do(bare: Path) -> None:
    command = [sys.executable, "-m", "tests.browser.find_browser"]
    ended = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    said = [kind.needed for kind in finder.KINDS]
    assert ended.returncode == 1 and ended.stderr.splitlines() == said
    left_out = os.environ | {finder.LEFT_OUT: "1"}
    quiet = subprocess.run(command, cwd=ROOT, capture_output=True, env=left_out, check=False)
    assert (quiet.returncode, quiet.stdout, quiet.stderr) == (0, b"", b"")
