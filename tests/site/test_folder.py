"""Only what changed is rewritten; file names are safe; large centres stay quick and small."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from quietsleep.site.folder import PageFolder, slug
from quietsleep.site.traces import draw_with
from quietsleep.site.write import write_pages


def stamps(folder: Path) -> dict[str, int]:
    return {
        str(p.relative_to(folder)): p.stat().st_mtime_ns for p in folder.rglob("*") if p.is_file()
    }


def test_an_unchanged_night_rewrites_nothing_and_reads_no_signal(
    writer: Any, plan_of: Any, tmp_path: Path
) -> None:
    first = writer(tmp_path, [plan_of("larch", 4), plan_of("rowan", 2)])
    before = stamps(first.pages)
    first.loader.read.clear()
    report = write_pages(first.study, first.night, draw_with(first.loader))
    assert (report.n_written, report.n_removed) == (0, 0)
    assert report.n_kept == first.report.n_written
    assert stamps(first.pages) == before
    assert first.loader.read == []


def test_one_changed_verdict_rewrites_only_the_pages_that_say_it(
    writer: Any, plan_of: Any, frames: Any, tmp_path: Path
) -> None:
    first = writer(tmp_path, [plan_of("larch", 6), plan_of("rowan", 3)])
    before = stamps(first.pages)
    verdict = next(
        v for v in first.rows("verdicts", centre="larch", state="fail", item_kind="trial")
    )
    verdict["sentence"] = "Something else was found."
    first.made.tables["nights"][0]["night"] = "2026-03-31"
    night = frames.publish_invented(tmp_path, first.made, night="2026-03-31")
    write_pages(first.study, night, draw_with(first.loader))
    changed = {name for name, at in stamps(first.pages).items() if before.get(name) != at}
    page = f"larch/tests/{verdict['session']}--{verdict['technique']}.html"
    assert page in changed
    assert {name for name in changed if "/tests/" in name} == {page}
    assert not any("/traces/" in name or "/assets/" in name for name in changed)


def test_what_is_no_longer_said_is_removed_and_what_was_damaged_is_mended(tmp_path: Path) -> None:
    def write(names: list[str]) -> PageFolder:
        folder = PageFolder(tmp_path / "pages", tmp_path / "list.json")
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
    frames: Any, plan_of: Any, tmp_path: Path
) -> None:
    plans = [plan_of("larch", 500, techniques=("tidal", "single_occlusion"), n_trials=4)]
    night = frames.publish_invented(tmp_path, frames.invent(plans))
    study = frames.study_at(tmp_path, plans)
    began = time.perf_counter()
    report = write_pages(study, night)
    first_s = time.perf_counter() - began
    assert report.n_written > 1000
    assert report.largest_page_bytes < 1_000_000
    # Measured: about 3 s; the bound leaves room for a machine that does other things.
    assert first_s < 30
    began = time.perf_counter()
    assert write_pages(study, night).n_written == 0
    assert time.perf_counter() - began < first_s


def test_sixty_trials_fit_one_page(writer: Any, plan_of: Any, tmp_path: Path) -> None:
    written = writer(tmp_path, [plan_of("larch", 1, n_trials=60, held_sessions=0,
                                        techniques=("single_occlusion",))])  # fmt: skip
    page = written.pages / "larch/tests/larch-s0000--single_occlusion.html"
    text = page.read_text(encoding="utf-8")
    assert text.count('<details class="trial"') == 60
    assert len(text) < 1_000_000
    assert text.count('" open>') <= 12
    assert max(p.stat().st_size for p in (written.pages / "larch/traces").iterdir()) < 300_000


def test_study_title_change_rewrites_pages(writer: Any, plan_of: Any, tmp_path: Path) -> None:
    first = writer(tmp_path, [plan_of("larch", 2)])
    renamed = replace(first.study, title="Another title")
    report = write_pages(renamed, first.night, draw_with(first.loader))
    assert "Another title" in (first.pages / "larch/index.html").read_text(encoding="utf-8")
    assert report.n_traces == 0
