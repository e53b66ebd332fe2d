"""The key of a measure moves with every line of code, setting and library that can change it."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from quietsleep import contract
from quietsleep.contract.units import usual_factors
from quietsleep.measure import fingerprint
from quietsleep.measure.fingerprint import (
    MEASURING,
    NAME,
    NOT_OF_A_NUMBER,
    NOT_OF_A_ROW,
    PACKAGE,
    code_behind,
    digest_of,
    measuring_code,
    module_of,
)
from tests.code_copies import copy_code, run_with
from tests.shared import copy_of_one

EVERY = (*contract.TECHNIQUES, *contract.CHECKS)


@pytest.fixture(scope="module")
def copied(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the package that may be broken, module by module."""
    path = tmp_path_factory.mktemp("code") / NAME
    shutil.copytree(PACKAGE, path, ignore=shutil.ignore_patterns("__pycache__"))
    return path


@pytest.mark.parametrize("technique", EVERY)
def test_each_module_behind_a_number_moves_its_key(technique: str, copied: Path) -> None:
    code = measuring_code(technique)
    before = digest_of(code, package=copied)
    assert before == digest_of(code)
    for module in code.modules:
        file = fingerprint._path_of(module, copied)
        assert file is not None
        sound = file.read_bytes()
        file.write_bytes(sound + b"\n# Broken.\n")
        assert digest_of(code, package=copied) != before, module
        file.write_bytes(sound)
    assert digest_of(code, package=copied) == before


def test_what_units_rest_on_is_behind_every_number() -> None:
    """Forgotten once: a unit factor that was wrong and then mended left the wrong number."""
    for technique in EVERY:
        code = measuring_code(technique)
        assert {f"{NAME}.contract.units", MEASURING, module_of(technique)} <= code.modules
        assert {"pint", "ucumvert", "numpy", "pyarrow", "edfio"} <= code.libraries


def test_new_import_is_followed_wherever_it_stands(tmp_path: Path) -> None:
    path = tmp_path / NAME
    shutil.copytree(PACKAGE, path, ignore=shutil.ignore_patterns("__pycache__"))
    (path / "signals" / "fresh.py").write_text("import duckdb\n", encoding="utf-8")
    with (path / "signals" / "gas.py").open("a", encoding="utf-8") as file:
        file.write("\ndef late():\n    from quietsleep.signals.fresh import duckdb\n")
    code = code_behind((MEASURING,), package=path)
    assert f"{NAME}.signals.fresh" in code.modules and "duckdb" in code.libraries


def test_another_version_of_a_library_moves_the_key(monkeypatch: pytest.MonkeyPatch) -> None:
    code = measuring_code("tidal")
    before = digest_of(code)
    known = fingerprint.version_of
    monkeypatch.setattr(
        fingerprint, "version_of", lambda name: "9.9" if name == "pint" else known(name)
    )
    assert digest_of(code) != before


def test_exceptions_are_modules_that_are_there_and_are_imported() -> None:
    """An exception that nothing needs any more would hide the next module of its name."""
    for exceptions, start in (
        (NOT_OF_A_NUMBER, (MEASURING, *(module_of(key) for key in EVERY))),
        (NOT_OF_A_ROW, (fingerprint.INGESTING,)),
    ):
        whole = code_behind(start, exceptions={NAME: ""})
        for module, reason in exceptions.items():
            assert module == NAME or module in whole.modules, module
            assert reason


# Known answers would stop it, so they are not asked: what is tried is a slip that they do not see.
NIGHT = (
    "import sys; from pathlib import Path; from quietsleep.measure.pool import in_process; "
    "from quietsleep.night import stages; stages.answers_that_stand = lambda night, run: []; "
    "from quietsleep.warehouse.database import open_current; study = Path(sys.argv[1]); "
    "report = stages.run_night(study, pool=in_process); warehouse = open_current(study); "
    'print(report.n_measured, warehouse.execute("SELECT sum(value) FROM clean_outcomes '
    "WHERE outcome LIKE 'crs%'\").fetchone()[0])"
)


def test_number_of_a_wrong_unit_factor_does_not_outlive_its_mending(
    small_deliveries: Path, tmp_path: Path
) -> None:
    study = copy_of_one(small_deliveries, tmp_path / "demo", centre="juniper")
    package = copy_code(tmp_path / "code")
    units = package / "contract" / "units.py"
    sound = units.read_text(encoding="utf-8")
    assert "else usual" in sound
    wrong_by_5 = "else usual * (1.0 if usual == 1.0 else 1.05)"
    units.write_text(sound.replace("else usual", wrong_by_5))
    wrong = run_with(package, NIGHT, str(study))
    units.write_text(sound)
    right = run_with(package, NIGHT, str(study))
    assert right.split()[0] == wrong.split()[0] != "0"
    assert right.split()[1] != wrong.split()[1]


def test_another_usual_factor_makes_another_key(monkeypatch: pytest.MonkeyPatch) -> None:
    before = fingerprint.measuring_fingerprint("tidal")
    factors = {**usual_factors(), ("L/s", "mL/s"): 1000.1}
    monkeypatch.setattr(fingerprint, "usual_factors", lambda: factors)
    assert fingerprint.measuring_fingerprint.__wrapped__("tidal") != before


@pytest.mark.parametrize(
    "name", ["site/templates/test.html.jinja", "site/static/style.css", "site/static/trace.js"]
)
def test_template_style_and_script_wake_a_night_and_measure_nothing(
    name: str, copied: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    program, code = fingerprint.program_fingerprint(), fingerprint.code_fingerprint()
    monkeypatch.setattr(fingerprint, "PACKAGE", copied)
    with (copied / name).open("a", encoding="utf-8") as file:
        file.write("\n")
    assert fingerprint.program_fingerprint.__wrapped__() != program
    assert fingerprint.code_fingerprint.__wrapped__() == code


def test_what_python_compiled_moves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A folder of bytecode once was a part of its own: without one, the code was another."""
    path = tmp_path / NAME
    shutil.copytree(PACKAGE, path, ignore=shutil.ignore_patterns("__pycache__"))
    monkeypatch.setattr(fingerprint, "PACKAGE", path)
    digests = (fingerprint.program_fingerprint, fingerprint.code_fingerprint)
    before = [digest.__wrapped__() for digest in digests]
    for folder in (path, path / "signals", path / "contract"):
        (folder / "__pycache__").mkdir()
        (folder / "__pycache__" / "errors.cpython-311.pyc").write_bytes(b"compiled")
    assert [digest.__wrapped__() for digest in digests] == before
