"""A night is published whole or not at all, and the same rows give the same bytes."""

from __future__ import annotations

import csv
import json
import os
import random
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from importlib import resources
from pathlib import Path
from typing import Any

import duckdb
import jsonschema
import pandas as pd
import pyarrow.dataset as ds
import pyarrow.parquet as pq
import pytest

from quietsleep import contract
from quietsleep.contract.schemas import arrow_schema, dictionary_rows
from quietsleep.contract.sql import literal
from quietsleep.errors import WarehouseError
from quietsleep.store import tables
from quietsleep.store.tables import split_by_centre
from quietsleep.warehouse import current
from quietsleep.warehouse import parquet as parts
from quietsleep.warehouse import publish as publishing
from quietsleep.warehouse.current import current_night, night_facts
from quietsleep.warehouse.database import open_current
from quietsleep.warehouse.described import dictionary, view_rows
from quietsleep.warehouse.publish import publish
from quietsleep.warehouse.views import views

WAREHOUSE_TABLES = {n: t for n, t in contract.TABLES.items() if t.group == "warehouse"}


class Killed(BaseException):
    """Stands for the end of the process: nothing catches it."""


def numbered(frames: dict[str, pd.DataFrame], number: int) -> dict[str, pd.DataFrame]:
    """Return frames in which several tables carry the same number."""
    changed = {name: frame.copy() for name, frame in frames.items()}
    changed["nights"]["rules_version"] = str(number)
    changed["tests"]["n_trials"] = number
    changed["outcomes"]["n_trials"] = number
    changed["changes"] = pd.DataFrame(
        {c.name: pd.Series(dtype=object) for c in WAREHOUSE_TABLES["changes"].columns}
    )
    return changed


FEW_TABLES = ("nights", "tests", "outcomes", "changes")


@pytest.fixture
def few_frames(quick: None, study: Any, monkeypatch: pytest.MonkeyPatch) -> dict[str, pd.DataFrame]:
    """Frames of a warehouse of four tables, for tests that publish very often."""
    publish_few(monkeypatch)
    return {name: frame for name, frame in study.frames().items() if name in FEW_TABLES}


@pytest.fixture(scope="module")
def first_of_few(
    new_study: Any, facts_made: Any, quickly: Any, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    """A study after the first of its nights of four tables; do not change it."""
    path = tmp_path_factory.mktemp("few") / "study"
    frames = numbered({n: f for n, f in new_study().frames().items() if n in FEW_TABLES}, 1)
    with pytest.MonkeyPatch.context() as patch:
        quickly(patch)
        publish_few(patch)
        publish(path, "n1", frames, facts_made(rules_version="1"))
    return path


@pytest.fixture
def after_n1(published: Path, tmp_path: Path) -> Path:
    """A copy of a study after its first night, to go on from."""
    return Path(shutil.copytree(published, tmp_path / "study", symlinks=True))


@pytest.fixture
def begun(first_of_few: Path, tmp_path: Path) -> Path:
    """A copy of it."""
    return Path(shutil.copytree(first_of_few, tmp_path / "study", symlinks=True))


def publish_few(patch: pytest.MonkeyPatch) -> None:
    few = {name: WAREHOUSE_TABLES[name] for name in FEW_TABLES}
    patch.setattr(publishing, "warehouse_contract", lambda: few)


def numbers_seen(path: Path) -> set[int]:
    """Resolve `current` once and read the number from four places of that night."""
    night = current_night(path)
    seen = {int(night_facts(night)["rules_version"])}
    with duckdb.connect(night / "study.duckdb", read_only=True) as connection:
        query = """SELECT DISTINCT n FROM (SELECT n_trials AS n FROM tests
            UNION ALL SELECT n_trials FROM outcomes
            UNION ALL SELECT CAST(rules_version AS BIGINT) FROM nights)"""
        seen |= {row[0] for row in connection.execute(query).fetchall()}
    for file in (night / "tables" / "tests").rglob("*.parquet"):
        seen |= set(pq.ParquetFile(file).read()["n_trials"].to_pylist())
    return seen


def read_in_a_loop(path: Path) -> dict[str, int]:
    """Read until a file tells it to stop; run in a process of its own."""
    nights: set[int] = set()
    counts = {"loops": 0, "mixed": 0, "failed": 0}
    print("ready", flush=True)
    while not (path / "stop").exists():
        try:
            seen = numbers_seen(path)
        except Exception:
            counts["failed"] += 1
            continue
        counts["loops"] += 1
        counts["mixed"] += len(seen) != 1
        nights |= seen
        time.sleep(0.002)
    return counts | {"nights": len(nights)}


def python(code: str, path: Path) -> subprocess.Popen[str]:
    """Start Python on code that may import this folder; wait for its first line."""
    head = "import sys, json; sys.path[:0] = [sys.argv[1]]\nfrom pathlib import Path\n"
    command = [sys.executable, "-c", head + code, str(Path(__file__).parent), str(path)]
    child = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert child.stdout is not None
    assert child.stdout.readline() == "ready\n"
    return child


def test_a_reader_sees_no_mix_and_no_failure_through_30_publications(
    few_frames: dict[str, pd.DataFrame], facts: Any, tmp_path: Path
) -> None:
    frames = few_frames
    publish(tmp_path, "n000", numbered(frames, 0), facts(rules_version="0"))
    reader = python(
        "from test_publish import read_in_a_loop\n"
        "print(json.dumps(read_in_a_loop(Path(sys.argv[2]))))",
        tmp_path,
    )
    for number in range(1, 31):
        night = f"n{number:03}"
        publish(tmp_path, night, numbered(frames, number), facts(rules_version=str(number)))
    (tmp_path / "stop").touch()
    counts = json.loads(reader.communicate(timeout=20)[0])
    assert (counts["mixed"], counts["failed"]) == (0, 0)
    assert counts["loops"] > 20
    assert counts["nights"] > 10
    assert len(list((tmp_path / "warehouse" / "nights").iterdir())) == 7


STEPS = (
    (publishing, "write_parts"),
    (publishing, "write_database"),
    (publishing, "write_datapackage"),
    (publishing, "write_dictionary"),
    (publishing, "write_json"),
    (publishing, "sync_tree"),
    (publishing, "sync_folder"),
    (publishing, "point_at"),
    (publishing, "remove_old_nights"),
    (parts, "_write_part"),
    (os, "link"),
    (pq, "ParquetWriter"),
    (Path, "replace"),
    (Path, "symlink_to"),
    (current, "sync_folder"),
    (shutil, "rmtree"),
)


def kills(when: str, *names: str) -> Iterator[Any]:
    for owner, name in STEPS:
        if names and name not in names:
            continue
        yield pytest.param(
            (owner, name, when), id=f"{when}-{name}-{getattr(owner, '__name__', '')}"
        )


# A kill after most steps is a kill before the next one.
KILLS = [*kills("before"), *kills("after", "replace", "symlink_to", "link", "point_at")]


@pytest.mark.parametrize("kill", KILLS)
def test_a_kill_at_any_step_leaves_a_good_night(
    few_frames: Any, begun: Path, facts: Any, monkeypatch: pytest.MonkeyPatch, kill: Any
) -> None:
    owner, name, when = kill
    frames = few_frames
    real = getattr(owner, name)

    def killed(*args: Any, **kwargs: Any) -> Any:
        if when == "after":
            real(*args, **kwargs)
        raise Killed

    with monkeypatch.context() as patch, pytest.raises(Killed):
        patch.setattr(owner, name, killed)
        publish(begun, "n2", numbered(frames, 2), facts(rules_version="2"))
    seen = numbers_seen(begun)
    assert seen in ({1}, {2})
    swapped = seen == {2}
    if not swapped:
        assert [p.name for p in current.published_nights(begun)] == ["n1"]
    night = "n3" if swapped else "n2"
    publish(begun, night, numbered(frames, 3), facts(rules_version="3"))
    assert numbers_seen(begun) == {3}
    folders = {p.name for p in (begun / "warehouse" / "nights").iterdir()}
    assert folders == {"n1", "n2", night}
    assert not (begun / "warehouse" / ".aside").exists()


@pytest.mark.parametrize("at", ["begun", "database"])
def test_kill_minus_nine_leaves_a_good_night_and_nothing_running(
    study: Any, facts: Any, tmp_path: Path, at: str
) -> None:
    publish(tmp_path, "n1", numbered(study.frames(), 1), facts(rules_version="1"))
    child = python(
        "from conftest import make_study, night_facts\n"
        "from test_publish import numbered\nfrom quietsleep.warehouse.publish import publish\n"
        "frames = numbered(make_study().frames(), 2)\nprint('ready', flush=True)\n"
        "for i in range(100):\n"
        "    publish(Path(sys.argv[2]), f'm{i}', frames, night_facts(rules_version='2'))\n",
        tmp_path,
    )
    if at == "begun":
        time.sleep(0.15)
    begun = [tmp_path / "warehouse" / ".aside" / f"m{i}" / "study.duckdb" for i in range(100)]
    while at == "database" and not any(path.exists() for path in begun):
        time.sleep(0.005)
    child.kill()
    # Whatever it started holds its standard output open, until that has ended too.
    child.communicate(timeout=600)
    assert numbers_seen(tmp_path) in ({1}, {2})


def test_same_rows_in_another_order_give_the_same_bytes(study: Any, tmp_path: Path) -> None:
    first = study.publish(tmp_path / "a", "n1")
    for rows in study.rows.values():
        random.Random(7).shuffle(rows)
    second = study.publish(tmp_path / "b", "n1")
    files = sorted(p.relative_to(first) for p in (first / "tables").rglob("*.parquet"))
    assert files
    for file in files:
        assert (first / file).read_bytes() == (second / file).read_bytes(), file
    for name in ("views.sql", "dictionary.csv", "datapackage.json"):
        assert (first / name).read_bytes() == (second / name).read_bytes(), name
    said = [night_facts(folder) for folder in (first, second)]
    for facts in said:  # The engine samples what it packs: its file holds the same in other bytes.
        del facts["files"]["study.duckdb"]
    assert said[0] == said[1]
    with open_current(tmp_path / "a") as one, open_current(tmp_path / "b") as two:
        for name in WAREHOUSE_TABLES:
            query = f'SELECT * FROM "{name}"'
            assert one.execute(query).fetchall() == two.execute(query).fetchall(), name


def test_unchanged_centres_share_their_files_with_the_night_before(
    study: Any, after_n1: Path
) -> None:
    first = current_night(after_n1)
    for row in study.rows["sessions"]:
        if row["centre"] == "maple":
            row["weight_kg"] = 7.0
    second = study.publish(after_n1, "n2")
    same = "tables/sessions/centre=larch/part.parquet"
    changed = "tables/sessions/centre=maple/part.parquet"
    assert (first / same).samefile(second / same)
    assert not (first / changed).samefile(second / changed)
    assert pq.ParquetFile(second / changed).read()["weight_kg"].to_pylist() == [7.0]


def test_every_part_has_the_contracts_schema_and_the_whole_can_be_read_at_once(
    published: Path,
) -> None:
    night = current_night(published)
    for name, table in WAREHOUSE_TABLES.items():
        files = list((night / "tables" / name).rglob("*.parquet"))
        assert files, name
        for file in files:
            assert pq.ParquetFile(file).schema_arrow.equals(arrow_schema(table)), file
    # Partitioned by folder name and by column alike: R's and Python's arrow both read it.
    read = ds.dataset(night / "tables" / "sessions", partitioning=None).to_table()
    assert read.num_rows == 4
    query = "SELECT count(*) FROM read_parquet(?, hive_partitioning = true)"
    found = duckdb.execute(query, [str(night / "tables/sessions/**/*.parquet")]).fetchone()
    assert found == (4,)


def test_the_database_stands_alone_and_opens_with_older_clients(
    published: Path, tmp_path: Path
) -> None:
    file = current_night(published) / "study.duckdb"
    header = file.read_bytes()[8:20]
    assert header[:4] == b"DUCK"
    # 64 is the storage version of 1.0.0 to 1.1.x, as the header of a file made by them says.
    assert int.from_bytes(header[4:], "little") == 64
    shutil.copy(file, tmp_path / "elsewhere.duckdb")
    with duckdb.connect(tmp_path / "elsewhere.duckdb", read_only=True) as connection:
        for view in views():
            connection.execute(f"SELECT * FROM {view.name}").fetchall()


def test_datapackage_keeps_the_v2_profile(published: Path) -> None:
    night = current_night(published)
    package = json.loads((night / "datapackage.json").read_text())
    profile = json.loads(
        resources.files("dplib").joinpath("profiles/2.0/datapackage.json").read_text()
    )
    jsonschema.Draft7Validator(profile).validate(package)
    assert {r["name"] for r in package["resources"]} == set(WAREHOUSE_TABLES)
    for resource in package["resources"]:
        for path in resource["path"]:
            assert (night / path).is_file()
    spoilt = package | {"resources": [{"name": "no path or data"}]}
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft7Validator(profile).validate(spoilt)


def test_every_column_is_in_the_dictionary_and_commented_and_the_reverse(published: Path) -> None:
    with (current_night(published) / "dictionary.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    with open_current(published) as connection:
        found = connection.execute(
            "SELECT table_name, column_name, comment FROM duckdb_columns() "
            "WHERE NOT internal AND schema_name = 'main'"
        ).fetchall()
    described = {(r["table"], r["column"]): r["meaning"] for r in rows}
    assert set(described) == {(table, column) for table, column, _ in found}
    for table, column, comment in found:
        assert comment, (table, column)
        assert described[table, column] in comment


def test_views_are_described_as_tables_are() -> None:
    table = contract.TABLES["outcomes"]
    by_contract = [r for r in dictionary_rows() if r["table"] == "outcomes"]
    ours = view_rows(table)
    assert [set(r) for r in ours] == [set(r) for r in by_contract]
    same = ("table", "column", "key", "type", "unit", "unit_from", "nullable", "meaning")
    assert [[r[k] for k in same] for r in ours] == [[r[k] for k in same] for r in by_contract]
    assert {r["table"] for r in dictionary()} == set(WAREHOUSE_TABLES) | {v.name for v in views()}


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda f: f.pop("tests"), "tests"),
        (lambda f: f.update(guests=f["tests"]), "guests"),
        (lambda f: f.update(tests=f["tests"].drop(columns="status")), "status"),
        (lambda f: f.update(tests=f["tests"].replace("maple", "../away")), "plain centre code"),
        (lambda f: f.update(tests=f["tests"].assign(n_trials="many")), "n_trials"),
        (lambda f: f.update(tests=f["tests"].assign(status=None)), "empty cells"),
        (lambda f: f.update(tests=pd.concat([f["tests"], f["tests"]])), "two rows"),
    ],
)
def test_frames_that_break_the_contract_are_refused(
    study: Any, facts: Any, after_n1: Path, spoil: Any, words: str
) -> None:
    frames = study.frames()
    spoil(frames)
    with pytest.raises(WarehouseError, match=words):
        publish(after_n1, "n2", frames, facts())
    assert current_night(after_n1).name == "n1"


def test_a_column_without_any_value_is_null_whatever_pandas_calls_it(
    study: Any, facts: Any, tmp_path: Path
) -> None:
    frames = study.frames()
    for name in ("done_at", "device", "heated_min"):
        frames["checks"][name] = float("nan")
    night = publish(tmp_path, "n1", frames, facts())
    data = publishing.read_table(night, "checks")
    assert data.schema.equals(arrow_schema(WAREHOUSE_TABLES["checks"]))
    assert [data[n].null_count for n in ("done_at", "device", "heated_min")] == [data.num_rows] * 3


def test_a_night_is_never_changed_and_seven_stay(
    study: Any, facts: Any, after_n1: Path, tmp_path: Path
) -> None:
    with pytest.raises(WarehouseError, match="no published night"):
        current_night(tmp_path)
    with pytest.raises(WarehouseError, match="published already"):
        study.publish(after_n1, "n1")
    with pytest.raises(WarehouseError, match="At least 7"):
        publish(after_n1, "n2", study.frames(), facts(), keep=6)
    with pytest.raises(WarehouseError, match="name of a night"):
        study.publish(after_n1, "../n2")


def test_count_that_does_not_come_out_stops_the_publication(
    study: Any, after_n1: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def lose_one(table: Any, data: Any) -> Any:
        yield from (((f, d) for f, d in split_by_centre(table, data) if f != "centre=maple"))

    monkeypatch.setattr(tables, "split_by_centre", lose_one)
    with pytest.raises(WarehouseError, match=r"holds \d+ rows in its files, not"):
        study.publish(after_n1, "n2")
    assert current_night(after_n1).name == "n1"


def test_what_is_stored_of_a_view_is_what_it_says(published: Path) -> None:
    """A night never changes, so views are laid out once; their definitions must give the same."""
    folder = current_night(published)
    with open_current(published) as connection, duckdb.connect() as fresh:
        fresh.execute(f"ATTACH {literal(str(folder / 'study.duckdb'))} AS night (READ_ONLY)")
        for name in WAREHOUSE_TABLES:
            fresh.execute(f'CREATE VIEW "{name}" AS SELECT * FROM night.main."{name}"')
        fresh.execute((folder / "views.sql").read_text())
        for view in views():
            query = f"SELECT * FROM {view.name} ORDER BY ALL"
            assert connection.sql(query).fetchall() == fresh.sql(query).fetchall(), view.name
