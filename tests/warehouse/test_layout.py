"""study.duckdb is laid out by a program of its own: what it says when it cannot, and who starts it.

That it ends with a killed night is in test_publish.py.
"""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import duckdb
import pytest

from quietsleep.errors import WarehouseError, environment_error
from quietsleep.warehouse.current import current_night
from quietsleep.warehouse.database import write_database
from quietsleep.warehouse.described import warehouse_contract
from quietsleep.warehouse.layout import Order, TableToLayOut, error_of, said_of
from quietsleep.warehouse.parquet import Part

TABLE = warehouse_contract()["nights"]
NO_PART = Part("tables/none.parquet", TABLE.name, 1, "", "", 0)


@pytest.mark.parametrize(
    "error",
    [
        duckdb.IOException("Could not write file: No space left on device"),
        duckdb.OutOfMemoryException("failed to allocate data of size 3 GB"),
        OSError(28, "No space left on device"),
        PermissionError(13, "Permission denied", "/a/study"),
        MemoryError(),
    ],
    ids=lambda error: type(error).__name__,
)
def test_what_the_machine_puts_in_the_way_is_known_here_too(error: Exception) -> None:
    again = error_of(json.loads(json.dumps(said_of(error))))
    assert type(again) is type(error)
    assert environment_error(again) == environment_error(error) is not None


def test_sentence_stays_a_sentence_and_a_mistake_a_mistake() -> None:
    again = error_of(said_of(WarehouseError("Table nights holds 1 rows.")))
    assert (type(again), str(again)) == (WarehouseError, "Table nights holds 1 rows.")
    mistake = error_of(said_of(KeyError("nights")))
    assert environment_error(mistake) is None and str(mistake) == "KeyError: 'nights'"


def test_order_comes_through_as_it_is() -> None:
    odd = "/a/b\udcff 'é'\n"
    order = Order(odd, (TableToLayOut("t", 'CREATE TABLE "t" ();', (odd,), 3),), ("SELECT 1",))
    assert Order.of_line(order.line()) == order
    assert order.line().count(b"\n") == 1


def test_program_says_what_is_wrong(tmp_path: Path) -> None:
    night = tmp_path / "night"
    night.mkdir()
    with pytest.raises(duckdb.IOException, match="none") as caught:
        write_database(night, [TABLE], [NO_PART], [])
    assert "lay_out" in "".join(caught.value.__notes__)
    with pytest.raises(FileNotFoundError) as gone:
        write_database(tmp_path / "gone" / "night", [TABLE], [NO_PART], [])
    assert environment_error(gone.value) is not None


def test_row_too_few_is_a_sentence(published: Path) -> None:
    night = current_night(published)
    parts = [Part(**row) for row in json.loads((night / "NIGHT.json").read_text())["parts"]]
    of_table = [replace(part, rows=part.rows + 1) for part in parts if part.table == TABLE.name]
    aside = published / "aside"
    aside.mkdir()
    (aside / "tables").symlink_to(night / "tables")
    with pytest.raises(WarehouseError) as caught:
        write_database(aside, [TABLE], of_table, [])
    rows = sum(part.rows for part in of_table)
    said = f"Table nights holds {rows - len(of_table)} rows in the database, not {rows}."
    assert str(caught.value) == said


def test_program_that_is_killed_is_said_to_be(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Killed(subprocess.Popen[bytes]):
        def __init__(self, *args: Any, **kwargs: Any) -> None:
            super().__init__(*args, **kwargs)
            self.kill()

    monkeypatch.setattr(subprocess, "Popen", Killed)
    with pytest.raises(WarehouseError, match="ended from outside, most likely for want of memory"):
        write_database(tmp_path, [TABLE], [NO_PART], ["SELECT 1;" * 100_000])


def test_script_without_a_guard_is_not_started_again(tmp_path: Path) -> None:
    (tmp_path / "night").mkdir()
    script = tmp_path / "script.py"
    script.write_text(
        "import sys\nfrom pathlib import Path\nfrom quietsleep.warehouse.database import "
        "write_database\nprint('began', flush=True)\n"
        "write_database(Path(sys.argv[1]) / 'night', [], [], [])\n",
        encoding="utf-8",
    )
    said = subprocess.check_output([sys.executable, str(script), str(tmp_path)], text=True)
    assert said.split() == ["began"]
    assert (tmp_path / "night" / "study.duckdb").exists()


def test_program_imports_nothing_but_the_engine() -> None:
    program = "import sys, quietsleep.warehouse.layout; print(*sys.modules)"
    said = subprocess.check_output([sys.executable, "-P", "-c", program], text=True).split()
    assert not {"pandas", "pyarrow", "quietsleep.contract.load"} & set(said)
