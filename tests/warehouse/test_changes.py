"""What changed between two nights, and the cause that the evidence names."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq
import pytest

from quietsleep.warehouse.changes import difference
from quietsleep.warehouse.database import open_current

pytestmark = pytest.mark.usefixtures("quick")
Rows = set[tuple[str, str, str, str | None, str | None, str]]


def told(path: Path) -> Rows:
    with open_current(path) as connection:
        query = "SELECT table_name, key, column_name, before, after, cause FROM changes"
        return set(connection.execute(query).fetchall())


def pick(study: Any, table: str, **match: Any) -> dict[str, Any]:
    """Return the one row of a table that matches."""
    (row,) = (r for r in study.rows[table] if all(r.get(k) == v for k, v in match.items()))
    found: dict[str, Any] = row
    return found


def change_file(study: Any) -> None:
    pick(study, "recordings", centre="maple", session="S1", technique="tidal")["file_sha256"] = "b"
    outcome = pick(study, "outcomes", centre="maple", session="S1", outcome="rr_per_min")
    outcome["value"] = 31.0


def change_code(study: Any) -> None:
    row = pick(study, "recordings", centre="maple", session="S1", technique="tidal")
    row |= {"code_fingerprint": "code2", "content_key": "k2"}
    pick(study, "outcomes", centre="maple", session="S1", outcome="rr_per_min")["value"] = 31.0


def change_device(study: Any) -> None:
    pick(study, "devices", centre="maple")["registration_sha256"] = "other gain"
    pick(study, "recordings", centre="maple", technique="tidal")["content_key"] = "k2"
    pick(study, "outcomes", centre="maple", session="S1", outcome="rr_per_min")["value"] = 31.0


def add_entry(study: Any) -> None:
    day = date(2026, 3, 1)
    entry = pick(study, "devices", centre="maple") | {"valid_from": day}
    study.rows["devices"].append(entry | {"registration_sha256": "new gain"})
    pick(study, "sessions", centre="maple", session="S1")["device_valid_from"] = day
    pick(study, "recordings", centre="maple", technique="tidal")["content_key"] = "k2"
    pick(study, "outcomes", centre="maple", session="S1", outcome="rr_per_min")["value"] = 31.0


def change_rule(study: Any) -> None:
    verdict = pick(study, "verdicts", rule="raised_volume.a_close")
    verdict |= {"limit_low": 1.0, "state": "pass"}


def change_limit(study: Any) -> None:
    change = {"limit_low": 1.0, "state": "pass"}
    pick(study, "verdicts", rule="raised_volume.enough_trials").update(change)
    rule = pick(study, "rules", remedy="new remedy")
    rule |= {"changed_by": "dm1", "limit_low": 1.0}


def waive(study: Any) -> None:
    study.add(
        "waivers",
        centre="larch",
        waiver="w2",
        item_kind="session",
        item="S2",
        rule="session.consent",
    )
    pick(study, "verdicts", rule="session.consent").update(state="waived", waiver="w2")
    pick(study, "sessions", centre="larch", session="S2")["status"] = "accepted"


def change_check(study: Any) -> None:
    pick(study, "checks", check_id="C2")["file_sha256"] = "new"
    outcome = pick(study, "outcomes", centre="larch", session="S1", outcome="vt_ml")
    outcome["value"] = 51.0


def edit_delivery(study: Any) -> None:
    """The centre sends the same delivery again with another weight: measures move with it."""
    pick(study, "deliveries", centre="maple")["sha256"] = "edited"
    pick(study, "sessions", centre="maple")["weight_kg"] = 7.0
    pick(study, "recordings", centre="maple", technique="tidal")["content_key"] = "k2"
    pick(study, "outcomes", centre="maple", session="S1", outcome="rr_per_min")["value"] = 31.0


CASES: dict[str, tuple[Callable[[Any], None], Rows]] = {
    "file": (
        change_file,
        {
            ("recordings", "maple|S1/S1-tidal", "file_sha256", "a" * 64, "b", "file"),
            ("outcomes", "maple|S1|tidal|rr_per_min", "value", "30.0", "31.0", "file"),
        },
    ),
    "code": (
        change_code,
        {("outcomes", "maple|S1|tidal|rr_per_min", "value", "30.0", "31.0", "code")},
    ),
    "device": (
        change_device,
        {("devices", "maple|maple-set|2000-01-01", "registration_sha256", "", "other gain",
          "device"),
         ("outcomes", "maple|S1|tidal|rr_per_min", "value", "30.0", "31.0", "device")},
    ),
    "a new entry of a device": (
        add_entry,
        {("devices", "maple|maple-set|2026-03-01", "", None, "row added", "device"),
         ("sessions", "maple|S1", "device_valid_from", "2000-01-01", "2026-03-01", "device"),
         ("outcomes", "maple|S1|tidal|rr_per_min", "value", "30.0", "31.0", "device")},
    ),
    "delivery edited in place": (
        edit_delivery,
        {
            ("deliveries", "maple|d1", "sha256", "d" * 64, "edited", "file"),
            ("sessions", "maple|S1", "weight_kg", "6.0", "7.0", "file"),
            ("outcomes", "maple|S1|tidal|rr_per_min", "value", "30.0", "31.0", "file"),
        },
    ),
    "rule": (
        change_rule,
        {("verdicts", "larch|test|S1/raised_volume|raised_volume.a_close", "state", "fail", "pass",
          "rule")},
    ),
    "limit": (
        change_limit,
        {
            ("rules", "raised_volume.enough_trials|2026-01-01", "changed_by", None, "dm1",
             "limit"),
            ("rules", "raised_volume.enough_trials|2026-01-01", "limit_low", None, "1.0",
             "limit"),
            ("verdicts", "larch|test|S1/raised_volume|raised_volume.enough_trials", "state",
             "fail", "pass", "limit"),
        },
    ),
    "waiver": (
        waive,
        {
            ("waivers", "w2", "", None, "row added", "waiver"),
            ("sessions", "larch|S2", "status", "rejected", "accepted", "waiver"),
            ("verdicts", "larch|session|S2|session.consent", "state", "fail", "waived", "waiver"),
        },
    ),
    "check": (
        change_check,
        {
            ("checks", "larch|C2", "file_sha256", "C2" * 32, "new", "file"),
            ("outcomes", "larch|S1|tidal|vt_ml", "value", "50.0", "51.0", "file"),
        },
    ),
}  # fmt: skip


@pytest.mark.parametrize(("table", "code"), [("recordings", "S1-tidal"), ("checks", "C2")])
def test_first_measurement_is_no_change_of_code(
    study: Any, tmp_path: Path, table: str, code: str
) -> None:
    name = "check_id" if table == "checks" else "recording"
    (row,) = (r for r in study.rows[table] if r[name] == code and r["centre"] == "larch")
    row |= {"state": "quarantined", "code_fingerprint": None, "content_key": "k"}
    study.publish(tmp_path, "n1")
    row |= {"state": "measured", "code_fingerprint": "code1", "content_key": "k"}
    outcome = pick(study, "outcomes", centre="larch", session="S1", outcome="vt_ml")
    outcome["value"] = 51.0
    study.publish(tmp_path, "n2")
    causes = {cause for *_, cause in told(tmp_path)}
    assert causes == {"first measured"}


@pytest.mark.parametrize("case", CASES)
def test_a_change_is_told_with_its_cause(study: Any, tmp_path: Path, case: str) -> None:
    change, expected = CASES[case]
    first = study.publish(tmp_path, "n1")
    assert told(tmp_path) == set()
    change(study)
    second = study.publish(tmp_path, "n2")
    assert told(tmp_path) == expected
    assert len(difference(first, second)) == len(expected)


def define(study: Any, equation: str, owner: str = "tidal") -> None:
    study.rows["quantities"] = [
        {"owner": owner, "level": "trial", "quantity": "rr_per_min", "unit": "/min",
         "definition": "Breathing rate.", "equation": equation, "source": "E4"}
    ]  # fmt: skip


def causes_of(path: Path, table: str) -> set[str]:
    return {cause for name, *_, cause in told(path) if name == table}


FROM_1_TO_2 = "formula (contract 1 to 2)"


def test_a_study_that_began_under_version_1_sees_what_the_formula_moved(
    study: Any, tmp_path: Path
) -> None:
    define(study, "60 / mean tTOT")
    first = study.publish(tmp_path, "n1", contract_version="1")
    define(study, "60 / tTOT")
    change_code(study)
    # Of a test that was not measured anew nothing moved by a formula.
    pick(study, "outcomes", centre="larch", session="S1", outcome="vt_ml")["value"] = 51.0
    second = study.publish(tmp_path, "n2", contract_version="2")
    assert told(tmp_path) == {
        ("quantities", "tidal|trial|rr_per_min", "equation", "60 / mean tTOT", "60 / tTOT",
         FROM_1_TO_2),
        ("outcomes", "maple|S1|tidal|rr_per_min", "value", "30.0", "31.0", FROM_1_TO_2),
        ("outcomes", "larch|S1|tidal|vt_ml", "value", "50.0", "51.0", "not known"),
    }  # fmt: skip
    assert set(difference(first, second)["cause"]) == {FROM_1_TO_2, "not known"}
    study.publish(tmp_path, "n3", contract_version="2")
    assert told(tmp_path) == set()


def test_another_version_of_the_contract_is_named_where_no_definition_differs(
    study: Any, tmp_path: Path
) -> None:
    study.publish(tmp_path, "n1", contract_version="1")
    change_code(study)
    check = pick(study, "checks", check_id="C2")
    check |= {"code_fingerprint": "code2", "content_key": "k2", "status": "rejected"}
    study.publish(tmp_path, "n2", contract_version="2")
    assert causes_of(tmp_path, "outcomes") == {FROM_1_TO_2}


@pytest.mark.parametrize(
    ("owner", "cause"), [("tidal", "formula"), ("raised_volume", "code"), ("session", "code")]
)
def test_only_what_is_defined_anew_is_another_formula(
    study: Any, tmp_path: Path, owner: str, cause: str
) -> None:
    define(study, "60 / mean tTOT", owner)
    study.publish(tmp_path, "n1")
    define(study, "60 / tTOT", owner)
    change_code(study)
    study.publish(tmp_path, "n2")
    assert causes_of(tmp_path, "outcomes") == {cause}
    assert causes_of(tmp_path, "quantities") == {"formula"}


def test_a_check_by_another_formula_moves_the_tests_that_rest_on_it(
    study: Any, tmp_path: Path
) -> None:
    for row in study.rows["checks"]:
        row["code_fingerprint"] = "code1"
    study.publish(tmp_path, "n1", contract_version="1")
    pick(study, "checks", check_id="C2").update(code_fingerprint="code2", status="rejected")
    pick(study, "outcomes", centre="larch", session="S1", outcome="vt_ml")["value"] = 51.0
    study.publish(tmp_path, "n2", contract_version="2")
    assert causes_of(tmp_path, "checks") == causes_of(tmp_path, "outcomes") == {FROM_1_TO_2}


def test_a_night_does_not_differ_from_itself(published: Path) -> None:
    night = published / "warehouse" / "current"
    assert difference(night, night).empty


def test_a_night_of_an_older_contract_can_still_be_compared(study: Any, tmp_path: Path) -> None:
    first = study.publish(tmp_path, "n1")
    held = json.loads((first / "NIGHT.json").read_text())
    held["parts"] = [part for part in held["parts"] if part["table"] != "reported"]
    for part in held["parts"]:
        file = first / part["path"]
        if part["table"] == "checks":
            rows = pq.ParquetFile(file).read().drop_columns(["content_key", "why"])
            pq.write_table(rows, file)
            part["file_sha256"] = hashlib.sha256(file.read_bytes()).hexdigest()
    (first / "NIGHT.json").write_text(json.dumps(held))
    study.add("reported", centre="larch", session="S1", technique="tidal", outcome="vt_ml")
    change_code(study)
    study.publish(tmp_path, "n2")
    assert told(tmp_path) == {
        ("outcomes", "maple|S1|tidal|rr_per_min", "value", "30.0", "31.0", "code"),
        ("reported", "larch|S1|tidal|vt_ml", "", None, "row added", "file"),
    }


def test_a_change_without_evidence_is_not_explained_away(study: Any, tmp_path: Path) -> None:
    study.publish(tmp_path, "n1")
    pick(study, "outcomes", centre="larch", session="S1", outcome="vt_ml")["value"] = 51.0
    study.publish(tmp_path, "n2")
    assert told(tmp_path) == {
        ("outcomes", "larch|S1|tidal|vt_ml", "value", "50.0", "51.0", "not known")
    }


def test_two_causes_are_both_named(study: Any, tmp_path: Path) -> None:
    study.publish(tmp_path, "n1")
    change_file(study)
    change_code(study)
    study.publish(tmp_path, "n2")
    row = ("outcomes", "maple|S1|tidal|rr_per_min", "value", "30.0", "31.0", "code, file")
    assert row in told(tmp_path)


def test_a_new_rule_is_told_and_a_new_session_is_not_taken_for_one(
    study: Any, tmp_path: Path
) -> None:
    study.publish(tmp_path, "n1")
    study.add("rules", rule="tidal.new", valid_from=date(2026, 1, 1))
    study.add("verdicts", centre="larch", item_kind="test", item="S1/tidal", session="S1",
              technique="tidal", rule="tidal.new", state="fail", severity="reject")  # fmt: skip
    pick(study, "tests", centre="larch", test="S1/tidal")["status"] = "rejected"
    study.test("larch", "S3", "tidal", "accepted", rr_per_min=20.0)
    study.add("verdicts", centre="larch", item_kind="test", item="S3/tidal", session="S3",
              technique="tidal", rule="tidal.regular", state="pass")  # fmt: skip
    study.publish(tmp_path, "n2")
    found = told(tmp_path)
    assert ("tests", "larch|S1/tidal", "status", "accepted", "rejected", "rule") in found
    assert ("rules", "tidal.new|2026-01-01", "", None, "row added", "rule") in found
    assert ("outcomes", "larch|S3|tidal|rr_per_min", "", None, "row added", "file") in found
    assert {cause for _, key, *_, cause in found if key.startswith("larch|S3")} == {"file"}
