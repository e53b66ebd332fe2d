"""Pages of tests and sessions are kept whole where no table that they are made of has changed."""

from __future__ import annotations

import shutil
from dataclasses import fields, replace
from pathlib import Path
from typing import Any, NoReturn

import pytest

from quietsleep.site import read
from quietsleep.site.pages import centre as centre_page
from quietsleep.site.pages.test import write_test_pages
from quietsleep.site.read import BEHIND_TESTS, CentreData, read_centre
from quietsleep.site.write import write_site
from tests.site.nights import CopiedTraces, WrittenNight, copy_of

VIEWS_OF = {"lost": "lost_tests", "check_verdicts": "verdicts", "faults": "verdicts"}
NO_TABLE = {"night", "centre"}


@pytest.fixture(scope="module")
def one_centre(demo: WrittenNight, tmp_path_factory: pytest.TempPathFactory) -> WrittenNight:
    """A night of one centre with its pages; do not change it."""
    night = copy_of(demo.made).keep(centres=["sedge"], techniques=["tidal"])
    return night.write(tmp_path_factory.mktemp("one"), CopiedTraces(demo.pages))


def content(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


@pytest.fixture
def built(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The centres whose pages of tests were built."""
    names: list[str] = []

    def noted(folder: Any, data: CentreData, traces: Any) -> list[tuple[str, str]]:
        names.append(data.name)
        return write_test_pages(folder, data, traces)

    monkeypatch.setattr("quietsleep.site.pages.centre.write_test_pages", noted)
    return names


def test_what_is_kept_is_what_would_be_built(
    one_centre: WrittenNight, traces: CopiedTraces, built: list[str], tmp_path: Path
) -> None:
    path = shutil.copytree(one_centre.study.path, tmp_path / "study", symlinks=True)
    study = replace(one_centre.study, path=path)
    whole = content(path / "pages")
    kept = write_site(study, one_centre.night, traces)
    assert not built and kept.n_written == 0
    assert content(path / "pages") == whole
    page = next(p for p in sorted((path / "pages/sedge/tests").iterdir()))
    page.unlink()
    assert write_site(study, one_centre.night, traces).n_written == 1
    assert built == ["sedge"] and content(path / "pages") == whole
    for lost in ("centre-sedge.json", "centre-sedge.note"):
        (path / "work/pages" / lost).unlink()
        write_site(study, one_centre.night, traces)
        assert content(path / "pages") == whole
    assert built == 3 * ["sedge"]


def test_a_trace_that_could_not_be_drawn_is_tried_again(
    one_centre: WrittenNight, traces: CopiedTraces, built: list[str], tmp_path: Path
) -> None:
    path = shutil.copytree(one_centre.study.path, tmp_path / "study", symlinks=True)
    study = replace(one_centre.study, path=path)
    shutil.rmtree(path / "work" / "pages")
    write_site(study, one_centre.night, lambda wanted: [{} for _ in wanted])
    assert not (path / "pages/sedge/traces").exists()
    report = write_site(study, one_centre.night, traces)
    assert built == 2 * ["sedge"] and report.n_traces


def test_a_table_behind_them_builds_them_anew(
    one_centre: WrittenNight, traces: CopiedTraces, built: list[str], tmp_path: Path
) -> None:
    path = shutil.copytree(one_centre.study.path, tmp_path / "study", symlinks=True)
    behind_tests = read.PublishedNight.behind_tests
    for n_built, table in enumerate(("tests", "rules", "queries", "trial_values"), start=1):

        def other(night: read.PublishedNight, centre: str, table: str = table) -> list[list[str]]:
            found = behind_tests(night, centre)
            assert any(f"/{table}/" in name for name, _ in found)
            return [[name, digest + "x" * (f"/{table}/" in name)] for name, digest in found]

        with pytest.MonkeyPatch.context() as changed:
            changed.setattr(read.PublishedNight, "behind_tests", other)
            write_site(replace(one_centre.study, path=path), one_centre.night, traces)
        assert built == n_built * ["sedge"]


class _NotRead:
    """Stands for rows that nobody may ask for."""

    def __getattribute__(self, name: str) -> NoReturn:
        raise AssertionError("pages of tests and sessions read a table that is not behind them")

    def __iter__(self) -> NoReturn:
        raise AssertionError("pages of tests and sessions read a table that is not behind them")


def test_they_read_no_table_that_is_not_behind_them(
    one_centre: WrittenNight,
    traces: CopiedTraces,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    names = {field.name for field in fields(CentreData)} - NO_TABLE
    beside = {name for name in names if VIEWS_OF.get(name, name) not in BEHIND_TESTS}
    assert beside == {"agreement_limits", "conservation", "devices", "drifts", "lost", "places"}

    def narrowed(folder: Any, data: CentreData, draw: Any) -> list[tuple[str, str]]:
        nothing: dict[str, Any] = dict.fromkeys(beside, _NotRead())
        return [*write(folder, replace(data, **nothing), draw)]

    write = centre_page.write_tests_and_sessions
    monkeypatch.setattr(centre_page, "write_tests_and_sessions", narrowed)
    study = replace(one_centre.study, path=tmp_path)
    assert write_site(study, one_centre.night, traces).n_written > 10
    with pytest.raises(KeyError):
        read_centre(read.PublishedNight(one_centre.night), "nowhere")
