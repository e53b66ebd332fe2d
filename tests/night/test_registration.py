"""What a study registers changes over months: devices, time zones, codes and files of centres."""

from __future__ import annotations

import re
import shutil
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from quietsleep.measure.pool import InProcess, in_process
from quietsleep.night.stages import run_night
from quietsleep.review.desk import read_published, write_down
from quietsleep.study.review_log import reviews_of
from quietsleep.study.study import load_study
from quietsleep.warehouse.database import open_current
from quietsleep.warehouse.registered import open_register
from tests.handmade import Handmade, deliveries_of
from tests.shared import made_once

# What names the night, the place of a file or the registration, and no number.
NOT_COMPARED = {"content_key", "code_fingerprint", "centre", "device_valid_from"}


@pytest.fixture
def study(published_two: Path, tmp_path: Path, pool: InProcess) -> Path:
    path = tmp_path / "study"
    shutil.copytree(published_two, path, symlinks=True)
    return path


def rows(study: Path, table: str) -> pd.DataFrame:
    with open_current(study) as warehouse:
        return warehouse.execute(f"SELECT * FROM {table} ORDER BY ALL").df()


def asked(study: Path, sql: str) -> list[tuple[Any, ...]]:
    with open_current(study) as warehouse:
        return warehouse.execute(sql).fetchall()


def numbers(study: Path, table: str = "outcomes") -> pd.DataFrame:
    found = rows(study, table)
    kept = [name for name in found.columns if name not in NOT_COMPARED]
    return found[kept].sort_values(kept, ignore_index=True)


def add_entry(study: Path, *, valid_from: str, gain: str = "2.04") -> None:
    """Register the device of larch anew, with another gain of flow, from a day on."""
    file = study / "centres" / "larch.toml"
    text = file.read_text(encoding="utf-8")
    device = text[text.index("[[devices]]") :]
    entry = device.replace("\nequipment_class", f"\nvalid_from = {valid_from}\nequipment_class", 1)
    entry = re.sub(r"gain = 1\.02", f"gain = {gain}", entry, count=1)
    file.write_text(f"{text}\n{entry}", encoding="utf-8")


def test_a_new_calibration_never_rewrites_what_was_before_it(study: Path) -> None:
    before, days = numbers(study), asked(study, "SELECT DISTINCT tested_on FROM sessions")
    assert max(day for (day,) in days).year == 2026
    add_entry(study, valid_from="2027-01-01")
    report = run_night(study)
    assert report.n_measured == 0 and report.state != "red", report.sentences
    pd.testing.assert_frame_equal(numbers(study), before)
    entries = asked(
        study,
        "SELECT valid_from, count(DISTINCT registration_sha256) OVER () FROM devices "
        "WHERE centre = 'larch' ORDER BY valid_from",
    )
    assert [(str(day), n) for day, n in entries] == [("1990-01-01", 2), ("2027-01-01", 2)]
    assert asked(study, "SELECT DISTINCT column_name, cause FROM changes") == [("", "device")]


def test_an_entry_changes_the_tests_from_its_day_on_and_no_others(study: Path) -> None:
    sql = (
        "SELECT session, o.value FROM outcomes AS o JOIN sessions AS s USING (centre, session) "
        "WHERE centre = 'larch' AND outcome = 'fvc_ml' ORDER BY s.tested_on"
    )
    (_, fvc_first), (second, fvc_second) = asked(study, sql)
    assert fvc_second is not None
    (day,) = asked(study, f"SELECT tested_on FROM sessions WHERE session = '{second}'")[0]
    add_entry(study, valid_from=str(day), gain="1.03")
    report = run_night(study)
    assert report.n_measured > 0 and report.state != "red", report.sentences
    (_, again_first), (_, again_second) = asked(study, sql)
    assert again_first == fvc_first
    assert again_second == pytest.approx(1.03 / 1.02 * fvc_second, rel=1e-3)
    told = asked(
        study,
        "SELECT DISTINCT split_part(key, '|', 2), cause FROM changes "
        "WHERE table_name IN ('sessions', 'trials', 'outcomes')",
    )
    assert {cause for _, cause in told} == {"device"}
    assert all(name.startswith(second) for name, _ in told), told
    in_force = asked(
        study, "SELECT device_valid_from FROM sessions WHERE centre = 'larch' ORDER BY tested_on"
    )
    assert [str(row[0]) for row in in_force] == ["1990-01-01", str(day)]
    assert asked(study, "SELECT count(*), count(DISTINCT session) FROM clean_sessions")[0] == (4, 4)


def test_a_session_before_the_first_entry_is_held_with_a_sentence(study: Path) -> None:
    file = study / "centres" / "larch.toml"
    text = file.read_text(encoding="utf-8")
    days = [
        str(d) for (d,) in asked(study, "SELECT tested_on FROM sessions WHERE centre = 'larch'")
    ]
    entry = f"\nvalid_from = {max(days)}\nequipment_class"
    file.write_text(text.replace("\nequipment_class", entry, 1), encoding="utf-8")
    assert run_night(study).state == "amber"
    held = asked(study, "SELECT tested_on, why FROM sessions WHERE status = 'quarantined'")
    assert [str(day) for day, _ in held] == [min(days)]
    assert f"registered from {max(days)} on, and the row is of {min(days)}" in held[0][1]
    assert rows(study, "conservation")["balances"].all()


def in_clock(delivery: Handmade, hours: int) -> None:
    """Write every time as UTC of a centre so many hours east, the check just before midnight UTC.

    The check ends a quarter of an hour before, the session begins a quarter of an hour after.
    """

    def moved(text: str, minutes: int) -> str:
        day = datetime.fromisoformat(text[:10])
        return (day + timedelta(minutes=minutes)).strftime("%Y-%m-%dT%H:%M:%SZ")

    checks, sessions = delivery.rows("checks"), delivery.rows("sessions")
    recordings = delivery.rows("recordings")
    for row in checks:
        row["done_at"] = moved(row["done_at"], -15)
    for row in sessions:
        row["tested_at"] = moved(row["tested_at"], 15)
    for row in recordings:
        began, ended = (datetime.fromisoformat(row[name]) for name in ("started_at", "ended_at"))
        row["started_at"] = moved(row["started_at"], 20)
        ends = datetime.fromisoformat(row["started_at"]) + (ended - began)
        row["ended_at"] = ends.strftime("%Y-%m-%dT%H:%M:%SZ")
    for table, changed in (("checks", checks), ("sessions", sessions), ("recordings", recordings)):
        delivery.put(table, changed)
    delivery.seal()


def test_a_centre_ten_hours_east_that_writes_utc_keeps_its_mornings(study: Path) -> None:
    before = numbers(study)
    days = asked(study, "SELECT session, tested_on FROM sessions ORDER BY session")
    for delivery in deliveries_of(study, "larch"):
        in_clock(delivery, 10)
    run_night(study)
    lost = asked(study, "SELECT DISTINCT why FROM tests WHERE centre = 'larch'")
    assert any("check" in why for (why,) in lost), lost
    file = study / "centres" / "larch.toml"
    zone = 'time_zone = "Australia/Brisbane"\naltitude_m'
    file.write_text(file.read_text(encoding="utf-8").replace("altitude_m", zone, 1))
    report = run_night(study)
    assert report.n_measured == 0
    pd.testing.assert_frame_equal(numbers(study), before)
    assert asked(study, "SELECT session, tested_on FROM sessions ORDER BY session") == days
    month = asked(study, "SELECT DISTINCT month FROM acceptance WHERE centre = 'larch'")
    assert {m for (m,) in month} == {str(d)[:7] for s, d in days if s.startswith("larch")}


def rename(study: Path, old: str, new: str) -> None:
    file = study / "centres" / f"{old}.toml"
    text = file.read_text(encoding="utf-8").replace(f'"{old}"', f'"{new}"', 1)
    file.unlink()
    (study / "centres" / f"{new}.toml").write_text(
        text.replace("altitude_m", f'was = ["{old}"]\naltitude_m', 1), encoding="utf-8"
    )


def decide(study: Path) -> None:
    loaded = load_study(study)
    trials = read_published(loaded).trials
    trial = trials[(trials["centre"] == "larch") & (trials["machine"] == "accepted")].iloc[0]
    reason = next(r.key for r in _rules(trial["technique"]))
    write_down(
        loaded, trial["trial"], reader="r1", decision="reject", reason=reason, new_reader=True
    )


def _rules(technique: str) -> list[Any]:
    from quietsleep import contract

    found = contract.TECHNIQUES[technique].rules
    return [r for r in found if r.level == "trial" and r.severity == "reject"]


@pytest.fixture(scope="module")
def decided(published_two: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The two centres after a reader's decision and the night that follows; do not change it."""

    def make(path: Path) -> None:
        shutil.copytree(published_two, path, dirs_exist_ok=True, symlinks=True)
        decide(path)
        assert run_night(path, pool=in_process).published

    return made_once(tmp_path_factory, "two-centres-decided", make)[0]


@pytest.mark.parametrize("then", ["nothing", "folder", "work", "collision"])
def test_a_renamed_centre_keeps_everything_under_its_new_code(
    decided: Path, tmp_path: Path, pool: InProcess, then: str
) -> None:
    study = tmp_path / "study"
    shutil.copytree(decided, study, symlinks=True)
    before = {name: numbers(study, name) for name in ("outcomes", "sessions", "trials", "checks")}
    n_before = asked(study, "SELECT count(*) FROM reviews WHERE state = 'counts'")
    assert n_before == [(1,)]
    rename(study, "larch", "beech")
    if then == "folder":
        (study / "deliveries" / "larch").rename(study / "deliveries" / "beech")
    elif then == "work":
        shutil.rmtree(study / "work")
    elif then == "collision":
        (study / "deliveries" / "beech").mkdir()
        first = study / "deliveries" / "larch" / "larch-01"
        shutil.copytree(first, study / "deliveries" / "beech" / "larch-01")
        Handmade(study / "deliveries" / "beech" / "larch-01").seal(centre="beech")
    report = run_night(study)
    of_old = [s for s in report.sentences if "larch" in s.replace("larch-", "")]
    assert report.state != "red" and not of_old, of_old
    assert then == "work" or report.n_measured == 0
    assert {c for (c,) in asked(study, "SELECT DISTINCT centre FROM sessions")} == {
        "beech",
        "juniper",
    }
    for name, rows_before in before.items():
        found = numbers(study, name)
        if then == "collision":
            found = found.assign(delivery=rows_before["delivery"]) if "delivery" in found else found
        pd.testing.assert_frame_equal(found, rows_before, obj=name)
    assert asked(study, "SELECT centre, state FROM reviews") == [("beech", "counts")]
    assert (
        asked(study, "SELECT DISTINCT centre FROM outcomes ANTI JOIN centres USING (centre)") == []
    )
    assert asked(study, "SELECT count(*) FROM problems WHERE centre = 'larch'") == [(0,)]
    assert rows(study, "conservation")["balances"].all()
    assert (study / "pages" / "beech" / "index.html").is_file()
    assert not (study / "pages" / "larch").exists()
    if then == "nothing":
        assert asked(study, "SELECT * FROM changes") == []
        assert run_night(study).idle
        loaded = load_study(study)
        assert [r.centre for r in reviews_of(open_register(loaded), loaded.renamed)] == ["beech"]
    deliveries = asked(study, "SELECT delivery, state FROM deliveries WHERE centre = 'beech'")
    assert len(deliveries) == (3 if then == "collision" else 2)
    assert (
        then != "collision"
        or ("larch.larch-01", "superseded") in deliveries
        or (
            "larch-01",
            "superseded",
        )
        in deliveries
    )


def test_a_centre_file_that_vanished_is_a_sentence_and_its_data_stay(study: Path) -> None:
    before = {name: numbers(study, name) for name in ("outcomes", "sessions", "trials")}
    file = study / "centres" / "larch.toml"
    kept = file.read_bytes()
    file.unlink()
    for _ in range(2):
        report = run_night(study)
        assert report.state == "amber" and report.n_measured == 0
        assert any(s.startswith("The file centres/larch.toml is gone") for s in report.sentences)
        assert asked(
            study,
            "SELECT kind, centre, state FROM queries WHERE centre = 'larch' "
            "AND kind = 'centre_file_gone'",
        ) == [("centre_file_gone", "larch", "open")]
        for name, rows_before in before.items():
            pd.testing.assert_frame_equal(numbers(study, name), rows_before, obj=name)
        deliveries_of(study, "juniper")[0].seal(note="again")
    assert (study / "pages" / "larch" / "index.html").is_file()
    file.write_bytes(kept)
    assert not any("is gone" in s for s in run_night(study).sentences)


def test_a_retired_centre_keeps_its_sessions_and_is_not_asked_for_any(study: Path) -> None:
    for name in ("larch", "juniper"):
        file = study / "centres" / f"{name}.toml"
        text = file.read_text(encoding="utf-8")
        file.write_text(text.replace("altitude_m", "retired_on = 2026-12-31\naltitude_m", 1))
    empty = (study / "centres" / "larch.toml").read_text(encoding="utf-8")
    empty = empty.replace('"larch"', '"elm"').replace("larch-set", "elm-set")
    (study / "centres" / "elm.toml").write_text(empty)
    n = asked(study, "SELECT count(*) FROM sessions")
    report = run_night(study)
    assert asked(study, "SELECT count(*) FROM sessions") == n
    assert not any("delivered nothing" in s for s in report.sentences)
