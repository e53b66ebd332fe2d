"""The report of a release in a browser: wide, narrow, light, dark, and on paper."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from tests.browser.windows import found_by_axe
from tests.site.nights import report_of


@pytest.fixture(scope="module")
def report(demo_release: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return report_of(tmp_path_factory, demo_release)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing(scheme: str, report: Path, visit: Any) -> None:
    page = visit(color_scheme=scheme).open(report)
    assert found_by_axe(page, of_colours=scheme == "dark") == []


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_pictures_follow_light_and_dark(scheme: str, report: Path, visit: Any) -> None:
    page = visit(color_scheme=scheme).open(report)
    ink, text, box = page.evaluate("""[
        getComputedStyle(document.body).color,
        getComputedStyle(document.querySelector('.plot text')).fill,
        getComputedStyle(document.querySelector('.flow .box')).fill]""")
    assert text == ink != box


@pytest.mark.parametrize("width", [360, 768, 1400])
def test_it_fits_every_width(width: int, report: Path, visit: Any) -> None:
    page = visit(viewport={"width": width, "height": 900}).open(report)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    sizes = page.evaluate("""[...document.querySelectorAll('.flow text, .plot text')]
        .filter((e) => !(e.getAttribute('transform') || '').includes('(-90'))
        .map((e) => e.getBoundingClientRect().height).filter((h) => h)""")
    assert len(sizes) > 500 and min(sizes) >= 8
    out = page.evaluate("""[...document.querySelectorAll('.flow')].flatMap((s) =>
        [...s.querySelectorAll('text')].filter((t) => t.getBoundingClientRect().right
            > s.getBoundingClientRect().right + 1)).map((t) => t.textContent)""")
    assert out == []


def test_nothing_is_cut_on_paper(report: Path, visit: Any) -> None:
    """A sheet of A4 between its margins is 695 points of the screen wide."""
    page = visit(viewport={"width": 695, "height": 1010}, color_scheme="dark").open(report)
    page.emulate_media(media="print")
    cut = page.evaluate("""[...document.querySelectorAll('body *')].filter((e) =>
        !e.closest('svg') && e.getBoundingClientRect().right > innerWidth + 1)
        .map((e) => e.outerHTML.slice(0, 80))""")
    assert cut == []
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert page.evaluate("getComputedStyle(document.querySelector('.plot text')).fill") == (
        "rgb(0, 0, 0)"
    )
    sheets = len(re.findall(rb"/Type\s*/Page\b", page.pdf(prefer_css_page_size=True)))
    assert 10 <= sheets <= 30
