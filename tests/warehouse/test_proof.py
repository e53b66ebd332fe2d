"""The digest of the whole of a release: what is changed with its checksums is found out by it."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner, Result

from quietsleep.cli.main import app
from quietsleep.study.register import Register
from quietsleep.warehouse.current import sha256_of
from quietsleep.warehouse.proof import prove, whole_digest
from quietsleep.warehouse.registered import note_release, release_said
from quietsleep.warehouse.release import make_release


@pytest.fixture(scope="module")
def path(published: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A study folder with one release, written down in its register; to be read only."""
    place = tmp_path_factory.mktemp("released")
    path = shutil.copytree(published, place / "study", symlinks=True)
    key = place / "key"
    register = Register(path, path / "work", study="small study", key_path=key)
    note_release(register, make_release(path, "2026-03-cited"))
    return path


def run(*words: object) -> Result:
    return CliRunner().invoke(app, ["verify", *(str(word) for word in words)])


def forge(release: Path, name: str) -> None:
    """Change a file of a release, and its line in the checksums with it."""
    file, sums = release / name, release / "SHA256SUMS"
    before = sha256_of(file)
    for each in (file, sums):
        each.chmod(0o644)
    file.write_bytes(file.read_bytes() + b"\n")
    text = sums.read_text(encoding="utf-8")
    sums.write_text(text.replace(before, sha256_of(file)), encoding="utf-8")


def forged(path: Path, place: Path, *names: str) -> Path:
    """Copy a study and forge files of its release; the register is what it was."""
    copy = shutil.copytree(path, place / "study", symlinks=True)
    release = copy / "warehouse/releases/2026-03-cited"
    for name in names:
        forge(release, name)
    return release


def test_a_release_is_cited_with_the_digest_that_is_printed_and_kept(path: Path) -> None:
    release = path / "warehouse/releases/2026-03-cited"
    facts = json.loads((release / "RELEASE.json").read_text(encoding="utf-8"))
    digest = whole_digest(release)
    assert facts["digest"] == digest and digest in facts["cite_as"]
    noted = release_said(release)
    assert noted is not None and noted.digest == digest
    said = run(release)
    assert said.exit_code == 0
    assert f"Digest of the whole: {digest}, as the study register says." in said.stdout


@pytest.mark.parametrize("name", ["views.sql", "RELEASE.json", "NIGHT.json", "study.duckdb"])
def test_files_and_checksums_changed_together_are_refused_by_the_register(
    path: Path, tmp_path: Path, name: str
) -> None:
    release = forged(path, tmp_path, name)
    said = run(release)
    assert said.exit_code == 1 and "the study register knows" in said.stdout, said.stdout


def test_they_are_refused_by_the_digest_that_is_cited_where_there_is_no_register(
    path: Path, tmp_path: Path
) -> None:
    cited = whole_digest(path / "warehouse/releases/2026-03-cited")
    alone = tmp_path / "sent"
    shutil.copytree(forged(path, tmp_path, "dictionary.csv"), alone)
    facts: dict[str, Any] = json.loads((alone / "RELEASE.json").read_text(encoding="utf-8"))
    (alone / "RELEASE.json").chmod(0o644)
    before = sha256_of(alone / "RELEASE.json")
    facts["digest"] = whole_digest(alone)
    (alone / "RELEASE.json").write_text(json.dumps(facts), encoding="utf-8")
    sums = alone / "SHA256SUMS"
    text = sums.read_text(encoding="utf-8").replace(before, sha256_of(alone / "RELEASE.json"))
    sums.write_text(text, encoding="utf-8")
    unasked, asked = run(alone), run(alone, "--digest", cited)
    # Nothing that comes with it can tell; so it is said that something else has to be asked.
    assert unasked.exit_code == 0 and "may have been changed together" in unasked.stdout
    assert asked.exit_code == 1 and "not the one given" in asked.stdout
    assert prove(alone, digest=cited).differences


def test_the_digest_that_is_cited_vouches_for_a_copy(path: Path, tmp_path: Path) -> None:
    alone = shutil.copytree(path / "warehouse/releases/2026-03-cited", tmp_path / "sent")
    said = run(alone, "--digest", f" {whole_digest(alone).upper()}")
    assert said.exit_code == 0 and "as the digest given says" in said.stdout


def test_a_folder_that_is_none_is_said_so(tmp_path: Path) -> None:
    said = run(tmp_path / "nothing")
    assert said.exit_code != 0 and "is no folder of a release" in said.stderr
