"""Nothing is lost whatever is damaged: the counts add up and the healthy rest is published."""

from __future__ import annotations

import random
import shutil
from pathlib import Path

import pytest

from quietsleep.measure.pool import InProcess
from quietsleep.night.stages import run_night
from quietsleep.records import Measures, Recording, Trial
from quietsleep.techniques import tidal
from quietsleep.warehouse.database import open_current


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


@pytest.mark.parametrize("seed", range(8))
def test_counts_add_up_under_random_damage(tiny_study: Path, pool: InProcess, seed: int) -> None:
    rng = random.Random(seed)
    files = sorted(p for p in (tiny_study / "deliveries").rglob("*") if p.is_file())
    for file in rng.sample(files, k=12):
        rng.choice(DAMAGES)(file, rng)
    report = run_night(tiny_study)
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


def test_mistake_of_ours_costs_its_recordings_and_turns_the_night_red(
    tiny_study: Path, pool: InProcess, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(recording: Recording, trial: Trial) -> Measures:
        raise ZeroDivisionError("planted")

    monkeypatch.setattr(tidal, "measure_trial", fail)
    report = run_night(tiny_study)
    assert report.state == "red"
    columns = ["delivered", "superseded", "crashed", "found"]
    counted = report.conservation.groupby("technique")[columns].sum()
    by = {str(technique): row for technique, row in counted.to_dict("index").items()}
    stands = by["tidal"]["delivered"] - by["tidal"]["superseded"]
    assert by["tidal"]["crashed"] == stands > 0
    assert by["raised_volume"]["crashed"] == 0 < by["raised_volume"]["found"]
    monkeypatch.undo()


def test_crashed_recordings_are_tried_again_and_the_night_recovers(
    tiny_study: Path, pool: InProcess, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patched:
        patched.setattr(tidal, "find_trials", lambda recording: 1 / 0)
        assert run_night(tiny_study).state == "red"
    pool.measured.clear()
    report = run_night(tiny_study)
    assert report.state == "amber" and pool.measured
    assert all("-tid" in item for item in pool.measured)


def test_centre_whose_folder_vanishes_is_a_row_and_not_an_absence(
    tiny_study: Path, pool: InProcess
) -> None:
    shutil.rmtree(tiny_study / "deliveries" / "larch")
    report = run_night(tiny_study)
    assert any(s.startswith("larch has delivered nothing.") for s in report.sentences)
    assert set(report.conservation["centre"]) >= {"larch", "rowan"}


def test_incomplete_delivery_is_left_alone_until_its_list_arrives(
    tiny_study: Path, pool: InProcess
) -> None:
    manifest = tiny_study / "deliveries" / "larch" / "larch-01" / "delivery.json"
    kept = manifest.read_bytes()
    manifest.unlink()
    first = run_night(tiny_study)
    assert any("larch-01 of larch is not complete" in s for s in first.sentences)
    manifest.write_bytes(kept)
    second = run_night(tiny_study)
    assert not any("not complete" in s for s in second.sentences)
    assert second.n_measured > 0
