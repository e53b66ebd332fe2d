"""Nothing is lost whatever is damaged: the counts add up and the healthy rest is published."""

from __future__ import annotations

import random
from contextlib import nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from quietsleep.measure.pool import InProcess, in_process
from quietsleep.night.night import NightReport
from quietsleep.night.stages import run_night
from quietsleep.techniques import tidal
from quietsleep.warehouse.database import open_current
from tests.night.conftest import Remembering
from tests.shared import copy_of_one


def cut(file: Path, rng: random.Random) -> None:
    data = file.read_bytes()
    file.write_bytes(data[: rng.randrange(len(data))])


def flip(file: Path, rng: random.Random) -> None:
    data = bytearray(file.read_bytes())
    for _ in range(rng.randrange(1, 6)):
        data[rng.randrange(len(data))] = rng.randrange(256)
    file.write_bytes(bytes(data))


def remove(file: Path, rng: random.Random) -> None:
    file.unlink()


def fill_with_noise(file: Path, rng: random.Random) -> None:
    file.write_bytes(rng.randbytes(rng.randrange(2000)))


def repeat_lines(file: Path, rng: random.Random) -> None:
    lines = file.read_bytes().splitlines(keepends=True)
    file.write_bytes(b"".join(lines + lines[-rng.randrange(1, 4) :]))


DAMAGES = (cut, flip, remove, fill_with_noise, repeat_lines)


@pytest.fixture(scope="module")
def remembering() -> Remembering:
    """Measures what is sound once for the nights of all seeds; what is damaged has other keys."""
    return Remembering()


@pytest.mark.parametrize("seed", range(8))
def test_counts_add_up_under_random_damage(
    tiny_study: Path, remembering: Remembering, seed: int
) -> None:
    rng = random.Random(seed)
    files = sorted(p for p in (tiny_study / "deliveries").rglob("*") if p.is_file())
    for file in rng.sample(files, k=12):
        rng.choice(DAMAGES)(file, rng)
    report = run_night(tiny_study, pool=lambda *_: nullcontext(remembering))
    assert report.state == "amber", report.sentences
    assert report.conservation["balances"].all()
    with open_current(tiny_study) as warehouse:
        silent = warehouse.execute(
            "SELECT count(*) FROM recordings WHERE state <> 'measured' AND coalesce(why, '') = ''"
        ).fetchone()
        assert silent == (0,)
        problems = warehouse.execute(
            "SELECT count(*), count(*) FILTER (sentence = '' OR remedy = '') FROM problems"
        ).fetchone()
    assert problems is not None and problems[0] > 0 and problems[1] == 0


@dataclass(frozen=True, slots=True)
class Mistaken:
    """Nights of one study: of two mistakes of ours, one after the other, and when both are mended.

    The second night tries what crashed in the first, the third what crashed in the second.
    """

    reports: list[NightReport]
    tried: list[list[str]]


@pytest.fixture(scope="module")
def mistaken(tiny_deliveries: Path, tmp_path_factory: pytest.TempPathFactory) -> Mistaken:
    study = copy_of_one(
        tiny_deliveries, tmp_path_factory.mktemp("mistaken") / "demo", centre="larch"
    )

    def fail(*_: object) -> Any:
        raise ZeroDivisionError("planted")

    found = Mistaken([], [])
    for name in ("measure_trial", "find_trials", None):
        pool = InProcess()
        with pytest.MonkeyPatch.context() as patch:
            if name:
                patch.setattr(tidal, name, fail)
            found.reports.append(run_night(study, pool=lambda *_, pool=pool: nullcontext(pool)))
        found.tried.append(pool.measured)
    return found


def test_mistake_of_ours_costs_its_recordings_and_turns_the_night_red(mistaken: Mistaken) -> None:
    for report in mistaken.reports[:2]:
        assert report.state == "red"
        columns = ["delivered", "superseded", "crashed", "found"]
        counted = report.conservation.groupby("technique")[columns].sum()
        by = {str(technique): row for technique, row in counted.to_dict("index").items()}
        stands = by["tidal"]["delivered"] - by["tidal"]["superseded"]
        assert by["tidal"]["crashed"] == stands > 0
        assert by["raised_volume"]["crashed"] == 0 < by["raised_volume"]["found"]


def test_crashed_recordings_are_tried_again_and_the_night_recovers(mistaken: Mistaken) -> None:
    assert mistaken.reports[2].state == "amber"
    for tried in mistaken.tried[1:]:
        assert tried and all("-tid" in item for item in tried)


@pytest.fixture(scope="module")
def part_of_it(
    tiny_deliveries: Path, tmp_path_factory: pytest.TempPathFactory
) -> tuple[NightReport, NightReport]:
    """A night in which a delivery's list is missing and folders are gone; one with the list."""
    study = copy_of_one(tiny_deliveries, tmp_path_factory.mktemp("part") / "demo", centre="larch")
    manifest = study / "deliveries" / "larch" / "larch-01" / "delivery.json"
    kept = manifest.read_bytes()
    manifest.unlink()
    first = run_night(study, pool=in_process)
    manifest.write_bytes(kept)
    return first, run_night(study, pool=in_process)


def test_centre_whose_folder_vanishes_is_a_row_and_not_an_absence(
    part_of_it: tuple[NightReport, NightReport],
) -> None:
    for report in part_of_it:
        assert any(s.startswith("willow has delivered nothing.") for s in report.sentences)
        assert set(report.conservation["centre"]) >= {"willow", "rowan"}


def test_incomplete_delivery_is_left_alone_until_its_list_arrives(
    part_of_it: tuple[NightReport, NightReport],
) -> None:
    first, second = part_of_it
    assert first.n_measured == 0
    assert any("larch-01 of larch is not complete" in s for s in first.sentences)
    assert not any("not complete" in s for s in second.sentences)
    assert second.n_measured > 0
