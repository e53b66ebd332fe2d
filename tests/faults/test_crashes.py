"""Nights killed at any step: the next one ends as if nothing had happened, and readers saw nothing.

A round kills several nights of one study, one after the other, at the steps drawn for it, and then
lets one run. Twenty kills run in the suite; `pytest -m soak tests/faults` runs some 250 more.
"""

from __future__ import annotations

import random
import shutil
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from tests.faults.conftest import Course, ended
from tests.faults.nights import Nights, content, copy_of, left_over, pages, reader

SEEDS_OF_SOAK = range(100, 150)


def boundaries(steps: Sequence[str]) -> list[int]:
    """Number the steps at which one kind of step begins: stages, commits, swaps."""
    named = [n for n, name in enumerate(steps, 1) if name.startswith(("stage", "append"))]
    changes = [n for n in range(2, len(steps) + 1) if steps[n - 1] != steps[n - 2]]
    return sorted({*named, *changes})


def publication(steps: Sequence[str]) -> list[int]:
    """Number the steps from the swap of the night's folder to the one of the pointer."""
    last = steps.index("stage tidying")
    return list(range(last - 8, last + 2))


def kill_and_recover(
    course: Course, nights: Nights, folder: Path, orders: Sequence[dict[str, Any]]
) -> list[str]:
    """Run one round; returns what went wrong."""
    study = copy_of(course.before, folder / "study")
    wrong: list[str] = []
    with reader(study, folder / "end") as seen:
        killed = [nights.run(study, **order) for order in orders]
        last = ended(nights.run(study))
    wrong += [
        f"{order}: not killed"
        for order, k in zip(orders, killed, strict=True)
        if not k["killed"] and "after_s" not in order and k.get("idle") is False
    ]
    wrong += seen[0]["faults"]
    if not seen[0]["reads"]:
        wrong.append("the reader read nothing")
    if content(study) != course.content:
        wrong.append("the warehouse differs from that of an undisturbed night")
    if pages(study) != course.pages:
        wrong.append("the pages differ from those of an undisturbed night")
    wrong += left_over(study)
    if not (last["idle"] or ended(nights.run(study))["idle"]):
        wrong.append("the night after the recovery found something to do")
    shutil.rmtree(folder)
    return wrong


@pytest.mark.parametrize("seed", range(4))
def test_killed_nights_leave_no_trace(
    course: Course, nights: Nights, tmp_path: Path, seed: int
) -> None:
    rng = random.Random(seed)
    stages, swap = boundaries(course.steps), publication(course.steps)
    drawn = [*rng.sample(stages, 2), *rng.sample(swap, 2), rng.randrange(1, len(course.steps))]
    rng.shuffle(drawn)
    orders = [{"step": step} for step in drawn]
    assert kill_and_recover(course, nights, tmp_path / "round", orders) == []


@pytest.mark.soak
@pytest.mark.parametrize("seed", SEEDS_OF_SOAK)
def test_many_killed_nights_leave_no_trace(
    course: Course, nights: Nights, tmp_path: Path, seed: int
) -> None:
    rng = random.Random(seed)
    steps = [*boundaries(course.steps), *publication(course.steps)]
    orders: list[dict[str, Any]] = [{"step": step} for step in rng.choices(steps, k=3)]
    orders.append({"step": rng.randrange(1, len(course.steps) + 1)})
    orders.append({"after_s": rng.uniform(0.0, 6.0)})
    rng.shuffle(orders)
    assert kill_and_recover(course, nights, tmp_path / "round", orders) == []


def test_first_night_killed_at_every_stage_ends_as_an_undisturbed_one(
    micro: Path, nights: Nights, tmp_path: Path
) -> None:
    """No night stood before: whatever is read is nothing, or whole."""
    undisturbed, study = copy_of(micro, tmp_path / "one"), copy_of(micro, tmp_path / "two")
    steps = ended(nights.run(undisturbed))["names"]
    for name in ("stage measuring", "stage judging", "replace", "stage writing pages"):
        assert nights.run(study, step=steps.index(name) + 1)["killed"]
    ended(nights.run(study))
    assert content(study) == content(undisturbed)
    assert pages(study) == pages(undisturbed) and left_over(study) == []


def test_delivery_that_changes_between_a_killed_night_and_the_next(
    course: Course, nights: Nights, tmp_path: Path
) -> None:
    """The ledger of the killed night says what the next one of the same name must not repeat."""
    study = copy_of(course.before, tmp_path / "study")
    assert nights.run(study, step=course.steps.index("stage publishing") + 1)["killed"]
    signals = sorted((study / "deliveries" / "larch").glob("*/signals/*/*tid*"))
    signals[0].write_bytes(signals[0].read_bytes()[:1000])
    night = nights.run(study)
    assert night["published"] and night["state"] == "amber", night
