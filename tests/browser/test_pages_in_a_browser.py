"""What a person meets: sight, keyboard, screen reader, narrow screens, dark, print, no script."""

from __future__ import annotations

import csv
import re
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from quietsleep import contract
from quietsleep.site.folder import test_file as file_of_test
from quietsleep.site.packing import pieces_of
from tests.browser.windows import found_by_axe
from tests.site.nights import SIXTY

TEST = "a rejected test"
KINDS = {
    "centre": "willow/index.html",
    "late centre": "sedge/index.html",
    "empty centre": "rowan/index.html",
    "test": TEST,
    "month": "willow/months/2026-03.html",
    "all tests": "willow/tests.html",
    "all sessions": "willow/sessions.html",
    "session": "willow/sessions/willow-s012.html",
    "letter": "willow/letters/2026-02.html",
    "words": "willow/dictionary.html",
    "equipment": "willow/equipment.html",
    "own results": "willow/agreement.html",
    "rule book": "willow/rules.html",
    "overview": "overview/index.html",
    "conservation": "overview/conservation.html",
    "what is missing": "overview/missing.html",
    "what reasons cost": "overview/reasons.html",
    "comparability": "overview/comparability.html",
    "overview equipment": "overview/equipment.html",
    "overview agreement": "overview/agreement.html",
    "changes": "overview/changes.html",
    "tables": "dictionary/index.html",
    "quantities": "dictionary/quantities.html",
    "limits to confirm": "dictionary/limits.html",
    "sources": "dictionary/sources.html",
    "queries": "dictionary/queries.html",
}


def file_of(night: Any, kind: str) -> Path:
    """Return the page of a kind; the rejected test is one with a rejected trial."""
    if KINDS.get(kind, kind) != TEST:
        path: Path = night.pages / KINDS[kind]
        return path
    lost = night.rows("tests", centre="willow", technique="single_occlusion", status="rejected")
    test = next(t for t in reversed(lost) if t["n_rejected"])
    path = night.pages / f"willow/tests/{test['session']}--single_occlusion.html"
    assert path.is_file()
    return path


def draw_traces(page: Any) -> None:
    page.wait_for_selector("figure.trace[data-drawn]", timeout=60_000)


DARK = ("centre", "test", "equipment", "own results", "rule book", "overview", "comparability",
        "what reasons cost", "changes", "all tests", "session", "letter", "words")  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
def test_axe_finds_nothing(kind: str, night: Any, visit: Any) -> None:
    page = visit(color_scheme="light").open(file_of(night, kind))
    page.evaluate("for (const d of document.querySelectorAll('details')) d.open = true")
    if kind == "test":
        draw_traces(page)
    assert found_by_axe(page) == []
    if kind in DARK:
        page.emulate_media(color_scheme="dark")
        assert page.evaluate("matchMedia('(prefers-color-scheme: dark)').matches")
        assert found_by_axe(page, of_colours=True) == [], "dark"


@pytest.mark.parametrize("kind", KINDS)
def test_every_page_fits_a_telephone_and_has_its_landmarks(
    kind: str, night: Any, visit: Any
) -> None:
    page = visit(viewport={"width": 380, "height": 800}).open(file_of(night, kind))
    if kind == "test":
        draw_traces(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= 380
    page.set_viewport_size({"width": 768, "height": 1000})
    assert page.evaluate("document.documentElement.scrollWidth") <= 768
    for landmark in ("main", "h1", "body > header", "body > footer"):
        assert page.locator(landmark).count() == 1, landmark
    levels = page.evaluate("[...document.querySelectorAll('h1,h2,h3')].map(h => +h.tagName[1])")
    assert levels[0] == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))


def test_what_needs_action_is_the_first_thing_seen(night: Any, visit: Any) -> None:
    page = visit().open(night.pages / "willow/index.html")
    assert page.locator("h1").inner_text() == "What needs action"
    first = page.locator(".action").first.bounding_box()
    assert first["y"] + 60 < 900
    assert page.locator("#counts").bounding_box()["y"] > first["y"]
    order = page.evaluate("[...document.querySelectorAll('.group')].map(g => g.id)")
    assert order[:2] == ["safety_alert", "recording_held"]


def test_a_rejected_test_opens_with_one_click_and_shows_its_fault(night: Any, visit: Any) -> None:
    page = visit().open(night.pages / "willow/index.html")
    page.locator(f"table.list a[href$='{file_of(night, TEST).name}']").click()
    draw_traces(page)
    figure = page.locator("figure.trace.open")
    assert figure.count() == 1
    faults = set(figure.get_attribute("data-faults").split())
    script = page.locator("script[src*='/traces/']").get_attribute("src")
    text = (file_of(night, TEST).parent / script).read_text("ascii")
    head = pieces_of(text)[1][int(figure.get_attribute("data-at"))].head
    marked = [m for m in head["marks"] if faults & set(m[4].split())]
    assert faults and marked
    drawn = figure.locator(".panels .mark.fault title").all_text_contents()
    assert drawn and set(drawn) <= {m[1] for m in marked}
    low, high = (float(t) for t in figure.get_attribute("data-range").split())
    in_time = [x for m in marked if m[0] != "loop" for x in m[2]]
    assert any(low <= x <= high for x in in_time)
    assert figure.locator(".band-of").count() > 0
    assert figure.locator("svg.drawn").count() == 3
    assert "▲" in figure.locator("figcaption").inner_text()
    said = page.locator(".trial:visible .faults").first.inner_text()
    assert re.search(r"Observed\n.*\nLimit\n", said)


def test_every_picture_has_words_and_the_zoom_has_buttons_and_keys(night: Any, visit: Any) -> None:
    page = visit().open(file_of(night, TEST))
    draw_traces(page)
    figure = page.locator("figure.trace.open")
    assert "against time" in figure.locator("svg.drawn").first.get_attribute("aria-label")

    def width() -> float:
        low, high = (float(t) for t in figure.get_attribute("data-range").split())
        return high - low

    figure.get_by_role("button", name="Whole trace").click()
    whole = width()
    figure.get_by_role("button", name="Zoom in").focus()
    page.keyboard.press("Enter")
    assert width() == pytest.approx(whole / 2, abs=0.002)
    figure.locator(".time").focus()
    page.keyboard.press("+")
    assert width() == pytest.approx(whole / 4, abs=0.002)
    page.keyboard.press("0")
    assert width() == pytest.approx(whole, abs=0.002)
    box = figure.locator(".panels svg").bounding_box()
    page.mouse.move(box["x"] + box["width"] * 0.4, box["y"] + 60)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.6, box["y"] + 60)
    page.mouse.up()
    assert 0.15 * whole < width() < 0.3 * whole
    figure.get_by_role("button", name=re.compile("Show the")).click()
    assert figure.locator(".band-of").count() > 0


def test_filters_narrow_the_list_and_travel_in_the_link(night: Any, visit: Any) -> None:
    one = visit()
    page = one.open(night.pages / "larch/index.html")
    whole = page.locator("table.list tbody tr:visible").count()
    option = page.locator("select[name=technique] option", has_text="Single occlusion")
    said = int(re.search(r"\((\d+)\)", option.inner_text()).group(1))  # type: ignore[union-attr]
    page.select_option("select[name=technique]", option.get_attribute("value"))
    assert page.locator("table.list tbody tr:visible").count() == said < whole
    assert page.locator(".shown").inner_text() == f"{said} tests of {whole}"
    month = page.locator("select[name=month] option").nth(1).get_attribute("value")
    page.select_option("select[name=month]", month)
    both = page.locator("table.list tbody tr:visible").count()
    assert both <= said
    link = page.url
    assert "technique=single_occlusion" in link and "month=2026-" in link
    again = visit().page
    again.goto(link)
    assert again.locator("table.list tbody tr:visible").count() == both
    again.get_by_role("button", name="Show all").click()
    again.wait_for_function(
        f"() => document.querySelector('.shown').textContent === '{whole} tests'"
    )


def test_columns_sort(night: Any, visit: Any) -> None:
    page = visit().open(night.pages / "willow/index.html")
    page.get_by_role("button", name="Tested").click()
    shown = page.locator("table.list tbody .when").all_inner_texts()
    days = [datetime.strptime(text, "%d %b %Y") for text in shown]
    assert days == sorted(days) and days[0] < days[-1]
    assert page.locator("th[aria-sort=ascending]").count() == 1
    page.get_by_role("button", name="Tested").click()
    assert page.locator("table.list tbody .when").first.inner_text() == shown[-1]


def test_a_list_is_searched_turned_over_and_remembered(night: Any, visit: Any) -> None:
    page = visit().open(night.pages / "willow/tests.html")
    tests = night.rows("tests", centre="willow")
    rows = page.locator("table.list tbody tr")
    assert (len(tests), rows.count()) == (72, 50)
    assert page.locator(".shown").inner_text() == "1 to 50 of 72 tests"
    page.get_by_role("button", name="On", exact=True).focus()
    page.keyboard.press("Enter")
    assert page.locator(".shown").inner_text() == "51 to 72 of 72 tests"
    assert page.evaluate("document.activeElement.textContent") == "On"
    assert rows.count() == 22 and "page=2" in page.url
    page.get_by_role("searchbox").fill("leak willow-s004")
    assert rows.count() == 1 and "page=" not in page.url
    assert "Tidal breathing" in rows.first.inner_text()
    rows.first.get_by_role("link", name="Tidal breathing").click()
    page.wait_for_url("**/tests/**")
    page.go_back()
    page.wait_for_function("() => document.querySelectorAll('table.list tbody tr').length === 1")
    assert page.get_by_role("searchbox").input_value() == "leak willow-s004"


def test_what_is_shown_is_saved_as_csv(night: Any, visit: Any) -> None:
    page = visit(accept_downloads=True).open(night.pages / "willow/tests.html")
    page.select_option("select[name=status]", "lost")
    with page.expect_download() as saved:
        page.get_by_role("button", name="Save what is shown").click()
    text = Path(saved.value.path()).read_text(encoding="utf-8-sig")
    head, *rows = csv.reader(text.splitlines())
    lost = [t for t in night.rows("tests", centre="willow") if t["status"] != "accepted"]
    assert head == ["Session", "Test", "Status", "Tested", "Operator", "Why not"]
    assert sorted(row[0] for row in rows) == sorted(t["session"] for t in lost)


def test_a_reason_leads_to_the_tests_that_it_cost(night: Any, visit: Any) -> None:
    page = visit().open(night.pages / "willow/index.html")
    page.get_by_role("link", name="Tidal breathing: leak").click()
    page.wait_for_url("**/tests.html#*")
    rows = page.locator("table.list tbody tr")
    assert rows.count() == 1 and "leak 15" in rows.first.inner_text()


def test_what_needs_action_is_on_the_screen_of_a_telephone(night: Any, visit: Any) -> None:
    page = visit(viewport={"width": 390, "height": 844}).open(night.pages / "willow/index.html")
    for part in (".action h3", ".action .todo"):
        box = page.locator(part).first.bounding_box()
        assert box["y"] + box["height"] <= 844 and box["x"] + box["width"] <= 390, part


PRINTED = ("centre", "all tests", "session", "letter", "words", "month", "equipment", "rule book",
           "own results")  # fmt: skip


@pytest.mark.parametrize("kind", PRINTED)
def test_nothing_is_cut_on_paper(kind: str, night: Any, visit: Any) -> None:
    """A sheet of A4 between its margins is 695 points of the screen wide."""
    page = visit(viewport={"width": 695, "height": 1010}).open(file_of(night, kind))
    page.emulate_media(media="print")
    page.evaluate("dispatchEvent(new Event('beforeprint'))")
    assert (
        page.evaluate("""[...document.querySelectorAll('main *')].filter((e) => {
        const box = e.getBoundingClientRect();
        const hidden = e.closest('svg, details:not([open])') || e.matches('.unseen');
        return !hidden && box.right > innerWidth + 1;
    }).map((e) => e.outerHTML.slice(0, 80))""")
        == []
    )
    pages = len(re.findall(rb"/Type\s*/Page[^s]", page.pdf(prefer_css_page_size=True)))
    assert kind != "letter" or pages == 1


def test_keyboard_alone_reaches_a_trace(night: Any, visit: Any) -> None:
    page = visit().open(night.pages / "willow/index.html")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.closest('main') !== null")
    for _ in range(200):
        page.keyboard.press("Tab")
        href = page.evaluate("document.activeElement.getAttribute('href') || ''")
        if href == f"tests/{file_of(night, TEST).name}":
            break
    assert href.startswith("tests/")
    ring = page.evaluate("getComputedStyle(document.activeElement).outlineWidth")
    assert ring == "3px"
    page.keyboard.press("Enter")
    page.wait_for_url("**/tests/**")
    draw_traces(page)


def test_the_list_is_whole_without_scripts(night: Any, visit: Any) -> None:
    page = visit(java_script_enabled=False).open(night.pages / "willow/index.html")
    lost = [t for t in night.rows("tests", centre="willow") if t["status"] != "accepted"]
    assert page.locator("table.list tbody tr").count() == len(lost)
    assert not page.locator("form.filters").is_visible()
    page = visit(java_script_enabled=False).open(file_of(night, TEST))
    assert page.locator("noscript").count() == 1
    assert page.locator(".faults").first.is_visible()


@pytest.mark.parametrize("width", [1400, 380])
def test_a_link_to_a_trial_lands_on_it_and_nothing_jumps(
    width: int, night: Any, visit: Any
) -> None:
    """Layout that moves after the first paint is summed up as the browser sums it (CLS)."""
    one = visit(viewport={"width": width, "height": 900})
    one.page.add_init_script(
        "window.moved = 0; new PerformanceObserver((list) => { for (const e of list.getEntries())"
        " if (!e.hadRecentInput) window.moved += e.value; })"
        ".observe({type: 'layout-shift', buffered: true});"
    )
    page = one.open(file_of(night, TEST), "#trial-2")
    page.wait_for_selector("#trial-2 figure[data-drawn]")
    # The page may scroll smoothly.
    page.wait_for_timeout(1200)
    assert page.locator(".trial:visible").count() == 1
    assert -2 <= page.locator("#trial-2").bounding_box()["y"] <= 40
    assert page.evaluate("window.moved") < 0.05
    assert page.locator(".small a[aria-current]").get_attribute("href") == "#trial-2"
    assert page.locator(".send input").input_value().endswith(file_of(night, TEST).name)
    page.locator(".small a").last.click()
    page.wait_for_function("() => document.querySelector('.trial:target figure[data-drawn]')")
    assert page.evaluate("window.moved") < 0.05


def test_hostile_text_does_nothing(hostile_pages: Path, visit: Any) -> None:
    files = [hostile_pages / "willow/index.html", hostile_pages / "willow/equipment.html",
             hostile_pages / "willow/agreement.html", hostile_pages / "overview/index.html",
             *sorted((hostile_pages / "willow/tests").iterdir())[:3]]  # fmt: skip
    for file in files:
        page = visit().open(file)
        if page.locator("figure.trace").count():
            draw_traces(page)
        assert page.evaluate("window.hacked") is None
        assert page.locator("img").count() == 0
        assert "[U+202E]" in page.locator("body").inner_text() or "test" not in file.name


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_print_is_black_on_white_and_leaves_out_what_paper_cannot_do(
    scheme: str, night: Any, visit: Any
) -> None:
    page = visit(color_scheme=scheme).open(night.pages / "willow/index.html")
    page.emulate_media(media="print", color_scheme=scheme)
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert page.evaluate("getComputedStyle(document.body).color") == "rgb(0, 0, 0)"
    assert not page.locator("form.filters").is_visible()
    assert page.locator(".foot .caution").is_visible()
    assert len(page.pdf()) > 20_000


def test_500_sessions_filter_at_once(crowded: Path, visit: Any) -> None:
    page = visit().open(crowded / "willow/index.html")
    assert page.locator(".shown").inner_text().startswith("1 to 50 of ")
    took_ms = page.evaluate("""() => {
        const s = document.querySelector('select[name=technique]');
        const began = performance.now();
        s.selectedIndex = 1;
        s.dispatchEvent(new Event('change', {bubbles: true}));
        document.body.offsetHeight;
        return performance.now() - began;
    }""")
    assert took_ms < 1500


def test_sixty_trials_draw_only_what_is_seen(long_session: Path, visit: Any) -> None:
    page = visit().open(long_session / SIXTY)
    draw_traces(page)
    assert page.locator(".small a").count() == 60
    assert page.locator("figure.trace[data-drawn]").count() == 1
    page.locator(".small a").last.click()
    page.wait_for_selector("#trial-60 figure[data-drawn]")


def test_a_dark_screen_and_paper_change_the_colour_of_a_trace(night: Any, visit: Any) -> None:
    page = visit(color_scheme="light").open(file_of(night, TEST))
    draw_traces(page)
    colour = "getComputedStyle(document.querySelector('figure.open .line')).stroke"
    light = page.evaluate(colour)
    page.emulate_media(color_scheme="dark")
    assert page.evaluate(colour) != light
    page.emulate_media(color_scheme="dark", media="print")
    assert page.evaluate(colour) == "rgb(0, 0, 0)"


@pytest.mark.parametrize("technique", sorted(contract.TECHNIQUES))
def test_a_test_prints_on_two_sheets_with_its_trace(technique: str, night: Any, visit: Any) -> None:
    tests = night.rows("tests", technique=technique)
    test = next((t for t in tests if t["n_rejected"]), tests[0])
    page = visit().open(night.pages / test["centre"] / file_of_test(test["test"]))
    page.wait_for_selector("figure.open[data-drawn]")
    edge = dict.fromkeys(("top", "right", "bottom", "left"), "10mm")
    sheets = page.pdf(format="A4", margin=edge)
    assert len(re.findall(rb"/Type\s*/Page\b", sheets)) <= 2
    page.set_viewport_size({"width": 718, "height": 1000})
    page.emulate_media(media="print")
    assert page.evaluate("document.documentElement.scrollWidth") <= 718
    assert page.locator("figure.trace:visible svg.drawn").first.bounding_box()["height"] > 150
    assert page.locator(".small svg:visible").count() == 2 * test["n_trials"]


def test_the_values_of_a_strip_are_walked_and_opened(night: Any, visit: Any) -> None:
    page = visit().open(file_of(night, TEST))
    page.wait_for_selector(".values-strip[data-drawn]")
    strip = page.locator(".values-strip").first
    assert strip.locator(".limit").count() >= 1
    strip.locator("a[tabindex='0']").focus()
    page.keyboard.press("ArrowRight")
    href = page.evaluate("document.activeElement.getAttribute('href')")
    assert re.search(r"tests/.*\.html#trial-\d+$", href)
    page.keyboard.press("Enter")
    page.wait_for_url("**/tests/*.html#trial-*")
    assert page.locator(".trial:visible").count() == 1


def test_a_turned_telephone_redraws_the_traces_to_its_width(night: Any, visit: Any) -> None:
    page = visit(viewport={"width": 1200, "height": 800}).open(file_of(night, TEST))
    draw_traces(page)
    page.set_viewport_size({"width": 380, "height": 800})
    page.wait_for_function(
        "() => document.querySelector('figure.open svg.drawn').viewBox.baseVal.width < 380"
    )
    assert page.evaluate("document.documentElement.scrollWidth") <= 380
