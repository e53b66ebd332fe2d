"""What one recording costs: read, calibrate, BTPS, breaths, technique, quantities, on one core.

Beside it, in the same run and on the same files: what pyarrow alone takes to read the file, and
what a general-purpose respiration library takes to find the breaths in the flow.
"""

from __future__ import annotations

import hashlib
import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory

import numpy as np
import pyarrow.csv as arrow_csv
import pyarrow.parquet as pq

from benchmarks.grid import Case, case_of
from benchmarks.speed_table import Figure, seconds_of
from quietsleep.measure.plan import Job
from quietsleep.measure.recording import load_recording, measure_job
from quietsleep.records import FloatArray
from quietsleep.simulation.centres import write_study_files
from quietsleep.simulation.exports import SignalFormat, signal_bytes
from quietsleep.simulation.recordings import TECHNIQUES, record
from quietsleep.simulation.scenario import Scenario
from quietsleep.simulation.sensors import Sensor, sense
from quietsleep.simulation.sessions import recordings_of
from quietsleep.study.study import Study, load_study

RATE_HZ = 200.0
SECONDS = 30.0
INFANTS = 6
FORMATS = ("csv", "parquet", "edf")
# The bars, in times of what pyarrow alone takes to read the file.
MOST_TIMES = {"csv": 4.0, "parquet": 6.0}
LEAST_TIMES_FASTER = 4.0
SPARE = Sensor("heart_rate", "HR", "kPa", full_scale=400.0, positive="above")
SPARE_CHANNEL = {
    "channel": "heart_rate", "column": SPARE.column, "unit": "/min", "gain": 1.0, "offset": 0.0,
    "positive": "above",
}  # fmt: skip
BOX = {"box_factor_ml_kpa": 500.0, "box_half_life_s": 8.5}


@dataclass(frozen=True, slots=True)
class Made:
    """One simulated recording in every format: a job for each."""

    technique: str
    jobs: dict[str, Job]


def measure_speed() -> list[Figure]:
    """Measure every technique in every format; one figure a pair, and the peers."""
    with TemporaryDirectory(prefix="quietsleep-speed-") as place:
        made = list(_make(Path(place)))
        return [
            *(
                _against_reading([m for m in made if m.technique == technique], file_format)
                for technique in TECHNIQUES
                for file_format in FORMATS
            ),
            *_against_library(made),
        ]


def _make(place: Path) -> Iterator[Made]:
    cases = [case_of(number) for number in range(INFANTS)]
    sets = [_as(case.scenario, file_format) for case in cases for file_format in FORMATS]
    write_study_files(place, sets, seed=0)
    study = load_study(place)
    for technique in TECHNIQUES:
        for case in cases:
            yield _made(technique, case, place, study)


def _as(scenario: Scenario, file_format: str) -> Scenario:
    """A measuring set at the rate of the bar, which writes one more channel, in one format."""
    channels = [*scenario.device["channels"], SPARE_CHANNEL]
    named = {"device": f"{scenario.centre}-{file_format}", "file_format": file_format}
    device = scenario.device | named | {"rate_hz": RATE_HZ, "channels": channels}
    device = {key: value for key, value in device.items() if not key.startswith("csv_")}
    return replace(scenario, device=device, form=SignalFormat(file_format, RATE_HZ))


def _made(technique: str, case: Case, place: Path, study: Study) -> Made:
    """Simulate a recording, keep its last 30 s and write it with five channels in every format."""
    scenario = case.scenario
    made = record(
        technique,
        case.infant,
        rng=np.random.default_rng([20, case.number, 1]),
        rate_hz=RATE_HZ,
        setting=scenario.setting,
        manoeuvres=None if technique == "tidal" else recordings_of(technique, None, "all")[0],
        usual=scenario.disturbance,
    )
    rng = np.random.default_rng([20, case.number, 2])
    columns = sense(made, scenario.sensors, head=scenario.head, rng=rng)
    for sensor in scenario.sensors:
        columns.setdefault(sensor.column, np.full(made.time_s.size, sensor.offset))
    columns[SPARE.column] = np.full(made.time_s.size, 120.0)
    last = slice(-round(SECONDS * RATE_HZ), None)
    columns = {name: values[last] for name, values in columns.items()}
    jobs = {}
    for file_format in FORMATS:
        data = signal_bytes(
            columns,
            made.time_s[last],
            form=SignalFormat(file_format, RATE_HZ),
            sensors=(*scenario.sensors, SPARE),
        )
        path = place / f"{technique}-{case.number}.{file_format}"
        path.write_bytes(data)
        jobs[file_format] = Job(
            key=path.stem,
            centre=scenario.centre,
            delivery="speed",
            session="s",
            item=path.stem,
            technique=technique,
            path=path,
            file=path.name,
            device=study.centres[scenario.centre].devices[f"{scenario.centre}-{file_format}"],
            context={**BOX, **made.context},
            file_sha256=hashlib.sha256(data).hexdigest(),
        )
    return Made(technique, jobs)


def _reading_alone(job: Job) -> Callable[[], object]:
    path = str(job.path)
    if job.device.file_format == "csv":
        options = arrow_csv.ReadOptions(use_threads=False)
        return lambda: arrow_csv.read_csv(path, options)
    return lambda: pq.ParquetFile(path).read(use_threads=False)


def _against_reading(made: list[Made], file_format: str) -> Figure:
    jobs = [m.jobs[file_format] for m in made]
    for job in jobs:
        found = measure_job(job)
        if found.state != "measured":
            raise RuntimeError(f"{job.item}: {found.state} {found.sentence} {found.traceback}")
    whole_s = median(seconds_of(partial(measure_job, job)) for job in jobs)
    name = f"{made[0].technique.replace('_', ' ')}, {file_format}"
    if file_format not in MOST_TIMES:
        return Figure(name, whole_s)
    return Figure(
        name,
        whole_s,
        beside="pyarrow reads it",
        beside_value=median(seconds_of(_reading_alone(job)) for job in jobs),
        most_times=MOST_TIMES[file_format],
    )


def _against_library(made: list[Made]) -> list[Figure]:
    """The whole measurement of tidal recordings, beside a library that finds their breaths."""
    jobs = [m.jobs["csv"] for m in made if m.technique == "tidal"]
    ours_s = median(seconds_of(partial(measure_job, job)) for job in jobs)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import neurokit2

        signals = [load_recording(job).volume_ml for job in jobs]
        rate = {"sampling_rate": round(RATE_HZ)}
        whole_s = median(
            seconds_of(partial(neurokit2.rsp_process, signal, **rate), times=3)
            for signal in signals
        )

        def peaks(signal: FloatArray) -> object:
            return neurokit2.rsp_peaks(neurokit2.rsp_clean(signal, **rate), **rate)

        peaks_s = median(seconds_of(partial(peaks, signal), times=5) for signal in signals)
    bar = 1.0 / LEAST_TIMES_FASTER
    return [
        Figure(f"tidal, csv, {words}", ours_s, "s", "library", seconds, most_times=bar)
        for words, seconds in (
            ("beside breath by breath", whole_s),
            ("beside peaks alone", peaks_s),
        )
    ]
