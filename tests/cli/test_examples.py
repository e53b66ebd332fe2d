"""The example of each command is of the demo study and works as it stands, in this order."""

from __future__ import annotations

import shlex
import shutil
from pathlib import Path
from typing import Any

import pytest
from typer.main import get_command
from typer.testing import CliRunner

from quietsleep.cli.main import COMMANDS, app
from quietsleep.measure.pool import in_process
from quietsleep.night.night import NightReport
from quietsleep.night.stages import run_night

# They serve, go on for ever, need a store, or make the demo study itself.
NOT_RUN = {"demo", "nightly", "look", "desk", "fetch"}
# The order of the help is that of a study; what an example makes, a later one may need.
MAKES_FIRST = {
    "pack": "templates", "verify": "release", "diff": "release", "export": "release",
    "report": "release",
}  # fmt: skip
RELEASE = Path("demo/warehouse/releases/2026-spring")


@pytest.fixture(scope="module")
def place(demo_night: tuple[Path, NightReport], tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("examples")
    shutil.copytree(demo_night[0], folder / "demo", symlinks=True)
    return folder


def name_of(command: Any) -> str:
    return str(command.__name__).replace("_", "-")


EXAMPLES = {name_of(command): words for command, words in COMMANDS}


@pytest.mark.parametrize("name", [n for n in EXAMPLES if n not in NOT_RUN])
def test_example_works_as_it_stands(
    name: str, place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(place)
    runner = CliRunner()
    earlier = MAKES_FIRST.get(name)
    words = [*shlex.split(EXAMPLES[name])]
    made = RELEASE if earlier == "release" else Path(words[0])
    if "release" in (name, earlier) and not RELEASE.exists():
        # An example before it has withdrawn a session: without a night there is no release.
        run_night(place / "demo", pool=in_process)
    if earlier and not made.exists():
        runner.invoke(app, [earlier, *shlex.split(EXAMPLES[earlier])])
    result = runner.invoke(app, [name, *words])
    assert result.exit_code == 0, (name, result.output)


def test_the_list_of_commands_is_cut_nowhere_at_80_columns() -> None:
    said = CliRunner().invoke(app, ["--help"], env={"COLUMNS": "80"}).output
    assert "..." not in said.partition("Commands:")[2]
    assert max(map(len, said.splitlines())) <= 80


@pytest.mark.parametrize("name", sorted(EXAMPLES))
def test_help_says_the_example_and_fits_80_columns(name: str) -> None:
    said = CliRunner().invoke(app, [name, "--help"], env={"COLUMNS": "80"}).output
    assert f"Example: quietsleep {name} {EXAMPLES[name]}" in " ".join(said.split())
    assert max(map(len, said.splitlines())) <= 80, name
    assert name in get_command(app).commands  # type: ignore[attr-defined]
