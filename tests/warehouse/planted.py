"""Invented studies of five centres and 500 sessions each, as tables, with something planted.

Nothing is measured: tests, checks, outcomes and pairs are drawn, and the tables that a night makes
of them are made. Losses come alone, by sessions and by days, as they do in life.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta

import duckdb
import numpy as np
import pandas as pd
import pyarrow as pa

from quietsleep import contract
from quietsleep.contract.schemas import DUCKDB_TYPES
from quietsleep.warehouse.briefing import briefing_frame
from quietsleep.warehouse.drifts import drifts_frame, followed
from quietsleep.warehouse.lost_tests import lost_tests_frame
from quietsleep.warehouse.session_changes import session_changes_frame
from quietsleep.warehouse.standing import count_tests, standing_tables
from quietsleep.warehouse.statistics import agreement_limits_frame, comparability_frame
from quietsleep.warehouse.unit_slips import unit_slips_frame

CENTRES = ("alder", "birch", "cedar", "hazel", "maple")
FIRST = date(2025, 1, 6)
TECHNIQUES = tuple(contract.TECHNIQUES)
SESSIONS, SESSIONS_A_DAY = 500, 2
# Of tests alone, of whole sessions, of whole days.
LOST_ALONE, LOST_SESSION, LOST_DAY = 0.12, 0.03, 0.01
# Level and scatter of each followed quantity, of the size that simulated checks have.
CHECKS = {
    ("box_decay", "half_life_s"): (8.5, 0.15),
    ("box_pump", "box_factor_ml_kpa"): (550.0, 4.0),
    ("shutter_hold", "pressure_fall_pct"): (1.2, 0.3),
    ("syringe", "error_inspired_pct"): (0.1, 0.3),
    ("syringe", "error_expired_pct"): (-0.1, 0.3),
    ("syringe", "error_slope_pct"): (0.0, 0.05),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Planted:
    """What is planted where; the day is counted from the first one of the study."""

    slips: str = ""
    slip: float = 0.25
    slips_from_day: int = 91
    drifts: str = ""
    drift_pct_a_week: float = 0.3
    drifts_for_weeks: float = 6.0
    silent: str = ""
    silent_from_day: int = 250
    wrong_unit: str = ""
    until_day: int = 100_000
    checks_fail: bool = False


def days_of_study(until: int) -> list[date]:
    n_days = SESSIONS // SESSIONS_A_DAY
    days = [FIRST + timedelta(days=i) for i in range(2 * n_days)]
    return [d for d in days if d.weekday() < 5 and (d - FIRST).days < until][:n_days]


def tests_frame(rng: np.random.Generator, planted: Planted) -> pd.DataFrame:
    rows = []
    for centre in CENTRES:
        n = 0
        for day in days_of_study(planted.until_day):
            age = (day - FIRST).days
            if centre == planted.silent and age >= planted.silent_from_day:
                break
            lost_day = rng.random() < LOST_DAY
            chance = LOST_ALONE + (
                planted.slip if centre == planted.slips and age >= planted.slips_from_day else 0.0
            )
            for _ in range(SESSIONS_A_DAY):
                n += 1
                session = f"s{n:04d}"
                lost = lost_day or rng.random() < LOST_SESSION
                for technique in TECHNIQUES:
                    is_lost = lost or rng.random() < chance
                    status = "rejected" if is_lost else "accepted"
                    rows.append((centre, session, technique, day, status, f"{centre}-set"))
    frame = pd.DataFrame(
        rows, columns=["centre", "session", "technique", "tested_on", "status", "device"]
    )
    return frame.assign(test=frame["session"] + "/" + frame["technique"], operator="op1")


def checks_frames(rng: np.random.Generator, planted: Planted) -> tuple[pd.DataFrame, pd.DataFrame]:
    days = days_of_study(planted.until_day)
    checks, values = [], []
    for centre in CENTRES:
        offset = {pair: rng.normal(0, 0.5) for pair in CHECKS}
        for day in days:
            at = datetime.combine(day, time(8), UTC)
            weeks = planted.drifts_for_weeks - (days[-1] - day).days / 7
            for kind in contract.CHECKS:
                check = f"{centre}-set/{day}/{kind}"
                met = True
                for (own, quantity), (level, sd) in CHECKS.items():
                    if own != kind:
                        continue
                    value = level + sd * (offset[own, quantity] + rng.standard_normal())
                    if own == "syringe" and "slope" not in quantity:
                        if centre == planted.drifts:
                            value += planted.drift_pct_a_week * max(weeks, 0.0)
                        if planted.checks_fail and rng.random() < 0.05:
                            value += 4.0
                        met &= abs(value) <= 2.0
                    values.append((centre, check, kind, "check", check, quantity, value))
                checks.append((centre, check, kind, f"{centre}-set", day, at,
                               "accepted" if met else "rejected", FIRST))  # fmt: skip
    return (
        pd.DataFrame(
            checks,
            columns=["centre", "check_id", "kind", "device", "done_on", "done_at", "status",
                     "device_valid_from"],
        ),
        pd.DataFrame(
            values,
            columns=["centre", "check_id", "kind", "level", "item", "quantity", "value"],
        ),
    )  # fmt: skip


def outcomes_frames(
    rng: np.random.Generator, tests: pd.DataFrame, planted: Planted
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return outcomes and sessions: compliance and tidal volume that grow with length."""
    sessions = tests[["centre", "session"]].drop_duplicates(ignore_index=True)
    n = len(sessions)
    sessions = sessions.assign(
        infant=sessions["session"],
        length_cm=rng.normal(65.0, 5.0, n),
        device=sessions["centre"] + "-set",
        device_valid_from=FIRST,
    )
    parts = []
    for outcome, level in (("vt_ml", 60.0), ("crs_single_ml_kpa", 70.0)):
        spec = contract.OUTCOMES[outcome]
        scatter = np.exp(rng.normal(0, 0.15, n))
        lengths = sessions["length_cm"].to_numpy(dtype=np.float64)
        values = level * (lengths / 65.0) ** 2.5 * scatter
        if outcome == "crs_single_ml_kpa":
            off = (sessions["centre"] == planted.wrong_unit).to_numpy()
            values = np.where(off, values * 10.2, values)
        parts.append(
            sessions[["centre", "session"]].assign(
                technique=spec.technique, outcome=outcome, value=values, unit=spec.unit,
                status="accepted", equation=None, z=np.nan,
            )
        )  # fmt: skip
    return pd.concat(parts, ignore_index=True), sessions


def connect(frames: dict[str, pd.DataFrame]) -> duckdb.DuckDBPyConnection:
    """Return a database with tables of the contract; what a frame lacks is empty."""
    connection = duckdb.connect()
    for name, table in contract.TABLES.items():
        if table.group != "warehouse":
            continue
        rows = frames.get(name, pd.DataFrame()).reindex(columns=[c.name for c in table.columns])
        typed = pa.Table.from_pandas(rows.astype(object).where(rows.notna(), None))
        connection.register("given", typed)
        cast = ", ".join(
            f'CAST("{c.name}" AS {DUCKDB_TYPES[c.type]}) AS "{c.name}"' for c in table.columns
        )
        connection.execute(f'CREATE TABLE "{name}" AS SELECT {cast} FROM given')
        connection.unregister("given")
    return connection


def tables_of(seed: int, planted: Planted = Planted()) -> dict[str, pd.DataFrame]:
    """Return what a night would publish of such a study, by table."""
    rng = np.random.default_rng(seed)
    tests = tests_frame(rng, planted)
    checks, check_values = checks_frames(rng, planted)
    outcomes, sessions = outcomes_frames(rng, tests, planted)
    centres = pd.DataFrame({"centre": CENTRES, "state": "delivered"})
    devices = pd.DataFrame(
        {"centre": CENTRES, "device": [f"{c}-set" for c in CENTRES], "valid_from": FIRST,
         "equipment_class": "one"}
    )  # fmt: skip
    given = {"tests": tests, "checks": checks, "check_values": check_values, "centres": centres}
    with connect(given) as connection:
        found = dict(standing_tables(connection))
        rules = list(contract.RULES.values())
        found["drifts"] = drifts_frame(connection, rules)
        found["lost_tests"] = lost_tests_frame(connection, rules)
        counts = count_tests(connection)
    empty = pd.DataFrame(columns=["centre", "outcome", "unit", "suspected_cause",
                                  "reported_converted", "central_value", "session", "item",
                                  "sentence"])  # fmt: skip
    return given | found | {
        "sessions": sessions,
        "outcomes": outcomes,
        "agreement_limits": agreement_limits_frame(empty),
        "comparability": comparability_frame(outcomes, sessions, devices),
        "unit_slips": unit_slips_frame(empty, outcomes, sessions, empty, counts),
    }  # fmt: skip


def briefing_of(tables: dict[str, pd.DataFrame], *, compared: bool = True) -> pd.DataFrame:
    """Return the five answers, by question."""
    with connect(tables) as connection:
        changes = session_changes_frame(connection)
    with connect(tables | {"session_changes": changes}) as connection:
        return briefing_frame(connection, compared=compared).set_index("question")


assert set(CHECKS) == set(followed())
