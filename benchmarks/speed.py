"""What a night costs, beside floors and peers on the same files: `python -m benchmarks.speed`.

Every bar of the design in one table, with the ratio. On a machine that does nothing else; the
whole takes about half an hour on two cores. Each night runs in a process of its own and is watched;
the queries, and the pandas beside them, are those of docs/queries.md, asked of a night laid out
several times under other centres' names. `--only` takes one part, `--sessions` makes the nights
smaller.
"""

from __future__ import annotations

import argparse
import csv
import io
import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from functools import partial
from importlib.metadata import version
from pathlib import Path
from platform import python_version
from tempfile import mkdtemp
from time import perf_counter
from typing import Any

import duckdb
import pandas as pd

from benchmarks.large_study import write_large_study
from benchmarks.speed_recording import measure_speed
from benchmarks.speed_table import Figure, in_markdown, seconds_of, show
from benchmarks.watching import measuring_of, watched_night
from quietsleep.contract.sql import literal
from quietsleep.simulation.centres import write_demo_study
from quietsleep.simulation.exports import relist
from quietsleep.warehouse.current import night_facts
from quietsleep.warehouse.database import open_night, write_database
from quietsleep.warehouse.described import warehouse_contract
from quietsleep.warehouse.parquet import Part
from quietsleep.warehouse.views import stored_view_sql

ROOT = Path(__file__).parents[1]
MOST_HELP_S, MOST_WHY_S = 0.3, 1.0
LEAST_BUSY = 0.85
MOST_MB = 1536
MOST_ORCHESTRATION = 0.03
MOST_REJUDGE_S = 10.0
MOST_TIMES_WALK = 3.0
TRIALS = 1_000_000
MOST_QUERY_S = 0.1
DOCUMENT = ROOT / "docs" / "queries.md"
SECTION = re.compile(
    r"^## (?P<title>\d+\. .+?)$.*?```sql\n(?P<sql>.*?)```.*?```python\n(?P<python>.*?)```",
    re.DOTALL | re.MULTILINE,
)


def measure_start(folder: Path) -> list[Figure]:
    """What it takes until a command answers."""
    from quietsleep.night.stages import run_night

    study = write_demo_study(folder / "small", sessions_per_centre=1)
    run_night(study)
    command = [str(Path(sys.executable).with_name("quietsleep"))]
    run = partial(subprocess.run, cwd=ROOT, check=True, capture_output=True)
    return [
        Figure("--help", seconds_of(partial(run, [*command, "--help"])), most=MOST_HELP_S),
        Figure(
            "why",
            seconds_of(partial(run, [*command, "why", "larch-s001", "--study", str(study)])),
            most=MOST_WHY_S,
        ),
    ]


def measure_many_sessions(folder: Path, sessions: int) -> list[Figure]:
    """Nights in which little or nothing changes, over many visits of three recordings."""
    study = write_large_study(folder / "many", sessions=sessions, recordings=3)
    measure_night(study)
    return [*measure_idle(study), *measure_one_changed(study)]


def measure_large_night(folder: Path, sessions: int) -> list[Figure]:
    """A first night over many recordings, and judging them again."""
    study = write_large_study(folder / "large", sessions=sessions)
    return [*measure_night(study), *measure_rejudge(study)]


def measure_all_queries(folder: Path) -> list[Figure]:
    """The ten queries, on the warehouse of a night laid out to a million trials."""
    study = folder / "large"
    if not (study / "warehouse").exists():
        write_large_study(study, sessions=200)
        measure_night(study)
    return measure_queries((study / "warehouse" / "current").resolve(), folder / "queries")


# --- nights --------------------------------------------------------------------------------------


def measure_night(study: Path) -> list[Figure]:
    """A first night on a study: cores, memory, orchestration, and what each stage takes."""
    said, watched = watched_night(study)
    spans = said["spans"]
    in_stages = sum(end - begin for begin, end in spans.values())
    return [
        Figure(f"first night, {said['n_measured']} measured", said["seconds"]),
        Figure(
            "- cores busy while measuring",
            watched.busy_share(*measuring_of(spans)),
            "%",
            least=LEAST_BUSY,
        ),
        Figure("- most memory, all processes", watched.peak_mb, "MB", most=MOST_MB),
        Figure(
            "- outside of all stages: orchestration",
            1.0 - in_stages / said["seconds"],
            "%",
            most=MOST_ORCHESTRATION,
        ),
        *_stages(spans),
    ]


def _stages(spans: dict[str, tuple[float, float]]) -> list[Figure]:
    return [Figure(f"- {word}", end - begin) for word, (begin, end) in spans.items()]


def measure_idle(study: Path) -> list[Figure]:
    """An unchanged night, beside a bare walk over the same tree."""
    from quietsleep.night.orchestration.run import run_orchestrated

    top = str(study / "deliveries")
    run_orchestrated(study, workers=None, full=False)
    walk_s = seconds_of(partial(_walk, top), times=3)
    idle_s = seconds_of(partial(run_orchestrated, study, workers=None, full=False), times=3)
    name = f"unchanged night, {_walk(top)} files"
    return [Figure(name, idle_s, "s", "walk and stat", walk_s, most_times=MOST_TIMES_WALK)]


def _walk(top: str) -> int:
    n_files, waiting = 0, [top]
    while waiting:
        with os.scandir(waiting.pop()) as entries:
            for entry in entries:
                entry.stat(follow_symlinks=False)
                if entry.is_dir(follow_symlinks=False):
                    waiting.append(entry.path)
                else:
                    n_files += 1
    return n_files


def measure_one_changed(study: Path) -> list[Figure]:
    """A night after the weight of one session was changed."""
    delivery = sorted(study.glob("deliveries/*/*"))[0]
    _change_weight(delivery)
    said, _ = watched_night(study)
    name = f"one session changed, {said['n_measured']} measured"
    return [Figure(name, said["seconds"]), *_stages(said["spans"])]


def _change_weight(delivery: Path) -> None:
    path = delivery / "sessions.csv"
    rows = list(csv.reader(io.StringIO(path.read_text())))
    at = rows[0].index("weight_kg")
    rows[1][at] = f"{float(rows[1][at]) + 0.01:.4f}"
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows(rows)
    path.write_text(text.getvalue())
    relist(delivery, path)


def measure_rejudge(study: Path) -> list[Figure]:
    """Judging again after a change of a limit: the whole command, publication included."""
    (study / "limits.toml").write_text(LIMIT_CHANGE)
    said, watched = watched_night(study, rejudge=True)
    facts = json.loads((study / "warehouse" / "current" / "NIGHT.json").read_text())
    n_values = facts["counts"]["trial_values"]
    begin, end = said["spans"]["judging"]
    each_million_s = (end - begin) / n_values * 1e6
    return [
        Figure(f"judging {n_values} quantities again", end - begin),
        Figure("- each million of them", each_million_s, most=MOST_REJUDGE_S),
        Figure("- with publication, the whole command", said["seconds"]),
        Figure("- most memory, all processes", watched.peak_mb, "MB", most=MOST_MB),
    ]


LIMIT_CHANGE = """
[[limits]]
rule = "tidal.enough_breaths"
limit = 15
valid_from = 2020-01-01
reason = "To see what judging again costs."
signed_by = "benchmark"
signed_on = 2020-01-01
"""


# --- the statistician's ten queries, beside the same in pandas -----------------------------------


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
        connection.execute(f"COPY ({query}) TO {literal(str(path))} (FORMAT parquet)", [files])
        n_rows = connection.execute("SELECT count(*) FROM read_parquet(?)", [str(path)]).fetchone()
    return Part(path.name, name, n_rows[0] if n_rows else 0, "", "", path.stat().st_size)


def _ask(connection: duckdb.DuckDBPyConnection) -> Iterator[Figure]:
    for found in SECTION.finditer(DOCUMENT.read_text(encoding="utf-8")):
        ours_s = seconds_of(partial(_run_sql, connection, found["sql"]), times=5)
        begun = perf_counter()
        _run_pandas(connection, found["python"])
        pandas_s = perf_counter() - begun
        yield Figure(found["title"], ours_s, "s", "pandas", pandas_s, most=MOST_QUERY_S)


def _run_sql(connection: duckdb.DuckDBPyConnection, sql: str) -> object:
    return connection.sql(sql).to_arrow_table()


def _run_pandas(connection: duckdb.DuckDBPyConnection, code: str) -> pd.DataFrame:
    names: dict[str, Any] = {"con": connection}
    exec(compile(code, str(DOCUMENT), "exec"), names)
    frame: pd.DataFrame = names["result"]
    return frame


# --- all parts -----------------------------------------------------------------------------------


def parts(folder: Path, sessions: int) -> dict[str, tuple[str, Callable[[], list[Figure]]]]:
    """The parts of the benchmark by name: title and what measures it."""
    many = 5 * sessions
    return {
        "recording": ("One recording of 5 channels, 200 Hz, 30 s, one core", measure_speed),
        "start": ("Until a command answers", partial(measure_start, folder)),
        "idle": (f"{many} visits", partial(measure_many_sessions, folder, many)),
        "night": (f"{sessions} visits", partial(measure_large_night, folder, sessions)),
        "queries": ("Ten queries on 1,000,000 trials", partial(measure_all_queries, folder)),
    }


HEADER = """# What a night costs

Written by `python -m benchmarks.speed --write docs/speed.md`, on a machine that did nothing else.
Every floor and peer is measured in the same run on the same files, and the bar is a ratio wherever
one can be given. Recordings are simulated; those of large studies lie in the deliveries as hard
links to a few hundred files, but every recording is looked through, hashed, read and measured for
itself. Memory is that of all processes, pages that they share counted once, the orchestrator's
server included. A first night is the dearest: nothing was taken in, measured or drawn before.
Cost against size is in [growth.md](growth.md).
"""


def _machine() -> str:
    names = ("numpy", "pyarrow", "pandas", "duckdb", "prefect", "neurokit2")
    versions = ", ".join(f"{name} {version(name)}" for name in names)
    return f"{os.cpu_count()} cores, Python {python_version()}, {versions}.\n"


def main() -> None:
    parser = argparse.ArgumentParser(description="What a night costs, beside floors and peers.")
    parser.add_argument("--only", default="", help="one part: recording, start, idle, ...")
    parser.add_argument("--sessions", type=int, default=2000)
    parser.add_argument("--folder", type=Path, help="where to keep the studies; else removed")
    parser.add_argument("--write", type=Path, help="write the tables into this file as well")
    args = parser.parse_args()
    folder = args.folder or Path(mkdtemp(prefix="quietsleep-speed-"))
    written = []
    try:
        for name, (title, measure) in parts(folder, args.sessions).items():
            if args.only in ("", name):
                figures = measure()
                show(title, figures)
                written.append(in_markdown(title, figures))
    finally:
        if args.folder is None:
            shutil.rmtree(folder, ignore_errors=True)
    if args.write:
        args.write.write_text("\n".join([HEADER, _machine(), *written]), encoding="utf-8")
    print(f"{os.cpu_count()} cores")


if __name__ == "__main__":
    main()
