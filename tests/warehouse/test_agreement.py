"""Reported against central: same unit, same gas conditions, and the slip behind a difference."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest

from quietsleep.contract import OUTCOMES
from quietsleep.judge.agreement import (
    CANNOT_CONVERT,
    Room,
    agreement_frame,
    convert,
    exponents,
    suspected_cause,
)

# Conversion factors of gas volumes from ATPS to BTPS at 101.325 kPa, CRC Handbook of Chemistry and
# Physics 1992-93: 20 C 1.102, 22 C 1.091.
ROOM_22_C = Room(22.0, 50.0, 101.325)


def compare(outcome: str, value: float, unit: str, *, central: float, **changed: Any) -> Any:
    """Return the agreement row of one reported value."""
    given = {
        "centre": "larch", "session": "S1", "technique": OUTCOMES[outcome].technique,
        "outcome": outcome,
    }  # fmt: skip
    reported = {**given, "value": value, "unit": unit, "conditions": "BTPS", "delivery": "d1"}
    frame = agreement_frame(
        pd.DataFrame([reported | changed]),
        pd.DataFrame([given | {"status": "accepted", "value": central}]),
        pd.DataFrame(
            [{"centre": "larch", "session": "S1", "room_temperature_c": 22.0,
              "room_humidity_pct": 50.0, "barometric_pressure_kpa": 101.325}]
        ),
    )  # fmt: skip
    return frame.iloc[0]


@pytest.mark.parametrize(
    ("unit", "volume", "pressure", "second"),
    [("mL/s", 1, 0, -1), ("mL/kPa", 1, -1, 0), ("mL/kPa/kg", 1, -1, 0), ("kPa.s/L", -1, 1, 1),
     ("cm[H2O].s/L", -1, 1, 1), ("mL/min", 1, 0, 0), ("/min", 0, 0, 0), ("1", 0, 0, 0)],
)  # fmt: skip
def test_powers_in_a_unit(unit: str, volume: int, pressure: int, second: int) -> None:
    assert exponents(unit) == {"volume": volume, "pressure": pressure, "second": second}


@pytest.mark.parametrize("outcome", OUTCOMES)
def test_equal_values_have_no_cause(outcome: str) -> None:
    row = compare(outcome, 100.0, OUTCOMES[outcome].unit, central=100.0)
    assert row["suspected_cause"] == "none"
    assert row["difference"] == 0.0


def test_a_unit_of_the_centre_is_converted() -> None:
    row = compare("crs_single_ml_kpa", 10.0, "mL/cm[H2O]", central=100.0)
    assert row["reported_converted"] == pytest.approx(10.0 / 0.0980665)
    assert row["difference_pct"] == pytest.approx(1.97, abs=0.01)
    assert row["suspected_cause"] == "none"


@pytest.mark.parametrize(("temperature_c", "printed"), [(20.0, 1.102), (22.0, 1.091)])
def test_atps_grows_by_the_printed_factor(temperature_c: float, printed: float) -> None:
    room = Room(temperature_c, 50.0, 101.325)
    volume_ml = convert(100.0, "mL", "mL", conditions="ATPS", room=room)
    assert volume_ml == pytest.approx(100 * printed, abs=0.06)
    resistance = convert(1.0, "kPa.s/L", "kPa.s/L", conditions="ATPS", room=room)
    assert resistance == pytest.approx(1 / printed, abs=6e-4)
    assert convert(0.3, "1", "1", conditions="ATPS", room=room) == 0.3


@pytest.mark.parametrize(
    ("outcome", "factor", "cause"),
    [
        ("crs_single_ml_kpa", 0.0980665, "cmH2O for kPa"),
        ("crs_single_ml_kpa", 10.197, "kPa for cmH2O"),
        ("rrs_single_kpa_s_l", 10.197, "cmH2O for kPa"),
        ("frc_pleth_ml", 0.001, "L for mL"),
        ("frc_pleth_ml", 1000.0, "mL for L"),
        ("vmaxfrc_ml_s", 0.06, "L/min for mL/s"),
        ("vmaxfrc_ml_s", 16.67, "mL/s for L/min"),
        ("vt_ml", 1 / 1.091, "BTPS not applied"),
        ("vt_ml", 1.091, "BTPS applied twice"),
        ("rrs_single_kpa_s_l", 1.091, "BTPS not applied"),
        ("frc_pleth_ml", 16.67, "none"),
        ("tptef_te", 1.091, "none"),
        ("rr_per_min", 0.001, "none"),
        ("tau_single_s", 10.197, "none"),
        ("vt_ml", 1.03, "none"),
        ("vt_ml", 1.2, "none"),
        ("vt_ml", 0.5, "none"),
    ],
)
@pytest.mark.parametrize("scatter", [0.985, 1.0, 1.015])
def test_a_slip_is_known_by_its_factor(
    outcome: str, factor: float, cause: str, scatter: float
) -> None:
    value = 80.0 * factor * scatter
    row = compare(outcome, value, OUTCOMES[outcome].unit, central=80.0)
    assert row["suspected_cause"] == cause


def test_the_tolerance_is_declared() -> None:
    wide = suspected_cause(104.5, 100.0, "mL", room=ROOM_22_C, tolerance_pct=4.0)
    narrow = suspected_cause(104.5, 100.0, "mL", room=ROOM_22_C, tolerance_pct=1.0)
    assert (wide, narrow) == ("none", "none")
    assert suspected_cause(106.0, 100.0, "mL", room=ROOM_22_C, tolerance_pct=3.5) != "none"
    assert suspected_cause(106.0, 100.0, "mL", room=ROOM_22_C, tolerance_pct=1.0) == "none"


def test_the_factor_is_that_of_the_sessions_own_room() -> None:
    warm = Room(35.0, 100.0, 101.325)
    assert suspected_cause(100.0, 109.1, "mL", room=warm) == "none"
    assert suspected_cause(100.0, 109.1, "mL", room=ROOM_22_C) == "BTPS not applied"
    unknown = Room(float("nan"), float("nan"), float("nan"))
    assert suspected_cause(100.0, 109.1, "mL", room=unknown) == "none"
    assert suspected_cause(0.1, 100.0, "mL", room=unknown) == "L for mL"


def test_nothing_to_compare_is_not_agreement() -> None:
    assert compare("vt_ml", 50.0, "mL", central=float("nan"))["suspected_cause"] is None
    assert compare("vt_ml", 0.0, "mL", central=50.0)["suspected_cause"] is None
    odd = compare("vt_ml", 50.0, "kPa", central=50.0)
    assert odd["suspected_cause"] == CANNOT_CONVERT
    assert pd.isna(odd["reported_converted"])
    assert compare("vt_ml", 50.0, None, central=50.0)["suspected_cause"] == CANNOT_CONVERT  # type: ignore[arg-type]


def test_a_refused_test_is_not_compared() -> None:
    given = {"centre": "c", "session": "S", "technique": "tidal", "outcome": "vt_ml"}
    reported = pd.DataFrame([given | {"value": 50.0, "unit": "mL", "conditions": "BTPS"}])
    outcomes = pd.DataFrame([given | {"status": "rejected", "value": 50.0}])
    names = ["room_temperature_c", "room_humidity_pct", "barometric_pressure_kpa"]
    sessions = pd.DataFrame([{"centre": "c", "session": "S"} | dict.fromkeys(names, 22.0)])
    row = agreement_frame(reported, outcomes, sessions).iloc[0]
    assert pd.isna(row["central_value"])
    assert row["suspected_cause"] is None
    assert agreement_frame(reported.iloc[:0], outcomes, sessions).empty
