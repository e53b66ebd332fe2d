"""Nights killed at any step: the next one ends as if nothing had happened, and readers saw nothing.

A round kills several nights of one study, one after the other, at the steps drawn for it, and then
lets one run. Twenty kills run in the suite; `pytest -m soak tests/faults` runs some 250 more.
"""

from __future__ import annotations

import random
import shutil
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

from quietsleep.errors import WarehouseError
from quietsleep.warehouse.current import current_night
from tests.faults.conftest import Course, ended
from tests.faults.nights import (
    Nights,
    content,
    copy_of,
    left_over,
    pages,
    reader,
    without_queries,
)

SEEDS_OF_SOAK = range(100, 150)


def named(steps: Sequence[str]) -> list[dict[str, Any]]:
    """Name every step of a night by its kind and its number among that kind."""
    count: Counter[str] = Counter()
    orders = []
    for name in steps:
        count[name] += 1
        orders.append({"name": name, "nth": count[name]})
    return orders


def boundaries(steps: Sequence[str]) -> list[dict[str, Any]]:
    """Choose the steps at which one kind follows another: stages, commits, swaps."""
    orders = named(steps)
    return [orders[n] for n in range(1, len(steps)) if steps[n] != steps[n - 1]]


def publication(steps: Sequence[str]) -> list[dict[str, Any]]:
    """Choose the steps from the swap of the night's folder to the one of the pointer."""
    last = steps.index("stage tidying")
    return named(steps)[last - 8 : last + 1]


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
        if not k["killed"] and "after_s" not in order
    ]
    wrong += seen[0]["faults"]
    if not seen[0]["reads"]:
        wrong.append("the reader read nothing")
    if content(study) != course.content:
        wrong.append("the warehouse differs from that of an undisturbed night")
    if differ := pages(study) ^ course.pages:
        wrong.append(f"pages differ from those of an undisturbed night: {sorted(differ)[:5]}")
    wrong += left_over(study)
    if not (last["idle"] or ended(nights.run(study))["idle"]):
        wrong.append("the night after the recovery found something to do")
    shutil.rmtree(folder)
    return wrong


def in_the_suite(course: Course, seed: int) -> list[dict[str, Any]]:
    rng = random.Random(seed)
    orders = [
        *rng.sample(boundaries(course.steps), 6),
        *rng.sample(publication(course.steps), 3),
        rng.choice(named(course.steps)),
    ]
    rng.shuffle(orders)
    return orders


def of_the_soak(course: Course, seed: int) -> list[dict[str, Any]]:
    rng = random.Random(seed)
    orders = rng.choices(boundaries(course.steps), k=2) + rng.choices(named(course.steps), k=1)
    orders += [rng.choice(publication(course.steps)), {"after_s": rng.uniform(0.0, 2.5)}]
    rng.shuffle(orders)
    return orders


def test_killed_nights_leave_no_trace(course: Course, nights: Nights, tmp_path: Path) -> None:
    def round_of(seed: int) -> list[str]:
        orders = in_the_suite(course, seed)
        return kill_and_recover(course, nights, tmp_path / f"round-{seed}", orders)

    assert nights.side_by_side(round_of, range(2)) == [[], []]


@pytest.mark.soak
@pytest.mark.parametrize("seed", SEEDS_OF_SOAK)
def test_many_killed_nights_leave_no_trace(
    course: Course, nights: Nights, tmp_path: Path, seed: int
) -> None:
    orders = of_the_soak(course, seed)
    assert kill_and_recover(course, nights, tmp_path / "round", orders) == []


def test_first_night_of_a_study_killed_ends_as_two_undisturbed_ones(
    micro: Path, course: Course, nights: Nights, tmp_path: Path
) -> None:
    """No night stood before: there is no warehouse, or a whole one.

    In the course a night asked about the second centre, which had not delivered then.
    """
    study = copy_of(micro, tmp_path / "study")
    for name in ("append trial_values", "symlink"):
        assert nights.run(study, name=name, nth=1)["killed"]
        with pytest.raises(WarehouseError, match="no published night yet"):
            current_night(study)
    ended(nights.run(study))
    assert without_queries(content(study)) == without_queries(course.content)
    assert left_over(study) == []


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


def test_night_killed_while_the_known_answers_are_run_leaves_no_trace(
    course: Course, nights: Nights, tmp_path: Path
) -> None:
    """The steps of their study come after those of the night, so the last of a kind are theirs."""
    steps = ended(nights.run(copy_of(course.before, tmp_path / "whole"), asks=True))["names"]
    last = Counter(steps)

    def killed_and_run_again(name: str) -> None:
        assert last[name] > Counter(course.steps)[name]
        study = copy_of(course.before, tmp_path / name)
        assert nights.run(study, name=name, nth=last[name], asks=True)["killed"]
        assert (study / "work" / "known_answers").exists(), name
        assert ended(nights.run(study, asks=True))["published"]
        assert not (study / "work" / "known_answers").exists() and left_over(study) == []
        assert content(study) == course.content

    theirs = ("stage ingesting", "stage measuring recordings", "append trial_values")
    nights.side_by_side(killed_and_run_again, theirs)
