"""Taking in a delivery: what is accepted, what is held back by what, and in which words."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import re
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pandas as pd
import pytest

from quietsleep.intake.delivery import ReadDelivery, read_delivery
from quietsleep.intake.find import find_deliveries
from quietsleep.intake.ingest import FrontDoor
from quietsleep.measure.roster import Roster, read_roster
from quietsleep.night.preview import preview
from quietsleep.records import Problem
from quietsleep.store.state import State
from quietsleep.study.history import history_of
from quietsleep.study.register import Register
from quietsleep.study.study import Study
from tests.intake.conftest import Draft

Delivered = Callable[..., ReadDelivery]

TABLES = ("sessions", "recordings", "checks", "reported")


@pytest.fixture
def delivered(study: Study) -> Delivered:
    def take(draft: Draft, study: Study = study) -> ReadDelivery:
        draft.write(study.deliveries_path)
        (found,) = [f for f in find_deliveries(study, "larch") if f.delivery == draft.delivery]
        result = read_delivery(study, found)
        assert_conserved(result)
        assert_well_said(result, study)
        return result

    return take


def assert_conserved(result: ReadDelivery) -> None:
    """Every row of the files is in exactly one place."""
    if result.state != "accepted":
        assert not result.tables and not result.held
        return
    for name in TABLES:
        clean, held = result.tables[name], result.held[name]
        rows = [*clean["row"], *held["row"]]
        assert len(rows) == len(set(rows)) == result.counts[f"{name}_rows"]
        assert result.counts[f"{name}_clean"] == len(clean)
        assert result.counts[f"{name}_held"] == len(held)
    sessions = set(result.tables["sessions"]["session"])
    assert not sessions & set(result.held_sessions)
    for name in ("recordings", "reported"):
        assert set(result.tables[name]["session"]) <= sessions


def assert_well_said(result: ReadDelivery, study: Study) -> None:
    """Every problem is a whole sentence with what was expected and what to do, and no path."""
    for problem in result.problems:
        assert problem.sentence.endswith(".") and problem.expected and problem.remedy
        assert (problem.centre, problem.delivery) == (result.centre, result.delivery)
        assert str(study.path) not in repr(problem)


def held_codes(result: ReadDelivery, table: str) -> list[str]:
    """The centre's own codes of the rows of a table that are held for a reason of their own."""
    code = {"recordings": "recording", "checks": "check"}[table]
    rows = pd.concat([result.tables[table], result.held[table]]).sort_values("row")
    own = [(table, int(row)) in result.held_rows for row in rows["row"]]
    return list(rows.loc[own, code])


def only(result: ReadDelivery, **wanted: object) -> Problem:
    found = [p for p in result.problems if all(getattr(p, k) == v for k, v in wanted.items())]
    assert len(found) == 1, [p.sentence for p in result.problems]
    return found[0]


def test_a_sound_delivery_is_accepted_whole(delivered: Delivered, draft: Draft) -> None:
    result = delivered(draft)
    assert result.state == "accepted" and result.problems == []
    assert {n: len(result.tables[n]) for n in TABLES} == {
        "sessions": 3,
        "recordings": 6,
        "checks": 1,
        "reported": 3,
    }
    assert result.created == dt.datetime(2026, 3, 10, 17, tzinfo=dt.UTC)
    session = result.tables["sessions"].iloc[0]
    assert session["tested_at"] == dt.datetime(2026, 3, 3, 8, 30, tzinfo=dt.UTC)
    assert session["weight_kg"] == 6.2 and bool(session["consent"])
    assert session["local_day"] == dt.date(2026, 3, 3) and session["row"] == 2
    assert set(result.files) == set(draft.files())


def test_the_day_is_that_of_the_centre(delivered: Delivered, draft: Draft) -> None:
    draft.tables["sessions"][0]["tested_at"] = "2026-03-03T08:00:00+11:00"
    session = delivered(draft).tables["sessions"].iloc[0]
    assert session["tested_at"].date() == dt.date(2026, 3, 2)
    assert session["local_day"] == dt.date(2026, 3, 3)


@pytest.mark.parametrize(
    ("column", "cell", "words"),
    [
        ("weight_kg", "7.4kg?", '"7.4kg?" is not a number such as 4.2 from 0.4 to 25 kg'),
        ("weight_kg", "6200", '"6200" is not a number such as 4.2 from 0.4 to 25 kg'),
        ("weight_kg", "nan", '"nan" is not a number'),
        ("weight_kg", "1e308", '"1e308" is not a number'),
        ("weight_kg", "-inf", "is not a number"),
        ("weight_kg", "", "is empty: give a number such as 4.2 from 0.4 to 25 kg"),
        ("sex", "femal", '"femal" is not one of female, male'),
        ("staff_present", "2.5", "is not a whole number from 0 to 20"),
        ("consent", "maybe", "is not yes or no"),
        ("tested_at", "02.03.2026", "is not shown here is not a time with its offset"),
        ("tested_at", "2026-03-02T09:30:00", "is not a time with its offset"),
        ("tested_at", "9999-12-31T23:59:59-12:00", "is not a time with its offset"),
        ("device", "larch-set-9", 'device "larch-set-9" is not a device registered'),
        ("session", "a b", "is not a code of letters"),
        ("operator", "op\x001", "holds characters that cannot be printed"),
    ],
)
def test_a_bad_cell_holds_its_session_only(
    delivered: Delivered, draft: Draft, column: str, cell: str, words: str
) -> None:
    draft.tables["sessions"][1][column] = cell
    result = delivered(draft)
    problem = only(result, where="sessions.csv", row=3, column=column)
    assert words in problem.sentence
    if column != "session":
        assert problem.session == "larch-s002"
        assert list(result.held_sessions) == ["larch-s002"]
    assert set(result.tables["sessions"]["session"]) == {"larch-s001", "larch-s003"}
    assert result.counts["recordings_held"] == 2 and result.counts["reported_held"] == 1


def test_every_reason_of_a_bad_row_is_given(delivered: Delivered, draft: Draft) -> None:
    draft.tables["sessions"][0] |= {"weight_kg": "x", "length_cm": "900", "sex": "", "consent": "?"}
    result = delivered(draft)
    assert {p.column for p in result.held_sessions["larch-s001"]} == {
        "weight_kg",
        "length_cm",
        "sex",
        "consent",
    }
    held = result.held["sessions"].iloc[0]
    assert held["session"] == "larch-s001" and held["weight_kg"] != held["weight_kg"]
    assert held["age_days"] == 120


def test_held_rows_keep_no_bad_cell(delivered: Delivered, draft: Draft) -> None:
    """What fails its contract could be anything: it is not kept, not even in a held row."""
    draft.tables["sessions"][0] |= {"operator": "who ever it was", "sex": "fem", "weight_kg": "900"}
    draft.tables["sessions"][1]["operator"] = "q" * 300
    draft.raw["recordings.csv"] = draft.table_bytes("recordings").replace(b",tidal,", b",", 1)
    result = delivered(draft)
    held = result.held["sessions"].set_index("session")
    assert held.loc["larch-s001", ["operator", "sex", "weight_kg"]].isna().all()
    ragged = result.held["recordings"].set_index("recording").loc["larch-s001-tid1"]
    assert ragged["session"] == "larch-s001" and ragged[["technique", "file"]].isna().all()
    text = "".join(f.to_csv() for f in result.held.values())
    assert not any(word in text for word in ("who ever", "fem,", "qqq"))


@pytest.mark.parametrize(("column", "cell"), [("sex", "Hollis"), ("operator", "ui bhriain")])
def test_a_name_where_a_word_or_code_is_asked_for_refuses_the_delivery(
    delivered: Delivered, draft: Draft, column: str, cell: str
) -> None:
    draft.tables["sessions"][1][column] = cell
    result = delivered(draft)
    assert only(result, where="sessions.csv", row=3, column=column).kind == "person"
    assert result.state == "quarantined" and cell not in repr(result)


def test_a_bad_recording_row_holds_its_session(delivered: Delivered, draft: Draft) -> None:
    draft.tables["recordings"][2]["technique"] = "tidall"
    result = delivered(draft)
    assert list(result.held_sessions) == ["larch-s002"]
    assert "Is tidal meant?" in only(result, row=4).remedy
    assert held_codes(result, "recordings") == ["larch-s002-tid1"]


def test_bad_rows_of_checks_and_reported_hold_themselves(
    delivered: Delivered, draft: Draft
) -> None:
    draft.tables["checks"][0]["kind"] = "box"
    draft.tables["reported"][1]["value"] = "n/a"
    result = delivered(draft)
    assert held_codes(result, "checks") == ["larch-20260303-syringe"] and not result.held_sessions
    assert result.counts["reported_held"] == 1 and result.counts["checks_held"] == 1
    assert result.counts["sessions_clean"] == 3


def test_references_between_tables(
    delivered: Delivered, draft: Draft, kit: SimpleNamespace
) -> None:
    draft.tables["recordings"][0]["session"] = "larch-s099"
    draft.tables["reported"][2]["session"] = "larch-s098"
    draft.tables["checks"][0]["device"] = "rowan-set-1"
    result = delivered(draft)
    assert only(result, kind="unknown_session", where="recordings.csv").row == 2
    assert only(result, kind="unknown_session", where="reported.csv").row == 4
    assert only(result, kind="unknown_device").recording == "larch-20260303-syringe"
    assert set(result.tables["sessions"]["session"]) == {"larch-s001", "larch-s002", "larch-s003"}


@pytest.mark.parametrize(
    ("table", "held_sessions"),
    [
        ("sessions", ["larch-s001"]),
        ("recordings", ["larch-s001"]),
        ("checks", []),
        ("reported", []),
    ],
)
def test_repeated_keys_hold_all_rows_of_the_key(
    delivered: Delivered, draft: Draft, table: str, held_sessions: list[str]
) -> None:
    draft.tables[table].append(dict(draft.tables[table][0]))
    result = delivered(draft)
    rows = sorted(p.row or 0 for p in result.problems if p.kind == "repeated")
    assert rows == [2, len(draft.tables[table]) + 1]
    assert list(result.held_sessions) == held_sessions
    assert result.counts[f"{table}_held"] >= 2


def test_a_stray_quote_spoils_its_own_row_only(delivered: Delivered, draft: Draft) -> None:
    data = draft.table_bytes("sessions")
    draft.raw["sessions.csv"] = data.replace(b"larch-s002,", b'"larch-s002,', 1)
    result = delivered(draft)
    assert set(result.tables["sessions"]["session"]) == {"larch-s001", "larch-s003"}


def test_a_ragged_row_is_named(delivered: Delivered, draft: Draft) -> None:
    data = draft.table_bytes("sessions").replace(b"larch-s002,", b"larch-s002,extra,", 1)
    draft.raw["sessions.csv"] = data
    result = delivered(draft)
    assert "Row 3 of sessions.csv has 27 cells" in only(result, kind="ragged_row").sentence
    assert list(result.held_sessions) == ["larch-s002"]


def test_semicolons_with_decimal_commas_and_editors_habits(
    delivered: Delivered, draft: Draft
) -> None:
    data = draft.table_bytes("sessions").replace(b",", b";").replace(b".", b",")
    text = data.replace(b"larch-s00", b"larch-s00").decode().replace("\n", "\r\n")
    draft.raw["sessions.csv"] = b"\xef\xbb\xbf" + text.encode() + b"\r\n;;;;\r\n"
    result = delivered(draft)
    assert result.problems == []
    assert result.tables["sessions"]["weight_kg"].tolist() == [6.2, 6.2, 6.2]


def test_missing_and_unknown_columns(delivered: Delivered, draft: Draft) -> None:
    for row in draft.tables["sessions"]:
        row["colour"] = "blue"
    result = delivered(draft)
    assert result.state == "accepted"
    assert only(result, kind="column_unknown").column == "colour"
    data = draft.table_bytes("sessions").replace(b"weight_kg,length", b"wieght_kg,length", 1)
    draft.raw["sessions.csv"], draft.delivery = data, "d2"
    result = delivered(draft)
    assert result.state == "quarantined"
    assert "Is wieght_kg meant?" in only(result, kind="column_missing").remedy


@pytest.mark.parametrize("table", ["sessions", "recordings", "checks"])
@pytest.mark.parametrize("damage", ["missing", "cut", "changed", "unlisted"])
def test_a_bad_table_holds_the_delivery(
    study: Study, draft: Draft, table: str, damage: str
) -> None:
    folder = draft.write(study.deliveries_path)
    path = folder / f"{table}.csv"
    data = path.read_bytes()
    if damage == "missing":
        path.unlink()
    elif damage == "cut":
        path.write_bytes(data[:-5])
    elif damage == "changed":
        path.write_bytes(data.replace(b"larch", b"lurch"))
    else:
        files = {p: b for p, b in draft.files().items() if p != f"{table}.csv"}
        (folder / "delivery.json").write_bytes(draft.manifest(files))
    result = read_delivery(study, find_deliveries(study, "larch")[0])
    assert result.state == "quarantined" and not result.tables
    assert any(p.where == f"{table}.csv" for p in result.problems)
    assert_well_said(result, study)


def test_the_reported_table_is_optional(delivered: Delivered, draft: Draft) -> None:
    del draft.tables["reported"]
    result = delivered(draft)
    assert result.state == "accepted" and result.problems == []
    assert len(result.tables["reported"]) == 0


@pytest.mark.parametrize(
    ("damage", "kind"),
    [("missing", "missing_file"), ("cut", "cut_short"), ("changed", "changed_file")],
)
def test_a_bad_file_holds_its_recording_only(
    study: Study, draft: Draft, damage: str, kind: str
) -> None:
    folder = draft.write(study.deliveries_path)
    path = folder / "signals/larch-s001/larch-s001-tid1.csv"
    data = path.read_bytes()
    if damage == "missing":
        path.unlink()
    else:
        path.write_bytes(data[:-100] if damage == "cut" else data.replace(b"0.1", b"0.2"))
    result = read_delivery(study, find_deliveries(study, "larch")[0])
    assert result.state == "accepted" and not result.held_sessions
    assert held_codes(result, "recordings") == ["larch-s001-tid1"]
    assert only(result, kind=kind).recording == "larch-s001-tid1"
    assert result.counts["recordings_clean"] == 6
    assert path.relative_to(folder).as_posix() not in result.files


def test_files_and_rows_that_do_not_fit_each_other(delivered: Delivered, draft: Draft) -> None:
    signals = draft.signals
    draft.unlisted["signals/larch-s002/larch-s002-tid1.csv"] = signals.pop(
        "signals/larch-s002/larch-s002-tid1.csv"
    )
    swapped = draft.tables["recordings"]
    swapped[0]["file"], swapped[1]["file"] = swapped[1]["file"], swapped[0]["file"]
    signals["signals/larch-s003/spare.csv"] = b"1"
    result = delivered(draft)
    held = held_codes(result, "recordings")
    assert held == ["larch-s001-tid1", "larch-s001-sin2", "larch-s002-tid1"]
    assert only(result, kind="unlisted_file").where.endswith("larch-s002-tid1.csv")
    assert only(result, kind="unused_file").where.endswith("spare.csv")
    assert only(result, kind="file_not_listed").row == 4
    assert len([p for p in result.problems if p.kind == "file_misnamed"]) == 2


def moved(draft: Draft, row: dict[str, str], path: str) -> None:
    draft.signals[path] = draft.signals.pop(row["file"])
    row["file"] = path


@pytest.mark.parametrize("ending", ["CSV", "txt", "TXT"])
def test_endings_of_text_are_read_as_text(delivered: Delivered, draft: Draft, ending: str) -> None:
    row = draft.tables["recordings"][0]
    moved(draft, row, f"signals/larch-s001/larch-s001-tid1.{ending}")
    assert delivered(draft).problems == []


def test_the_layout_of_a_laboratory_is_read_where_it_is_registered(
    delivered: Delivered, draft: Draft, study: Study
) -> None:
    rows = draft.tables["recordings"]
    moved(draft, rows[0], "Tidal/Tidal_001.txt")
    assert only(delivered(draft), kind="file_misnamed").remedy.count('file_names = "free"') == 1
    centre = study.centres["larch"]
    free = {code: replace(d, file_names="free") for code, d in centre.devices.items()}
    freed = replace(study, centres={**study.centres, "larch": replace(centre, devices=free)})
    freed = replace(freed, devices=free)
    result = delivered(draft, freed)
    assert result.problems == [] and "Tidal/Tidal_001.txt" in result.files
    draft.signals.pop(rows[2]["file"])
    rows[2]["file"] = "Tidal/Tidal_001.txt"
    draft.delivery = "d2"
    result = delivered(draft, freed)
    assert [p.kind for p in result.problems] == ["file_twice", "file_twice"]
    assert "and so does row 4 of recordings.csv" in result.problems[0].sentence


def test_unregistered_columns_of_signals_are_said_once_a_device(
    delivered: Delivered, draft: Draft
) -> None:
    for path, data in draft.signals.items():
        draft.signals[path] = data.replace(b"Pbox", b"Pboxx", 1)
    result = delivered(draft)
    problem = only(result, kind="column_unregistered")
    assert "and 6 more files" in problem.sentence and "Is Pbox meant?" in problem.remedy
    assert result.counts["recordings_clean"] == 6 and not held_codes(result, "recordings")


@pytest.mark.parametrize(
    ("extra", "words"),
    [
        ({"contract": "3"}, "contract"),
        ({"contract": 2}, "contract"),
        ({"replaces": "s001"}, "replaces"),
        ({"replaces": ["a b"]}, "replaces"),
        ({"replaces": [1]}, "replaces"),
        ({"centre": "rowan"}, "centre"),
        ({"delivery": "d9"}, "delivery"),
        ({"created": "2026-03-10"}, "created"),
        ({"created": "2026-03-10T18:00:00"}, "offset"),
        ({"created": 5}, "created"),
        ({"files": {}}, "list of files"),
        ({"files": [{"path": "a.csv"}]}, "entry 1"),
        ({"files": [{"path": "../a.csv", "bytes": 1, "sha256": ""}]}, "not plain"),
        ({"files": [{"path": "/etc/passwd", "bytes": 1, "sha256": ""}]}, "not plain"),
        ({"files": [{"path": "a", "bytes": True, "sha256": ""}]}, "entry 1"),
    ],
)
def test_delivery_json_that_cannot_be_used(
    delivered: Delivered, draft: Draft, extra: dict[str, object], words: str
) -> None:
    draft.extra = extra
    result = delivered(draft)
    assert result.state == "quarantined"
    assert any(p.where == "delivery.json" and words in p.sentence for p in result.problems)


def without(draft: Draft, table: str, *names: str) -> None:
    """Deliver a table whose header lacks these columns."""
    text = draft.table_bytes(table).decode().splitlines()
    kept = [n for n, name in enumerate(text[0].split(",")) if name not in names]
    lines = [",".join(line.split(",")[n] for n in kept) for line in text]
    draft.raw[f"{table}.csv"] = ("\n".join(lines) + "\n").encode()


NEW_IN_2 = ("ended_at", "mask_on_min")


@pytest.mark.parametrize("version", ["1", "2"])
@pytest.mark.parametrize("left_out", [(), NEW_IN_2, NEW_IN_2[:1]])
def test_deliveries_of_both_versions_are_read_with_and_without_what_is_new(
    study: Study, delivered: Delivered, draft: Draft, version: str, left_out: tuple[str, ...]
) -> None:
    draft.extra = {"contract": version}
    without(draft, "recordings", *left_out)
    result = delivered(draft)
    assert result.state == "accepted" and result.problems == []
    assert result.tables["recordings"][list(NEW_IN_2)].isna().all(axis=None)
    roster = roster_of(study, ["d1"])
    assert roster.recordings[list(NEW_IN_2)].isna().all(axis=None)
    assert set(roster.recordings["on"].map(str)) == {"2026-03-03", "2026-03-04", "2026-03-05"}


def test_what_is_new_is_read_where_it_is_delivered(
    study: Study, delivered: Delivered, draft: Draft
) -> None:
    first, second = draft.tables["recordings"][:2]
    first |= {"mask_on_min": "7.5", "ended_at": "2026-03-04T00:00:30+01:00"}
    second |= {"mask_on_min": "soon", "ended_at": "yesterday"}
    result = delivered(draft)
    assert {p.column for p in result.problems} == {"mask_on_min", "ended_at"}
    recordings = roster_of(study, ["d1"]).recordings.set_index("recording")
    # The day is that of the beginning, not of the end.
    assert str(recordings.loc["larch-s001-tid1", "on"]) == "2026-03-03"


def test_a_misspelt_optional_column_is_asked_after(delivered: Delivered, draft: Draft) -> None:
    text = draft.table_bytes("recordings").replace(b"mask_on_min", b"mask_on_mins")
    draft.raw["recordings.csv"] = text
    problem = only(delivered(draft), kind="column_unknown")
    assert "mask_on_mins" in problem.sentence and "Is mask_on_min meant?" in problem.remedy


def test_rows_of_an_earlier_version_in_the_state_are_read(study: Study, draft: Draft) -> None:
    """A delivery whose folder is gone is never taken in anew: its rows stay as they were kept."""
    draft.write(study.deliveries_path)
    assert len(roster_of(study, ["d1"]).recordings) == 6
    with State(study.work_path) as state:
        rows = state.delivered_rows("recordings").drop(columns=["centre", "delivery", *NEW_IN_2])
        state.run("DELETE FROM delivered WHERE table_name = 'recordings'")
        state.store_tables({"recordings": rows}, centre="larch", delivery="d1")
    recordings = roster_of(study).recordings
    assert len(recordings) == 6 and recordings[list(NEW_IN_2)].isna().all(axis=None)


def test_known_files_are_not_hashed_again(
    study: Study, draft: Draft, monkeypatch: pytest.MonkeyPatch
) -> None:
    draft.write(study.deliveries_path)
    (found,) = find_deliveries(study, "larch")
    first = read_delivery(study, found)
    hashed = []

    def counting(data: bytes) -> Any:
        hashed.append(len(data))
        return original(data)

    original = hashlib.sha256
    monkeypatch.setattr("quietsleep.intake.manifest.hashlib.sha256", counting)
    second = read_delivery(study, found, first.stamps)
    assert len(hashed) == 1  # delivery.json alone
    assert second.problems == first.problems and second.stamps == first.stamps
    read_delivery(study, found)
    assert len(hashed) == 2 + len(first.files)


def roster_of(study: Study, *deliveries: Sequence[str]) -> Roster:
    """What counts once these deliveries have come, one night after the other."""
    key = study.path / "key"
    register = Register(study.path, study.work_path, study=study.name, key_path=key)
    at = dt.datetime(2026, 4, 1, tzinfo=dt.UTC)
    with State(study.work_path) as state:
        for night, names in enumerate(deliveries, start=1):
            door = FrontDoor(study, state, register, "larch", f"n{night:06d}", at, "code")
            found = [f for f in find_deliveries(study, "larch") if f.delivery in names]
            for each in door.in_order(found):
                door.take_in(each)
        return read_roster(state, history_of(register))


@pytest.mark.parametrize("order", [("d1", "a-later-one"), ("a-later-one", "d1")])
def test_a_later_arrival_replaces_the_rows_it_names_and_no_other(
    study: Study, draft: Draft, kit: SimpleNamespace, order: tuple[str, str]
) -> None:
    draft.write(study.deliveries_path)
    again = kit.draft(1)
    # What it says of its time counts for nothing.
    again.delivery, again.created = "a-later-one", "2001-03-12T08:00:00+01:00"
    again.tables["sessions"][0]["weight_kg"] = "wrong"
    again.write(study.deliveries_path)
    unusable = kit.draft(3)
    unusable.delivery = "z-latest"
    unusable.extra = {"contract": "7"}
    unusable.write(study.deliveries_path)
    roster = roster_of(study, *([name] for name in order), ["z-latest"])
    counts_from = dict(zip(roster.sessions["session"], roster.sessions["delivery"], strict=True))
    assert counts_from == {"larch-s001": order[1], "larch-s002": "d1", "larch-s003": "d1"}
    assert roster.sessions.set_index("session")["held"].to_dict() == {
        "larch-s001": order[1] == "a-later-one",
        "larch-s002": False,
        "larch-s003": False,
    }
    assert roster.checks["delivery"].tolist() == [order[1]]
    assert len(roster.recordings) == 6 and len(roster.delivered) == 8
    gone = roster.superseded.groupby("item_kind").size().to_dict()
    assert gone == {"session": 1, "recording": 2, "check": 1}
    assert set(roster.superseded["by_delivery"]) == {order[1]}


def test_check_delivery_reads_every_signal(study: Study, draft: Draft, tmp_path: Path) -> None:
    draft.centre = "larch"
    bad = "signals/larch-s002/larch-s002-sin2.csv"
    draft.signals[bad] = draft.signals[bad].replace(b"\n0.0500,", b"\nO.05,", 1)
    draft.tables["sessions"][0]["weight_kg"] = "x"
    folder = draft.write(tmp_path / "elsewhere" / "to-send")
    moved = folder.rename(tmp_path / "d1")
    problems = preview(study, moved).problems
    assert sorted((p.kind, p.session) for p in problems) == [
        ("bad_cell", "larch-s001"),
        ("bad_cell", "larch-s002"),
    ]
    assert any("Row 12 of" in p.sentence and p.recording == "larch-s002-sin2" for p in problems)
    assert preview(study, tmp_path / "nothing").problems[0].kind == "delivery_json"
    content = json.loads((moved / "delivery.json").read_text())
    (moved / "delivery.json").write_text(json.dumps(content | {"centre": "elm"}))
    assert preview(study, moved).problems[0].kind == "centre"


def test_check_delivery_reads_archives_and_leaves_nothing(
    study: Study, draft: Draft, tmp_path: Path
) -> None:
    archive = draft.write_zip(tmp_path / "out")
    assert preview(study, archive).problems == ()
    assert not study.work_path.exists()


def test_sentences_name_rows_as_an_editor_shows_them(delivered: Delivered, draft: Draft) -> None:
    data = draft.table_bytes("sessions").replace(b"larch-s003,", b"\n\nlarch-s003,", 1)
    draft.raw["sessions.csv"] = data.replace(b"larch-s003", b"larch s003", 1)
    result = delivered(draft)
    rows = {p.row for p in result.problems if p.where == "sessions.csv"}
    assert rows == {6}
    assert all(
        re.match(r"Row 6 of sessions.csv, column session", p.sentence)
        for p in result.problems
        if p.where == "sessions.csv"
    )


@pytest.mark.parametrize("filler", [b"\n" * 500_000, b"," * 500_000, b'"' * 500_000])
def test_tables_beyond_all_measure(delivered: Delivered, draft: Draft, filler: bytes) -> None:
    draft.raw["sessions.csv"] = filler + draft.table_bytes("sessions")
    assert delivered(draft).state == "quarantined"
    draft.delivery, draft.raw["sessions.csv"] = "d2", draft.table_bytes("sessions") + filler
    assert delivered(draft).counts.get("sessions_clean", 3) == 3
