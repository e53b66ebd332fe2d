"""The example that a new study starts with: tables and signal files of one invented session."""

from __future__ import annotations

import tomllib
from datetime import date
from pathlib import Path

from quietsleep.data import data_folder
from quietsleep.simulation.centres import collected
from quietsleep.simulation.checks import simulate_check_day
from quietsleep.simulation.scenario import read_scenario
from quietsleep.simulation.sessions import simulate_session, slots_of

SEED = 7


def write_example(
    folder: Path, *, centre: str, device: str, altitude_m: float | None, day: date
) -> None:
    """Write what a centre has in hand before it is sealed as a delivery: no delivery.json.

    The session is of `day`; infant, numbers and signals are invented, the same ones each time.
    """
    raw = tomllib.loads((data_folder("demo_centres") / "example.toml").read_text("utf-8"))
    raw |= {
        "centre": centre,
        "title": centre,
        "altitude_m": altitude_m or 0.0,
        "first_day": day,
        "days_between": 1,
        "device": raw["device"] | {"device": device},
    }
    scenario = read_scenario(raw)
    slots = slots_of(scenario, seed=SEED, sessions=1)
    sessions = [simulate_session(scenario, slot, seed=SEED) for slot in slots]
    days = [simulate_check_day(scenario, slot, seed=SEED) for slot in slots]
    handed, _ = collected(sessions, days)
    for path, data in handed.items():
        file = folder / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(data)
