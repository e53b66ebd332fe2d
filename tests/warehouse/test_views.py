"""The views against a small warehouse whose answers can be read off `conftest.py`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from quietsleep.contract import OUTCOMES
from quietsleep.contract.schemas import DUCKDB_TYPES
from quietsleep.warehouse.database import open_current
from quietsleep.warehouse.views import views


def rows(path: Path, query: str) -> list[tuple[Any, ...]]:
    with open_current(path) as connection:
        return connection.execute(query).fetchall()


def test_views_have_the_columns_and_types_they_declare(published: Path) -> None:
    found = rows(
        published,
        "SELECT table_name, column_name, data_type FROM duckdb_columns() "
        "WHERE NOT internal AND schema_name = 'main' ORDER BY table_name, column_index",
    )
    for view in views():
        got = [(name, kind) for table, name, kind in found if table == view.name]
        assert got == [(c.name, DUCKDB_TYPES[c.type]) for c in view.columns], view.name


def test_views_keep_their_keys(published: Path) -> None:
    for view in views():
        keys = ", ".join(view.key)
        twice = f"SELECT {keys} FROM {view.name} GROUP BY ALL HAVING count(*) > 1"
        assert rows(published, twice) == [], view.name
        missing = " OR ".join(f"{name} IS NULL" for name in view.key)
        assert rows(published, f"SELECT * FROM {view.name} WHERE {missing}") == [], view.name


def test_clean_outcomes_hold_accepted_values_only(published: Path) -> None:
    assert rows(
        published,
        "SELECT centre, session, outcome, value, unit, trials, flagged, flags, equipment_class, "
        "rules_version, code_fingerprint FROM clean_outcomes ORDER BY centre, outcome",
    ) == [
        ("larch", "S1", "rr_per_min", 40.0, "/min", "S1/S1-tidal#1", True, "tidal.regular",
         "larch box", "rules1", "code1"),
        ("larch", "S1", "vt_ml", 50.0, "mL", "S1/S1-tidal#1", True, "tidal.regular",
         "larch box", "rules1", "code1"),
        ("maple", "S1", "rr_per_min", 30.0, "/min", "S1/S1-tidal#1", False, None,
         "maple box", "rules1", "code1"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("item", "value", "why"),
    [
        ("larch S1 rr_per_min", 40.0, None),
        ("maple S1 rr_per_min", 30.0, None),
        ("maple S1 vt_ml", None, "not computable: forced time too short"),
        ("larch S1 crs_single_ml_kpa", None, "not attempted"),
        ("maple S1 crs_single_ml_kpa", None, "quarantined"),
        ("larch S1 fvc_ml", None,
         "rejected: raised_volume.a_close, raised_volume.enough_trials"),
        ("maple S1 fvc_ml", None, "not attempted"),
        ("larch S1 frc_pleth_ml", None, "not judgeable: plethysmography.box"),
        ("larch S2 rr_per_min", None, "rejected: session.consent"),
        ("larch S2 fvc_ml", None, "not attempted"),
        ("larch S3 rr_per_min", None, "quarantined"),
    ],
)  # fmt: skip
def test_clean_sessions_say_why_not(
    published: Path, item: str, value: float | None, why: str | None
) -> None:
    centre, session, outcome = item.split()
    query = (
        f"SELECT {outcome}, {outcome}_why FROM clean_sessions "
        f"WHERE centre = '{centre}' AND session = '{session}'"
    )
    assert rows(published, query) == [(value, why)]


def test_clean_sessions_have_a_row_for_every_session_and_a_pair_for_every_outcome(
    published: Path,
) -> None:
    assert rows(published, "SELECT count(*) FROM clean_sessions") == [(4,)]
    for name in OUTCOMES:
        query = f"SELECT count(*) FROM clean_sessions WHERE ({name} IS NULL) = ({name}_why IS NULL)"
        assert rows(published, query) == [(0,)], name


def test_nothing_is_called_flagged_that_covers_only_the_visit(published: Path) -> None:
    (wide,) = (view for view in views() if view.name == "clean_sessions")
    assert "flagged" not in {column.name for column in wide.columns}
    found = rows(
        published,
        "SELECT centre, session, session_flags, vt_ml, vt_ml_flag, rr_per_min_flag, fvc_ml_flag "
        "FROM clean_sessions WHERE rr_per_min IS NOT NULL ORDER BY centre",
    )
    assert found == [
        ("larch", "S1", None, 50.0, True, True, None),
        ("maple", "S1", None, None, None, False, None),
    ]


def test_a_flag_of_the_session_is_on_each_of_its_outcomes(study: Any, tmp_path: Path) -> None:
    (session,) = (r for r in study.rows["sessions"] if r["centre"] == "maple")
    session["flagged"] = True
    of_it = {"centre": "maple", "session": "S1", "item": "S1", "item_kind": "session"}
    study.add("verdicts", rule="session.followup_call", severity="flag", state="fail", **of_it)
    study.publish(tmp_path, "n1")
    where = "WHERE centre = 'maple' AND session = 'S1'"
    wide = f"SELECT session_flags, rr_per_min_flag FROM clean_sessions {where}"
    long = f"SELECT session_flags, flagged FROM clean_outcomes {where}"
    assert rows(tmp_path, wide) == rows(tmp_path, long) == [("session.followup_call", True)]


def test_z_scores_stand_beside_their_outcome_with_the_reason_where_there_is_none(
    study: Any, tmp_path: Path
) -> None:
    for row in study.rows["outcomes"]:
        if row["outcome"] == "vt_ml" and row["centre"] == "larch" and row["session"] == "S1":
            row |= {"z": -0.5, "equation": "eq1"}
        elif row["outcome"] == "rr_per_min":
            row |= {"z_why": "no equation"}
    study.publish(tmp_path, "n1")
    query = (
        "SELECT vt_ml_z, vt_ml_z_why, rr_per_min_z, rr_per_min_z_why, fvc_ml_z, fvc_ml_z_why "
        "FROM clean_sessions WHERE centre = 'larch' AND session = 'S1'"
    )
    assert rows(tmp_path, query) == [(-0.5, None, None, "no equation", None, "there is no value")]


def test_covariates_that_lack_are_named_with_the_reason(study: Any, tmp_path: Path) -> None:
    (row, *_) = study.rows["sessions"]
    row |= {"birth_weight_kg": 3.2, "gestation_weeks": 39.0, "corrected_age_days": 100.0}
    row |= {"length_z": 0.1, "weight_kg": None, "visit": None}
    study.publish(tmp_path, "n1")
    query = "SELECT empty_why FROM clean_sessions WHERE centre = 'larch' AND session = "
    assert rows(tmp_path, f"{query} 'S1'") == [
        ("visit: not delivered; weight_kg: not delivered; weight_z: weight_kg, sex or "
         "corrected_age_days is missing, or outside the standard",)
    ]  # fmt: skip
    ((held,),) = rows(tmp_path, f"{query} 'S3'")
    assert "birth_weight_kg: the session is held" in held


def test_a_value_of_a_refused_test_is_not_shown(study: Any, tmp_path: Path) -> None:
    study.test("larch", "S2", "tidal_forced_expiration", "accepted", vmaxfrc_ml_s=100.0)
    study.publish(tmp_path, "n1")
    query = (
        "SELECT vmaxfrc_ml_s, vmaxfrc_ml_s_why FROM clean_sessions "
        "WHERE centre = 'larch' AND session = 'S2'"
    )
    assert rows(tmp_path, query) == [(None, "rejected: session.consent")]


def test_rejections_carry_the_remedy_in_force_on_the_day(published: Path) -> None:
    found = rows(
        published,
        "SELECT item, rule, severity, observed, limit_low, remedy, tested_by, CAST(day AS VARCHAR) "
        "FROM rejections ORDER BY rule",
    )
    assert [(r[0], r[1], r[2]) for r in found] == [
        ("S1/raised_volume", "raised_volume.a_close", "reject"),
        ("S1/raised_volume", "raised_volume.enough_trials", "reject"),
        ("S2", "session.consent", "reject"),
        ("C1", "syringe.error", "reject"),
        ("S1/tidal", "tidal.regular", "flag"),
    ]
    assert found[1][3:] == (1.0, 3.0, "new remedy", "op1", "2026-03-03")
    assert found[3][6:] == (None, "2026-03-03")


def test_acceptance_counts(published: Path) -> None:
    assert rows(
        published,
        "SELECT centre, technique, month, n_tests, n_tests_accepted, n_tests_flagged, "
        "n_tests_rejected, n_tests_not_judgeable, n_tests_quarantined, accepted_share_pct, "
        "n_trials, n_trials_accepted FROM acceptance ORDER BY centre, technique",
    ) == [
        ("larch", "plethysmography", "2026-03", 1, 0, 0, 0, 1, 0, 0.0, 1, 0),
        ("larch", "raised_volume", "2026-03", 1, 0, 0, 1, 0, 0, 0.0, 1, 0),
        ("larch", "tidal", "2026-03", 2, 1, 1, 1, 0, 0, 50.0, 2, 1),
        ("maple", "single_occlusion", "2026-03", 1, 0, 0, 0, 0, 1, 0.0, 1, 0),
        ("maple", "tidal", "2026-03", 1, 1, 0, 0, 0, 0, 100.0, 1, 1),
    ]


def test_provenance_names_recording_last_check_and_waiver(published: Path) -> None:
    assert rows(
        published,
        "SELECT evidence_kind, evidence, n_trials_used, file, code_fingerprint, waivers, night "
        "FROM provenance WHERE centre = 'larch' AND outcome = 'rr_per_min' AND session = 'S1' "
        "ORDER BY ALL",
    ) == [
        ("recording", "S1/S1-tidal", 1, "S1-tidal.csv", "code1", "w1", "n1"),
        ("syringe", "C2", None, "C2.csv", None, "w1", "n1"),
    ]
    # No syringe check counted for the other centre, whose session has the same code.
    query = "SELECT evidence_kind FROM provenance WHERE centre = 'maple' AND outcome = 'rr_per_min'"
    assert rows(published, query) == [("recording",)]


def test_provenance_names_the_check_that_judged_and_no_other_of_its_minute(
    study: Any, tmp_path: Path
) -> None:
    (check,) = (row for row in study.rows["checks"] if row["check_id"] == "C2")
    for code in ("C1b", "C3"):
        study.add("checks", **check | {"check_id": code, "file": f"{code}.csv"})
    study.publish(tmp_path, "n1")
    query = (
        "SELECT DISTINCT evidence FROM provenance "
        "WHERE evidence_kind = 'syringe' AND outcome = 'rr_per_min'"
    )
    assert rows(tmp_path, query) == [("C2",)]


def test_provenance_leads_from_a_fingerprint_to_package_commit_and_libraries(
    study: Any, tmp_path: Path
) -> None:
    (night,) = (row for row in study.rows["nights"] if row["night"] == "n1")
    night |= {"package_version": "1.2", "package_commit": "c0ffee", "libraries": "numpy 2.4"}
    study.publish(tmp_path, "n1")
    query = "SELECT DISTINCT package_version, package_commit, libraries FROM provenance"
    assert rows(tmp_path, query) == [("1.2", "c0ffee", "numpy 2.4")]


def test_provenance_names_waivers_of_the_session_and_of_the_check(
    study: Any, tmp_path: Path
) -> None:
    of_it = {"centre": "larch", "severity": "reject", "state": "waived"}
    study.add("verdicts", session="S1", item_kind="session", item="S1", technique="session",
              rule="session.consent", waiver="w2", **of_it)  # fmt: skip
    study.add("verdicts", item_kind="check", item="C2", technique="syringe",
              rule="syringe.error", waiver="w3", **of_it)  # fmt: skip
    study.publish(tmp_path, "n1")
    query = (
        "SELECT evidence_kind, waivers FROM provenance WHERE centre = 'larch' AND session = 'S1' "
        "AND outcome = 'rr_per_min' ORDER BY ALL"
    )
    assert rows(tmp_path, query) == [("recording", "w1, w2"), ("syringe", "w1, w2, w3")]


def test_months_do_not_hang_on_the_clients_time_zone(study: Any, tmp_path: Path) -> None:
    import duckdb

    study.publish(tmp_path, "n1")
    file = tmp_path / "warehouse" / "current" / "study.duckdb"
    with duckdb.connect(file, read_only=True) as connection:
        connection.execute("SET TimeZone = 'Pacific/Kiritimati'")
        here = connection.execute("SELECT DISTINCT day FROM rejections").fetchall()
    assert [str(day) for (day,) in here] == ["2026-03-03"]
