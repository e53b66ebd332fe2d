"""Numbers that do not vary, and statistics that fail, at one centre: the others are published."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from quietsleep.measure.pool import InProcess
from quietsleep.night.stages import run_night
from quietsleep.warehouse import statistics
from quietsleep.warehouse.database import open_current
from quietsleep.warehouse.statistics import agreement_limits_frame
from tests.faults.nights import write_micro_study
from tests.night.conftest import pool as pool  # noqa: PLC0414  (a fixture)


def pairs(centre: str, reported: list[float], central: list[float]) -> pd.DataFrame:
    rows = pd.DataFrame({"reported_converted": reported, "central_value": central})
    return rows.assign(centre=centre, outcome="vt_ml", unit="mL", suspected_cause="none")


def test_equal_pairs_of_one_centre_have_a_reason_and_others_their_numbers() -> None:
    rows = pd.concat(
        [
            pairs("larch", [52.1] * 3, [52.1] * 3),
            pairs("maple", [50.0, 55.0, 61.0], [51.0, 54.0, 60.0]),
            pairs("rowan", [50.0, 55.0], [51.0, 54.0]),
        ]
    )
    larch, maple, rowan = agreement_limits_frame(rows).to_dict("records")
    assert larch["bias"] == 0.0 and pd.isna(larch["icc"]) and "do not differ" in larch["why"]
    assert maple["icc"] > 0.9 and pd.isna(maple["why"])
    assert pd.isna(rowan["bias"]) and "Fewer than 3" in rowan["why"]


def test_a_failure_at_one_centre_leaves_the_others(monkeypatch: pytest.MonkeyPatch) -> None:
    failed: list[str] = []

    @contextmanager
    def guard(word: str) -> Iterator[None]:
        try:
            yield
        except ArithmeticError:
            failed.append(word)

    def fail_on_larch(table: Any) -> Any:
        if table[0, 0] == 52.1:
            raise ArithmeticError
        return intraclass(table)

    intraclass = statistics.intraclass
    monkeypatch.setattr(statistics, "intraclass", fail_on_larch)
    rows = pd.concat(
        [pairs("larch", [52.1] * 3, [52.1] * 3), pairs("maple", [50.0, 55.0, 61.0], [51.0] * 3)]
    )
    found = agreement_limits_frame(rows, guard=guard)
    assert list(found["centre"]) == ["maple"] and failed == ["agreement of vt_ml at larch"]


def test_a_night_publishes_when_statistics_of_one_centre_fail(
    tmp_path: Path, pool: InProcess, monkeypatch: pytest.MonkeyPatch
) -> None:
    study = write_micro_study(tmp_path / "study")

    def fail_on_larch(pairs: pd.DataFrame) -> dict[str, Any]:
        if "larch" in set(pairs["centre"]):
            raise ZeroDivisionError("float division by zero")
        return counted(pairs)

    counted = statistics._agreement
    monkeypatch.setattr(statistics, "_agreement", fail_on_larch)
    report = run_night(study)
    assert report.published and report.state == "red"
    failed = [s for s in report.sentences if "failed" in s]
    assert failed and all(s.startswith("agreement of ") for s in failed), report.sentences
    assert all(" at larch failed: ZeroDivisionError" in s for s in failed)
    with open_current(study) as warehouse:
        centres = warehouse.execute("SELECT DISTINCT centre FROM agreement_limits").fetchall()
        state = warehouse.execute("SELECT state FROM nights ORDER BY night DESC").fetchone()
    assert centres == [("juniper",)] and state == ("red",)
