"""What a night costs, beside floors and peers on the same files: `python -m benchmarks.speed`.

Every bar of the design in one table, with the ratio. On a machine that does nothing else; the
whole takes about half an hour on two cores. `--only` takes one part, `--sessions` makes the nights
smaller.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from functools import partial
from importlib.metadata import version
from pathlib import Path
from platform import python_version
from tempfile import mkdtemp

from benchmarks.large_study import write_large_study
from benchmarks.speed_night import (
    measure_idle,
    measure_night,
    measure_one_changed,
    measure_rejudge,
)
from benchmarks.speed_queries import measure_queries
from benchmarks.speed_recording import measure_speed, seconds_of
from benchmarks.speed_table import Figure, in_markdown, show
from quietsleep.simulation.centres import write_demo_study

ROOT = Path(__file__).parents[1]
MOST_HELP_S, MOST_WHY_S = 0.3, 1.0


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
