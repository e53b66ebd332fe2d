"""Only what changed is rewritten; file names are safe; large centres stay quick and small."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from quietsleep.site import folder
from quietsleep.site.folder import PageFolder, slug
from quietsleep.site.write import write_site
from tests.site.nights import (
    SIXTY,
    CopiedTraces,
    EditedNight,
    WrittenNight,
    copy_of,
    crowded_pages,
    sixty_pages,
)


def stamps(folder: Path) -> dict[str, int]:
    return {
        str(p.relative_to(folder)): p.stat().st_mtime_ns for p in folder.rglob("*") if p.is_file()
    }


@pytest.fixture(scope="module")
def two_centres(demo: WrittenNight, tmp_path_factory: pytest.TempPathFactory) -> WrittenNight:
    """A night of two centres with its pages; do not change it."""
    night = copy_of(demo.made).keep(centres=["willow", "sedge"])
    return night.write(tmp_path_factory.mktemp("two"), CopiedTraces(demo.pages))


def test_an_unchanged_night_rewrites_nothing_and_reads_no_signal(
    two_centres: WrittenNight, traces: CopiedTraces
) -> None:
    first = two_centres.report
    assert first and first.n_traces
    before = stamps(two_centres.pages)
    report = write_site(two_centres.study, two_centres.night, traces)
    assert (report.n_written, report.n_removed) == (0, 0)
    assert report.n_kept == first.n_written
    assert stamps(two_centres.pages) == before
    assert traces.read == []


def test_one_changed_verdict_rewrites_only_the_pages_that_say_it(
    two_centres: WrittenNight, traces: CopiedTraces, tmp_path: Path
) -> None:
    study = shutil.copytree(two_centres.study.path, tmp_path / "study", symlinks=True)
    edited = copy_of(two_centres.made)
    before = stamps(study / "pages")
    verdict = edited.row("verdicts", centre="willow", state="fail", item_kind="trial")
    verdict["sentence"] = "Something else was found."
    edited.write(study, traces, "n000002")
    changed = {name for name, at in stamps(study / "pages").items() if before.get(name) != at}
    page = f"willow/tests/{verdict['session']}--{verdict['technique']}.html"
    assert page in changed
    assert {name for name in changed if "/tests/" in name} == {page}
    assert not any("/traces/" in name or "/assets/" in name for name in changed)


@pytest.mark.parametrize("part", ["words.py", "pages/test.py", "templates/test.html.jinja",
                                  "static/style.css"])  # fmt: skip
def test_a_change_of_page_code_template_or_style_renews_the_pages(
    part: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    source = Path(folder.__file__).parent
    shutil.copytree(source, tmp_path / "site", ignore=shutil.ignore_patterns("__pycache__"))
    monkeypatch.setattr(folder, "files", lambda _package: tmp_path / "site")
    before = folder.fingerprint.__wrapped__()
    (tmp_path / "site" / part).write_text("changed", encoding="utf-8")
    assert folder.fingerprint.__wrapped__() != before


def test_what_is_no_longer_said_is_removed_and_what_was_damaged_is_mended(tmp_path: Path) -> None:
    def write(names: list[str]) -> PageFolder:
        folder = PageFolder(tmp_path / "pages", tmp_path / "list.json", {})
        for name in names:
            folder.put(name, "same", lambda: "<p>whole</p>")
        folder.finish()
        return folder

    write(["index.html", "tests/a.html"])
    (tmp_path / "pages/index.html").write_text("<p>cut", encoding="utf-8")
    second = write(["index.html"])
    assert second.written == ["index.html"]
    assert second.n_removed == 1
    assert [p.name for p in (tmp_path / "pages").iterdir()] == ["index.html"]


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("A", "a"),
        ("a b", "a-b"),
        ("a--b", "a-b"),
        ("é", "e"),
        ("../x", "x"),
        ("a" * 300, "a" * 301),
    ],
)
def test_file_names_are_safe_and_never_shared(one: str, other: str) -> None:
    assert slug(one) != slug(other)
    assert slug("a--b", "c") != slug("a", "b--c")
    for name in (one, other):
        assert len(slug(name)) < 90
        assert set(slug(name)) <= set("abcdefghijklmnopqrstuvwxyz0123456789-_")
        assert slug(name).lower() == slug(name)


def test_a_large_centre_is_written_in_seconds_with_pages_below_a_megabyte(
    demo: WrittenNight, tmp_path_factory: pytest.TempPathFactory
) -> None:
    _, made = crowded_pages(tmp_path_factory, demo)
    assert made.n_sessions > 500
    assert made.again.n_written == 0
    assert made.first.n_written > 1000
    assert made.first.largest_page_bytes < 1_000_000
    # Measured: about 3 s of computing, whatever else the machine does.
    assert made.first_s < 30
    assert made.again_s < made.first_s


def test_sixty_trials_fit_one_page(
    demo: WrittenNight, tmp_path_factory: pytest.TempPathFactory
) -> None:
    pages = sixty_pages(tmp_path_factory, demo)
    text = (pages / SIXTY).read_text(encoding="utf-8")
    assert text.count('<section class="trial') == 60
    assert len(text) < 1_000_000
    assert max(p.stat().st_size for p in (pages / "willow/traces").iterdir()) < 600_000


def test_study_title_change_rewrites_pages(
    edited: EditedNight, traces: CopiedTraces, tmp_path: Path
) -> None:
    first = edited.keep(centres=["willow"], techniques=["tidal"]).write(tmp_path, traces)
    renamed = replace(first.study, title="Another title")
    report = write_site(renamed, first.night, traces)
    assert "Another title" in (first.pages / "willow/index.html").read_text(encoding="utf-8")
    assert report.n_traces == 0
