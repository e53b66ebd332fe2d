"""A fingerprint leads somewhere: package, commit, and the versions of what can change a number."""

from __future__ import annotations

import json
import shutil
import subprocess
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pytest

from quietsleep import contract
from quietsleep.measure import origin
from quietsleep.measure.fingerprint import measuring_code, measuring_fingerprint
from quietsleep.measure.origin import code_said, columns_of
from quietsleep.night.night import NightReport
from quietsleep.warehouse.current import current_night, night_facts
from quietsleep.warehouse.database import open_current

GIT = shutil.which("git")


def test_every_library_behind_a_number_is_named_with_its_version() -> None:
    said = code_said()["libraries"]
    for name in (*contract.TECHNIQUES, *contract.CHECKS):
        assert measuring_code(name).libraries <= set(said), name
    assert {name: said[name] for name in ("numpy", "scipy", "pandas")} == {
        name: version(name) for name in ("numpy", "scipy", "pandas")
    }
    assert "typer" not in said and "prefect" not in said, "they change no number"


def test_a_published_night_says_where_its_numbers_come_from(
    small_night: tuple[Path, NightReport],
) -> None:
    facts = night_facts(current_night(small_night[0]))
    code = facts["code"]
    assert code["fingerprint"] == facts["code_fingerprint"]
    assert code["version"] == version("quietsleep")
    with open_current(small_night[0]) as warehouse:
        for table, kind in (("recordings", "technique"), ("checks", "kind")):
            found = warehouse.execute(
                f"SELECT DISTINCT {kind}, code_fingerprint FROM {table} WHERE state = 'measured'"
            ).fetchall()
            assert found and all(code["fingerprints"][name] == used for name, used in found)
        (row,) = warehouse.execute(
            "SELECT package_version, package_commit, libraries FROM nights"
        ).fetchall()
        assert row == tuple(columns_of(code).values()) and f"numpy {version('numpy')}" in row[2]
        query = "SELECT DISTINCT package_version, package_commit, libraries FROM provenance"
        assert warehouse.execute(query).fetchall() == [row]


def test_the_fingerprint_of_a_night_can_be_worked_out_anew() -> None:
    assert code_said()["fingerprints"]["tidal"] == measuring_fingerprint("tidal")


@pytest.fixture
def package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A package in a repository with one commit, that nothing was installed from."""
    if GIT is None:
        pytest.skip("no git here")
    folder = tmp_path / "pipeline" / "quietsleep"
    (tmp_path / "contracts").mkdir()
    folder.mkdir(parents=True)
    (folder / "__init__.py").write_text("", encoding="utf-8")
    (tmp_path / "contracts" / "a.toml").write_text("", encoding="utf-8")
    git("init", "--quiet", at=tmp_path)
    monkeypatch.setattr(origin, "PACKAGE", folder)
    monkeypatch.setattr(origin, "_installed_from", lambda: None)
    origin.commit.cache_clear()
    return folder


def git(*words: str, at: Path) -> str:
    identity = ("-c", "user.name=n", "-c", "user.email=e@example.org")
    command = [str(GIT), *identity, *words]
    return subprocess.run(command, cwd=at, check=True, capture_output=True, text=True).stdout


def committed(package: Path) -> str:
    git("add", ".", at=package.parents[1])
    git("commit", "--quiet", "-m", "first", at=package.parents[1])
    return git("rev-parse", "HEAD", at=package).strip()


def asked() -> str | None:
    origin.commit.cache_clear()
    return origin.commit()


def test_the_commit_of_a_tree_is_known_and_what_differs_from_it_is_said(package: Path) -> None:
    head = committed(package)
    assert asked() == head
    (package / "__init__.py").write_text("changed = True", encoding="utf-8")
    assert asked() == f"{head} and 1 changed file"
    (package.parents[1] / "contracts" / "a.toml").write_text("changed = 1", encoding="utf-8")
    assert asked() == f"{head} and 2 changed files"


def test_a_repository_around_an_installed_package_is_not_its_own(package: Path) -> None:
    (package.parents[1] / ".gitignore").write_text("pipeline\n", encoding="utf-8")
    committed(package)
    assert asked() is None


def test_without_git_no_commit_is_known(package: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    committed(package)
    monkeypatch.setattr(shutil, "which", lambda name: None)
    assert asked() is None


def test_a_commit_that_the_installer_wrote_down_is_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    class Installed:
        def read_text(self, name: str) -> str:
            said: dict[str, Any] = {"url": "", "vcs_info": {"vcs": "git", "commit_id": "c0ffee"}}
            return json.dumps(said) if name == "direct_url.json" else ""

    monkeypatch.setattr(origin, "distribution", lambda name: Installed())
    assert asked() == "c0ffee"
    origin.commit.cache_clear()
