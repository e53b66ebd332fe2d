"""The coordinating centre at eight in the morning: where the five answers stand, on any screen."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.browser.windows import found_by_axe

PAGES = (
    "index",
    "conservation",
    "missing",
    "reasons",
    "equipment",
    "comparability",
    "agreement",
    "changes",
)
# An A4 sheet on its side, less its margins, in points of the screen.
SHEET = {"width": 1031, "height": 703}
CHARTS = ("index", "comparability", "agreement")


@pytest.mark.parametrize(
    ("width", "height", "screens"), [(1440, 900, 1), (390, 844, 3)], ids=["desk", "telephone"]
)
def test_the_five_answers_are_seen_at_once(
    width: int, height: int, screens: int, night: Any, visit: Any
) -> None:
    page = visit(viewport={"width": width, "height": height}).open(
        night.pages / "overview/index.html"
    )
    answers = page.locator(".answer")
    assert answers.count() == 5
    for i in range(5):
        for part in ("h2", ".number strong", ".sentence", "figure", "a"):
            box = answers.nth(i).locator(part).first.bounding_box()
            assert box["y"] + box["height"] <= screens * height, (i, part, box)
            assert box["x"] >= 0 and box["x"] + box["width"] <= width, (i, part, box)
    assert page.locator("#heartbeat").bounding_box()["y"] < height


def test_what_needs_action_is_on_the_screen_of_a_telephone(night: Any, visit: Any) -> None:
    page = visit(viewport={"width": 390, "height": 844}).open(night.pages / "overview/index.html")
    cells = page.locator(".matrix td.asked")
    assert cells.count() == len(night.rows("centres"))
    for i in range(cells.count()):
        box = cells.nth(i).bounding_box()
        assert box["x"] + box["width"] <= 390
    assert page.evaluate("document.documentElement.scrollWidth") <= 390


def test_the_head_of_the_matrix_stays_and_its_first_column_too(night: Any, visit: Any) -> None:
    page = visit(viewport={"width": 390, "height": 300}).open(night.pages / "overview/index.html")
    moved = page.evaluate("""() => {
        const box = document.querySelector('.matrix');
        const head = box.querySelector('thead th');
        const name = box.querySelector('tbody tr:last-child th');
        box.scrollTop = 60; box.scrollLeft = 120;
        const edge = box.getBoundingClientRect();
        return [box.scrollTop, box.scrollLeft, head.getBoundingClientRect().top - edge.top,
            name.getBoundingClientRect().left - edge.left];
    }""")
    top, left, head, name = moved
    assert top > 0 and left > 0
    assert 0 <= head <= 2 and 0 <= name <= 2


@pytest.mark.parametrize("name", PAGES)
def test_nothing_is_cut_on_paper(name: str, night: Any, visit: Any) -> None:
    page = visit(viewport=SHEET).open(night.pages / f"overview/{name}.html")
    page.evaluate("for (const d of document.querySelectorAll('details')) d.open = true")
    page.emulate_media(media="print")
    beyond = page.evaluate("""() => [...document.querySelectorAll('main *')]
        .filter(e => !e.closest('.unseen, svg') && e.getBoundingClientRect().right > innerWidth + 1)
        .map(e => e.outerHTML.slice(0, 120))""")
    assert beyond == []


@pytest.mark.parametrize("width", [1440, 390])
@pytest.mark.parametrize("name", CHARTS)
def test_words_on_charts_never_stand_on_each_other(
    name: str, width: int, night: Any, visit: Any
) -> None:
    page = visit(viewport={"width": width, "height": 900}).open(
        night.pages / f"overview/{name}.html"
    )
    page.evaluate("for (const d of document.querySelectorAll('details')) d.open = true")
    touching = page.evaluate("""() => {
        const found = [];
        for (const chart of document.querySelectorAll('svg.chart')) {
            const texts = [...chart.querySelectorAll('text')].filter(t => t.textContent.trim());
            const boxes = texts.map(t => t.getBoundingClientRect());
            // Boxes of letters are higher than the letters.
            for (let i = 0; i < boxes.length; i++) for (let j = i + 1; j < boxes.length; j++) {
                const a = boxes[i], b = boxes[j], slack = 0.3 * Math.min(a.height, b.height);
                if (a.left < b.right - 0.5 && b.left < a.right - 0.5 &&
                    a.top < b.bottom - slack && b.top < a.bottom - slack)
                    found.push([chart.getAttribute('aria-label').slice(0, 50),
                        texts[i].textContent, texts[j].textContent]);
            }
        }
        return found;
    }""")
    assert touching == []


def test_queries_are_searched(night: Any, visit: Any) -> None:
    page = visit().open(night.pages / "overview/index.html")
    whole = page.locator(".asked-list li:visible").count()
    waiting = [q for q in night.rows("queries") if q["state"] == "open"]
    assert whole == len(waiting)
    page.locator("input[type=search]").fill("willow slip")
    shown = page.locator(".asked-list li:visible").count()
    assert 0 < shown < whole
    said = page.locator("form.find [role=status]").inner_text()
    assert said == f"{shown} of {whole} queries shown"
    assert all("Willow" in t for t in page.locator(".asked-list li:visible").all_inner_texts())
    page.locator("input[type=search]").fill("")
    assert page.locator(".asked-list li:visible").count() == whole


def test_without_scripts_everything_is_there(night: Any, visit: Any) -> None:
    page = visit(java_script_enabled=False).open(night.pages / "overview/index.html")
    assert not page.locator("form.find").is_visible()
    assert page.locator(".asked-list li:visible").count() > 10
    assert page.locator(".answer svg").count() >= 4


def test_a_link_to_a_folded_reason_opens_it(night: Any, visit: Any) -> None:
    one = visit()
    page = one.open(night.pages / "overview/reasons.html")
    key = page.evaluate("[...document.querySelectorAll('.ranked')].at(-1).id")
    assert not page.locator(f"#{key}").is_visible()
    page = visit().open(night.pages / "overview/reasons.html", f"#{key}")
    assert page.locator(f"#{key}").is_visible()


@pytest.mark.parametrize("name", PAGES)
def test_forced_colours_leave_words_and_shapes(name: str, night: Any, visit: Any) -> None:
    page = visit(forced_colors="active").open(night.pages / f"overview/{name}.html")
    assert found_by_axe(page) == []
    # Each mark of a cell and each tone of an answer has a word.
    for text in page.locator(".cell > span:not(.unseen), .answer .sign").all_inner_texts():
        assert any(letter.isalpha() for letter in text)


@pytest.mark.parametrize("name", PAGES)
def test_every_page_of_the_coordinating_centre_links_the_dictionary(
    name: str, night: Any, visit: Any
) -> None:
    page = visit().open(night.pages / f"overview/{name}.html")
    page.get_by_role("navigation").get_by_role("link", name="Dictionary").click()
    assert Path(page.url.removeprefix("file://")).parts[-2:] == ("dictionary", "index.html")
