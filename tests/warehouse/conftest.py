"""A small warehouse written by hand, with answers that can be worked out by reading it.

Two centres use the same session code S1, so that a join which forgets the centre shows.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from quietsleep import contract
from quietsleep.contract import OUTCOMES, Column, Table
from quietsleep.warehouse import publish as publication
from quietsleep.warehouse.publish import NightFacts, publish
from tests.shared import lay_out_plainly

Frames = dict[str, pd.DataFrame]
MORNING = datetime(2026, 3, 3, 9, 0, tzinfo=UTC)
TECHNIQUES = (
    "tidal",
    "single_occlusion",
    "double_occlusion",
    "plethysmography",
    "tidal_forced_expiration",
    "raised_volume",
)


def filler(column: Column) -> Any:
    """Return the dullest value that a column takes."""
    if column.nullable:
        return None
    return {
        "text": "",
        "choice": column.choices[0] if column.choices else "",
        "number": 0.0,
        "integer": 0,
        "yes_no": False,
        "date": date(2000, 1, 1),
        "datetime": MORNING,
    }[column.type]


def table_frame(table: Table, rows: list[dict[str, Any]]) -> pd.DataFrame:
    """Return a frame with every column of the contract, what a row leaves out filled in."""
    unknown = {name for row in rows for name in row} - {c.name for c in table.columns}
    assert not unknown, (table.name, unknown)
    return pd.DataFrame(
        {
            c.name: pd.Series([row.get(c.name, filler(c)) for row in rows], dtype=object)
            for c in table.columns
        }
    )


def session(centre: str, code: str, **values: Any) -> dict[str, Any]:
    return {
        "centre": centre, "session": code, "infant": f"I{code[1:]}", "visit": "first",
        "tested_at": MORNING, "tested_on": MORNING.date(), "device": f"{centre}-set",
        "device_valid_from": date(2000, 1, 1), "delivery": "d1", "sex": "female",
        "age_days": 100.0, "weight_kg": 6.0, "length_cm": 61.0, "room_temperature_c": 23.0,
        "room_humidity_pct": 50.0, "barometric_pressure_kpa": 101.325, "operator": "op1",
        "status": "accepted",
    } | values  # fmt: skip


def verdict(centre: str, code: str | None, **values: Any) -> dict[str, Any]:
    return {
        "centre": centre, "session": code, "unit": "1", "operator": "at_least",
        "severity": "reject", "state": "fail", "observed": 1.0, "limit_low": 3.0,
        "quantity": "n_accepted",
    } | values  # fmt: skip


class Study:
    """Rows by table, to be changed by a test before it asks for the frames."""

    def __init__(self) -> None:
        self.rows: dict[str, list[dict[str, Any]]] = {
            name: [] for name, table in contract.TABLES.items() if table.group == "warehouse"
        }
        for centre in ("larch", "maple"):
            self.add("centres", centre=centre, state="delivered")
            self.add(
                "devices", centre=centre, device=f"{centre}-set", equipment_class=f"{centre} box"
            )
            self.add(
                "deliveries", centre=centre, delivery="d1", sha256="d" * 64, created_at=MORNING
            )

    def add(self, table: str, **values: Any) -> None:
        self.rows[table].append(values)

    def test(self, centre: str, code: str, technique: str, status: str, **values: Any) -> None:
        """Add a test with one recording, one trial and the rows of its outcomes."""
        test, recording = f"{code}/{technique}", f"{code}-{technique}"
        item = f"{code}/{recording}"
        shared = {"centre": centre, "session": code, "technique": technique}
        flagged = bool(values.get("flagged", False))
        self.add(
            "tests", test=test, tested_at=MORNING, tested_on=MORNING.date(), status=status,
            flagged=flagged, n_trials=1, n_accepted=int(status == "accepted"), **shared,
        )  # fmt: skip
        self.add(
            "recordings", item=item, recording=recording, delivery="d1", file=f"{recording}.csv",
            file_sha256="a" * 64, code_fingerprint="code1", content_key="k1", **shared,
        )  # fmt: skip
        trial = f"{item}#1"
        kept = "accepted" if status == "accepted" else "rejected"
        self.add("trials", trial=trial, recording=recording, trial_index=1, status=kept, **shared)
        for outcome in OUTCOMES.values():
            if outcome.technique == technique:
                value = values.get(outcome.name)
                self.add(
                    "outcomes", outcome=outcome.name, value=value, unit=outcome.unit,
                    status=status, flagged=flagged, n_trials=int(value is not None),
                    trials=trial if value is not None else "",
                    why="forced time too short" if status == "accepted" and value is None else "",
                    **shared,
                )  # fmt: skip

    def frames(self) -> Frames:
        return {
            name: table_frame(contract.TABLES[name], rows)
            for name, rows in self.rows.items()
            if name not in ("changes", "session_changes", "briefing")
        }

    def publish(self, path: Path, night: str, **facts: Any) -> Path:
        return publish(path, night, self.frames(), night_facts(**facts))


def night_facts(**changed: Any) -> NightFacts:
    given: dict[str, Any] = {
        "study": "small study", "started_at": MORNING, "ended_at": MORNING + timedelta(minutes=5),
        "state": "green", "code_fingerprint": "code1", "rules_version": "rules1",
        "contract_version": "1",
    }  # fmt: skip
    return NightFacts(**(given | changed))


def make_study() -> Study:
    study = Study()
    study.add(
        "nights", night="n0", started_at=MORNING, state="green", code_fingerprint="code0",
        rules_version="rules0", contract_version="1",
    )  # fmt: skip
    study.add(
        "nights", night="n1", started_at=MORNING, state="green", code_fingerprint="code1",
        rules_version="rules1", contract_version="1",
    )  # fmt: skip
    study.add("sessions", **session("larch", "S1"))
    study.add("sessions", **session("larch", "S2", status="rejected", consent=False))
    study.add("sessions", **session("larch", "S3", status="quarantined"))
    study.add("sessions", **session("maple", "S1", sex="male", length_cm=70.0))
    study.test("larch", "S1", "tidal", "accepted", flagged=True, rr_per_min=40.0, vt_ml=50.0)
    study.test("larch", "S1", "raised_volume", "rejected")
    study.test("larch", "S1", "plethysmography", "not_judgeable")
    study.test("larch", "S2", "tidal", "rejected")
    study.test("maple", "S1", "tidal", "accepted", rr_per_min=30.0)
    study.test("maple", "S1", "single_occlusion", "quarantined")
    _add_verdicts(study)
    for valid_from, remedy in ((date(2000, 1, 1), "old remedy"), (date(2026, 1, 1), "new remedy")):
        study.add("rules", rule="raised_volume.enough_trials", valid_from=valid_from, remedy=remedy)
    study.add(
        "waivers",
        centre="larch",
        waiver="w1",
        item_kind="test",
        item="S1/tidal",
        rule="tidal.some_rule",
    )
    for code, hours in (("C0", 30), ("C1", 2), ("C2", 1)):
        study.add(
            "checks", check_id=code, centre="larch", device="larch-set", kind="syringe",
            done_at=MORNING - timedelta(hours=hours), device_valid_from=date(2000, 1, 1),
            done_on=(MORNING - timedelta(hours=hours)).date(), delivery="d1", file=f"{code}.csv",
            file_sha256=code * 32, content_key="k", status="accepted", state="measured",
        )  # fmt: skip
    study.add("session_checks", centre="larch", session="S1", kind="syringe", check_id="C2")
    study.add(
        "test_values", test="S1/tidal", centre="larch", technique="tidal",
        quantity="syringe_check_accepted", value=1.0,
    )  # fmt: skip
    return study


def _add_verdicts(study: Study) -> None:
    tidal = {"technique": "tidal", "item": "S1/tidal", "item_kind": "test"}
    raised = {"technique": "raised_volume", "item_kind": "test", "item": "S1/raised_volume"}
    for rule in ("raised_volume.enough_trials", "raised_volume.a_close"):
        study.add("verdicts", **verdict("larch", "S1", rule=rule, **raised))
    study.add(
        "verdicts",
        **verdict("larch", "S1", rule="raised_volume.passes", **raised) | {"state": "pass"},
    )
    study.add(
        "verdicts",
        **verdict("larch", "S1", rule="plethysmography.box", technique="plethysmography",
                  item="S1/plethysmography", item_kind="test", state="not_judged"),
    )  # fmt: skip
    study.add(
        "verdicts",
        **verdict("larch", "S1", rule="tidal.regular", severity="flag", **tidal),
    )
    study.add(
        "verdicts",
        **verdict("larch", "S1", rule="tidal.some_rule", waiver="w1", state="waived", **tidal),
    )
    study.add(
        "verdicts",
        **verdict("larch", "S2", rule="session.consent", technique="session", item="S2",
                  item_kind="session"),
    )  # fmt: skip
    study.add(
        "verdicts",
        **verdict("larch", None, rule="syringe.error", technique="syringe", item="C1",
                  item_kind="check"),
    )  # fmt: skip


@pytest.fixture(scope="session")
def new_study() -> Callable[[], Study]:
    """Make studies for fixtures that live longer than a test."""
    return make_study


@pytest.fixture
def study() -> Study:
    """A study that a test may change."""
    return make_study()


@pytest.fixture(scope="session")
def facts_made() -> Callable[..., NightFacts]:
    """The same as `facts`, for fixtures that live longer than a test."""
    return night_facts


@pytest.fixture
def facts() -> Callable[..., NightFacts]:
    """What a night says of itself, with changes."""
    return night_facts


@pytest.fixture(scope="session")
def published(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A study folder with one published night, for tests that only read."""
    path = tmp_path_factory.mktemp("study")
    make_study().publish(path, "n1")
    return path


def publish_quickly(patch: pytest.MonkeyPatch) -> None:
    """Leave out what a small publication costs most: comments, views, and a process of its own."""
    lay_out_plainly(patch)
    patch.setattr(publication, "view_sql", lambda: "SELECT 1;")
    patch.setattr(publication, "stored_view_sql", lambda: ["SELECT 1;"])


@pytest.fixture(scope="session")
def quickly() -> Callable[[pytest.MonkeyPatch], None]:
    """The same as `quick`, for fixtures that live longer than a test."""
    return publish_quickly


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Publish without comments, views and a process of its own."""
    publish_quickly(monkeypatch)
