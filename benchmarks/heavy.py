"""Deliveries made to fill the memory, a whole night on each: `python -m benchmarks.heavy`.

Each case runs in a process of its own; the memory of it and of its measuring process is watched.
No case may take more than 2 GB.
"""

from __future__ import annotations

import argparse
import json
import shutil
import sys
import zipfile
from collections.abc import Callable, Sequence
from pathlib import Path
from tempfile import TemporaryDirectory
from time import perf_counter
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from benchmarks.watching import watch
from quietsleep.simulation.centres import write_demo_study
from quietsleep.simulation.exports import relist

MOST_MB = 2048
MB = 1024**2


def fill(path: Path, piece: bytes, megabytes: int) -> None:
    """Write the same piece again and again."""
    block = piece * (MB // len(piece) + 1)
    with path.open("wb") as file:
        for _ in range(megabytes):
            file.write(block[:MB])


def one_line(folder: Path, megabytes: int) -> None:
    fill(signal(folder), b"1;", megabytes)


def one_line_below_a_header(folder: Path, megabytes: int) -> None:
    below_header(folder, b"1;", min(megabytes, 250))


def one_cell(folder: Path, megabytes: int) -> None:
    below_header(folder, b"x", min(megabytes, 250))


def many_short_rows(folder: Path, megabytes: int) -> None:
    below_header(folder, b"1\n", min(megabytes, 250))


def many_words(folder: Path, megabytes: int) -> None:
    below_header(folder, b"xyzw;", min(megabytes, 250))


def below_header(folder: Path, piece: bytes, megabytes: int) -> None:
    path = signal(folder)
    header = path.read_bytes().split(b"\n")[0] + b"\n"
    fill(path, piece, megabytes)
    with path.open("r+b") as file:
        file.write(header)


def utf_16(folder: Path, megabytes: int) -> None:
    path = signal(folder)
    fill(path, "é;".encode("utf-16-le"), min(megabytes, 250))
    with path.open("r+b") as file:
        file.write(b"\xff\xfe")


def nothing_but_zeros(folder: Path, megabytes: int) -> None:
    with signal(folder).open("wb") as file:
        file.truncate(megabytes * MB)


def leap_in_time(folder: Path, megabytes: int) -> None:
    path = signal(folder)
    lines = path.read_text().splitlines()
    lines[-1] = "9999999,0" + lines[-1][lines[-1].index(";") :]
    path.write_text("\n".join(lines) + "\n")


def table_of_bad_cells(folder: Path, megabytes: int) -> None:
    table = folder / "sessions.csv"
    header = table.read_text().splitlines()[0]
    bad = ",".join("x" * (header.count(",") + 1))
    table.write_text("\n".join([header, *([bad] * 199_000)]) + "\n")


def table_of_one_key(folder: Path, megabytes: int) -> None:
    table = folder / "recordings.csv"
    header, row = table.read_text().splitlines()[:2]
    table.write_text("\n".join([header, *([row] * 199_000)]) + "\n")


def table_of_unlike_rows(folder: Path, megabytes: int) -> None:
    table = folder / "reported.csv"
    header, row = table.read_text().splitlines()[:2]
    rest = row.partition(",")[2]
    table.write_text("\n".join([header, *(f"q{n},{rest}" for n in range(199_000))]) + "\n")


def table_of_one_line(folder: Path, megabytes: int) -> None:
    fill(folder / "sessions.csv", b"session,", min(megabytes, 64))


def texts_that_unfold(folder: Path, megabytes: int) -> None:
    """A parquet file of some kilobytes whose text column unfolds to tens of gigabytes."""
    path = signal(folder, "willow")
    n = 4_000_000
    text = pa.DictionaryArray.from_arrays(pa.array(np.zeros(n, np.int32)), ["x" * 20_000])
    columns = {name: np.zeros(n) for name in pq.read_schema(path).names}
    pq.write_table(pa.table({**columns, "Remark": text}), path)


def nested_that_unfolds(folder: Path, megabytes: int) -> None:
    path = signal(folder, "willow")
    n = 200_000
    text = pa.DictionaryArray.from_arrays(pa.array(np.zeros(n, np.int32)), ["x" * 100_000])
    nested = pa.ListArray.from_arrays(pa.array(np.arange(n + 1), pa.int32()), text)
    columns = {name: np.zeros(n) for name in pq.read_schema(path).names}
    pq.write_table(pa.table({**columns, "Remark": nested}), path)


def whole_numbers(folder: Path, megabytes: int) -> None:
    path = signal(folder, "willow")
    n = 4_999_999
    columns = {name: np.arange(n) for name in pq.read_schema(path).names}
    pq.write_table(pa.table({**columns, "Remark": np.arange(n)}), path)


def large_entry(folder: Path, megabytes: int) -> None:
    """An archive of a fiftieth of what it unpacks to, all of it one listed file."""
    noise = np.random.default_rng(1).integers(48, 58, MB // 60, dtype=np.uint8).tobytes()
    path = signal(folder)
    fill(path, noise.ljust(MB // 2, b"1"), megabytes * 3)
    relist(folder)
    with zipfile.ZipFile(f"{folder}.zip", "w", zipfile.ZIP_DEFLATED, compresslevel=1) as out:
        for file in sorted(p for p in folder.rglob("*") if p.is_file()):
            out.write(file, file.relative_to(folder))
    shutil.rmtree(folder)


CASES: dict[str, Callable[[Path, int], None]] = {
    case.__name__: case
    for case in (
        one_line, one_line_below_a_header, one_cell, many_short_rows, many_words, utf_16,
        nothing_but_zeros, leap_in_time, table_of_bad_cells, table_of_one_key,
        table_of_unlike_rows, table_of_one_line, texts_that_unfold, nested_that_unfolds,
        whole_numbers, large_entry,
    )
}  # fmt: skip


def signal(folder: Path, centre: str = "larch") -> Path:
    """The tidal recording of a delivery."""
    return next((folder.parents[1] / centre).glob("*-01/signals/*/*-tid1.*"))


def prepare(study: Path, name: str, megabytes: int) -> None:
    """Write a study of two centres, one recording each, with the case in it."""
    write_demo_study(study, sessions_per_centre=1, processes=1)
    for centre in ("juniper", "sedge"):
        shutil.rmtree(study / "deliveries" / centre)
    for other in study.glob("deliveries/willow/willow-02*"):
        shutil.rmtree(other)
    for file in study.glob("deliveries/*/*/signals/*/*"):
        if "-tid1" not in file.name:
            file.write_bytes(b"x")
    CASES[name](study / "deliveries" / "larch" / "larch-01", megabytes)
    for folder in study.glob("deliveries/*/*-01"):
        relist(folder)


def night(study: Path) -> None:
    """Run a night in this process and say how it ended."""
    from quietsleep.night.stages import run_night

    began = perf_counter()
    report = run_night(study, workers=1)
    seconds = round(perf_counter() - began, 1)
    found = {"state": report.state, "published": report.published, "seconds": seconds}
    print(json.dumps(found | {"problems": report.n_problems}))


def measured(name: str, megabytes: int) -> dict[str, Any]:
    """Prepare a case and run a night on it, watching the memory of all its processes."""
    with TemporaryDirectory(prefix="quietsleep-heavy-") as place:
        said = [str(Path(place) / "study"), "--case", name, "--megabytes", str(megabytes)]
        prepared = watch(["benchmarks.heavy", "--prepare", *said])
        if prepared.code:
            raise RuntimeError(f"case {name} could not be prepared")
        watched = watch(["benchmarks.heavy", "--night", *said], every_s=0.02)
    found: dict[str, Any] = {"case": name, "state": "died", "published": False}
    lines = watched.output.splitlines()
    said_of_night: dict[str, Any] = json.loads(lines[-1]) if lines else {}
    return found | said_of_night | {"peak MB": round(watched.peak_mb)}


def is_bounded(found: dict[str, Any]) -> bool:
    """Whether the night was published and took no more memory than it may."""
    return bool(found["state"] == "amber" and found["published"] and found["peak MB"] <= MOST_MB)


def main() -> None:
    parser = argparse.ArgumentParser(description="Deliveries made to fill the memory.")
    parser.add_argument("--megabytes", type=int, default=1024)
    parser.add_argument("--only", default="", help="cases whose name holds this")
    parser.add_argument("--case", default="", help=argparse.SUPPRESS)
    parser.add_argument("--prepare", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--night", type=Path, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.prepare:
        prepare(args.prepare, args.case, args.megabytes)
    elif args.night:
        night(args.night)
    else:
        run([name for name in CASES if args.only in name], args.megabytes)


def run(names: Sequence[str], megabytes: int) -> None:
    """Measure the cases one after the other; the exit code says whether all are bounded."""
    n_bad = 0
    for name in names:
        found = measured(name, megabytes)
        n_bad += not is_bounded(found)
        print("" if is_bounded(found) else "TOO MUCH", found, flush=True)
    sys.exit(min(n_bad, 1))


if __name__ == "__main__":
    main()
