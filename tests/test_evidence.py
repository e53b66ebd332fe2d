"""Evidence that nobody looked at is one loud line at the end of a run, in one process or more."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
CONFTEST = "from tests.evidence import pytest_terminal_summary\n"
TESTS = """
import pytest

@pytest.mark.parametrize("n", range(40))
def test_evidence(n):
    pytest.skip("the lung is not here")

def test_another():
    pytest.importorskip("there_is_no_such_module", reason="no such module")

def test_that_runs():
    pass
"""


@pytest.mark.parametrize("processes", [0, 2])
def test_each_reason_is_one_line_however_many_tests(tmp_path: Path, processes: int) -> None:
    (tmp_path / "conftest.py").write_text(CONFTEST, encoding="utf-8")
    (tmp_path / "test_few.py").write_text(TESTS, encoding="utf-8")
    command = [sys.executable, "-m", "pytest", "-p", "xdist", "-p", "no:cacheprovider"]
    ended = subprocess.run(
        [*command, "-n", str(processes), "--rootdir", str(tmp_path), str(tmp_path)],
        cwd=ROOT, env=os.environ | {"PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1"},
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert ended.returncode == 0, ended.stdout + ended.stderr
    said = [line for line in ended.stdout.splitlines() if line.startswith("NOT LOOKED AT")]
    assert said == [
        "NOT LOOKED AT: the lung is not here (40 tests were left out).",
        "NOT LOOKED AT: no such module (1 test was left out).",
    ]
