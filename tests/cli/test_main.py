"""The command line: every error with a sentence ends in one line and the exit code of README."""

from __future__ import annotations

import errno
import importlib
import pkgutil
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from typer.testing import CliRunner

import quietsleep
from quietsleep import errors
from quietsleep.cli import commands
from quietsleep.cli.main import app
from quietsleep.errors import QuietsleepError

ROOT = Path(__file__).parents[2]


def kinds_of_error() -> list[type[QuietsleepError]]:
    """Every class of error with a sentence that any module defines."""
    for module in pkgutil.walk_packages(quietsleep.__path__, "quietsleep."):
        importlib.import_module(module.name)
    found, waiting = [], [QuietsleepError]
    while waiting:
        kind = waiting.pop()
        found.append(kind)
        waiting += kind.__subclasses__()
    return found


def ended_by(
    error: Exception, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> tuple[int, str, str]:
    """Exit code and both outputs of a command that ends in an error."""

    def fail(_: object) -> None:
        raise error

    monkeypatch.setattr(commands, "open_study", fail)
    answer = CliRunner().invoke(app, ["pages", str(tmp_path)])
    return answer.exit_code, answer.stdout, answer.stderr


def test_every_error_with_a_sentence_ends_in_its_line_and_its_exit_code(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    kinds = kinds_of_error()
    named = {kind.__name__: kind.exit_code for kind in kinds}
    assert {"StudyError", "ContractError", "WarehouseError", "QueryError"} <= set(named)
    assert named["NightRunning"] == 3 and named["NotMeasured"] == named["AccessError"] == 2
    codes = re.findall(r"^\| (\d) \|", (ROOT / "README.md").read_text(encoding="utf-8"), re.M)
    for kind in kinds:
        assert str(kind.exit_code) in codes, kind
        ended = ended_by(kind("A sentence."), monkeypatch, tmp_path)
        assert ended == (kind.exit_code, "", "A sentence.\n"), kind


def test_every_error_class_that_may_reach_a_person_has_an_exit_code() -> None:
    """No error of ours stands beside the base, but those that a module catches itself."""
    kinds_of_error()
    own = {
        value
        for name, module in sys.modules.items()
        if name.startswith("quietsleep")
        for value in vars(module).values()
        if isinstance(value, type)
        and issubclass(value, Exception)
        and value.__module__.startswith("quietsleep")
    }
    within = {kind.__name__ for kind in own if not issubclass(kind, QuietsleepError)}
    caught = {
        "_Bad",
        "_BadFile",
        "_NoWorkers",
        "_OtherForm",
        "NoTable",
        "OrchestratorError",
        "OtherOffset",
        "Refused",
        "Unreadable",
    }
    assert within == caught | {"WorkbookError"}


def test_what_the_machine_puts_in_the_way_has_a_code_of_its_own(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    full = OSError(errno.ENOSPC, "No space left on device", "state.duckdb")
    assert ended_by(full, monkeypatch, tmp_path) == (4, "", f"{errors.NO_SPACE}\n")
    ended = ended_by(ZeroDivisionError("a mistake of ours"), monkeypatch, tmp_path)
    assert ended == (1, "", "")


def test_no_command_catches_what_main_prints() -> None:
    text = Path(commands.__file__).read_text(encoding="utf-8")
    assert "except " not in text and "err=True" not in text.replace('--key.", err=True', "")


def test_version_is_that_of_the_package() -> None:
    declared = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    answer = CliRunner().invoke(app, ["--version"])
    assert (answer.exit_code, answer.output) == (
        0,
        f"quietsleep {declared['project']['version']}\n",
    )


def test_help_loads_no_stage() -> None:
    code = (
        "import sys; from quietsleep.cli.main import app; app(['--help'], standalone_mode=False); "
        "heavy = {'pandas', 'numpy', 'duckdb', 'pydantic', 'prefect', 'rich.table'}; "
        "print(sorted(heavy & set(sys.modules)))"
    )
    ended = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ended.stdout.splitlines()[-1] == "[]" and "demo" in ended.stdout


def test_folder_that_is_no_release_is_a_sentence(tmp_path: Path) -> None:
    answer = CliRunner().invoke(app, ["export", str(tmp_path / "nowhere"), "--to", "csv"])
    assert answer.exit_code == 2 and "is no release" in answer.stderr
    assert "Traceback" not in answer.output


def test_the_old_word_for_asking_in_sql_says_the_new_one() -> None:
    for words in (["query", "SELECT 1"], ["query", "--help"]):
        answer = CliRunner().invoke(app, words)
        assert answer.exit_code == 2 and answer.stdout == "" and "quietsleep sql" in answer.stderr
    assert "\n  query" not in CliRunner().invoke(app, ["--help"]).output
    assert CliRunner().invoke(app, ["sql", "--help"]).exit_code == 0
