"""Sessions of an infant in order, its growth between them, and what contradicts itself."""

from __future__ import annotations

from datetime import date
from typing import Any

import pandas as pd
import pytest

from quietsleep.contract import TABLES
from quietsleep.judge.contradictions import AGES, DIFFERS, Contradiction
from quietsleep.warehouse.infants import infants_frame, visits_frame


def session(code: str, infant: str | None, on: date | None, **values: Any) -> dict[str, Any]:
    return {
        "centre": "larch", "session": code, "infant": infant, "visit": "v", "tested_on": on,
        "sex": "female", "gestation_weeks": 39.0, "birth_weight_kg": 3.0, "age_days": 100.0,
        "corrected_age_days": 100.0, "weight_kg": 6.0, "length_cm": 61.0, "weight_z": 0.0,
        "length_z": 0.0, "status": "accepted",
    } | values  # fmt: skip


def contradiction(kind: str, *sessions: str) -> Contradiction:
    return Contradiction(kind, "larch", "infant", sessions, "", "", "")


def words(texts: pd.Series[str]) -> list[str | None]:
    return [None if pd.isna(text) else text for text in texts]


@pytest.fixture
def visits() -> pd.DataFrame:
    """An infant seen three times and delivered out of order, one in doubt, one without a day."""
    rows = [
        session("c", "i1", date(2026, 5, 20), age_days=178.0, weight_kg=7.4, length_cm=66.5,
                status="rejected"),
        session("a", "i1", date(2026, 3, 3), sex="male", status="rejected"),
        session("b", "i1", date(2026, 4, 2), age_days=130.0, weight_kg=6.6, length_cm=63.0),
        session("d", "i2", date(2026, 3, 3)),
        session("e", "i2", date(2026, 3, 13), age_days=400.0, weight_kg=7.0),
        session("f", "i3", None, age_days=None),
        session("g", None, date(2026, 3, 3)),
    ]  # fmt: skip
    found = [contradiction(AGES, "d", "e"), contradiction(DIFFERS, "a", "b", "c")]
    return visits_frame(pd.DataFrame(rows), found)


def test_sessions_stand_in_the_order_of_their_days(visits: pd.DataFrame) -> None:
    assert visits["session"].to_list() == ["a", "b", "c", "d", "e", "f"]
    assert visits["position"].to_list() == [1, 2, 3, 1, 2, 1]
    assert visits["days_since_first"].to_list()[:5] == [0, 30, 78, 0, 10]
    assert visits["days_since_previous"].to_list()[1:3] == [30, 48]
    assert words(visits["tested_quarter"]) == ["2026-Q1", *["2026-Q2"] * 2, *["2026-Q1"] * 2,
                                                  None]  # fmt: skip
    assert {c.name for c in TABLES["visits"].columns} <= set(visits)


def test_growth_is_told_between_sessions_that_agree(visits: pd.DataFrame) -> None:
    # 600 g in 30 days, 800 g in 48; 20 mm in 30 days is 4.67 mm a week.
    assert visits["weight_gain_g_d"].to_list()[1:3] == pytest.approx([20.0, 16.6667], abs=1e-3)
    assert visits["length_gain_mm_wk"].to_list()[1:3] == pytest.approx([4.6667, 5.1042], abs=1e-3)
    assert visits["weight_gain_g_d"].isna().to_list() == [True, False, False, True, True, True]
    assert words(visits["why"])[:5] == [
        "first session", None, None, "first session",
        "age and days of one of both sessions contradict each other",
    ]  # fmt: skip


def test_contradictions_stay_and_are_named(visits: pd.DataFrame) -> None:
    assert words(visits["contradictions"]) == [DIFFERS] * 3 + [AGES] * 2 + [None]


def test_an_infant_is_what_its_first_accepted_session_says(visits: pd.DataFrame) -> None:
    rows: pd.DataFrame = infants_frame(visits).set_index("infant")
    assert rows.loc["i1", "sex"] == "female"
    assert rows["n_sessions"].to_list() == [3, 2, 1]
    assert rows["n_accepted"].to_list() == [1, 2, 1]
    ages = ("first_age_days", "last_age_days", "days_followed")
    assert [rows.loc["i1", name] for name in ages] == [100.0, 178.0, 78]
    kinds: Any = rows["contradictions"]
    assert words(kinds) == [DIFFERS, AGES, None]


def test_without_sessions_there_is_nobody() -> None:
    none = pd.DataFrame([session("g", None, None)])
    empty = visits_frame(none, [])
    assert empty.empty and infants_frame(empty).empty
