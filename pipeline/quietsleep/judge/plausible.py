"""What a session's own numbers are held against: its altitude, and the infant's other sessions.

Numbers only: what they may be stands in `contracts/session.toml`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from quietsleep import contract
from quietsleep.contract.equations import linear_value
from quietsleep.contract.reference import LinearEquation
from quietsleep.records import FloatArray
from quietsleep.study.study import Centre

# Standard atmosphere below 11 km (ISO 2533:1975, the same as ICAO Doc 7488; figures from memory).
SEA_LEVEL_KPA = 101.325
SEA_LEVEL_K = 288.15
LAPSE_K_M = 0.0065
EXPONENT = 5.25588

# An infant's other sessions that one is held against: the nearest in time.
NEAREST = 2
FRC_BY_LENGTH = "frc_gas_dilution_1993"
CHANGES = ("length_z_change", "length_lost_cm", "weight_z_change", "age_contradiction_days")
COMPARED = ("age_days", "length_cm", "length_z", "weight_z")
ALONE = "No other session of this infant can be compared."


def pressure_at_altitude_kpa(altitude_m: float) -> float:
    """Return the barometric pressure of the standard atmosphere at an altitude, kPa.

    P = 101.325 * (1 - 0.0065 h / 288.15)^5.25588, h in m, good below 11,000 m. Weather moves the
    true pressure by some 3 kPa either way. Source: ISO 2533:1975 (from memory). NaN in, NaN out.
    """
    return float(SEA_LEVEL_KPA * (1.0 - LAPSE_K_M * altitude_m / SEA_LEVEL_K) ** EXPONENT)


def predicted_frc_ml(length_cm: float) -> float:
    """Return the FRC that is predicted for a length, mL; NaN outside the range of the equation.

    Used for the scale of a flow only, never for a z-score: Pediatr Pulmonol 1993;15:357-361.
    """
    reference = contract.REFERENCES[FRC_BY_LENGTH]
    equation = reference.equation_for("female")  # one equation for both sexes
    low, high = reference.ranges["length_cm"]
    if not low <= length_cm <= high or not isinstance(equation, LinearEquation):
        return math.nan
    return math.exp(linear_value(equation.terms, {"length_cm": length_cm}))


def with_surroundings(sessions: pd.DataFrame, centres: Mapping[str, Centre]) -> pd.DataFrame:
    """Add what is expected of each session's air and lungs, with reasons where nothing is."""
    altitude = sessions["centre"].map(
        {c.centre: math.nan if c.altitude_m is None else c.altitude_m for c in centres.values()}
    )
    expected = altitude.astype("float64").map(pressure_at_altitude_kpa).astype("float64")
    unknown = np.where(expected.isna(), "The altitude of the centre is not registered.", "")
    frc = sessions["length_cm"].astype("float64").map(predicted_frc_ml).astype("float64")
    outside = f"Length is outside the range of the equation {FRC_BY_LENGTH}."
    return sessions.assign(
        altitude_m=altitude,
        altitude_m_why=unknown,
        expected_barometric_pressure_kpa=expected,
        expected_barometric_pressure_kpa_why=unknown,
        barometric_pressure_difference_kpa=sessions["barometric_pressure_kpa"] - expected,
        barometric_pressure_difference_kpa_why=unknown,
        predicted_frc_ml=frc,
        predicted_frc_ml_why=np.where(frc.isna(), outside, ""),
    )


def with_history(sessions: pd.DataFrame) -> pd.DataFrame:
    """Add how far each session contradicts the other sessions of its infant (columns `CHANGES`).

    Each is held against the (at most two) sessions nearest in time, and the smaller contradiction
    counts: one wrong session among three is told from the two right ones, of two both are in doubt.
    NaN, with a reason, for an infant with one session. `sessions` needs the growth z-scores.
    """
    found = {name: np.full(len(sessions), math.nan) for name in CHANGES}
    usable = (~sessions["held"] & sessions["infant"].notna()).to_numpy(bool)
    by_infant = sessions[usable].reset_index().groupby(["centre", "infant"]).indices
    place = np.flatnonzero(usable)
    numbers = {name: sessions[name].to_numpy(np.float64) for name in COMPARED}
    days = np.array([_ordinal(day) for day in sessions["on"]], dtype=np.float64)
    for rows in by_infant.values():
        if len(rows) > 1:
            own = place[rows]
            of_infant = {name: values[own] for name, values in numbers.items()}
            for name, values in _contradictions(days[own], of_infant).items():
                found[name][own] = values
    reasons = {
        f"{name}_why": np.where(np.isnan(values), ALONE, "") for name, values in found.items()
    }
    return sessions.assign(**found, **reasons)


def _contradictions(days: FloatArray, own: Mapping[str, FloatArray]) -> dict[str, FloatArray]:
    """Return for each session of one infant how far it contradicts the nearest others."""
    between = days[:, None] - days
    apart = np.abs(between)
    np.fill_diagonal(apart, np.inf)
    nearest = np.argsort(apart, axis=1, kind="stable")[:, : min(NEAREST, days.size - 1)]
    pairs = {
        "length_z_change": np.abs(_differences(own["length_z"])),
        # Length that an earlier session had and a later one has not.
        "length_lost_cm": -np.sign(between) * _differences(own["length_cm"]),
        "weight_z_change": np.abs(_differences(own["weight_z"])),
        "age_contradiction_days": np.abs(_differences(own["age_days"]) - between),
    }
    return {name: _least(np.take_along_axis(pair, nearest, axis=1)) for name, pair in pairs.items()}


def _differences(values: FloatArray) -> FloatArray:
    """Return the difference of each value (n,) to each other one, (n, n)."""
    return np.asarray(values[:, None] - values, dtype=np.float64)


def _least(values: FloatArray) -> FloatArray:
    """Return the least of each row that is a number; NaN where none is."""
    least = np.where(np.isnan(values), np.inf, values).min(axis=1)
    return np.where(np.isinf(least), np.nan, least)


def _ordinal(day: Any) -> int:
    return day.toordinal() if isinstance(day, date) else 0
