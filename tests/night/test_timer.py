"""Files for the system's timer: they can be read by what reads them, and start this program."""

from __future__ import annotations

import configparser
import os
import shutil
import subprocess
from pathlib import Path

import pytest
from typer.testing import CliRunner

from quietsleep.cli.main import app
from quietsleep.night.timer import calendar_of, timer_files
from quietsleep.study.register_key import KEY_VARIABLE
from quietsleep.study.study import Study

ANALYZE = shutil.which("systemd-analyze")


@pytest.mark.parametrize(
    ("cron", "calendar"),
    [
        ("0 2 * * *", ["*-*-* 02:00:00"]),
        ("30 22 * * 1-5", ["Mon,Tue,Wed,Thu,Fri *-*-* 22:30:00"]),
        ("*/15 6,18 * * *", ["*-*-* 06,18:00,15,30,45:00"]),
        ("0 2 1 */6 *", ["*-01,07-01 02:00:00"]),
        ("0 2 * * sun", ["Sun *-*-* 02:00:00"]),
        ("0 2 * * 0,7", ["Sun *-*-* 02:00:00"]),
        ("0 2 1 * mon", ["*-*-01 02:00:00", "Mon *-*-* 02:00:00"]),
        ("* * * * *", ["*-*-* *:*:00"]),
    ],
)
def test_schedule_in_the_words_of_the_system(cron: str, calendar: list[str]) -> None:
    assert calendar_of(cron) == calendar
    if ANALYZE:
        for each in calendar:
            subprocess.run([ANALYZE, "calendar", each], check=True, capture_output=True)


@pytest.fixture
def odd(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Study:
    """A study in a folder whose name holds what unit files and cron read as something else."""
    monkeypatch.setenv(KEY_VARIABLE, str(tmp_path / "key of $HOME 100%.key"))
    path = tmp_path / "the 100% 'quiet' $study"
    path.mkdir()
    return Study(path, "quiet-1", "Quiet", {})


@pytest.mark.skipif(ANALYZE is None, reason="no systemd here")
def test_unit_files_are_sound(odd: Study, tmp_path: Path) -> None:
    units = tmp_path / "units"
    units.mkdir()
    for name, text in timer_files(odd, "0 2 1 * mon").items():
        (units / name).write_text(text, encoding="utf-8")
    files = [str(path) for path in units.iterdir() if path.suffix in (".service", ".timer")]
    ended = subprocess.run(
        [str(ANALYZE), "verify", "--man=no", *files], capture_output=True, text=True, check=False
    )
    said = [line for line in ended.stderr.splitlines() if "quiet-1" in line]
    assert (ended.returncode, said) == (0, [])


def test_unit_files_hold_whole_paths_and_what_to_do(odd: Study) -> None:
    files = timer_files(odd)
    assert set(files) == {f"quietsleep-quiet-1.{end}" for end in ("service", "timer", "crontab")}
    units = {}
    for name in ("service", "timer"):
        units[name] = configparser.RawConfigParser(strict=False)
        units[name].optionxform = str  # type: ignore[assignment,method-assign]
        units[name].read_string(files[f"quietsleep-quiet-1.{name}"])
    service = units["service"]["Service"]
    program, _, rest = service["ExecStart"].partition(" ")
    assert Path(program).is_absolute() and Path(program).is_file()
    assert rest.startswith('nightly "/') and "100%% 'quiet' $$study" in rest
    assert service["WorkingDirectory"].startswith("/")
    key = odd.path.parent / "key of $HOME 100%%.key"
    assert f'Environment="{KEY_VARIABLE}={key}"\n' in files["quietsleep-quiet-1.service"]
    timer = units["timer"]
    assert timer["Timer"]["OnCalendar"] == "*-*-* 02:00:00"
    assert timer["Timer"]["Persistent"] == "true"
    assert "systemctl enable --now quietsleep-quiet-1.timer" in files["quietsleep-quiet-1.service"]


def test_line_for_cron_names_the_study_as_the_shell_reads_it(odd: Study, tmp_path: Path) -> None:
    line = timer_files(odd)["quietsleep-quiet-1.crontab"].splitlines()[-1]
    assert line.startswith("0 2 * * * ")
    # cron takes the backslash off and gives the rest to the shell; here a stand-in is called.
    command = line.removeprefix("0 2 * * * ").replace("\\%", "%")
    stand_in = tmp_path / "said"
    program = next(word for word in command.split() if word.endswith("/quietsleep"))
    shell = command.replace(program, "printf '%s\\n' \"$" + KEY_VARIABLE + '"', 1)
    ended = subprocess.run(
        ["/bin/sh", "-c", shell], capture_output=True, text=True, check=True, env=dict(os.environ)
    )
    assert ended.stdout.splitlines()[-1] == str(odd.path.resolve()) and not stand_in.exists()


def test_command_prints_or_writes_them(small_deliveries: Path, tmp_path: Path) -> None:
    shown = CliRunner().invoke(app, ["nightly", str(small_deliveries), "--timer"])
    assert shown.exit_code == 0 and "OnCalendar=*-*-* 02:00:00" in shown.stdout
    words = ["nightly", str(small_deliveries), "--timer", "--every", "30 3 * * *"]
    written = CliRunner().invoke(app, [*words, "--out", str(tmp_path / "units")])
    assert written.exit_code == 0 and len([*(tmp_path / "units").iterdir()]) == 3
    timer = next((tmp_path / "units").glob("*.timer")).read_text(encoding="utf-8")
    assert "OnCalendar=*-*-* 03:30:00" in timer
    wrong = CliRunner().invoke(app, ["nightly", str(small_deliveries), "--out", str(tmp_path)])
    assert wrong.exit_code == 2 and "give both" in wrong.stderr
    no_time = CliRunner().invoke(app, [*words[:-1], "now"])
    assert no_time.exit_code == 2 and "five fields" in no_time.stderr
