"""Deliveries over weeks: a code that comes again, rows that amend others, clocks, and what is lost.

Two invented centres of two visits each, and deliveries of larch that a data manager writes by hand.
"""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow.parquet as pq
import pytest

from quietsleep.intake.find import MANIFEST
from quietsleep.measure.pool import InProcess, in_process
from quietsleep.night.night import NightReport
from quietsleep.night.preview import preview
from quietsleep.night.stages import run_night
from quietsleep.night.withdrawal import (
    Withdrawal,
    WithdrawalError,
    WithdrawnReport,
    withdraw,
)
from quietsleep.study.register import RegisterError
from quietsleep.study.study import load_study
from tests.conftest import answers_stand
from tests.handmade import Handmade, Rows, deliveries_of
from tests.night.test_registration import asked, numbers, rows, study

__all__ = ["study"]

FIRST, SECOND = "larch-s001", "larch-s002"
TABLES = ("sessions", "recordings", "checks", "reported")
# Tables that say when something was done, what differs from the night before, or what each night
# made of an item.
OF_ONE_NIGHT = {"nights", "changes", "ledger", "session_changes", "briefing"}


@pytest.fixture(autouse=True)
def here(pool: InProcess) -> InProcess:
    """Measure in this process: these nights measure next to nothing."""
    return pool


def base(study: Path, number: int = 0) -> Handmade:
    return deliveries_of(study, "larch")[number]


def deliver(
    study: Path, name: str, tables: Mapping[str, Rows], *, of: str = "larch", **said: Any
) -> Handmade:
    """Write a delivery of a centre with these rows alone; files they name lie there already."""
    first = deliveries_of(study, of)[0]
    delivery = Handmade(study / "deliveries" / of / name)
    delivery.folder.mkdir(exist_ok=True)
    for table in TABLES:
        shutil.copy(first.folder / f"{table}.csv", delivery.folder)
        delivery.put(table, [*tables.get(table, [])])
    shutil.copy(first.folder / MANIFEST, delivery.folder)
    delivery.seal(delivery=name, **said)
    return delivery


def night(study: Path, **given: Any) -> NightReport:
    """Run a night that must be sound in our eyes: published, with counts that add up."""
    report = run_night(study, **given)
    assert report.state != "red" and report.published, report.sentences
    counts = rows(study, "conservation")
    assert counts["balances"].all()
    return report


def of_larch(study: Path, column: str) -> int:
    """Add up one count of conservation over the techniques of larch."""
    ((n,),) = asked(study, f"SELECT sum({column}) FROM conservation WHERE centre = 'larch'")
    return int(n)


def later(row: dict[str, str], *, days: int) -> dict[str, str]:
    """Move every moment of a row on by some days."""
    return {
        name: (datetime.fromisoformat(cell) + timedelta(days=days)).isoformat()
        if re.fullmatch(r"\d{4}-\d\d-\d\dT.*", cell)
        else cell
        for name, cell in row.items()
    }


def kinds(study: Path) -> set[str]:
    return {kind for (kind,) in asked(study, "SELECT DISTINCT kind FROM problems")}


def visit(study: Path, number: int) -> None:
    """Deliver the first visit of larch again as a later one: same codes, another infant and day."""
    old, session = base(study), f"larch-s00{number}"
    new = Handmade(study / "deliveries" / "larch" / f"larch-0{number}")
    shutil.copytree(old.folder, new.folder)
    signals = new.folder / "signals"
    (signals / FIRST).rename(signals / session)
    checks = old.rows("checks")
    for row in checks:
        place = new.folder / row["file"]
        row |= {"check": row["kind"], "file": f"signals/checks/{row['kind']}.csv"}
        (signals / "checks").mkdir(exist_ok=True)
        place.rename(new.folder / row["file"])
        place.parent.rmdir()
    tables = {
        "sessions": [
            row | {"session": session, "infant": f"larch-i00{number}"}
            for row in old.rows("sessions")
        ],
        "recordings": [
            row | {"session": session, "file": row["file"].replace(FIRST, session, 1)}
            for row in old.rows("recordings")
        ],
        "checks": checks,
        "reported": [],
    }
    for name, own in tables.items():
        new.put(name, [later(row, days=number) for row in own])
    new.seal(delivery=new.folder.name)


def test_codes_of_recordings_and_checks_come_again_in_later_visits(study: Path) -> None:
    before = numbers(study)
    for number in (3, 4):
        visit(study, number)
        night(study)
    now = numbers(study)
    of_old = now[~now["session"].isin(["larch-s003", "larch-s004"])].reset_index(drop=True)
    pd.testing.assert_frame_equal(of_old, before)
    for session in (FIRST, "larch-s003", "larch-s004"):
        sql = f"SELECT DISTINCT status FROM tests WHERE session = '{session}'"
        assert asked(study, sql) == [("accepted",)]
    same = "SELECT count(*), count(DISTINCT recording) FROM recordings WHERE centre = 'larch' AND "
    assert asked(study, f"{same} session <> '{SECOND}'") == [(21, 7)]
    checks = "SELECT check_code, count(*) FROM checks WHERE check_code IN ('syringe') GROUP BY 1"
    assert asked(study, checks) == [("syringe", 2)]
    assert rows(study, "supersessions").empty and of_larch(study, "superseded") == 0


def test_a_weight_corrected_alone_keeps_the_recordings(study: Path) -> None:
    n_before = asked(study, f"SELECT count(*) FROM recordings WHERE session = '{FIRST}'")
    row = base(study).rows("sessions")[0]
    heavier = f"{float(row['weight_kg']) + 0.1:.2f}"
    amended = deliver(study, "larch-03", {"sessions": [row | {"weight_kg": heavier}]})
    words = f"changes the weight of {FIRST}; keeps its 7 recordings."
    seen = preview(load_study(study), amended.folder)
    assert seen.problems == () and [s.endswith(words) for s in seen.changes] == [True]
    report = night(study)
    assert any(sentence.endswith(words) for sentence in report.sentences)
    assert asked(study, f"SELECT weight_kg, delivery FROM sessions WHERE session = '{FIRST}'") == [
        (float(heavier), "larch-03")
    ]
    assert asked(study, f"SELECT count(*) FROM recordings WHERE session = '{FIRST}'") == n_before
    assert asked(study, "SELECT item, delivery, by_delivery, was_accepted FROM supersessions") == [
        (FIRST, "larch-01", "larch-03", True)
    ]
    statuses = asked(study, f"SELECT DISTINCT status FROM tests WHERE session = '{FIRST}'")
    assert statuses == [("accepted",)]
    # A night later all stands as it is, and nothing is told as new.
    base(study, 1).seal(note="something to do")
    assert not any(words in sentence for sentence in night(study).sentences)


def test_a_forgotten_recording_comes_alone(study: Path) -> None:
    first, second = deliveries_of(study, "larch")[:2]
    row = next(r for r in first.rows("recordings") if r["technique"] == "tidal")
    source = next(r for r in second.rows("recordings") if r["technique"] == "tidal")
    file = f"signals/{FIRST}/forgotten.csv"
    folder = study / "deliveries" / "larch" / "larch-03"
    (folder / "signals" / FIRST).mkdir(parents=True)
    shutil.copy(second.folder / source["file"], folder / file)
    late = row | {"recording": "forgotten", "file": file, "ended_at": ""}
    deliver(study, "larch-03", {"recordings": [late]})
    report = night(study)
    assert f"adds 1 recording to {FIRST}; keeps its 7 recordings." in " ".join(report.sentences)
    found = asked(
        study, f"SELECT state, count(*) FROM recordings WHERE session = '{FIRST}' GROUP BY 1"
    )
    assert found == [("measured", 8)]
    assert rows(study, "supersessions").empty


def test_reported_results_come_alone_and_do_not_vanish_in_silence(study: Path) -> None:
    row = {"session": FIRST, "technique": "single_occlusion", "outcome": "crs_single_ml_kpa",
           "value": "63.1", "unit": "mL/kPa", "conditions": "BTPS"}  # fmt: skip
    late = deliver(study, "larch-03", {"reported": [row]})
    report = night(study)
    assert f"brings reported results of {FIRST}; keeps its 7 recordings." in " ".join(
        report.sentences
    )
    sql = f"SELECT value FROM reported WHERE session = '{FIRST}' AND outcome = 'crs_single_ml_kpa'"
    assert asked(study, sql) == [(63.1,)]
    shutil.rmtree(late.folder)
    said = " ".join(night(study).sentences)
    assert "Delivery larch-03 of larch" in said and "1 reported result still rests on" in said
    assert asked(study, sql) == [(63.1,)]
    shutil.rmtree(study / "work")
    said = " ".join(night(study).sentences)
    assert "Of it 1 reported result is held." in said and asked(study, sql) == []


def test_replaces_takes_all_recordings_of_a_session_out(study: Path) -> None:
    old = base(study)
    kept = [row for row in old.rows("recordings") if row["technique"] == "tidal"]
    folder = study / "deliveries" / "larch" / "larch-03"
    for row in kept:
        (folder / row["file"]).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(old.folder / row["file"], folder / row["file"])
    deliver(
        study,
        "larch-03",
        {"sessions": old.rows("sessions"), "recordings": kept},
        replaces=[FIRST, "larch-s009"],
    )
    report = night(study)
    found = asked(study, f"SELECT recording, delivery FROM recordings WHERE session = '{FIRST}'")
    assert sorted(found) == sorted((row["recording"], "larch-03") for row in kept)
    assert of_larch(study, "superseded") == 7 and of_larch(study, "delivered") == 14 + len(kept)
    out = 7 - len(kept)
    assert f"takes out {out} recordings" in " ".join(report.sentences)
    ((sentence,),) = asked(study, "SELECT sentence FROM problems WHERE kind = 'replaces_nothing'")
    assert "larch-s009, which no delivery before it brought" in sentence


@pytest.fixture(scope="module")
def wrong_clocks(published_two: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """Weights by a clock ahead and one behind, amended a night later, and what the first said."""
    study = tmp_path_factory.mktemp("clocks") / "study"
    shutil.copytree(published_two, study, symlinks=True)
    ahead = (datetime.now(UTC) + timedelta(days=40)).isoformat(timespec="seconds")
    first, second = (delivery.rows("sessions")[0] for delivery in deliveries_of(study, "larch"))
    deliver(study, "larch-03", {"sessions": [first | {"weight_kg": "8.80"}]}, created=ahead)
    behind = "2001-01-01T00:00:00+00:00"
    deliver(study, "larch-04", {"sessions": [second | {"weight_kg": "9.80"}]}, created=behind)
    with pytest.MonkeyPatch.context() as patch:
        answers_stand(patch)
        night(study, pool=in_process)
        ((said,),) = asked(study, "SELECT sentence FROM problems WHERE kind = 'created_ahead'")
        # A later one amends, whatever the one before it said of its time.
        both = [first | {"weight_kg": "8.85"}, second | {"weight_kg": "9.85"}]
        deliver(study, "larch-05", {"sessions": both})
        night(study, pool=in_process)
    return study, said


def test_the_clock_of_a_centre_decides_nothing(wrong_clocks: tuple[Path, str]) -> None:
    study, _ = wrong_clocks
    for session, weight in ((FIRST, 8.85), (SECOND, 9.85)):
        assert asked(study, f"SELECT weight_kg FROM sessions WHERE session = '{session}'") == [
            (weight,)
        ]
    order = asked(study, "SELECT delivery, arrival, state FROM deliveries WHERE centre = 'larch' "
                         "ORDER BY arrival")  # fmt: skip
    assert [(d, n) for d, n, _ in order] == [(f"larch-0{n}", n) for n in (1, 2, 3, 4, 5)]
    assert (order[2][2], order[3][2]) == ("superseded", "superseded")


def test_a_delivery_from_the_future_is_said(wrong_clocks: tuple[Path, str]) -> None:
    assert "Deliveries count in the order of arrival" in wrong_clocks[1]


def test_a_session_that_was_tested_after_it_arrived_is_held(study: Path) -> None:
    row = base(study).rows("sessions")[0]
    later = (datetime.now(UTC) + timedelta(days=3650)).isoformat(timespec="seconds")
    deliver(study, "larch-03", {"sessions": [row | {"tested_at": later}]})
    report = night(study)
    assert report.state == "amber" and "after_arrival" in kinds(study)
    assert asked(study, f"SELECT status FROM sessions WHERE session = '{FIRST}'") == [
        ("quarantined",)
    ]
    assert "amendment_held" in kinds(study)
    # The row before it, delivered again, goes back.
    deliver(study, "larch-04", {"sessions": [row]})
    night(study)
    assert asked(study, f"SELECT status FROM sessions WHERE session = '{FIRST}'") == [("accepted",)]
    assert not kinds(study) & {"after_arrival", "amendment_held"}


def test_a_delivery_edited_in_place_is_said_night_after_night(study: Path) -> None:
    delivery = base(study)
    delivery.change("sessions", weight_kg="8.80")
    for number in range(2):
        report = night(study)
        ((said,),) = asked(study, "SELECT sentence FROM queries WHERE delivery = 'larch-01'")
        assert report.state == "amber" and "Delivery larch-01 of larch" in said
        assert "was edited since; 1 session, 7 recordings" in said, number
        base(study, 1).seal(note=str(number))
    assert asked(study, "SELECT arrival FROM deliveries WHERE delivery = 'larch-01'") == [(1,)]


def test_a_delivery_that_was_removed_stands_until_the_work_folder_is_lost(study: Path) -> None:
    before = numbers(study)
    shutil.rmtree(base(study, 1).folder)
    said = " ".join(night(study).sentences)
    assert "Delivery larch-02 of larch" in said and "still rest on what was taken in then" in said
    pd.testing.assert_frame_equal(numbers(study), before)
    shutil.rmtree(study / "work")
    said = " ".join(night(study).sentences)
    assert "the work folder was lost. Of it 1 session" in said
    assert asked(study, f"SELECT status, why FROM sessions WHERE session = '{SECOND}'") == [
        ("quarantined", "It was delivered with larch-02 and is not there any more.")
    ]
    assert of_larch(study, "quarantined") == 7 and of_larch(study, "delivered") == 14


def every_table(study: Path) -> dict[str, pd.DataFrame]:
    names = [name for (name,) in asked(study, "SELECT table_name FROM duckdb_tables()")]
    found = {}
    for name in sorted({*names} - OF_ONE_NIGHT):
        frame = rows(study, name)
        found[name] = frame.drop(columns=["night"], errors="ignore")
    return found


def test_loss_of_the_work_folder_costs_a_night_and_nothing_else(study: Path) -> None:
    first = base(study)
    row = first.rows("sessions")[0]
    deliver(study, "larch-04", {"sessions": [row | {"weight_kg": "8.80"}]})
    night(study)
    # By its name it would come before the one above; it arrived after it.
    deliver(study, "larch-03", {"sessions": [row | {"weight_kg": "8.85"}]})
    night(study)
    withdraw(load_study(study), Withdrawal("larch", "taken back", "r1", session=SECOND))
    night(study)
    before = every_table(study)
    shutil.rmtree(study / "work")
    night(study)
    after = every_table(study)
    assert asked(study, f"SELECT weight_kg FROM sessions WHERE session = '{FIRST}'") == [(8.85,)]
    assert before.keys() == after.keys()
    for name, frame in before.items():
        pd.testing.assert_frame_equal(after[name], frame, obj=name)


def files_below(*folders: Path) -> Iterator[Path]:
    for folder in folders:
        yield from (path for path in folder.rglob("*") if path.is_file())


def holding(code: str, paths: Iterator[Path]) -> list[Path]:
    """Return the files that hold a code, in their bytes or, where these are packed, in a cell."""
    return [path for path in paths if code.encode() in path.read_bytes() or in_a_cell(code, path)]


def in_a_cell(code: str, path: Path) -> bool:
    if path.suffix != ".parquet":
        return False
    rows = pq.read_table(path, partitioning=None).to_pylist()
    return any(code in str(value) for row in rows for value in row.values())


@dataclass
class Taken:
    """What was withdrawn of a centre: its second session, the erased one also from where it lay."""

    centre: str
    erase: bool
    infant: str
    report: WithdrawnReport

    @property
    def session(self) -> str:
        return f"{self.centre}-s002"

    def is_out(self, study: Path) -> None:
        """Nothing of it is published but counts."""
        count = f"sum(withdrawn) FROM conservation WHERE centre = '{self.centre}'"
        assert asked(study, f"SELECT {count}") == [(self.report.n_recordings,)]
        assert asked(study, f"SELECT * FROM sessions WHERE session = '{self.session}'") == []
        for code in (self.session, self.infant):
            assert holding(code, files_below(study / "warehouse", study / "pages")) == []


def take_out(study: Path, centre: str, *, erase: bool) -> Taken:
    infant = deliveries_of(study, centre)[1].rows("sessions")[0]["infant"]
    wanted = Withdrawal(centre, "The family takes it back.", "r1", infant=infant)
    report = withdraw(load_study(study), wanted, erase_deliveries=erase)
    return Taken(centre, erase, infant, report)


def test_what_is_withdrawn_stays_out_for_good(study: Path) -> None:
    """Of one centre its files stay where they lie, of the other they are erased too."""
    both = take_out(study, "larch", erase=False), take_out(study, "juniper", erase=True)
    assert both[0].report.n_recordings == 7
    for one in both:
        assert one.report.sessions == (one.session,) and one.report.erased is one.erase
        assert f"{one.centre}-02" in " ".join(one.report.files)
    heard = " ".join(night(study).sentences)
    assert not any(one.session in heard or one.infant in heard for one in both)
    assert of_larch(study, "withdrawn") == 7 and of_larch(study, "delivered") == 14
    for one in both:
        one.is_out(study)
    shutil.rmtree(study / "work")
    heard = " ".join(night(study).sentences)
    for one in both:
        assert one.session not in heard and f"{one.centre}-02" not in heard
        one.is_out(study)
    # The register alone still has the codes of what is erased: they keep it out for good.
    erased = both[1].session
    assert holding(erased, files_below(study / "deliveries")) == []
    # A later delivery brings it again: nothing of it is taken in, and that is said.
    for one in both:
        row = deliveries_of(study, one.centre)[0].rows("sessions")[0]
        again = row | {"session": f"{one.centre}-s009", "infant": one.infant}
        deliver(study, f"{one.centre}-03", {"sessions": [again]}, of=one.centre)
    heard = " ".join(night(study).sentences)
    assert heard.count("brings 1 session of what was withdrawn") == 2
    for one in both:
        assert one.infant not in heard
        sql = f"SELECT * FROM sessions WHERE session = '{one.centre}-s009'"
        assert asked(study, sql) == []


def test_an_infant_withdrawn_while_its_delivery_was_lost_stays_out(
    study: Path, tmp_path: Path
) -> None:
    """Nobody could read which sessions are the infant's when it was withdrawn."""
    infant = base(study, 1).rows("sessions")[0]["infant"]
    gone = shutil.move(base(study, 1).folder, tmp_path / "elsewhere")
    shutil.rmtree(study / "work")
    night(study)
    wanted = Withdrawal("larch", "taken back", "r1", infant=infant)
    with pytest.raises(WithdrawalError, match="Delivery larch-02, taken in before, lies nowhere"):
        withdraw(load_study(study), wanted)
    withdraw(load_study(study), wanted, not_delivered_yet=True)
    night(study)
    shutil.move(gone, study / "deliveries" / "larch" / "larch-02")
    for _ in range(2):
        night(study)
        assert asked(study, f"SELECT * FROM sessions WHERE session = '{SECOND}'") == []
        assert of_larch(study, "withdrawn") == 7 and of_larch(study, "delivered") == 14
        for code in (SECOND, infant):
            assert holding(code, files_below(study / "warehouse", study / "pages")) == []
        shutil.rmtree(study / "work")


def test_a_centre_of_which_nothing_is_left_is_published(study: Path) -> None:
    for session in (FIRST, SECOND):
        withdraw(load_study(study), Withdrawal("larch", "taken back", "r1", session=session))
    for session in ("juniper-s001", "juniper-s002"):
        withdraw(load_study(study), Withdrawal("juniper", "taken back", "r1", session=session))
    night(study)
    assert asked(study, "SELECT count(*) FROM sessions") == [(0,)]
    assert of_larch(study, "withdrawn") == of_larch(study, "delivered") == 14


def test_without_consent_a_count_is_published_and_nothing_else(study: Path) -> None:
    infant = base(study, 1).rows("sessions")[0]["infant"]
    base(study, 1).change("sessions", consent="no")
    report = night(study)
    assert "1 session of larch came without consent" in " ".join(report.sentences)
    current = (study / "warehouse" / "current").resolve()
    for code in (SECOND, infant):
        assert holding(code, files_below(current, study / "pages")) == []
    assert of_larch(study, "withdrawn") == 7


def test_erasing_hides_no_edit(study: Path) -> None:
    first = base(study)
    both = [*first.rows("sessions"), first.rows("sessions")[0] | {"session": "larch-s008"}]
    first.put("sessions", both)
    first.seal()
    wanted = Withdrawal("larch", "taken back", "r1", session="larch-s008")
    withdraw(load_study(study), wanted, erase_deliveries=True, not_delivered_yet=True)
    said = " ".join(night(study).sentences)
    assert "Delivery larch-01 of larch" in said and "was edited since" in said


def test_a_withdrawal_that_cannot_be_meant_is_said(study: Path) -> None:
    loaded = load_study(study)
    for wanted, words in (
        (Withdrawal("larch", "why", "r1", session="larch-s02"), f"Is {SECOND} meant?"),
        (Withdrawal("birch", "why", "r1", session=SECOND), "No centre birch"),
        (Withdrawal("larch", "why", "r1"), "Say one of"),
        (Withdrawal("larch", "", "r1", session=SECOND), "Say why"),
    ):
        with pytest.raises(WithdrawalError, match=re.escape(words)):
            withdraw(loaded, wanted)
    register = study / "register.jsonl"
    register.write_text(register.read_text(encoding="utf-8").replace("larch-02", "larch-20"))
    with pytest.raises(RegisterError, match="was changed"):
        withdraw(loaded, Withdrawal("larch", "why", "r1", session=SECOND))


def test_a_refused_delivery_that_came_anew_is_no_matter_any_more(study: Path) -> None:
    row = base(study).rows("sessions")[0]
    refused = deliver(study, "larch-03", {"sessions": [row | {"weight_kg": "8.80"}]})
    content = json.loads((refused.folder / MANIFEST).read_text(encoding="utf-8"))
    content["files"][0]["sha256"] = "0" * 64
    (refused.folder / MANIFEST).write_text(json.dumps(content), encoding="utf-8")
    assert night(study).state == "amber"
    deliver(study, "larch-04", {"sessions": [row | {"weight_kg": "8.80"}]})
    night(study)
    states: Sequence[Any] = asked(study, "SELECT state FROM deliveries WHERE delivery = 'larch-03'")
    assert states == [("superseded",)]
    base(study, 1).seal(note="something to do")
    assert not any("larch-03" in s for s in night(study).sentences)


def test_a_missing_key_is_said_in_words(study: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from quietsleep.study.register_key import KEY_VARIABLE, KeyMissing

    monkeypatch.setenv(KEY_VARIABLE, str(study.parent / "no" / "such.key"))
    with pytest.raises(KeyMissing, match="Copy it there from the machine that ran the nights"):
        run_night(study)
