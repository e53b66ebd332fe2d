"""What is meant to be used from outside: documented names, and one recording analysed by itself."""

from __future__ import annotations

import inspect
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import quietsleep as qs
from quietsleep.night.night import NightReport

RATE_HZ = 200.0


def test_about_a_dozen_names_each_with_its_docstring() -> None:
    assert 8 <= len(qs.__all__) <= 16
    for name in qs.__all__:
        assert inspect.getdoc(getattr(qs, name)), name


def test_importing_the_package_loads_nothing_heavy() -> None:
    code = (
        "import sys, quietsleep; "
        "print([m for m in ('numpy', 'pandas', 'duckdb', 'prefect') if m in sys.modules])"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.strip() == "[]"


def outcomes(analysis: qs.Analysis) -> dict[str, float]:
    return dict(zip(analysis.outcomes["outcome"], analysis.outcomes["value"], strict=True))


@pytest.mark.parametrize(("rate_per_min", "ptef_ml_s"), [(36.0, 60.0), (60.0, 90.0), (24.0, 45.0)])
def test_sine_wave_has_the_numbers_of_its_integral(rate_per_min: float, ptef_ml_s: float) -> None:
    """Flow A sin(2 pi f t): VT = A / (pi f), tI = tE = 1 / (2 f), peak in the middle (calculus)."""
    time_s, frequency = np.arange(0.0, 60.0, 1 / RATE_HZ), rate_per_min / 60.0
    flow_ml_s = ptef_ml_s * np.sin(2 * np.pi * frequency * time_s)
    analysis = qs.analyse({"flow_ml_s": flow_ml_s}, "tidal", rate_hz=RATE_HZ)
    found = outcomes(analysis)
    assert analysis.trials["status"].tolist() == ["accepted"]
    assert found["vt_ml"] == pytest.approx(ptef_ml_s / (np.pi * frequency), rel=1e-3)
    assert found["rr_per_min"] == pytest.approx(rate_per_min, rel=1e-3)
    assert found["ti_s"] == pytest.approx(0.5 / frequency, rel=2e-3)
    assert found["tptef_te"] == pytest.approx(0.5, abs=0.01)
    assert found["ptef_ml_s"] == pytest.approx(ptef_ml_s, rel=1e-2)


def test_too_few_breaths_are_refused_with_the_sentence_of_the_rule() -> None:
    time_s = np.arange(0.0, 12.0, 1 / RATE_HZ)
    flow_ml_s = 60.0 * np.sin(2 * np.pi * 0.5 * time_s)
    analysis = qs.analyse({"flow_ml_s": flow_ml_s}, "tidal", rate_hz=RATE_HZ)
    failed = analysis.verdicts[analysis.verdicts["state"] == "fail"]
    assert "tidal.enough_breaths" in set(failed["rule"]) and failed["remedy"].str.len().min() > 0
    assert analysis.outcomes["value"].isna().all()
    assert failed["sentence"].iloc[0] in str(analysis)


def test_file_of_a_study_gives_what_the_night_published(
    demo_night: tuple[Path, NightReport],
) -> None:
    """The same recording, by itself: every trial value of the warehouse is found again."""
    study = demo_night[0]
    sql = (
        "SELECT r.centre, r.recording, r.technique, r.delivery, r.file, s.device, r.* EXCLUDE "
        "(centre, recording, technique, delivery, file), s.* EXCLUDE (centre, session, delivery, "
        "device) FROM recordings r JOIN sessions s USING (centre, session) "
        "WHERE r.state = 'measured' AND technique IN ('tidal', 'single_occlusion') "
        "QUALIFY row_number() OVER (PARTITION BY r.centre, technique ORDER BY r.recording) = 1"
    )
    with qs.open_warehouse(study) as warehouse:
        rows = warehouse.execute(sql).df().to_dict("records")
        values = warehouse.execute("SELECT * FROM trial_values").df()
    devices = qs.open_study(study).devices
    assert len(rows) >= 6
    for row in rows:
        file = study / "deliveries" / row["centre"] / row["delivery"] / row["file"]
        if not file.exists():
            continue  # it lies in an archive
        given = {str(k): v for k, v in row.items() if isinstance(v, float)}
        made = qs.analyse(file, row["technique"], device=devices[row["device"]], context=given)
        own = values[values["trial"].str.startswith(f"{row['item']}#")]
        own = own.assign(item="trial " + own["trial"].str.rpartition("#")[2])
        joined = own.merge(made.quantities, on=["item", "quantity"], suffixes=("_night", ""))
        assert len(joined) > 10
        pd.testing.assert_series_equal(
            joined["value"], joined["value_night"], check_names=False, check_dtype=False
        )


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ((Path("there-is-none.csv"), "tidal"), "needs its device"),
        ((Path("there-is-none.csv"), "walking"), 'no technique "walking"'),
        (({"flow": [0.0]}, "tidal"), "need rate_hz"),
    ],
)
def test_what_is_missing_is_said(
    given: tuple[Path | dict[str, list[float]], str], words: str
) -> None:
    with pytest.raises(qs.QuietsleepError, match=words):
        qs.analyse(*given)


@pytest.mark.parametrize(
    ("arrays", "words"),
    [
        ({"flow": [0.0]}, "flow is no channel"),
        ({"flow_ml_s": [0.0], "airway_pressure_kpa": [0.0, 0.0]}, "one length"),
        ({"flow_ml_s": [0.0, float("nan")]}, "not a number at sample 1"),
        ({"airway_pressure_kpa": [0.0]}, "flow_ml_s is missing"),
    ],
)
def test_arrays_that_cannot_stand_are_named(arrays: dict[str, list[float]], words: str) -> None:
    with pytest.raises(qs.QuietsleepError, match=words):
        qs.analyse(arrays, "tidal", rate_hz=RATE_HZ)
