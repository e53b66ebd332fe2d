"""Fuzz every reader: `python -m benchmarks.fuzz --minutes 30 --seed 1`.

Coverage-guided: an input that reaches a line of ours that no input reached before
becomes a sound file for later ones. The inputs of a seed are the same on every machine as far as
time allows; a finding keeps its input, so that it can be run again with `--again FILE`.
The inputs are made in a process of their own: one that kills or hangs it is a finding like others.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import random
import resource
import signal
import subprocess
import sys
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from types import FrameType
from typing import Any

from benchmarks.fuzz_mutations import in_bytes
from benchmarks.fuzz_readers import Reader, readers

ROOT = Path(__file__).parents[1]
WATCHED = (str(ROOT / "pipeline" / "quietsleep"),)
SECONDS_FOR_ONE = 60
SECONDS_WITHOUT_LIFE = 240
MOST_ADDRESS_BYTES = 12 * 1024**3
MOST_SEEDS = 400
MOST_BYTES_OF_SEED = 2_000_000
# Following lines makes an input several times slower.
TRACED_SHARE = 0.3


class TooSlow(Exception):
    """An input that takes longer than any real one may."""


class Lines:
    """The lines of the watched packages that inputs have reached."""

    def __init__(self) -> None:
        self.seen: set[tuple[str, int]] = set()
        self.fresh = False

    def __call__(self, frame: FrameType, event: str, _: Any) -> Callable[..., Any] | None:
        """Trace function: only frames of the watched packages are followed line by line."""
        return self._line if frame.f_code.co_filename.startswith(WATCHED) else None

    def _line(self, frame: FrameType, event: str, _: Any) -> Callable[..., Any]:
        at = (frame.f_code.co_filename, frame.f_lineno)
        if at not in self.seen:
            self.seen.add(at)
            self.fresh = True
        return self._line


@contextmanager
def within(seconds: int) -> Iterator[None]:
    """Raise TooSlow in a block that takes too long."""

    def ring(*_: object) -> None:
        raise TooSlow(f"more than {seconds} s")

    signal.signal(signal.SIGALRM, ring)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)


class Fire:
    """Runs spoilt inputs through the readers and counts."""

    def __init__(self, out: Path, scratch: Path, seed: int) -> None:
        self.out, self.scratch = out, scratch
        self.rng = random.Random(seed)
        self.lines = Lines()
        self.counts: Counter[str] = Counter()
        self.endings: Counter[str] = Counter()
        self.spent: Counter[str] = Counter()
        self.findings: Counter[str] = Counter()

    def run(self, minutes: float, only: str) -> None:
        """Fire until the time is over, each kind of reader getting the same share of it."""
        chosen = [r for r in readers(self.scratch) if only in r.name]
        seeds = {r.name: list(r.seeds) for r in chosen}
        end = time.monotonic() + 60 * minutes
        while time.monotonic() < end:
            reader = min(chosen, key=lambda r: (self._share(r, chosen), r.name))
            self._one(reader, seeds[reader.name])
            if sum(self.counts.values()) % 50 == 0:
                self.report()
        self.report()

    def _share(self, reader: Reader, chosen: list[Reader]) -> float:
        kind = reader.name.split()[0]
        alike = sum(r.name.split()[0] == kind for r in chosen)
        return self.spent[reader.name] * alike

    def _one(self, reader: Reader, seeds: list[bytes]) -> None:
        rng = random.Random(self.rng.getrandbits(64))
        data = _spoilt(reader, rng, rng.choice(seeds))
        (self.scratch / "current").write_bytes(data)
        (self.scratch / "current.name").write_text(reader.name)
        began = time.monotonic()
        self.lines.fresh = False
        try:
            with within(SECONDS_FOR_ONE):
                sys.settrace(self.lines if reader.traced and rng.random() < TRACED_SHARE else None)
                try:
                    ending = reader.run(data)
                finally:
                    sys.settrace(None)
        except Exception as error:
            ending = "finding"
            self._found(reader, data, error)
        self.spent[reader.name] += max(time.monotonic() - began, 1e-4)  # type: ignore[assignment]
        self.counts[reader.name] += 1
        self.endings[f"{reader.name}: {ending}"] += 1
        if (
            self.lines.fresh
            and ending != "finding"
            and len(seeds) < MOST_SEEDS
            and len(data) < MOST_BYTES_OF_SEED
        ):
            seeds.append(data)

    def _found(self, reader: Reader, data: bytes, error: Exception) -> None:
        trace = traceback.format_exc()
        ours = [line for line in trace.splitlines() if "/quietsleep/" in line]
        key = f"{type(error).__name__} {ours[-1].strip() if ours else trace[-200:]}"
        self.findings[key] += 1
        if self.findings[key] == 1:
            keep(self.out, reader.name, data, trace)

    def report(self) -> None:
        """Write the figures so far, for whoever looks and for when this process dies."""
        peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
        figures = {
            "inputs": sum(self.counts.values()),
            "lines reached": len(self.lines.seen),
            "peak MB": peak_mb,
            "findings": dict(self.findings),
            "by reader": dict(self.counts),
            "endings": dict(self.endings),
        }
        fresh = self.scratch / "figures.new"
        fresh.write_text(json.dumps(figures, indent=1), encoding="utf-8")
        fresh.replace(self.scratch / "figures.json")


def _spoilt(reader: Reader, rng: random.Random, seed: bytes) -> bytes:
    """Spoil a file; one that is spoilt so far that its shape is gone, byte by byte."""
    try:
        return reader.mutate(rng, seed)
    except Exception:
        return in_bytes(rng, seed)


def keep(out: Path, name: str, data: bytes, trace: str) -> None:
    """Keep the input of a finding and its traceback."""
    out.mkdir(parents=True, exist_ok=True)
    stem = f"{name.replace(' ', '-').replace('/', '-')}-{hashlib.sha256(data).hexdigest()[:10]}"
    (out / f"{stem}.input").write_bytes(data)
    (out / f"{stem}.trace").write_text(f"{name}\n{trace}", encoding="utf-8")


def child(args: argparse.Namespace, scratch: Path) -> None:
    """Fire in this process."""
    warnings.simplefilter("ignore", UserWarning)
    limit = resource.getrlimit(resource.RLIMIT_AS)[1]
    resource.setrlimit(resource.RLIMIT_AS, (MOST_ADDRESS_BYTES, limit))
    Fire(args.out, scratch, args.seed).run(args.minutes, args.only)


def guard(args: argparse.Namespace, scratch: Path) -> list[dict[str, Any]]:
    """Run children until the time is over; one that dies or hangs leaves a finding."""
    end = time.monotonic() + 60 * args.minutes
    seed, found = args.seed, []
    while (left := end - time.monotonic()) > 5:
        command = [sys.executable, "-m", "benchmarks.fuzz", "--child", str(scratch),
                   "--minutes", str(left / 60), "--seed", str(seed), "--only", args.only,
                   "--out", str(args.out)]  # fmt: skip
        process = subprocess.Popen(command, cwd=ROOT)
        while process.poll() is None:
            time.sleep(1)
            life = scratch / "current"
            if life.exists() and time.time() - life.stat().st_mtime > SECONDS_WITHOUT_LIFE:
                process.kill()
        figures = json.loads((scratch / "figures.json").read_text())
        if process.returncode != 0:
            name = (scratch / "current.name").read_text()
            data = (scratch / "current").read_bytes()
            trace = f"the process ended with {process.returncode}"
            keep(args.out, name, data, trace)
            figures["findings"][f"{name}: {trace}"] = 1
        found.append(figures)
        seed += 1_000
    return found


def again(file: Path, scratch: Path) -> None:
    """Run the input of a finding once more."""
    name = file.with_suffix(".trace").read_text(encoding="utf-8").splitlines()[0]
    reader = next(r for r in readers(scratch) if r.name == name)
    print(name, reader.run(file.read_bytes()))


def summary(found: list[dict[str, Any]]) -> str:
    """Put the figures of all children together."""
    totals: Counter[str] = Counter()
    findings: Counter[str] = Counter()
    for figures in found:
        totals.update(figures["by reader"])
        findings.update(figures["findings"])
    lines = [f"{totals.total()} inputs, {len(findings)} findings"]
    lines += [f"  {n:7d}  {name}" for name, n in sorted(totals.items())]
    lines += [f"finding ({n} inputs): {key}" for key, n in findings.most_common()]
    peak = max((figures["peak MB"] for figures in found), default=0)
    return "\n".join([*lines, f"most memory: {peak} MB"])


def main() -> None:
    parser = argparse.ArgumentParser(description="Fuzz every reader of files from outside.")
    parser.add_argument("--minutes", type=float, default=30.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="readers whose name holds this")
    parser.add_argument("--out", type=Path, default=Path("fuzz-findings"))
    parser.add_argument("--again", type=Path, help="run the input of a finding once more")
    parser.add_argument("--child", type=Path, help=argparse.SUPPRESS)
    args = parser.parse_args()
    args.out = args.out.absolute()
    if args.child:
        child(args, args.child)
        return
    with TemporaryDirectory(prefix="quietsleep-fuzz-") as folder:
        if args.again:
            again(args.again, Path(folder))
            return
        found = guard(args, Path(folder))
    print(summary(found))
    sys.exit(1 if any(figures["findings"] for figures in found) else 0)


if __name__ == "__main__":
    main()
