"""The statistician's ten queries on a warehouse of a million trials, beside the same in pandas.

The warehouse is that of a night, laid out several times under other centres' names and built as
every night's database is. The queries, and the pandas beside them, are those of docs/queries.md.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from time import perf_counter
from typing import Any

import duckdb
import pandas as pd

from benchmarks.speed_recording import seconds_of
from benchmarks.speed_table import Figure
from quietsleep.warehouse.current import night_facts
from quietsleep.warehouse.database import open_night, write_database
from quietsleep.warehouse.parquet import Part
from quietsleep.warehouse.publish import warehouse_contract
from quietsleep.warehouse.views import stored_view_sql

TRIALS = 1_000_000
MOST_S = 0.1
DOCUMENT = Path(__file__).parents[1] / "docs" / "queries.md"
SECTION = re.compile(
    r"^## (?P<title>\d+\. .+?)$.*?```sql\n(?P<sql>.*?)```.*?```python\n(?P<python>.*?)```",
    re.DOTALL | re.MULTILINE,
)


def measure_queries(night: Path, folder: Path, *, trials: int = TRIALS) -> list[Figure]:
    """Lay a night out until it holds so many trials, and ask every query of it."""
    begun = perf_counter()
    large = _laid_out(night, folder, trials)
    built = Figure("laying out and building the database", perf_counter() - begun)
    with open_night(large) as connection:
        return [built, *_ask(connection)]


def _laid_out(night: Path, folder: Path, trials: int) -> Path:
    """Write a night of several times the centres; returns its folder."""
    facts = night_facts(night)
    times = -(-trials // facts["counts"]["trials"])
    large = folder / "large"
    large.mkdir(parents=True)
    parts = [
        _part(
            large,
            name,
            [str(night / p["path"]) for p in facts["parts"] if p["table"] == name],
            times,
        )
        for name in sorted(warehouse_contract())
    ]
    write_database(large, list(warehouse_contract().values()), parts, stored_view_sql())
    return large


def _part(large: Path, name: str, files: list[str], times: int) -> Part:
    columns = {column.name for column in warehouse_contract()[name].columns}
    centre, source = "centre", "read_parquet(?, hive_partitioning = false)"
    if "centre" not in columns:
        query = f"SELECT * FROM {source}"
    else:
        named = f"{centre} || '-' || k AS {centre}"
        query = f"SELECT * EXCLUDE k REPLACE ({named}) FROM {source}, range({times}) AS r(k)"
    path = large / f"{name}.parquet"
    with duckdb.connect() as connection:
        connection.execute(f"COPY ({query}) TO '{path}' (FORMAT parquet)", [files])
        n_rows = connection.execute("SELECT count(*) FROM read_parquet(?)", [str(path)]).fetchone()
    return Part(path.name, name, n_rows[0] if n_rows else 0, "", "", path.stat().st_size)


def _ask(connection: duckdb.DuckDBPyConnection) -> Iterator[Figure]:
    for found in SECTION.finditer(DOCUMENT.read_text(encoding="utf-8")):
        ours_s = seconds_of(lambda sql=found["sql"]: connection.sql(sql).to_arrow_table(), times=5)
        begun = perf_counter()
        _run_pandas(connection, found["python"])
        pandas_s = perf_counter() - begun
        yield Figure(found["title"], ours_s, "s", "pandas", pandas_s, most=MOST_S)


def _run_pandas(connection: duckdb.DuckDBPyConnection, code: str) -> pd.DataFrame:
    names: dict[str, Any] = {"con": connection}
    exec(compile(code, str(DOCUMENT), "exec"), names)
    frame: pd.DataFrame = names["result"]
    return frame
