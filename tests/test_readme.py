"""What README and DEVELOPERS tell people to type or write is there."""

from __future__ import annotations

import re
import textwrap
import tomllib
from pathlib import Path

import pytest
from typer.main import get_command

from quietsleep.cli.main import app
from quietsleep.judge.scores import load_references

ROOT = Path(__file__).parents[1]
PAPERS = ["README.md", "DEVELOPERS.md", "CHANGELOG.md", "docs/queries.md", "docs/cluster.md"]


@pytest.mark.parametrize("paper", PAPERS)
def test_every_command_named_exists(paper: str) -> None:
    text = (ROOT / paper).read_text(encoding="utf-8")
    commands = set(get_command(app).commands)  # type: ignore[attr-defined]
    named = set(re.findall(r"(?<!import )quietsleep ([a-z][a-z-]+) ", text))
    assert named <= commands


@pytest.mark.parametrize("paper", PAPERS)
def test_every_file_named_exists(paper: str) -> None:
    text = (ROOT / paper).read_text(encoding="utf-8")
    for name in re.findall(
        r"`((?:pipeline|contracts|tests|dags|demo_centres|docs)/[\w/.]+)`", text
    ):
        assert (ROOT / name).exists(), name
    for name in re.findall(r"\]\(([\w/.]+)\)", text):
        assert ((ROOT / paper).parent / name).exists(), name


def test_equation_shown_in_readme_can_stand(tmp_path: Path) -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    block = re.search(r"^    key = \"(\w+)\".*?(?=^\S)", text, re.M | re.S)
    assert block is not None
    folder = tmp_path / "references"
    folder.mkdir()
    toml = textwrap.dedent(block.group(0))
    (folder / f"{block.group(1)}.toml").write_text(toml, encoding="utf-8")
    assert block.group(1) in load_references(tmp_path).own


def test_version_to_cite_is_the_version_and_stands_in_the_changelog() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    cited = (ROOT / "CITATION.cff").read_text(encoding="utf-8")
    assert f"version: {project['version']}" in cited.splitlines()
    changes = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
    assert f"## {project['version']}" in changes.splitlines()
