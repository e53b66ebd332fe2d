"""Releases are read by programs of others: older clients of the database, and other libraries.

Each is tried in an environment of its own, made where a package registry answers.
"""

from __future__ import annotations

import os
import subprocess
import sys
import textwrap
import venv
from contextlib import suppress
from pathlib import Path

import pandas as pd
import pytest

from quietsleep.warehouse.current import night_facts
from quietsleep.warehouse.release import make_release

SECONDS = 400


@pytest.fixture(scope="module")
def release(published: Path) -> Path:
    return make_release(published, "for-others")


def run_with(packages: list[str], program: str, release: Path, tmp_path: Path) -> str:
    """Run a program where nothing but some packages is installed; return what it prints.

    Our own installer fills the environment and compiles nothing: most of it is never imported.
    """
    place = tmp_path / "environment"
    venv.create(place)
    python = str(place / "bin" / "python")
    alone = {k: v for k, v in os.environ.items() if k != "PYTHONPATH"}
    pip = [sys.executable, "-m", "pip", "--python", python, "--disable-pip-version-check"]
    asked = [*pip, "install", "-q", "--no-compile", *packages]
    done: subprocess.CompletedProcess[bytes] | None = None
    with suppress(subprocess.TimeoutExpired):
        done = subprocess.run(asked, env=alone, timeout=SECONDS, capture_output=True, check=False)
    if done is None or done.returncode:
        pytest.skip(f"{' '.join(packages)}, which no package registry handed over")
    command = [python, "-c", textwrap.dedent(program), str(release)]
    ran = subprocess.run(
        command, env=alone, timeout=SECONDS, capture_output=True, text=True, check=False
    )
    assert ran.returncode == 0, ran.stderr
    return ran.stdout


@pytest.mark.parametrize("version", ["1.0", "1.1", "1.4"])
def test_older_clients_of_the_database(version: str, release: Path, tmp_path: Path) -> None:
    program = """
        import sys, duckdb
        con = duckdb.connect(sys.argv[1] + "/study.duckdb", read_only=True)
        names = con.execute("SELECT table_name FROM information_schema.tables "
                            "WHERE table_schema = 'main'").fetchall()
        assert len(names) > 30
        for (name,) in names:
            con.execute(f'SELECT * FROM "{name}"').fetchall()
        print(duckdb.__version__[:3])
        print(con.execute("SELECT count(*), count(vt_ml) FROM clean_sessions").fetchone())
        """
    said = run_with([f"duckdb=={version}.*"], program, release, tmp_path)
    assert said == f"{version}\n(4, 1)\n"


def test_polars_and_ibis(release: Path, tmp_path: Path) -> None:
    program = """
        import sys, polars, ibis
        folder = sys.argv[1] + "/tables/sessions"
        print(polars.read_parquet(folder, hive_partitioning=False).height)
        con = ibis.duckdb.connect(sys.argv[1] + "/study.duckdb", read_only=True)
        print(con.table("clean_sessions").count().execute())
        """
    packages = ["polars", "ibis-framework[duckdb]", "pandas", "pyarrow"]
    assert run_with(packages, program, release, tmp_path) == "4\n4\n"


def test_the_usual_checking_library_finds_the_data_package_valid(
    release: Path, tmp_path: Path
) -> None:
    program = """
        import sys
        from frictionless import validate
        report = validate(sys.argv[1] + "/datapackage.json")
        wrong = [(task.name, error.message) for task in report.tasks for error in task.errors]
        print(report.valid, report.stats["tasks"] > 30, wrong[:3], report.errors[:3])
        """
    packages = ["frictionless[parquet]", "pandas", "fastparquet"]
    # It warns of what others do, not of the package.
    said = run_with(packages, program, release, tmp_path)
    assert said == "True True [] []\n"


def test_a_folder_of_a_table_is_read_as_documented(release: Path) -> None:
    documented = (Path(__file__).parents[2] / "docs/queries.md").read_text(encoding="utf-8")
    assert "pandas.read_parquet(folder, partitioning=None)" in documented
    frame = pd.read_parquet(release / "tables" / "sessions", partitioning=None)
    assert sorted(frame["centre"]) == ["larch", "larch", "larch", "maple"]
    for name, count in night_facts(release)["counts"].items():
        rows = pd.read_parquet(release / "tables" / name, partitioning=None)
        assert len(rows) == count, name
