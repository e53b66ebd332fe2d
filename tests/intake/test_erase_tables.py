"""What was withdrawn goes out of tables however they are written; the others stay as they were."""

from __future__ import annotations

import io
import zipfile
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from quietsleep.intake.delivery import read_delivery
from quietsleep.intake.erase import erase, raw_files
from quietsleep.intake.find import find_deliveries
from quietsleep.study.dialect import TableDialect, words_of
from quietsleep.study.study import Study
from tests.intake import writings
from tests.intake.conftest import Draft
from tests.intake.test_tolerant_tables import TEXTS, Write
from tests.intake.writings import book_of, in_workbook, rewritten, text_of

GONE = ("larch-s002", "larch-i002")
PLAIN: tuple[str, Write] = ("{}.csv", lambda _, cells: text_of(cells).encode())
WAYS = ("plain", "semicolon-and-comma", "utf-16-mark", "utf-16-le", "units", "lines", "workbook")


def written(kit: SimpleNamespace, way: str) -> Draft:
    draft: Draft = kit.draft()
    for row in draft.tables["sessions"]:
        row["note"] = f"calm\nas {row['session']}\nwas" if way == "lines" else "calm"
        row["Kind"] = row.pop("infant")
    if way == "workbook":
        book = book_of(draft, writings.as_text)
        (at,) = [c.column for c in book["Sessions"][1] if c.value == "infant"]
        book["Sessions"].delete_cols(at)
        book.create_sheet("Notes").append(["larch-s002"])
        return in_workbook(draft, book)
    path, write = TEXTS.get(way, PLAIN)

    def without_infant(name: str, cells: list[list[str]]) -> bytes:
        at = cells[0].index("infant") if name == "sessions" else -1
        kept = [[c for n, c in enumerate(row) if n != at] for row in cells]
        return write(name, kept)

    return rewritten(draft, without_infant, path)


def everything(folder: Path) -> str:
    """All text of a delivery, of archives and workbooks as well."""

    def text(data: bytes) -> str:
        if not zipfile.is_zipfile(io.BytesIO(data)):
            return data.decode("utf-8", "replace") + data.decode("utf-16-le", "replace")
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            return "".join(name + text(archive.read(name)) for name in archive.namelist())

    paths = [p for p in folder.rglob("*") if p.is_file()]
    return "".join(str(p.relative_to(folder)) + text(p.read_bytes()) for p in paths)


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("zipped", [False, True])
@pytest.mark.parametrize("by_infant", [False, True])
def test_what_is_withdrawn_is_nowhere_in_the_tables(
    study: Study, kit: SimpleNamespace, way: str, zipped: bool, by_infant: bool
) -> None:
    study = replace(study, tables=TableDialect(columns={"infant": ("Kind",)}, ignored=("note",)))
    draft = written(kit, way)
    (draft.write_zip if zipped else draft.write)(study.deliveries_path)
    (found,) = find_deliveries(study, "larch")
    before = read_delivery(study, found)
    assert before.state == "accepted" and "larch-s002" in everything(study.deliveries_path)
    raw = raw_files(
        found,
        sessions={"larch-s002"},  # of an infant, those that the register knows of
        infants={"larch-i002"} if by_infant else set(),
        words=words_of(study.tables),
    )
    assert raw is not None and {*raw.rows} == {"sessions", "recordings", "reported"}
    erase(raw)
    left = everything(study.deliveries_path)
    assert not [code for code in GONE if code in left]
    after = read_delivery(study, find_deliveries(study, "larch")[0])
    assert after.state == "accepted" and not after.held_sessions
    for name, table in before.tables.items():
        others = table[table["session"] != "larch-s002"] if "session" in table else table
        kept = [c for c in table if c != "row"]
        assert after.tables[name][kept].equals(others.reset_index(drop=True)[kept])


def test_an_infant_is_found_under_the_heading_of_the_centre(
    study: Study, kit: SimpleNamespace
) -> None:
    written(kit, "semicolon-and-comma").write(study.deliveries_path)
    (found,) = find_deliveries(study, "larch")
    assert raw_files(found, sessions=(), infants={"larch-i002"}) is None
    words = words_of(TableDialect(columns={"infant": ("Kind",)}))
    raw = raw_files(found, sessions=(), infants={"larch-i002"}, words=words)
    assert raw is not None and raw.rows == {"sessions": frozenset({3})}
