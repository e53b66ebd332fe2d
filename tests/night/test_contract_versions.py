"""A study that began under an earlier version of the contract goes on under this one."""

from __future__ import annotations

from pathlib import Path

from quietsleep.contract import CONTRACT_VERSION
from quietsleep.measure.pool import in_process
from quietsleep.night.stages import run_night
from quietsleep.warehouse.current import night_facts, published_nights
from quietsleep.warehouse.database import open_current
from tests.code_copies import copy_code, run_with
from tests.shared import copy_of_one

NIGHT = (
    "import sys; from pathlib import Path; from quietsleep.night.stages import run_night; "
    "report = run_night(Path(sys.argv[1]), workers=1); print(report.published)"
)


def earlier_program(target: Path) -> Path:
    """The program as it might have been: version 1, other numbers, fewer columns of a delivery."""
    package = copy_code(target)
    changed = {
        "contract/__init__.py": ('CONTRACT_VERSION = "2"', 'CONTRACT_VERSION = "1"'),
        "contract/units.py": ("else usual", "else usual * (1.0 if usual == 1.0 else 1.05)"),
        "night/known_answers.py": ("if not answer.stands:", "if False:"),
        "contracts/techniques/tidal.toml": (
            'equation = "60 / tTOT"',
            'equation = "60 / mean tTOT"',
        ),
    }
    for name, (old, new) in changed.items():
        file = package / name
        text = file.read_text(encoding="utf-8")
        assert old in text, name
        file.write_text(text.replace(old, new, 1), encoding="utf-8")
    return package


def test_the_first_night_under_the_new_version_tells_what_the_formula_moved(
    small_deliveries: Path, tmp_path: Path
) -> None:
    study = copy_of_one(small_deliveries, tmp_path / "demo", centre="juniper")
    assert 'contract = "1"' in (study / "study.toml").read_text(encoding="utf-8")
    assert run_with(earlier_program(tmp_path / "code"), NIGHT, str(study)) == "True"
    report = run_night(study, pool=in_process)
    assert report.published and report.state != "red", report.sentences
    with open_current(study) as warehouse:
        told = warehouse.execute(
            "SELECT table_name, column_name, cause, count(*) FROM changes "
            "WHERE table_name IN ('outcomes', 'quantities') GROUP BY ALL"
        ).fetchall()
    versions = [night_facts(night)["contract_version"] for night in published_nights(study)]
    assert versions == [CONTRACT_VERSION, "1"]
    moved = {(table, column): cause for table, column, cause, _ in told}
    assert moved["outcomes", "value"] == f"formula (contract 1 to {CONTRACT_VERSION})"
    assert moved["quantities", "equation"] == f"formula (contract 1 to {CONTRACT_VERSION})"
    pages = (study / "pages/overview/index.html").read_text(encoding="utf-8")
    assert "the study began under contract 1" in pages
    again = run_night(study, pool=in_process)
    assert again.n_measured == 0
