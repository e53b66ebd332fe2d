"""quietsleep: the research data pipeline of a multi-centre infant lung-function study.

Everything that is meant to be used from outside has a name here; what lies below may change.
Nothing heavy is imported before it is needed. ::

    import quietsleep as qs

    analysis = qs.analyse("tidal1.csv", "tidal", device="centres/larch.toml", context=session)
    print(analysis)                      # outcomes, and each failed rule in words
    analysis.quantities                  # one row a number, with its unit

    with qs.open_warehouse("study") as warehouse:
        rows = warehouse.execute("SELECT * FROM clean_sessions").df()
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from quietsleep.errors import QuietsleepError

if TYPE_CHECKING:
    import duckdb
    from numpy.typing import ArrayLike

    from quietsleep.judge.analysis import Analysis
    from quietsleep.night.night import NightReport
    from quietsleep.night.rejudge import Rejudged
    from quietsleep.records import Problem
    from quietsleep.study.devices import Device
    from quietsleep.study.study import Study

__all__ = [
    "Analysis",
    "QuietsleepError",
    "analyse",
    "check_delivery",
    "export",
    "open_study",
    "open_warehouse",
    "rejudge",
    "release",
    "run_night",
    "verify",
    "write_demo",
]


def __getattr__(name: str) -> Any:
    if name == "Analysis":
        from quietsleep.judge.analysis import Analysis

        return Analysis
    raise AttributeError(f"quietsleep has no {name}")


def open_study(path: str | Path) -> Study:
    """Read a study folder: its centres, devices, changes of limits and waivers.

    Raises QuietsleepError with one plain sentence when a file of it cannot stand.
    """
    from quietsleep.study.study import load_study

    return load_study(Path(path))


def run_night(study: str | Path, *, workers: int | None = None, full: bool = False) -> NightReport:
    """Run one night of a study: take in, measure, judge, publish, write the pages.

    `workers` is the number of measuring processes, all cores unless given; `full` looks into every
    file again. The report says how the night ended; bad data is no error. QuietsleepError when the
    study cannot stand or another night of it is running. In a script, call it below
    ``if __name__ == "__main__":``, for its processes read the script again.
    """
    from quietsleep.night.stages import run_night as run

    return run(Path(study), workers=workers, full=full)


def rejudge(study: str | Path) -> Rejudged:
    """Judge stored measures again by the limits, waivers and reviews of now, and publish it.

    No signal is read. QuietsleepError when something was never measured by this code.
    """
    from quietsleep.night.rejudge import rejudge_study

    return rejudge_study(Path(study))


def check_delivery(study: str | Path, delivery: str | Path) -> list[Problem]:
    """Look at a delivery as the night will; an empty list means that it is ready to be sent."""
    from quietsleep.night.preview import preview

    return list(preview(open_study(study), Path(delivery)).problems)


def analyse(
    source: str | Path | Mapping[str, ArrayLike],
    technique: str,
    *,
    device: Device | str | Path | None = None,
    rate_hz: float | None = None,
    context: Mapping[str, float] | None = None,
    on: date | None = None,
) -> Analysis:
    """Measure and judge one recording of a technique, as a night does.

    `source` is a signal file, or arrays of shape (n,) by channel: ``flow_ml_s`` (inspiration
    positive, at BTPS), ``airway_pressure_kpa``, ``box_pressure_kpa``, ``jacket_pressure_kpa``,
    sampled at `rate_hz`. A file needs `device`: an entry of `open_study(...).devices`, or a centre
    file, whose only device it is. `context` holds what the technique needs to know besides, such
    as ``weight_kg`` or ``apparatus_resistance_kpa_s_l`` (and for a device that measures at the
    flow head ``room_temperature_c``, ``room_humidity_pct``, ``barometric_pressure_kpa``), and
    what no signal tells, such as ``quiet_sleep`` 1 or 0 and ``length_cm``. `on` chooses the limits
    in force that day, today's unless given.

    The result has `trials`, `quantities`, `verdicts` with sentences, and `outcomes`, as frames;
    printed, it says the outcomes and each failed rule in words. QuietsleepError when the technique
    is unknown or something needed is missing; a file that cannot be read ends as quarantined.
    """
    from quietsleep.judge.analysis import judge_recording
    from quietsleep.judge.slips import registered_of
    from quietsleep.measure.single import device_of, measure_single

    given = dict(context or {})
    known = None if device is None else device_of(device)
    measured = measure_single(source, technique, device=known, rate_hz=rate_hz, context=given)
    return judge_recording(
        measured,
        technique=technique,
        on=on or date.today(),
        said=given,
        registered=registered_of(known),
    )


def open_warehouse(study: str | Path) -> duckdb.DuckDBPyConnection:
    """Open the published warehouse of a study, or a night or release folder, read-only.

    The connection may be used as a context manager. QuietsleepError when nothing is published.
    """
    from quietsleep.warehouse.database import open_night
    from quietsleep.warehouse.integrity import open_as_published

    path = Path(study)
    return open_night(path) if (path / "NIGHT.json").is_file() else open_as_published(path)


def release(study: str | Path, label: str) -> Path:
    """Freeze the published night under a label, with checksums; return its folder.

    The study register keeps its digest.
    """
    from quietsleep.study.study import load_study
    from quietsleep.warehouse.release import release_night

    return release_night(load_study(Path(study)), label)


def verify(folder: str | Path, digest: str = "") -> list[str]:
    """Return a sentence for everything in a release that is not as it was released.

    `digest` is the digest of the whole that it is cited with; where the release lies in its study,
    that of the study register is compared as well.
    """
    from quietsleep.warehouse.proof import prove
    from quietsleep.warehouse.registered import release_said

    return list(prove(Path(folder), digest=digest, known=release_said(Path(folder))).differences)


def export(release: str | Path, out: str | Path, formats: Sequence[str]) -> list[str]:
    """Write a release or night for other programs; return what a reader has to know of it.

    `formats` are stata, spss, sas, dataset-json, csv or parquet.
    """
    from quietsleep.warehouse.exports import export_release

    return export_release(Path(release), Path(out), formats)


def write_demo(folder: str | Path) -> Path:
    """Write the invented demo study, ready for its first night."""
    from quietsleep.simulation.centres import write_demo_study
    from quietsleep.study.register_witness import forget

    forget(Path(folder))  # of a study that lay in this folder before
    write_demo_study(Path(folder))
    return Path(folder)
