"""Finding deliveries: arrived, arriving, oddly named, links, strays; nothing is read."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

from quietsleep.intake.delivery import read_delivery
from quietsleep.intake.find import MANIFEST, find_deliveries, find_strays
from quietsleep.study.study import Study
from tests.intake.conftest import Draft


def test_a_centre_without_deliveries_has_none(study: Study) -> None:
    assert find_deliveries(study, "larch") == [] and find_strays(study) == []


def test_a_folder_is_arriving_until_its_list_of_files_is_there(study: Study, draft: Draft) -> None:
    folder = draft.write(study.deliveries_path)
    manifest = (folder / MANIFEST).read_bytes()
    (folder / MANIFEST).unlink()
    (found,) = find_deliveries(study, "larch")
    result = read_delivery(study, found)
    assert result.state == found.state == "arriving" and result.problems == []
    (folder / MANIFEST).write_bytes(manifest)
    (found,) = find_deliveries(study, "larch")
    assert found.state == "arrived" and read_delivery(study, found).state == "accepted"


def test_the_digest_changes_with_any_file_and_with_nothing_else(study: Study, draft: Draft) -> None:
    folder = draft.write(study.deliveries_path)
    digest = find_deliveries(study, "larch")[0].stat_digest
    assert find_deliveries(study, "larch")[0].stat_digest == digest
    signal = folder / "signals/larch-s001/larch-s001-tid1.csv"
    os.utime(signal, ns=(1, 1))
    touched = find_deliveries(study, "larch")[0].stat_digest
    assert touched != digest
    signal.unlink()
    assert find_deliveries(study, "larch")[0].stat_digest not in {touched, digest}


def test_finding_reads_no_file(study: Study, draft: Draft, monkeypatch: pytest.MonkeyPatch) -> None:
    draft.write(study.deliveries_path)
    monkeypatch.setattr("builtins.open", None)
    monkeypatch.setattr(os, "open", None)
    assert len(find_deliveries(study, "larch")) == 1


def test_finding_many_files_takes_a_moment(study: Study) -> None:
    folder = study.deliveries_path / "larch" / "d1" / "signals"
    for session in range(50):
        (folder / f"s{session}").mkdir(parents=True)
        for recording in range(100):
            (folder / f"s{session}" / f"r{recording}.csv").touch()
    began = time.perf_counter()
    (found,) = find_deliveries(study, "larch")
    assert found.stat_digest and len(found.stats) == 5000
    assert time.perf_counter() - began < 3.0


def test_links_and_devices_are_named_and_not_followed(
    study: Study, draft: Draft, tmp_path: Path
) -> None:
    folder = draft.write(study.deliveries_path)
    secret = tmp_path / "secret.csv"
    secret.write_bytes((folder / "signals/larch-s001/larch-s001-tid1.csv").read_bytes())
    linked = folder / "signals/larch-s001/larch-s001-tid1.csv"
    linked.unlink()
    linked.symlink_to(secret)
    (folder / "signals" / "whole").symlink_to(tmp_path)
    os.mkfifo(folder / "signals" / "pipe")
    result = read_delivery(study, find_deliveries(study, "larch")[0])
    assert result.state == "accepted"
    (why,) = [why for (table, _), why in result.held_rows.items() if table == "recordings"]
    assert {p.recording for p in why} == {"larch-s001-tid1"}
    strange = {p.where for p in result.problems if p.kind == "unsafe_path"}
    assert strange == {"signals/larch-s001/larch-s001-tid1.csv", "signals/pipe", "signals/whole"}


def test_a_delivery_that_is_itself_a_link_is_a_stray(
    study: Study, draft: Draft, tmp_path: Path
) -> None:
    folder = draft.write(tmp_path / "elsewhere")
    (study.deliveries_path / "larch").mkdir(parents=True)
    (study.deliveries_path / "larch" / "d1").symlink_to(folder)
    assert find_deliveries(study, "larch") == []
    assert [p.kind for p in find_strays(study)] == ["stray"]


def test_strays_are_named(study: Study, draft: Draft) -> None:
    draft.write(study.deliveries_path)
    (study.deliveries_path / "larch" / "notes.txt").write_text("x")
    (study.deliveries_path / "larch" / ".hidden").write_text("x")
    (study.deliveries_path / "elm").mkdir()
    centres = [p.centre for p in find_strays(study)]
    assert sorted(centres) == ["", "larch"]
    assert "notes" not in repr(find_strays(study))


@pytest.mark.parametrize("name", ["Anna Hollis", "2026 March", "d\n1", "d\udcff1"])
def test_a_delivery_name_that_is_no_code_is_not_repeated(
    study: Study, draft: Draft, name: str
) -> None:
    folder = draft.write(study.deliveries_path)
    folder.rename(folder.parent / name)
    (found,) = find_deliveries(study, "larch")
    result = read_delivery(study, found)
    assert result.state == "quarantined" and result.delivery == "badly-named-1"
    assert name not in repr(result.problems) and result.problems[0].kind == "delivery_name"


def test_names_of_files_that_are_no_text(study: Study, draft: Draft) -> None:
    folder = draft.write(study.deliveries_path)
    (folder / os.fsdecode(b"odd\xff.csv")).touch()
    (found,) = find_deliveries(study, "larch")
    assert found.stat_digest
    result = read_delivery(study, found)
    assert result.state == "accepted"
    assert [p.kind for p in result.problems] == ["unlisted_file"]
    repr(result.problems).encode()


def test_folder_and_archive_of_one_name(study: Study, draft: Draft) -> None:
    draft.write(study.deliveries_path)
    draft.write_zip(study.deliveries_path)
    results = [read_delivery(study, f) for f in find_deliveries(study, "larch")]
    assert {r.delivery: r.state for r in results} == {"d1": "accepted", "d1.zip": "quarantined"}
