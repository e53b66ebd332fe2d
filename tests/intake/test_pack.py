"""Tables filled in by hand and signal files become a delivery that is taken in as it stands."""

from __future__ import annotations

import csv
import io
import zipfile
from datetime import date, timedelta
from pathlib import Path

import pytest
from openpyxl import load_workbook

from quietsleep import contract
from quietsleep.intake.delivery import look_through
from quietsleep.intake.pack import PackError, pack_delivery
from quietsleep.intake.templates import TemplateError, write_templates
from quietsleep.simulation.example import write_example
from quietsleep.study.begin import NewCentre, begin_study
from quietsleep.study.study import Study

TABLES = ("sessions", "recordings", "checks", "reported")


@pytest.fixture
def study(tmp_path: Path) -> Study:
    return begin_study(tmp_path / "study", study="s", title="S", centre=NewCentre("larch"))


@pytest.fixture
def folder(study: Study, tmp_path: Path) -> Path:
    """What a centre has in hand: tables and signal files, no delivery.json."""
    write_example(
        tmp_path / "larch-01",
        centre="larch",
        device="larch-set-1",
        altitude_m=None,
        day=date.today() - timedelta(days=3),
    )
    return tmp_path / "larch-01"


def rows(path: Path) -> list[list[str]]:
    return list(csv.reader(io.StringIO(path.read_text(encoding="utf-8"))))


def said(study: Study, path: Path) -> list[str]:
    problems, delivered = look_through(study, path, {})
    assert delivered is None or problems or delivered.state == "accepted"
    return [problem.sentence for problem in problems]


def test_folder_that_is_sealed_is_taken_in_as_folder_and_as_archive(
    study: Study, folder: Path
) -> None:
    (folder / ".~lock.sessions.csv#").write_text("x", encoding="utf-8")
    packed = pack_delivery(folder, centre="larch", delivery="larch-01")
    assert packed.path == folder and packed.seal.n_files == 9
    assert said(study, folder) == []
    archive = pack_delivery(folder, centre="larch", delivery="march", zipped=True).path
    assert archive == folder.parent / "march.zip" and said(study, archive) == []
    with zipfile.ZipFile(archive) as inside:
        assert inside.namelist()[-1] == "delivery.json" and len(inside.namelist()) == 10


def test_file_that_changes_after_sealing_is_found_and_sealing_again_mends_it(
    study: Study, folder: Path
) -> None:
    pack_delivery(folder, centre="larch", delivery="larch-01")
    signal = next((folder / "signals").rglob("*tid1.csv"))
    signal.write_bytes(signal.read_bytes() + b"59.625,0.0,0.0\n")
    assert any("tid1.csv" in sentence for sentence in said(study, folder))
    pack_delivery(folder, centre="larch", delivery="larch-01")
    assert not any("delivery.json" in sentence for sentence in said(study, folder))


@pytest.mark.parametrize(
    ("name", "words"),
    [("no such", "is no folder"), ("empty", "holds no file"), ("a b", "cannot be called 'a b'")],
)
def test_what_cannot_be_sealed_is_said(tmp_path: Path, name: str, words: str) -> None:
    (tmp_path / "empty").mkdir()
    (tmp_path / "a b").mkdir()
    with pytest.raises(PackError, match=words):
        pack_delivery(tmp_path / name, centre="larch", delivery=name)
    assert not list(tmp_path.rglob("*.json"))


def test_name_other_than_the_folder_is_for_an_archive_only(folder: Path) -> None:
    with pytest.raises(PackError, match=r"Rename it to other, or write a \.zip"):
        pack_delivery(folder, centre="larch", delivery="other")


def test_filled_templates_are_read_as_tables_and_as_a_workbook(
    study: Study, folder: Path, tmp_path: Path
) -> None:
    filled = {name: rows(folder / f"{name}.csv") for name in TABLES}
    write_templates(tmp_path / "by-hand")
    for name in TABLES:
        head = rows(tmp_path / "by-hand" / f"{name}.csv")
        assert head == [[c.name for c in contract.TABLES[f"delivery_{name}"].columns]]
        assert head == filled[name][:1]  # the example is written as the templates say
    workbook, explained = write_templates(tmp_path / "book", as_workbook=True)
    book = load_workbook(workbook)
    for name in TABLES:
        (folder / f"{name}.csv").unlink()
        for row in filled[name][1:]:
            book[name].append(row)
    book.save(folder / "delivery.xlsx")
    explained.rename(folder / explained.name)
    pack_delivery(folder, centre="larch", delivery="larch-01")
    assert said(study, folder) == []


def test_templates_explain_every_column_and_write_over_nothing(tmp_path: Path) -> None:
    write_templates(tmp_path)
    explained = {(row[0], row[1]): row for row in rows(tmp_path / "columns.csv")[1:]}
    for name in TABLES:
        for column in contract.TABLES[f"delivery_{name}"].columns:
            assert explained[name, column.name][4] == column.meaning
    with pytest.raises(TemplateError, match=r"sessions\.csv is there already"):
        write_templates(tmp_path)
