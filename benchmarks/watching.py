"""Run a command and watch it: memory and processor time of all its processes, as it goes.

`python -m benchmarks.watching STUDY` runs one night and says what it did, for the watcher to read.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from time import monotonic, perf_counter, sleep
from typing import Any

ROOT = Path(__file__).parents[1]
TICKS = os.sysconf("SC_CLK_TCK")
EVERY_S = 0.2


@dataclass(frozen=True, slots=True)
class Moment:
    """Time on the clock of the machine, memory (MB, shared pages counted once), processor time."""

    at_s: float
    memory_mb: float
    busy_s: float


@dataclass(frozen=True, slots=True)
class Watched:
    """What a command printed, how it ended, how long it took, and how it went."""

    output: str
    code: int
    seconds: float
    moments: tuple[Moment, ...]

    @property
    def peak_mb(self) -> float:
        """Most memory in use at any time."""
        return max((m.memory_mb for m in self.moments), default=0.0)

    def busy_share(self, begin_s: float, end_s: float) -> float:
        """Share of all cores that was busy between two times of the machine's clock."""
        inside = [m for m in self.moments if begin_s <= m.at_s <= end_s]
        if len(inside) < 2:
            return float("nan")
        spent = inside[-1].busy_s - inside[0].busy_s
        return spent / (inside[-1].at_s - inside[0].at_s) / (os.cpu_count() or 1)


def watch(command: Sequence[str], *, every_s: float = EVERY_S) -> Watched:
    """Run a Python module with arguments to its end, however that comes."""
    begun = monotonic()
    moments: list[Moment] = []
    spent: dict[int, float] = {}
    with subprocess.Popen(
        [sys.executable, "-m", *command], cwd=ROOT, stdout=subprocess.PIPE, text=True
    ) as process:
        while process.poll() is None:
            family = _family(process.pid)
            memory_mb = sum(_memory_mb(pid) for pid in family)
            # What a process that has ended had spent stays counted.
            spent |= {pid: seconds for pid in family if (seconds := _busy_s(pid))}
            moments.append(Moment(monotonic(), memory_mb, sum(spent.values())))
            sleep(every_s)
        output = process.stdout.read() if process.stdout else ""
    return Watched(output, process.returncode, monotonic() - begun, tuple(moments))


def _family(pid: int) -> list[int]:
    found = [pid]
    with suppress(OSError, ValueError):
        for task in Path(f"/proc/{pid}/task").iterdir():
            for child in (task / "children").read_text().split():
                found += _family(int(child))
    return found


def _memory_mb(pid: int) -> float:
    with suppress(OSError, ValueError, StopIteration):
        lines = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
        return int(next(line for line in lines if line.startswith("Pss:")).split()[1]) / 1024
    return 0.0


def _busy_s(pid: int) -> float:
    with suppress(OSError, ValueError, IndexError):
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        return (int(fields[11]) + int(fields[12])) / TICKS
    return 0.0


def run_one(study: Path, *, rejudge: bool) -> None:
    """Run one night, or judge again, in this process, and print what it did as JSON."""
    begun = perf_counter()
    if rejudge:
        from quietsleep.night.rejudge import rejudge_study

        report = rejudge_study(study).report
    else:
        from quietsleep.night.orchestration.run import run_orchestrated

        report = run_orchestrated(study, workers=None, full=False)
    said: dict[str, Any] = {
        "seconds": perf_counter() - begun,
        "state": report.state,
        "sentences": report.sentences,
        "n_measured": report.n_measured,
        "spans": report.spans,
    }
    print(json.dumps(said))


def watched_night(study: Path, *, rejudge: bool = False) -> tuple[dict[str, Any], Watched]:
    """Run a night and watch it; RuntimeError for a red one."""
    watched = watch(["benchmarks.watching", str(study), *(["--rejudge"] if rejudge else [])])
    if watched.code:
        raise RuntimeError(f"the night ended with {watched.code}")
    said = json.loads(watched.output.splitlines()[-1])
    if said["state"] == "red":
        raise RuntimeError(" ".join(said["sentences"]))
    return said, watched


def measuring_of(spans: Mapping[str, Sequence[float]]) -> tuple[float, float]:
    """From when to when a night measured, checks first and then recordings."""
    own = [span for word, span in spans.items() if word.startswith("measuring")]
    return min(begin for begin, _ in own), max(end for _, end in own)


def main() -> None:
    parser = argparse.ArgumentParser(description="Run one night and print what it did.")
    parser.add_argument("study", type=Path)
    parser.add_argument("--rejudge", action="store_true")
    args = parser.parse_args()
    run_one(args.study, rejudge=args.rejudge)


if __name__ == "__main__":
    main()
