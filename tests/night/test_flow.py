"""The night as the orchestrator runs it: quiet, inside the study, and never falsely green."""

from __future__ import annotations

import os
import subprocess
import sys
from contextlib import nullcontext
from pathlib import Path
from types import SimpleNamespace

import pytest

from quietsleep.measure.pool import InProcess, in_process
from quietsleep.night import stages
from quietsleep.night.orchestration import run as orchestrated_run
from quietsleep.night.orchestration.embedded import ADDRESS
from quietsleep.night.stage import Stage, run_here
from quietsleep.warehouse.database import open_current
from tests.shared import copy_of_one

COMMAND = "from quietsleep.cli.main import app; app()"
ALL_LARGE = f"from quietsleep.night import stages; stages.CHUNKS_OF_A_SMALL_STAGE = 0; {COMMAND}"

# The tasks of this flow find no night under its name, as when the flow was copied elsewhere.
LOST = """
import sys
from pathlib import Path
from quietsleep.night.orchestration.embedded import embedded
from quietsleep.night.orchestration import stages_at_work
class Forgetful(dict):
    def __setitem__(self, name, stage): pass
stages_at_work.AT_WORK = Forgetful()
with embedded(Path(sys.argv[1]) / "work"):
    from quietsleep.night.orchestration import nightly
    report = nightly.nightly(sys.argv[1])
print(report.state, report.published, report.sentences[0])
"""

# A night that a schedule has run, idle and red, as the flow tells it.
TOLD = """
import os
import sys
from pathlib import Path
from types import SimpleNamespace
from quietsleep.night.orchestration.embedded import settings_in
os.environ.update(settings_in(Path(sys.argv[1]) / "work"))
import pandas as pd
from quietsleep.night.night import NightReport
from quietsleep.night.orchestration import nightly
counts = pd.DataFrame()
report = NightReport("n000009", "red", True, False, counts, ("A sentence.",), 2, 1, 0, 0, 0, 1.0)
nightly._told(report)
print("by the command that ran it")
nightly.deployment = SimpleNamespace(id="of a schedule")
nightly._told(report)
"""


def run(home: Path, *words: str) -> subprocess.CompletedProcess[str]:
    environment = os.environ | {"HOME": str(home)}
    return subprocess.run(
        [sys.executable, *words], capture_output=True, text=True, env=environment, check=False
    )


@pytest.fixture
def one_centre(tiny_deliveries: Path, tmp_path: Path) -> Path:
    """One session of one centre, which no night has seen."""
    return copy_of_one(tiny_deliveries, tmp_path / "demo", centre="larch")


@pytest.mark.parametrize("orchestrated", [False, True])
def test_night_of_the_command_line_is_quiet_and_stays_inside_the_study(
    one_centre: Path, tmp_path: Path, *, orchestrated: bool
) -> None:
    """A small night starts no server; where every stage that measures is large, one is started."""
    home = tmp_path / "home"
    home.mkdir()
    command = ("-c", ALL_LARGE if orchestrated else COMMAND, "nightly", str(one_centre))
    first = run(home, *command)
    assert first.returncode == 0, first.stderr
    assert first.stderr == ""
    assert "State amber" in first.stdout and "the counts add up" in first.stdout
    assert list(home.iterdir()) == []
    assert (one_centre / "work" / "prefect" / "server.log").exists() == orchestrated
    with open_current(one_centre) as warehouse:
        assert warehouse.execute("SELECT count(*) > 0 FROM clean_outcomes").fetchall() == [(True,)]
    second = run(home, *command)
    assert (second.returncode, second.stderr) == (0, "")
    assert "nothing has changed" in second.stdout


@pytest.mark.parametrize("when", ["at once", "amid a stage"])
def test_night_goes_on_where_the_orchestrator_fails(
    when: str,
    one_centre: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """What was measured before it failed is not measured again."""

    def fails(stage: Stage) -> None:
        if when != "at once":
            stage.run(0)
        raise RuntimeError("no answer from the server")

    flows = SimpleNamespace(run_in_flow=fails)
    monkeypatch.setitem(sys.modules, "quietsleep.night.orchestration.nightly", flows)
    monkeypatch.setattr(stages, "CHUNKS_OF_A_SMALL_STAGE", 0)
    monkeypatch.setattr(orchestrated_run, "embedded", lambda work: nullcontext())
    measured = InProcess()
    monkeypatch.setattr(orchestrated_run, "pool_of", lambda *_: nullcontext(measured))
    report = orchestrated_run.run_orchestrated(one_centre, workers=1, full=False)
    assert report.published and report.state == "amber"
    assert report.n_measured == len(measured.measured) == len({*measured.measured})
    assert capsys.readouterr().err.count("the night goes on without it") == 1


def test_server_of_an_operator_is_told_of_every_stage(
    one_centre: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[str] = []

    def told(stage: Stage) -> None:
        seen.append(stage.word)
        run_here(stage)

    flows = SimpleNamespace(run_in_flow=told)
    monkeypatch.setitem(sys.modules, "quietsleep.night.orchestration.nightly", flows)
    monkeypatch.setenv(ADDRESS, "http://127.0.0.1:1/api")
    monkeypatch.setattr(orchestrated_run, "pool_of", in_process)
    report = orchestrated_run.run_orchestrated(one_centre, workers=1, full=False)
    assert report.published and seen[0] == "ingesting" and seen[-1] == "writing pages"
    assert {"measuring checks", "measuring recordings", "judging", "publishing"} < {*seen}


def test_night_whose_tasks_never_reach_their_stage_is_red(one_centre: Path, tmp_path: Path) -> None:
    ended = run(tmp_path, "-c", LOST, str(one_centre))
    assert ended.stdout.startswith("red False ingesting was not carried out"), ended.stderr


def test_night_of_a_schedule_says_what_a_single_one_says(tmp_path: Path) -> None:
    ended = run(tmp_path, "-c", TOLD, str(tmp_path))
    before, _, after = ended.stdout.partition("by the command that ran it\n")
    assert before == "", ended.stderr
    assert "Night n000009: nothing has changed" in after and "State red" in after
    assert "- A sentence." in after and "Queries: 2 open, 1 answered." in after
    assert ended.returncode == 1 and "RedNight" in ended.stderr
