"""The centre's own results against the central ones, and why they may differ.

A reported value is brought to the unit and the gas conditions of the central one. Where the two
still differ by a factor that a known slip leaves behind, that slip is named; otherwise the cause is
`none`, and missing where there is nothing to compare.
"""

from __future__ import annotations

import re
from functools import cache
from math import isfinite, log
from typing import TYPE_CHECKING, Any, NamedTuple

from quietsleep.contract import OUTCOMES, ContractError
from quietsleep.contract.units import factor
from quietsleep.judge.guard import Guard, apart, unguarded
from quietsleep.judge.numbers import usable_or_nan
from quietsleep.signals.gas import btps_factor

if TYPE_CHECKING:
    import pandas as pd

# Room for the ordinary scatter between two programs; a study may ask for another one.
TOLERANCE_PCT = 2.5
NO_CAUSE = "none"
CANNOT_CONVERT = "unit cannot be converted"
VOLUMES = frozenset({"L", "dL", "mL", "uL"})
PRESSURES = frozenset({"Pa", "hPa", "kPa", "cm[H2O]", "mm[Hg]"})
DRY_PCT, SATURATED_PCT = 0.0, 100.0
# Beyond these there is no room, and little or no dry gas in the air of one.
COLDEST_C, WARMEST_C, LEAST_KPA = -50.0, 60.0, 30.0


class Room(NamedTuple):
    """Air of the laboratory during one session; NaN where it was not recorded."""

    temperature_c: float
    humidity_pct: float
    barometric_pressure_kpa: float


def agreement_frame(
    reported: pd.DataFrame,
    outcomes: pd.DataFrame,
    sessions: pd.DataFrame,
    *,
    tolerance_pct: float = TOLERANCE_PCT,
    guard: Guard = unguarded,
) -> pd.DataFrame:
    """Return the warehouse table `agreement` from the warehouse tables of those names.

    Every reported result of an outcome that the contract knows has a row; the central value is
    missing where its test was not accepted. `tolerance_pct` is how far the ratio may lie from a
    known factor. What cannot be computed with counts like what is missing; of a result that fails
    nothing is compared.
    """
    import pandas as pd

    key = ["centre", "session", "outcome"]
    accepted = outcomes.loc[outcomes["status"] == "accepted", [*key, "value"]]
    room = sessions[
        ["centre", "session", "room_temperature_c", "room_humidity_pct", "barometric_pressure_kpa"]
    ]
    known = reported[reported["outcome"].isin(list(OUTCOMES))]
    joined = known.merge(
        accepted.rename(columns={"value": "central_value"}), on=key, how="left"
    ).merge(room, on=["centre", "session"], how="left")
    rows: list[dict[str, Any]] = []
    for record in joined.to_dict("records"):
        row = {str(name): value for name, value in record.items()}
        found: dict[str, Any] = {}
        with apart(guard, "agreement", row["outcome"], f"{row['centre']}, {row['session']}"):
            found = _compare(row, tolerance_pct)
        rows.append(_as_reported(row) | found)
    names = [
        "session", "centre", "technique", "outcome", "reported_value", "reported_unit",
        "conditions", "reported_converted", "central_value", "unit", "difference",
        "difference_pct", "suspected_cause",
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=names)


def _compare(row: dict[str, Any], tolerance_pct: float) -> dict[str, Any]:
    unit = OUTCOMES[row["outcome"]].unit
    room = Room(
        *(
            usable_or_nan(row[name])
            for name in ("room_temperature_c", "room_humidity_pct", "barometric_pressure_kpa")
        )
    )
    reported, central = usable_or_nan(row["value"]), usable_or_nan(row["central_value"])
    its_unit, conditions = _text(row["unit"]), _text(row["conditions"])
    converted = convert(reported, its_unit, unit, conditions=conditions, room=room)
    difference = converted - central
    can_convert = isfinite(convert(1.0, its_unit, unit))
    return {
        "reported_converted": converted,
        "central_value": central,
        "difference": difference,
        "difference_pct": 100.0 * difference / central if central else float("nan"),
        "suspected_cause": (
            suspected_cause(converted, central, unit, room=room, tolerance_pct=tolerance_pct)
            if can_convert
            else CANNOT_CONVERT
        ),
    }


def _as_reported(row: dict[str, Any]) -> dict[str, Any]:
    return {
        **{name: row[name] for name in ("session", "centre", "technique", "outcome")},
        "reported_value": usable_or_nan(row["value"]),
        "reported_unit": _text(row["unit"]),
        "conditions": _text(row["conditions"]),
        "unit": OUTCOMES[row["outcome"]].unit,
    }


def _text(value: Any) -> str | None:
    return value if isinstance(value, str) else None


def convert(
    value: float,
    from_unit: str | None,
    to_unit: str,
    *,
    conditions: str | None = "BTPS",
    room: Room | None = None,
) -> float:
    """Bring a value to a unit and to BTPS; NaN where the unit or the room makes it impossible.

    A gas volume V grows by the factor of `signals.gas.btps_factor` from saturated (ATPS) or dry
    (ATPD) gas at room temperature; flow and compliance with it, resistance against it. Conditions
    that are not known count as BTPS.
    """
    if from_unit is None:
        return float("nan")
    try:
        converted = value * factor(from_unit, to_unit)
    except ContractError:
        return float("nan")
    converted = usable_or_nan(converted)
    humidity_pct = {"ATPS": SATURATED_PCT, "ATPD": DRY_PCT}.get(conditions or "")
    exponent = exponents(to_unit)["volume"]
    if humidity_pct is None or exponent == 0:
        return converted
    if room is None:
        return float("nan")
    btps = _btps(room, humidity_pct)
    return usable_or_nan(converted * btps**exponent)


def _btps(room: Room, humidity_pct: float) -> float:
    """Return the factor of gas at room temperature to BTPS; NaN where nobody could breathe."""
    if not (isfinite(humidity_pct) and COLDEST_C <= room.temperature_c <= WARMEST_C):
        return float("nan")
    if not room.barometric_pressure_kpa >= LEAST_KPA:
        return float("nan")
    factor_found = btps_factor(room.temperature_c, humidity_pct, room.barometric_pressure_kpa)
    return factor_found if usable_or_nan(factor_found) > 0 else float("nan")


@cache
def exponents(unit: str) -> dict[str, int]:
    """Return the powers of volume, pressure and seconds in a UCUM code made of . and / only."""
    found = {"volume": 0, "pressure": 0, "second": 0}
    for divided, symbol in re.findall(r"([./]?)([^./]+)", unit):
        power = -1 if divided == "/" else 1
        if symbol in VOLUMES:
            found["volume"] += power
        elif symbol in PRESSURES:
            found["pressure"] += power
        elif symbol == "s":
            found["second"] += power
    return found


def known_factors(unit: str, room: Room) -> list[tuple[str, float]]:
    """Return (slip, ratio of reported to central that it leaves behind) for a unit and a room."""
    power = exponents(unit)
    found: list[tuple[str, float]] = []
    if power["pressure"]:
        ratio = factor("kPa", "cm[H2O]") ** power["pressure"]
        found += [("cmH2O for kPa", ratio), ("kPa for cmH2O", 1 / ratio)]
    if power["volume"]:
        ratio = 1000.0 ** -power["volume"]
        found += [("L for mL", ratio), ("mL for L", 1 / ratio)]
        for humidity_pct in (SATURATED_PCT, room.humidity_pct):
            btps = _btps(room, humidity_pct)
            if isfinite(btps):
                ratio = btps ** power["volume"]
                found += [("BTPS not applied", 1 / ratio), ("BTPS applied twice", ratio)]
    if power["volume"] == 1 and power["second"] == -1:
        ratio = factor("mL/s", "L/min")
        found += [("L/min for mL/s", ratio), ("mL/s for L/min", 1 / ratio)]
    return found


def suspected_cause(
    converted: float,
    central: float,
    unit: str,
    *,
    room: Room,
    tolerance_pct: float = TOLERANCE_PCT,
) -> str | None:
    """Name the known slip whose factor lies within the tolerance of converted/central.

    `none` where none does; None where there is no ratio. A factor that lies within twice the
    tolerance of 1 (a warm room) cannot be told from ordinary scatter and is left out.
    """
    converted, central = usable_or_nan(converted), usable_or_nan(central)
    if not converted * central > 0:  # NaN too
        return None
    seen, reach = log(converted / central), log(1 + tolerance_pct / 100)
    distances = [
        (abs(seen - log(ratio)), slip)
        for slip, ratio in known_factors(unit, room)
        if abs(log(ratio)) > 2 * reach
    ]
    distance, slip = min(distances, default=(float("inf"), NO_CAUSE))
    return slip if distance <= reach else NO_CAUSE
