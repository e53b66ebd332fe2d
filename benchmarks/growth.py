"""Cost and memory of a first night against the size of a study: `python -m benchmarks.growth`.

Each size is a fresh study of so many visits, measured by a watched night. The plot and its table
go to docs/.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from benchmarks.large_study import write_large_study
from benchmarks.watching import measuring_of, watched_night

SIZES = (500, 1000, 2000, 4000)
RECORDINGS = 10
DOCS = Path(__file__).parents[1] / "docs"


@dataclass(frozen=True, slots=True)
class Night:
    """A first night of one size."""

    sessions: int
    recordings: int
    seconds: float
    measuring_s: float
    other_s: float
    peak_mb: float


def measure(sessions: int, recordings: int) -> Night:
    """Run the first night of a study of one size."""
    with TemporaryDirectory(prefix="quietsleep-growth-") as place:
        study = write_large_study(Path(place) / "study", sessions=sessions, recordings=recordings)
        said, watched = watched_night(study)
    begin, end = measuring_of(said["spans"])
    seconds = float(said["seconds"])
    return Night(
        sessions, said["n_measured"], seconds, end - begin, seconds - (end - begin), watched.peak_mb
    )


def slope(nights: Sequence[Night], what: str) -> float:
    """Slope of log cost on log size: 1 where twice the study costs twice."""
    sizes = [n.sessions for n in nights]
    costs = [getattr(n, what) for n in nights]
    return float(np.polyfit(np.log(sizes), np.log(costs), 1)[0])


def table(nights: Sequence[Night]) -> str:
    """The table for the docs."""
    lines = [
        "| Visits | Recordings and checks | Night, s | Measuring, s | All else, s | ms each | "
        "Most memory, MB |",
        "|---|---|---|---|---|---|---|",
    ]
    lines += [
        f"| {n.sessions} | {n.recordings} | {n.seconds:.1f} | {n.measuring_s:.1f} | "
        f"{n.other_s:.1f} | {1000 * n.seconds / n.recordings:.2f} | {n.peak_mb:.0f} |"
        for n in nights
    ]
    slopes = ", ".join(
        f"{words} {slope(nights, what):.2f}"
        for words, what in (
            ("night", "seconds"),
            ("measuring", "measuring_s"),
            ("all else", "other_s"),
            ("memory", "peak_mb"),
        )
    )
    return "\n".join([*lines, "", f"Slope of log cost on log size: {slopes}.", ""])


def plot(nights: Sequence[Night], path: Path) -> None:
    """Draw cost and memory against size, both axes logarithmic."""
    import matplotlib as mpl

    mpl.use("svg")
    mpl.rcParams["svg.hashsalt"] = "growth"
    from matplotlib import pyplot as plt

    figure, (cost, memory) = plt.subplots(1, 2, figsize=(9, 3.6), layout="constrained")
    sizes = [n.sessions for n in nights]
    for what, words, style in (
        ("seconds", "night", "o-"),
        ("measuring_s", "measuring", "s--"),
        ("other_s", "all else", "^:"),
    ):
        values = [getattr(n, what) for n in nights]
        cost.plot(sizes, values, style, label=f"{words}, slope {slope(nights, what):.2f}")
    memory.plot(sizes, [n.peak_mb for n in nights], "o-", label="all processes")
    memory.axhline(1536, linestyle=":", color="grey", label="bar, 1.5 GB")
    for axes, title in ((cost, "seconds"), (memory, "MB, most at any time")):
        axes.set(xscale="log", xlabel="visits", ylabel=title, xticks=sizes, xticklabels=sizes)
        axes.minorticks_off()
        axes.grid(alpha=0.3)
        axes.legend()
    cost.set_yscale("log")
    memory.set_ylim(0, 1700)
    figure.savefig(path, metadata={"Date": None})


def main() -> None:
    parser = argparse.ArgumentParser(description="Cost and memory against the size of a study.")
    parser.add_argument("--sizes", type=int, nargs="+", default=SIZES)
    parser.add_argument("--recordings", type=int, default=RECORDINGS)
    args = parser.parse_args()
    nights = []
    for size in args.sizes:
        nights.append(measure(size, args.recordings))
        print(nights[-1], flush=True)
    if len(nights) > 1:
        (DOCS / "growth.md").write_text(
            f"# Cost of a night against the size of a study\n\n{args.recordings} recordings a "
            f"visit, first nights.\n\n![cost and memory](growth.svg)\n\n{table(nights)}",
            encoding="utf-8",
        )
        plot(nights, DOCS / "growth.svg")
        print(table(nights))


if __name__ == "__main__":
    main()
