"""The commands of docs/devices.md, typed as they stand there."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
from typer.testing import CliRunner

from quietsleep.cli.main import app
from quietsleep.site.pages.keys import keys_of
from quietsleep.study.study import load_study
from tests.device.exports import MAKES, WEIGHT_KG, breathe
from tests.study.test_study import CENTRE, STUDY

PAGE = (Path(__file__).parents[2] / "docs" / "devices.md").read_text(encoding="utf-8")
COMMANDS = [shlex.split(line)[1:] for line in re.findall(r"^    (quietsleep .*)$", PAGE, re.M)]


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    make = MAKES["quoted"]
    (tmp_path / make.file).write_bytes(make.write(breathe(make.rate_hz)))
    (tmp_path / "study" / "centres").mkdir(parents=True)
    (tmp_path / "study" / "study.toml").write_text(STUDY)
    centre = re.sub(r"larch-set-1", "larch-set-0", CENTRE)
    (tmp_path / "study" / "centres" / "larch.toml").write_text(centre)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_the_commands_work_as_they_stand(folder: Path) -> None:
    look, said, write = COMMANDS
    assert str(WEIGHT_KG) in look
    result = CliRunner().invoke(app, look)
    assert result.exit_code == 0
    shown = re.findall(r"^```\n(Tidal_001.*?)```", PAGE, re.M | re.S)[0]
    assert result.output.startswith(shown)
    refused = CliRunner().invoke(app, said)
    assert refused.exit_code == 2 and "There is no column AI 1" in refused.output
    assert CliRunner().invoke(app, write).exit_code == 0
    device = load_study(folder / "study").devices["larch-set-1"]
    assert device.equipment_class == "pneumotachograph-a" and device.csv_skip_lines == 8


def test_the_keys_of_the_page_are_keys() -> None:
    named = set(re.findall(r"`([a-z_]+) = ", PAGE))
    assert named <= {*keys_of("centre.devices"), *keys_of("centre.devices.channels")}
    assert len(named) >= 9
