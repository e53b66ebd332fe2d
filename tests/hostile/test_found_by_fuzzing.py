"""What fuzzing found once, and a short turn of fuzzing itself (a long one: benchmarks/fuzz.py)."""

from __future__ import annotations

import random
import shutil
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchmarks.fuzz_readers import Reader, readers
from quietsleep.contract import ContractError
from quietsleep.contract.units import parse_unit
from quietsleep.intake.files.read import Unreadable, read_signal
from quietsleep.measure.pool import in_process
from quietsleep.night.stages import run_night
from quietsleep.records import RawSignal
from quietsleep.simulation.exports import relist
from quietsleep.study.study import Device, StudyError, load_study

Reads = Callable[[dict[str, np.ndarray]], RawSignal]

N = 400


@pytest.fixture(scope="module")
def all_readers(tmp_path_factory: pytest.TempPathFactory) -> list[Reader]:
    return readers(tmp_path_factory.mktemp("fuzz"))


KINDS = ("csv", "parquet", "edf", "table", "delivery.json", "zip", "toml", "register.jsonl")


@pytest.mark.parametrize("kind", KINDS)
def test_damage_that_keeps_the_shape(all_readers: list[Reader], kind: str) -> None:
    chosen = [r for r in all_readers if r.name.split()[0] == kind]
    assert chosen
    n = 12 if kind in ("table", "zip") else 30

    @settings(max_examples=n, deadline=None, derandomize=True, database=None,
              suppress_health_check=list(HealthCheck))  # fmt: skip
    @given(st.integers(0, 2**32), st.sampled_from(chosen))
    def fire(seed: int, reader: Reader) -> None:
        rng = random.Random(seed)
        with warnings.catch_warnings():  # of writing odd files, not of reading them
            warnings.simplefilter("ignore")
            data = reader.mutate(rng, rng.choice(list(reader.seeds)))
        reader.run(data)

    fire()


@pytest.fixture
def device(all_readers: list[Reader], tmp_path: Path, small_deliveries: Path) -> Device:
    study = load_study(small_deliveries)
    return next(iter(study.centres["willow"].devices.values()))


@pytest.fixture
def read(device: Device, tmp_path: Path) -> Reads:
    def read_columns(changed: dict[str, np.ndarray]) -> RawSignal:
        columns = {c.column: np.sin(np.arange(N) / 9.0) for c in device.channels}
        columns[str(device.time_column)] = np.arange(N) / device.rate_hz
        path = tmp_path / "r.parquet"
        pq.write_table(pa.table(columns | changed), path)
        return read_signal(path, device, ("flow",))

    return read_columns


@pytest.mark.parametrize("jump_s", [1e6, 1e9, 1e12])
def test_a_leap_in_time_does_not_fill_the_memory(
    device: Device, read: Reads, jump_s: float
) -> None:
    time_s = np.arange(N) / device.rate_hz
    time_s[-1] = jump_s
    with pytest.raises(Unreadable, match="spans"):
        read({str(device.time_column): time_s})


def test_signalling_nan_is_a_missing_sample(device: Device, read: Reads) -> None:
    flow = next(c.column for c in device.channels if c.channel == "flow")
    values = np.sin(np.arange(N) / 9.0)
    values.view(np.uint64)[::7] = 0x7FF0000000000001
    raw = read({flow: values})
    with np.errstate(all="raise"):
        assert np.isnan(raw.columns[flow] - 1.0).sum() == len(range(0, N, 7))


@pytest.mark.parametrize("unit", ["10", "{breaths}", "[in_i]}", "%%", "10*", "'", "1_000", "mL)"])
def test_odd_units_are_refused_in_words(unit: str) -> None:
    try:
        parse_unit(unit)
    except ContractError as error:
        assert str(error)


@pytest.mark.parametrize("code", ["overview", "dictionary", "Overview"])
def test_no_centre_takes_the_place_of_other_pages(small_study: Path, code: str) -> None:
    file = small_study / "centres" / "larch.toml"
    text = file.read_text().replace('"larch"', f'"{code}"')
    file.unlink()
    file.with_name(f"{code}.toml").write_text(text)
    with pytest.raises(StudyError, match="no centre can be called"):
        load_study(small_study)


@pytest.fixture
def small_study(small_deliveries: Path, tmp_path: Path) -> Path:
    path = tmp_path / "demo"
    shutil.copytree(small_deliveries, path)
    for centre in ("juniper", "sedge", "willow"):
        shutil.rmtree(path / "deliveries" / centre)
    return path


def headers_only(study: Path, pattern: str) -> None:
    for file in study.glob(f"deliveries/*/*/{pattern}.csv"):
        file.write_text(file.read_text().splitlines()[0] + "\n")
        relist(file.parent)


def nothing_at_all(study: Path) -> None:
    shutil.rmtree(study / "deliveries")


def no_rows(study: Path) -> None:
    headers_only(study, "*")


def no_recordings(study: Path) -> None:
    headers_only(study, "recordings")


def no_good_delivery(study: Path) -> None:
    for file in study.glob("deliveries/*/*/sessions.csv"):
        file.write_text("x")
        relist(file.parent)


def checks_without_kind(study: Path) -> None:
    for file in study.glob("deliveries/*/*/checks.csv"):
        file.write_text(file.read_text().replace("syringe,", "?,"))
        relist(file.parent)


@pytest.mark.parametrize(
    "damage", [nothing_at_all, no_rows, no_recordings, no_good_delivery, checks_without_kind]
)
def test_a_night_with_next_to_nothing_is_published(
    small_study: Path, damage: Callable[[Path], None]
) -> None:
    damage(small_study)
    report = run_night(small_study, pool=in_process)
    assert report.state == "amber" and report.published, report.sentences
    assert report.conservation["balances"].all()
