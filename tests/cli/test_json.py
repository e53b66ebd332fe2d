"""What commands say to other programs: one object on stdout, by the schemas that docs ship."""

from __future__ import annotations

import json
import shutil
from datetime import datetime
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from jsonschema import Draft202012Validator
from typer.testing import CliRunner, Result

from quietsleep.cli import as_json
from quietsleep.cli.main import app
from quietsleep.measure.pool import in_process
from quietsleep.night.dry_run import DryRun, counted
from quietsleep.night.night import NightReport
from quietsleep.night.stages import run_night
from quietsleep.warehouse.release import make_release
from quietsleep.warehouse.session_changes import session_changes

SCHEMAS = Path(__file__).parents[2] / "docs" / "json"


@pytest.fixture(scope="module")
def study(small_night: tuple[Path, NightReport], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small study after its night, in a place of its own."""
    path = tmp_path_factory.mktemp("json") / "small"
    shutil.copytree(small_night[0], path, symlinks=True)
    run_night(path, pool=in_process)
    return path


def run(*words: object) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words])


def valid(name: str, said: str) -> dict[str, Any]:
    """The one object on stdout, held against its schema, which names every key of it."""
    assert said.endswith("}\n") and said.count("\n") == 1
    found: dict[str, Any] = json.loads(said)
    schema = json.loads((SCHEMAS / f"{name}.schema.json").read_text(encoding="utf-8"))
    Draft202012Validator.check_schema(schema)
    Draft202012Validator(schema).validate(found)
    assert set(found) == set(schema["properties"]) == set(schema["required"])
    for key, part in schema["properties"].items():
        items = part.get("items", {})
        if "properties" in items and found[key]:
            assert set(found[key][0]) == set(items["properties"]) == set(items["required"]), key
    return found


def printed(capsys: pytest.CaptureFixture[str], command: str, said: dict[str, Any]) -> str:
    as_json.print_json(command, said)
    return capsys.readouterr().out


def test_every_schema_is_of_a_command_and_every_command_has_one() -> None:
    names = {path.name.removesuffix(".schema.json") for path in SCHEMAS.iterdir()}
    assert names == {
        "nightly", "nightly-dry-run", "check", "verify", "doctor", "queries", "sql", "status",
    }  # fmt: skip
    page = (SCHEMAS.parent / "json.md").read_text(encoding="utf-8")
    assert all(f"json/{name}.schema.json" in page for name in names)


def test_night(
    small_night: tuple[Path, NightReport], capsys: pytest.CaptureFixture[str], study: Path
) -> None:
    report = small_night[1]
    found = valid("nightly", printed(capsys, "nightly", as_json.of_night(report)))
    assert found["state"] == "amber" and found["queries_open"] == report.n_open
    assert (
        sum(row["delivered"] for row in found["conservation"])
        == report.conservation["delivered"].sum()
    )
    idle = run("nightly", study, "--json")
    assert idle.exit_code == 0 and idle.stderr == ""
    assert valid("nightly", idle.stdout)["idle"] is True


def test_dry_run(small_night: tuple[Path, NightReport], capsys: pytest.CaptureFixture[str]) -> None:
    changes = pd.DataFrame(
        [
            ("tests", "larch|s1/tidal", "status", "accepted", "rejected", "limit"),
            ("rules", "tidal.x|2026-01-01", "", None, "row added", "limit"),
        ],
        columns=["table_name", "key", "column_name", "before", "after", "cause"],
    )
    row = {"query": 3, "centre": None, "kind": "night_notice", "sentence": "S.", "remedy": "R."}
    dry = DryRun(
        small_night[1], "n000001", tuple(session_changes(changes)), tuple(counted(changes)),
        (row,), (),
    )  # fmt: skip
    found = valid("nightly-dry-run", printed(capsys, "nightly --dry-run", as_json.of_dry_run(dry)))
    assert found["sessions"] == [
        {
            "centre": "larch",
            "session": "s1",
            "sentence": "tidal from accepted to rejected",
            "causes": ["limit"],
        }
    ]


def test_check(study: Path, tmp_path: Path) -> None:
    good = run("check", study / "deliveries" / "larch" / "larch-01", "--study", study, "--json")
    assert good.exit_code == 0 and valid("check", good.stdout)["ready"] is True
    bad = tmp_path / "larch-99"
    shutil.copytree(study / "deliveries" / "larch" / "larch-01", bad)
    next(bad.rglob("*.csv")).write_text("nothing", encoding="utf-8")
    said = run("check", bad, "--study", study, "--json")
    assert said.exit_code == 1
    found = valid("check", said.stdout)
    assert found["ready"] is False and found["problems"][0]["sentence"]


def test_verify(study: Path, tmp_path: Path) -> None:
    folder = make_release(study, "for-json")
    sound = run("verify", folder, "--json")
    assert sound.exit_code == 0
    assert valid("verify", sound.stdout)["differences"] == []
    copy = tmp_path / "copy"
    shutil.copytree(folder, copy)
    (copy / "views.sql").chmod(0o600)
    (copy / "views.sql").write_text("changed", encoding="utf-8")
    other = run("verify", copy, "--json")
    assert other.exit_code == 1 and not valid("verify", other.stdout)["unchanged"]


def test_doctor(study: Path) -> None:
    left = study / "warehouse" / ".current.new"
    sound = run("doctor", study, "--json")
    left.touch()
    found = run("doctor", study, "--json")
    mended = run("doctor", study, "--repair", "--json")
    assert (sound.exit_code, found.exit_code, mended.exit_code) == (0, 1, 1)
    assert valid("doctor", sound.stdout)["sound"] is True
    (finding,) = valid("doctor", found.stdout)["findings"]
    assert finding["by_repair"] and finding["said"].startswith("--repair will")
    assert valid("doctor", mended.stdout)["findings"][0]["said"].startswith("Mended")


def test_queries(study: Path, small_night: tuple[Path, NightReport]) -> None:
    found = valid("queries", run("queries", study, "--open", "--json").stdout)
    assert found["open"] == len(found["queries"]) >= small_night[1].n_open
    assert {row["state"] for row in found["queries"]} == {"open"}


def test_sql(study: Path) -> None:
    asked = (
        "SELECT 1 AS a, NULL::INTEGER AS a, 'nan'::DOUBLE AS b, DATE '2026-03-02' AS c, "
        "['x'] AS d, 2.5::DECIMAL(4,1) AS e, TIMESTAMPTZ '2026-03-02 02:00:00+00' AS f, "
        "'\\xAA'::BLOB AS g, INTERVAL 2 HOUR AS h, MAP {'k': 1} AS i UNION ALL SELECT 2, 3, 1.5, "
        "NULL, NULL, NULL, NULL, NULL, NULL, NULL ORDER BY 1"
    )
    found = valid("sql", run("sql", asked, "--study", study, "--json").stdout)
    first, second = found["rows"]
    assert first[:6] == [1, None, None, "2026-03-02", ["x"], 2.5] and second[:3] == [2, 3, 1.5]
    assert datetime.fromisoformat(first[6]).timestamp() == 1772416800
    assert first[7:] == ["aa", 7200.0, {"k": 1}]
    assert [column["name"] for column in found["columns"]][:3] == ["a", "a", "b"]
    wrong = run("sql", "SELECT", "--study", study, "--json")
    assert (wrong.exit_code, wrong.stdout) == (2, "") and wrong.stderr
    both = run("sql", "SELECT 1", "--study", study, "--json", "--csv")
    assert both.exit_code == 2 and "--csv or --json" in both.stderr


def test_status(study: Path) -> None:
    found = valid("status", run("status", study, "--json").stdout)
    assert found["missed"] == 0 and found["schedule_by"] == ""
    assert {row["centre"] for row in found["centres"]} >= {"larch", "rowan"}
