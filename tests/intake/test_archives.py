"""Archives: harmless ones are unpacked, hostile ones are refused before anything is written."""

from __future__ import annotations

import stat
import struct
import zipfile
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest

from quietsleep.intake.delivery import ReadDelivery, read_delivery
from quietsleep.intake.find import find_deliveries
from quietsleep.study.study import Study
from tests.intake.conftest import Draft

Attack = Callable[[zipfile.ZipFile, Draft], None]


def taken(study: Study) -> ReadDelivery:
    (found,) = find_deliveries(study, "larch")
    return read_delivery(study, found)


def root_of(result: ReadDelivery) -> Path:
    assert isinstance(result.root, Path)
    return result.root


@pytest.mark.parametrize("around", ["", "d1/", "exported files/"])
def test_an_archive_gives_what_the_folder_gives(study: Study, draft: Draft, around: str) -> None:
    draft.write_zip(study.deliveries_path, around=around)
    result = taken(study)
    assert result.state == "accepted" and result.problems == []
    assert result.root == study.work_path / "unpacked" / "larch" / "d1"
    for path, data in draft.files().items():
        if path.startswith("signals/"):
            assert (root_of(result) / path).read_bytes() == data
        else:  # tables are read out of the archive: what nobody reads of them is kept nowhere
            assert not (root_of(result) / path).exists()
    draft.write(study.deliveries_path)
    (study.deliveries_path / "larch" / "d1.zip").unlink()
    of_folder = taken(study)
    for name, table in of_folder.tables.items():
        pd.testing.assert_frame_equal(result.tables[name], table)


def test_an_unchanged_archive_is_not_unpacked_again(study: Study, draft: Draft) -> None:
    draft.write_zip(study.deliveries_path)
    first = taken(study)
    root = root_of(first)
    signal = root / "signals/larch-s001/larch-s001-tid1.csv"
    inode = signal.stat().st_ino
    assert taken(study).root == root and signal.stat().st_ino == inode
    signal.parent.rename(root / "moved")
    root.with_name("d1.unpacked").unlink()
    taken(study)
    assert signal.exists() and not (root / "moved").exists()


def test_only_listed_files_are_unpacked(study: Study, draft: Draft) -> None:
    draft.unlisted["signals/larch-s001/other.csv"] = b"1"
    draft.write_zip(study.deliveries_path)
    result = taken(study)
    assert [p.kind for p in result.problems] == ["unlisted_file"]
    assert not (root_of(result) / "signals/larch-s001/other.csv").exists()


def plain_entry(name: str, mode: int = stat.S_IFREG | 0o644) -> zipfile.ZipInfo:
    info = zipfile.ZipInfo(name)
    info.external_attr = mode << 16
    return info


def escaping(out: zipfile.ZipFile, draft: Draft) -> None:
    out.writestr("../../../escaped.csv", b"x")


def absolute(out: zipfile.ZipFile, draft: Draft) -> None:
    out.writestr("/absolute.csv", b"x")


def backslashes(out: zipfile.ZipFile, draft: Draft) -> None:
    info = plain_entry("placeholder")
    info.filename = "..\\..\\escaped.csv"
    out.writestr(info, b"x")


def drive(out: zipfile.ZipFile, draft: Draft) -> None:
    out.writestr("C:/escaped.csv", b"x")


def deep(out: zipfile.ZipFile, draft: Draft) -> None:
    out.writestr("a/b/c/d/e/f.csv", b"x")


def symlink(out: zipfile.ZipFile, draft: Draft) -> None:
    out.writestr(plain_entry("signals/link.csv", stat.S_IFLNK | 0o777), b"/etc/passwd")


def device_file(out: zipfile.ZipFile, draft: Draft) -> None:
    out.writestr(plain_entry("signals/null.csv", stat.S_IFCHR | 0o666), b"")


def bomb(out: zipfile.ZipFile, draft: Draft) -> None:
    out.writestr("signals/bomb.csv", bytes(80 * 1024 * 1024))


def several_bombs(out: zipfile.ZipFile, draft: Draft) -> None:
    for number in range(40):
        out.writestr(f"signals/zeros{number}.csv", bytes(1024 * 1024 - 1))


def twice(out: zipfile.ZipFile, draft: Draft) -> None:
    with pytest.warns(UserWarning, match="Duplicate name"):
        out.writestr("sessions.csv", b"x")


def odd_packing(out: zipfile.ZipFile, draft: Draft) -> None:
    out.writestr(plain_entry("a.csv"), b"x" * 100, compress_type=zipfile.ZIP_BZIP2)


@pytest.mark.parametrize(
    ("attack", "words"),
    [
        (escaping, "not plain"),
        (absolute, "not plain"),
        (backslashes, "not plain"),
        (drive, "not plain"),
        (deep, "not plain"),
        (symlink, "link"),
        (device_file, "device"),
        (bomb, "times its size"),
        (several_bombs, "times its size"),
        (twice, "several entries of one name"),
        (odd_packing, "packing"),
    ],
)
def test_hostile_archives_are_refused_unread(
    study: Study, draft: Draft, tmp_path: Path, attack: Attack, words: str
) -> None:
    archive = draft.write_zip(study.deliveries_path)
    with zipfile.ZipFile(archive, "a", zipfile.ZIP_DEFLATED) as out:
        attack(out, draft)
    before = set(tmp_path.rglob("*"))
    result = taken(study)
    assert result.state == "quarantined" and not result.tables
    (problem,) = result.problems
    assert problem.kind == "archive" and words in problem.sentence
    assert str(tmp_path) not in repr(problem)
    assert set(tmp_path.rglob("*")) == before


def test_a_hundred_thousand_entries_are_refused(study: Study, draft: Draft) -> None:
    archive = draft.write_zip(study.deliveries_path)
    head = "<4s4B4H3L5H2L"
    entries = [
        struct.pack(head, b"PK\x01\x02", 20, 3, 20, 0, *[0] * 7, 6, *[0] * 6) + b"f%05d" % number
        for number in range(100_000)
    ]
    listing = b"".join(entries)
    end = struct.pack("<4s4H2LH", b"PK\x05\x06", 0, 0, 0xFFFF, 0xFFFF, len(listing), 0, 0)
    archive.write_bytes(listing + end)
    result = taken(study)
    assert result.state == "quarantined"
    assert "20000 entries" in result.problems[0].sentence


def test_a_list_of_entries_without_end_is_not_even_read(study: Study, draft: Draft) -> None:
    archive = draft.write_zip(study.deliveries_path)
    data = bytearray(archive.read_bytes())
    end = data.rfind(b"PK\x05\x06")
    struct.pack_into("<L", data, end + 12, 0x7FFFFFFF)
    archive.write_bytes(data)
    result = taken(study)
    assert result.state in {"quarantined", "arriving"} and result.problems


def test_overlapping_entries_are_refused(study: Study, draft: Draft) -> None:
    archive = draft.write_zip(study.deliveries_path)
    data = bytearray(archive.read_bytes())
    # Every entry of the list now claims the bytes of the whole archive.
    at = data.find(b"PK\x01\x02")
    while at >= 0:
        struct.pack_into("<L", data, at + 20, len(data))
        at = data.find(b"PK\x01\x02", at + 4)
    archive.write_bytes(data)
    assert "overlap" in taken(study).problems[0].sentence


def test_encrypted_entries_are_refused(study: Study, draft: Draft) -> None:
    archive = draft.write_zip(study.deliveries_path)
    data = bytearray(archive.read_bytes())
    at = data.find(b"PK\x01\x02")
    data[at + 8] |= 1
    archive.write_bytes(data)
    assert "encrypted" in taken(study).problems[0].sentence


def test_a_cut_short_archive_is_still_arriving(study: Study, draft: Draft) -> None:
    archive = draft.write_zip(study.deliveries_path)
    archive.write_bytes(archive.read_bytes()[:-40])
    result = taken(study)
    assert result.state == "arriving"
    assert result.problems[0].kind == "archive_incomplete"


def test_damage_inside_an_archive_holds_the_recording_only(study: Study, draft: Draft) -> None:
    archive = draft.write_zip(study.deliveries_path)
    with zipfile.ZipFile(archive) as whole:
        info = whole.getinfo("signals/larch-s001/larch-s001-tid1.csv")
    data = bytearray(archive.read_bytes())
    at = info.header_offset + 30 + len(info.filename) + 200
    data[at : at + 50] = bytes(50)
    archive.write_bytes(data)
    result = taken(study)
    assert result.state == "accepted"
    (why,) = [why for (table, _), why in result.held_rows.items() if table == "recordings"]
    assert {p.recording for p in why} == {"larch-s001-tid1"}
    assert not (root_of(result) / info.filename).exists()


def test_an_archive_without_list_of_files_is_held(study: Study, draft: Draft) -> None:
    archive = draft.write_zip(study.deliveries_path)
    with zipfile.ZipFile(archive, "w") as out:
        out.writestr("sessions.csv", draft.table_bytes("sessions"))
    result = taken(study)
    assert result.state == "quarantined" and result.problems[0].kind == "delivery_json"
