"""A whole night on a large study, an unchanged one, one changed visit, and judging again.

Each night runs in a process of its own and is watched. `python -m benchmarks.speed_night FOLDER`
runs one night and prints what it did, for the watcher to read.
"""

from __future__ import annotations

import argparse
import csv
import hashlib
import io
import json
import os
from functools import partial
from pathlib import Path
from time import perf_counter
from typing import Any

from benchmarks.speed_recording import seconds_of
from benchmarks.speed_table import Figure
from benchmarks.watching import Watched, watch

LEAST_BUSY = 0.85
MOST_MB = 1536
MOST_ORCHESTRATION = 0.03
MOST_REJUDGE_S = 10.0
MOST_TIMES_WALK = 3.0


def run_one(study: Path, *, rejudge: bool) -> None:
    """Run one night, or judge again, in this process, and print what it did as JSON."""
    begun = perf_counter()
    if rejudge:
        from quietsleep.night.rejudge import rejudge_study

        report = rejudge_study(study).report
    else:
        from quietsleep.night.orchestration.run import run_with_prefect

        report = run_with_prefect(study, workers=None, full=False)
    said: dict[str, Any] = {
        "seconds": perf_counter() - begun,
        "state": report.state,
        "sentences": report.sentences,
        "n_measured": report.n_measured,
        "spans": report.spans,
    }
    print(json.dumps(said))


def night(study: Path, *, rejudge: bool = False) -> tuple[dict[str, Any], Watched]:
    """Run a night and watch it; RuntimeError for a red one."""
    words = ["benchmarks.speed_night", str(study), *(["--rejudge"] if rejudge else [])]
    watched = watch(words)
    said = json.loads(watched.output.splitlines()[-1])
    if said["state"] == "red":
        raise RuntimeError(" ".join(said["sentences"]))
    return said, watched


def measure_night(study: Path) -> list[Figure]:
    """A first night on a study: cores, memory, orchestration, and what each stage takes."""
    said, watched = night(study)
    spans = said["spans"]
    in_stages = sum(end - begin for begin, end in spans.values())
    return [
        Figure(f"first night, {said['n_measured']} measured", said["seconds"]),
        Figure(
            "- cores busy while measuring",
            watched.busy_share(*spans["measuring"]),
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
    from quietsleep.night.orchestration.run import run_with_prefect

    top = str(study / "deliveries")
    run_with_prefect(study, workers=None, full=False)
    walk_s = seconds_of(partial(_walk, top), times=3)
    idle_s = seconds_of(partial(run_with_prefect, study, workers=None, full=False), times=3)
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
    """A night after the weight of one visit was changed."""
    delivery = sorted(study.glob("deliveries/*/*"))[0]
    _change_weight(delivery)
    said, _ = night(study)
    name = f"one visit changed, {said['n_measured']} measured"
    return [Figure(name, said["seconds"]), *_stages(said["spans"])]


def _change_weight(delivery: Path) -> None:
    path = delivery / "sessions.csv"
    rows = list(csv.reader(io.StringIO(path.read_text())))
    at = rows[0].index("weight_kg")
    rows[1][at] = f"{float(rows[1][at]) + 0.01:.4f}"
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows(rows)
    data = text.getvalue().encode()
    path.write_bytes(data)
    manifest = json.loads((delivery / "delivery.json").read_text())
    for file in manifest["files"]:
        if file["path"] == "sessions.csv":
            file |= {"bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}
    (delivery / "delivery.json").write_text(json.dumps(manifest))


def measure_rejudge(study: Path) -> list[Figure]:
    """Judging again after a decision on a limit: the whole command, publication included."""
    (study / "limits.toml").write_text(DECISION)
    said, watched = night(study, rejudge=True)
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


DECISION = """
[[limits]]
rule = "tidal.enough_breaths"
limit = 15
valid_from = 2020-01-01
reason = "To see what judging again costs."
signed_by = "benchmark"
signed_on = 2020-01-01
"""


def main() -> None:
    parser = argparse.ArgumentParser(description="Run one night and print what it did.")
    parser.add_argument("study", type=Path)
    parser.add_argument("--rejudge", action="store_true")
    args = parser.parse_args()
    run_one(args.study, rejudge=args.rejudge)


if __name__ == "__main__":
    main()
