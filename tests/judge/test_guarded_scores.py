"""A mistake of ours in one score: it is named with its traceback, and all others have theirs."""

from __future__ import annotations

from datetime import date
from types import SimpleNamespace
from typing import Any

import pandas as pd
import pytest

from quietsleep.judge import agreement, scores
from quietsleep.judge.agreement import agreement_frame
from quietsleep.judge.guard import Caught
from quietsleep.judge.scores import FAILED, load_references, with_growth, with_scores

SESSIONS = pd.DataFrame(
    [{"centre": centre, "session": "S1", "sex": "male", "length_cm": 65.0, "weight_kg": 7.0,
      "age_days": 150.0, "gestation_weeks": 40.0, "device": None, "on": date(2026, 1, 5),
      "room_temperature_c": 22.0, "room_humidity_pct": 50.0, "barometric_pressure_kpa": 101.0}
     for centre in ("larch", "maple")]
)  # fmt: skip
OUTCOMES = pd.DataFrame(
    [{"centre": centre, "session": "S1", "technique": "tidal", "outcome": "vt_ml", "unit": "mL",
      "value": value, "status": "accepted", "conditions": "BTPS"}
     for centre, value in (("larch", 52.0), ("maple", 60.0))]
)  # fmt: skip


def fail_on(value: float, works: Any) -> Any:
    def either(first: Any, *more: Any, **named: Any) -> Any:
        if first == value or value in more:
            raise ZeroDivisionError("float division by zero")
        return works(first, *more, **named)

    return either


def test_a_score_that_fails_is_named_and_the_others_stand(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(scores, "score", fail_on(52.0, scores.score))
    study: Any = SimpleNamespace(device_on=lambda *_: None)
    caught, grown = Caught(), with_growth(SESSIONS)
    found = with_scores(
        OUTCOMES, grown, study=study, references=load_references(), guard=caught.guarded
    )
    (said,), (trace,) = caught.failures, caught.failures.values()
    assert said.startswith("z-score of vt_ml at larch, S1 failed: ZeroDivisionError")
    assert "Traceback" in trace
    assert found["z_why"].tolist()[0] == FAILED.why != found["z_why"].tolist()[1]


def test_growth_that_fails_is_named_and_the_others_stand(monkeypatch: pytest.MonkeyPatch) -> None:
    wrong = SESSIONS.assign(weight_kg=[52.0, 7.0])
    monkeypatch.setattr(scores, "weight_z", fail_on(52.0, scores.weight_z))
    caught = Caught()
    found = with_growth(wrong, guard=caught.guarded)
    assert [s.partition(" failed")[0] for s in caught.failures] == ["growth of S1 at larch"]
    assert found["weight_z"].notna().tolist() == [False, True]
    assert found["weight_z_why"].tolist() == [FAILED.why, ""]


def test_a_comparison_that_fails_is_named_and_the_others_stand(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(agreement, "convert", fail_on(52.0, agreement.convert))
    caught = Caught()
    found = agreement_frame(OUTCOMES, OUTCOMES, SESSIONS, guard=caught.guarded)
    assert [s.partition(" failed")[0] for s in caught.failures] == [
        "agreement of vt_ml at larch, S1"
    ]
    assert found["reported_value"].tolist() == [52.0, 60.0]
    assert found["difference"].notna().tolist() == [False, True]
