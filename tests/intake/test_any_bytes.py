"""Any bytes at all, in any place, end in problems and never in an exception."""

from __future__ import annotations

import io
import json
import zipfile
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from quietsleep.intake.delivery import ReadDelivery, read_delivery
from quietsleep.intake.files.read import Unreadable, read_signal
from quietsleep.intake.find import find_deliveries
from quietsleep.study.study import Device, Study
from tests.intake.conftest import Draft

Damage = list[tuple[float, int, bytes]]
NEEDED = ("flow", "airway_pressure")
TABLES = ("sessions", "recordings", "checks", "reported")
quick = settings(
    max_examples=25,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
    derandomize=True,
    database=None,
)
many = settings(quick, max_examples=150)

# Bytes near the sound ones reach further in than bytes out of nowhere.
PIECES = st.sampled_from(
    [b"", b"\0", b"\n", b"\r", b",", b";", b'"', b"\xff", b"\xef\xbb\xbf", b"nan", b"1e400", b"-",
     b"9" * 40, b"larch-s001", b"\xe2\x80\xa8", b"0000-00-00T99:99:99+99:99", b"=1+1", b"{", b"]"]
)  # fmt: skip
damages = st.lists(
    st.tuples(st.floats(0, 1), st.integers(0, 60), PIECES | st.binary(max_size=8)), max_size=6
)


def damaged(data: bytes, damage: Damage) -> bytes:
    for share, length, piece in damage:
        at = int(share * len(data))
        data = data[:at] + piece + data[at + length :]
    return data


def one_place_for_each_row(result: ReadDelivery) -> None:
    if result.state != "accepted":
        return
    for name in TABLES:
        rows = [*result.tables[name]["row"], *result.held[name]["row"]]
        assert len(rows) == len(set(rows)) == result.counts[f"{name}_rows"]
    clean = result.tables["sessions"]["session"]
    assert clean.is_unique and not set(clean) & set(result.held_sessions)
    assert set(result.tables["recordings"]["session"]) <= set(clean)
    assert set(result.tables["reported"]["session"]) <= set(clean)
    assert result.tables["recordings"]["recording"].is_unique
    held = sum(result.counts[f"{n}_held"] for n in TABLES)
    assert not held or result.problems


def ends_well(path: Path, device: Device) -> None:
    try:
        raw = read_signal(path, device, NEEDED)
    except Unreadable as refused:
        assert refused.problem.sentence.endswith(".") and refused.problem.remedy
        assert str(path.parent) not in repr(refused.problem)
        repr(refused.problem).encode()
    else:
        assert raw.time_s.size >= 2


@pytest.mark.parametrize("file_format", ["csv", "parquet", "edf"])
def test_any_bytes_as_a_signal_file(tmp_path: Path, kit: SimpleNamespace, file_format: str) -> None:
    device = kit.device(file_format)
    whole = kit.signal_bytes(kit.samples(200), device)
    path = tmp_path / "any"

    @many
    @given(st.binary(max_size=600))
    def out_of_nowhere(data: bytes) -> None:
        path.write_bytes(data)
        ends_well(path, device)

    @many
    @given(damages)
    def damage_to_a_sound_file(damage: Damage) -> None:
        path.write_bytes(damaged(whole, damage))
        ends_well(path, device)

    out_of_nowhere()
    damage_to_a_sound_file()


def take(study: Study, draft: Draft) -> ReadDelivery:
    draft.write(study.deliveries_path)
    (found,) = find_deliveries(study, "larch")
    result = read_delivery(study, found)
    one_place_for_each_row(result)
    for problem in result.problems:
        assert problem.sentence and problem.expected and problem.remedy
        repr(problem).encode()
    return result


@pytest.mark.parametrize("table", TABLES)
def test_any_bytes_as_a_table(study: Study, kit: SimpleNamespace, table: str) -> None:
    draft = kit.draft(2)
    whole = draft.table_bytes(table)
    seen = set()

    @quick
    @given(st.binary(max_size=300))
    def out_of_nowhere(data: bytes) -> None:
        draft.raw = {f"{table}.csv": data}
        seen.add(take(study, draft).state)

    @quick
    @given(damages)
    def damage_to_a_sound_table(damage: Damage) -> None:
        draft.raw = {f"{table}.csv": damaged(whole, damage)}
        seen.add(take(study, draft).state)

    out_of_nowhere()
    damage_to_a_sound_table()
    assert seen == {"accepted", "quarantined"}


@quick
@given(damage=damages, anything=st.binary(max_size=200))
def test_any_bytes_as_the_list_of_files(
    study: Study, kit: SimpleNamespace, damage: Damage, anything: bytes
) -> None:
    draft = kit.draft(1)
    folder = draft.write(study.deliveries_path)
    for data in (damaged(draft.manifest(), damage), anything):
        (folder / "delivery.json").write_bytes(data)
        read_delivery(study, find_deliveries(study, "larch")[0])


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner),
    max_leaves=6,
)


@quick
@given(
    field=st.sampled_from(["contract", "centre", "delivery", "created", "files", "note"]),
    value=json_values,
)
def test_any_json_in_the_list_of_files(
    study: Study, kit: SimpleNamespace, field: str, value: Any
) -> None:
    draft = kit.draft(1)
    draft.extra = {field: value}
    result = take(study, draft)
    assert result.state == "quarantined" or field == "note"


def test_deep_json(study: Study, draft: Draft) -> None:
    folder = draft.write(study.deliveries_path)
    for data in (b"[" * 100_000, b'{"a":' * 50_000, b"9" * 10_000, json.dumps("x").encode()):
        (folder / "delivery.json").write_bytes(data)
        assert read_delivery(study, find_deliveries(study, "larch")[0]).state == "quarantined"


def test_any_bytes_as_an_archive(study: Study, kit: SimpleNamespace) -> None:
    draft = kit.draft(1)
    archive = draft.write_zip(study.deliveries_path)
    whole = archive.read_bytes()
    sink = io.BytesIO()
    with zipfile.ZipFile(sink, "w"):
        pass
    ends = {whole[-22:], sink.getvalue()}

    @quick
    @given(st.binary(max_size=200), st.sampled_from(sorted(ends)))
    def out_of_nowhere(data: bytes, end: bytes) -> None:
        archive.write_bytes(data + end)
        read_delivery(study, find_deliveries(study, "larch")[0])

    @settings(quick, max_examples=60)
    @given(damages)
    def damage_to_a_sound_archive(damage: Damage) -> None:
        archive.write_bytes(damaged(whole, damage))
        one_place_for_each_row(read_delivery(study, find_deliveries(study, "larch")[0]))

    out_of_nowhere()
    damage_to_a_sound_archive()


@settings(quick, max_examples=12)
@given(data=st.data())
def test_damage_to_some_rows_leaves_all_others_clean(
    study: Study, kit: SimpleNamespace, data: st.DataObject
) -> None:
    """Cells are spoilt in some sessions; exactly those sessions are held, with every reason."""
    draft = kit.draft(5)
    columns = [c for c in draft.tables["sessions"][0] if c not in {"session", "infant"}]
    spoilt = data.draw(st.sets(st.integers(0, 4)))
    expected = {}
    for index in spoilt:
        chosen = data.draw(st.sets(st.sampled_from(columns), min_size=1, max_size=3))
        row = draft.tables["sessions"][index]
        for column in chosen:
            row[column] = data.draw(st.sampled_from(["??", "-5e9", "\x01", "0.0.0", "#REF!"]))
        expected[row["session"]] = chosen
    result = take(study, draft)
    assert result.state == "accepted"
    assert set(result.held_sessions) == set(expected)
    for session, chosen in expected.items():
        assert {p.column for p in result.held_sessions[session]} == chosen
    assert len(result.tables["sessions"]) == 5 - len(spoilt)
    assert len(result.tables["recordings"]) == 2 * (5 - len(spoilt))
