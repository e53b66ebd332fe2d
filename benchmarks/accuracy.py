"""Accuracy and verdicts over a grid of simulated infants: `python -m benchmarks.accuracy`.

Writes docs/accuracy.md. Nothing is left out of the tables: a figure that is not reached says so.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from math import ceil
from multiprocessing import get_context
from pathlib import Path
from time import perf_counter
from typing import Any

from benchmarks.border import KEYS, border_share
from benchmarks.figures import (
    STANDS_BY_TRUTH,
    check_accuracy,
    clean_shares,
    fault_shares,
    outcome_accuracy,
    trial_accuracy,
)
from benchmarks.infants import Visit, clean_visit, faulty_visit
from benchmarks.judgement import judge_visits
from benchmarks.table import Run, show, write
from quietsleep.measure.fingerprint import code_fingerprint
from quietsleep.simulation.faults import FAULTS
from quietsleep.simulation.recordings import USUAL_MANOEUVRES

LEAST_PLANTED = 50


@dataclass(frozen=True, slots=True)
class Task:
    """One visit to simulate; `fault` is empty for a clean one."""

    fault: str
    number: int


def work(task: Task) -> Visit:
    """Simulate and measure one visit."""
    return faulty_visit(task.fault, task.number) if task.fault else clean_visit(task.number)


def tasks(infants: int, planted: int) -> list[Task]:
    """Clean visits, and for each fault as many visits as give `planted` items to judge."""
    clean = [Task("", number) for number in range(infants)]
    return clean + [
        Task(key, number)
        for key in FAULTS
        if in_signals(key)
        for number in range(visits_for(key, planted))
    ]


def in_signals(key: str) -> bool:
    """Whether a fault is in signals; those of tables and files belong to the border."""
    return FAULTS[key].owner not in ("session", "delivery")


def visits_for(key: str, planted: int) -> int:
    """Visits that give at least `planted` items; at least half as many, for variety.

    Where the truth leaves some items out, there are more to begin with.
    """
    fault = FAULTS[key]
    if key in STANDS_BY_TRUTH:
        planted = ceil(1.2 * planted)
    if fault.level != "trial" or fault.owner == "tidal":
        return planted
    usual = len(USUAL_MANOEUVRES[fault.owner])
    return max(ceil(planted / min(usual, 3)), planted // 2)


@contextmanager
def mapping(workers: int) -> Iterator[Callable[..., Iterable[Any]]]:
    """A `map` that works here or in processes."""
    if workers <= 1:
        yield map
        return
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        yield partial(pool.map, chunksize=4)


def run(infants: int, planted: int, workers: int) -> Run:
    """Simulate, judge, compare."""
    began = perf_counter()
    with mapping(workers) as spread:
        visits = list(spread(work, tasks(infants, planted)))
        border = list(spread(partial(border_share, planted=planted), KEYS))
    case = judge_visits(visits)
    return Run(
        infants=infants,
        planted=planted,
        fingerprint=code_fingerprint(),
        accuracy=tuple(outcome_accuracy(case) + check_accuracy(case)),
        single=tuple(trial_accuracy(case)),
        clean=tuple(clean_shares(case)),
        faults=tuple(fault_shares(case) + border),
        seconds=perf_counter() - began,
        workers=workers,
    )


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the benchmark, print its tables and write them into the docs."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--infants", type=int, default=300)
    parser.add_argument("--planted", type=int, default=LEAST_PLANTED, help="items of each fault")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--out", type=Path, default=Path("docs/accuracy.md"))
    chosen = parser.parse_args(arguments)
    done = run(chosen.infants, chosen.planted, chosen.workers)
    show(done)
    write(done, chosen.out)


if __name__ == "__main__":
    main()
