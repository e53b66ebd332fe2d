"""What judging starts from: numbers per body, and the length of a recording against the clock."""

from __future__ import annotations

import math
from datetime import date
from pathlib import Path

import pandas as pd
import pytest

from quietsleep import contract
from quietsleep.judge.evidence import gather
from quietsleep.judge.rules import judge
from quietsleep.judge.tests import Evidence
from quietsleep.measure.roster import Roster
from quietsleep.store.state import StoredMeasures
from quietsleep.study.study import Study

DAY = date(2026, 3, 1)
# Measured number of each technique whose quotients are asked, and their true values below.
MEASURED = {
    "double_occlusion": ("crs_ml_kpa", 66.0),
    "raised_volume": ("fvc_ml", 198.0),
    "tidal_forced_expiration": ("vmaxfrc_ml_s", 150.0),
    "plethysmography": ("tgv_ml", 132.0),
    "tidal": ("vt_ml", 48.0),
}


def gathered(**changed: object) -> Evidence:
    """One session of 6.6 kg with a recording of each technique, 30 s long, one trial each."""
    row: dict[str, object] = {
        "weight_kg": 6.6, "predicted_frc_ml": 120.0, "mask_dead_space_ml": 9.9,
        "mask_on_min": 8.0, "started_at": "2026-03-01T09:00:10Z",
        "ended_at": "2026-03-01T09:00:40Z", "duration_s": 30.0, "sleep_state": "quiet",
        "operator_accepts": True,
    } | changed  # fmt: skip
    of_session = ("weight_kg", "predicted_frc_ml")
    session = {"centre": "c", "session": "s", "on": DAY, "held": False, "why": "", "device": "d"}
    names = [n for n in contract.SESSION.names("session") if n not in of_session]
    session |= dict.fromkeys(names) | {name: row[name] for name in of_session}
    recordings, trials, values, measured = [], [], [], []
    for technique, (quantity, value) in MEASURED.items():
        key = {"content_key": technique}
        recordings.append(
            {"centre": "c", "session": "s", "technique": technique, "recording": technique}
            | {"on": DAY, "held": False, "why": "", **key}
            | {n: v for n, v in row.items() if n not in (*of_session, "duration_s")}
        )
        measured.append(
            {**key, "state": "measured", "sentence": "", "duration_s": row["duration_s"]}
        )
        trials.append({**key, "trial_index": 1, "start_s": 0.0, "end_s": 9.0})
        values.append(
            {**key, "trial_index": 1, "quantity": quantity, "value": value, "reason": None}
        )
    frame = pd.DataFrame(recordings)
    for name in ("started_at", "ended_at"):
        frame[name] = pd.to_datetime(frame[name], utc=True)
    checks = pd.DataFrame(columns=["centre", "check_id", "kind", "content_key", "held", "why"])
    frame["item"] = frame["session"] + "/" + frame["recording"]
    roster = Roster(pd.DataFrame([session]), frame, checks, *[pd.DataFrame()] * 6)
    stored = StoredMeasures(*(pd.DataFrame(rows) for rows in (measured, trials, values)))
    return gather(stored, roster, Study(Path(), "s", "S", {}))


def numbers(**changed: object) -> dict[tuple[str, str], float]:
    rows = gathered(**changed).trial_values
    keys = zip(rows["technique"], rows["quantity"], strict=True)
    return dict(zip(keys, rows["value"].astype("float64"), strict=True))


def test_quotients_are_taken_over_the_body() -> None:
    found = numbers()
    assert found["double_occlusion", "crs_ml_kpa_kg"] == pytest.approx(10.0)
    assert found["raised_volume", "fvc_ml_kg"] == pytest.approx(30.0)
    assert found["tidal_forced_expiration", "vmaxfrc_frc_per_s"] == pytest.approx(1.25)
    assert found["plethysmography", "tgv_ml_kg"] == pytest.approx(20.0)
    for technique in MEASURED:
        assert found[technique, "dead_space_ml_kg"] == pytest.approx(1.5)
        assert found[technique, "mask_on_min"] == 8.0


@pytest.mark.parametrize("frc_ml", [math.nan, 0.0])
def test_without_the_number_below_there_is_a_reason(frc_ml: float) -> None:
    rows = gathered(predicted_frc_ml=frc_ml).trial_values
    row = rows[rows["quantity"] == "vmaxfrc_frc_per_s"].iloc[0]
    assert math.isnan(row["value"])
    assert row["reason"] == "no predicted_frc_ml"


def test_every_quotient_of_the_contract_is_taken_of_every_technique_here() -> None:
    found = numbers()
    declared = {
        (q.owner, q.name) for q in contract.QUANTITIES.values() if q.ratio and q.owner in MEASURED
    }
    assert declared <= set(found)


def judged(rule: str, **changed: object) -> str:
    evidence = gathered(**changed)
    rows = evidence.trial_values.assign(item="t", session="s", on=DAY)
    rows = rows[rows["technique"] == "tidal"]
    return str(judge(rows, [contract.RULES[f"tidal.{rule}"]], (), level="trial")["state"][0])


@pytest.mark.parametrize(
    ("duration_s", "ended_at", "state"),
    [
        (30.0, "2026-03-01T09:00:40Z", "pass"),
        (29.0, "2026-03-01T09:00:40Z", "pass"),  # cut to whole data records of a second
        (28.9, "2026-03-01T09:00:40Z", "fail"),  # samples were lost
        (31.1, "2026-03-01T09:00:40Z", "fail"),
        (300.0, "2026-03-01T09:05:16Z", "pass"),  # 2 % of a long one
        (299.0, "2026-03-01T09:05:16Z", "fail"),
        (30.0, "2026-03-01T09:00:10Z", "fail"),  # ended where it began
        (30.0, "2026-03-01T08:59:40Z", "fail"),  # ended before
        (25.0, None, "not_applicable"),
    ],
)
def test_length_against_the_clock(duration_s: float, ended_at: str | None, state: str) -> None:
    assert judged("length_by_clock", duration_s=duration_s, ended_at=ended_at) == state


def test_moments_to_the_minute_say_nothing_of_seconds() -> None:
    to_the_minute = {"started_at": "2026-03-01T09:00:00Z", "ended_at": "2026-03-01T09:01:00Z"}
    assert judged("length_by_clock", **to_the_minute) == "not_applicable"
    to_the_second = to_the_minute | {"ended_at": "2026-03-01T09:01:01Z"}
    assert judged("length_by_clock", **to_the_second) == "fail"


@pytest.mark.parametrize(
    ("rule", "changed", "state"),
    [
        ("mask_settled", {"mask_on_min": 5.0}, "pass"),
        ("mask_settled", {"mask_on_min": 4.9}, "fail"),
        ("mask_settled", {"mask_on_min": None}, "not_applicable"),
        ("small_dead_space", {"mask_dead_space_ml": 13.2}, "pass"),
        ("small_dead_space", {"mask_dead_space_ml": 13.3}, "fail"),
        ("small_dead_space", {"mask_dead_space_ml": None}, "not_applicable"),
    ],
)
def test_mask_and_dead_space(rule: str, changed: dict[str, object], state: str) -> None:
    assert judged(rule, **changed) == state
