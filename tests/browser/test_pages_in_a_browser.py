"""What a person meets: sight, keyboard, screen reader, narrow screens, dark, print, no script."""

from __future__ import annotations

import csv
import json
import re
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

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
    page.locator("figure.trace").first.scroll_into_view_if_needed()
    page.wait_for_selector("figure.trace[data-drawn]", timeout=20_000)


DARK = ("centre", "test", "equipment", "own results", "rule book", "overview", "all tests",
        "session", "letter", "words")  # fmt: skip


@pytest.mark.parametrize(
    ("kind", "scheme"), [*((k, "light") for k in KINDS), *((k, "dark") for k in DARK)]
)
def test_axe_finds_nothing(kind: str, scheme: str, night: Any, visit: Any) -> None:
    from axe_playwright_python.sync_playwright import Axe

    page = visit(color_scheme=scheme).open(file_of(night, kind))
    page.evaluate("for (const d of document.querySelectorAll('details')) d.open = true")
    if kind == "test":
        draw_traces(page)
    # Reading style sheets again (preload) would be a request, which the pages forbid.
    options = {"resultTypes": ["violations"], "preload": False}
    found = Axe().run(page, options=options).response["violations"]
    said = [f"{v['id']}: {v['help']}: {[n['html'][:160] for n in v['nodes'][:3]]}" for v in found]
    assert said == []


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
    figure = page.locator("figure.trace").first
    faults = set(figure.get_attribute("data-faults").split())
    drawn = figure.evaluate("""(f) => {
        const plot = f.querySelector('.js-plotly-plot');
        return {
            points: plot.data.filter(d => d.marker && d.marker.symbol === 'triangle-down')
                .map(d => [d.x[0], d.y[0], d.yaxis]),
            trial: plot.layout.shapes.filter(s => s.type === 'line').map(s => s.x0),
            loops: f.querySelectorAll('.js-plotly-plot').length,
        }}""")
    assert faults
    start, end = drawn["trial"]
    script = (file_of(night, TEST).parent / figure.get_attribute("data-src")).read_text("ascii")
    trace = json.loads(script.partition(",")[2].removesuffix(");\n"))
    axes = {f"y{i}" if i > 1 else "y": panel["name"] for i, panel in enumerate(trace["panels"], 1)}
    marked = [[mark["axis"], x, y] for mark in trace["marks"] if mark["quantity"] in faults
              for x, y in zip(mark["x"], mark["y"], strict=True)]  # fmt: skip
    in_time = [[axes[axis], x, y] for x, y, axis in drawn["points"] if axis in axes]
    assert in_time and all(point in marked for point in in_time)
    assert start < end
    assert drawn["loops"] == 3
    assert "▲" in figure.locator("figcaption").inner_text()
    said = page.locator(".trial[open] .faults").first.inner_text()
    assert re.search(r"Observed\n.*\nLimit\n", said)


def test_every_picture_has_words_and_the_zoom_has_buttons(night: Any, visit: Any) -> None:
    page = visit().open(file_of(night, TEST))
    draw_traces(page)
    plot = page.locator("figure.trace .js-plotly-plot").first
    assert "against time" in plot.get_attribute("aria-label")
    ranges = "p => document.querySelector('.js-plotly-plot').layout.xaxis.range.map(Number)"
    before = page.evaluate(ranges)
    page.get_by_role("button", name="Zoom in").first.focus()
    page.keyboard.press("Enter")
    after = page.evaluate(ranges)
    assert after[1] - after[0] == pytest.approx((before[1] - before[0]) / 2)
    page.get_by_role("button", name="Whole trace").first.click()
    assert page.evaluate(ranges) == pytest.approx(before)


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
        return !e.closest('svg, details:not([open])') && !e.matches('.unseen') && box.right > innerWidth + 1;
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


def test_a_link_to_a_trial_opens_it(night: Any, visit: Any) -> None:
    page = visit().open(file_of(night, TEST), "#trial-2")
    assert page.locator("#trial-2").evaluate("d => d.open")
    assert page.locator(".send input").input_value().endswith(file_of(night, TEST).name)


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
    page = visit().open(crowded / "larch/index.html")
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


def test_sixty_trials_load_only_what_is_seen(long_session: Path, visit: Any) -> None:
    one = visit()
    page = one.open(long_session / SIXTY)
    draw_traces(page)
    assert page.locator(".strip a").count() == 60
    loaded = [url for url in one.asked if "/traces/" in url]
    assert 0 < len(loaded) < 20
    page.locator(".strip a").last.click()
    page.wait_for_function("() => document.querySelector('#trial-60').open")


def test_new_colours_redraw_the_traces(night: Any, visit: Any) -> None:
    page = visit(color_scheme="light").open(file_of(night, TEST))
    draw_traces(page)
    colour = "document.querySelector('.js-plotly-plot').data[0].line.color"
    light = page.evaluate(colour)
    page.emulate_media(color_scheme="dark")
    page.wait_for_function(f"() => {colour} !== '{light}'")


def test_traces_print_dark_on_white_and_come_back(night: Any, visit: Any) -> None:
    page = visit(color_scheme="dark").open(file_of(night, TEST))
    draw_traces(page)
    look = """() => {
        const plot = document.querySelector('.js-plotly-plot');
        return [plot.data[0].line.color, plot.layout.font.color, plot.layout.width || null];
    }"""
    screen = page.evaluate(look)
    page.evaluate("() => dispatchEvent(new Event('beforeprint'))")
    assert page.evaluate(look) == ["#0a3a55", "#000", 640]
    page.evaluate("() => dispatchEvent(new Event('afterprint'))")
    page.wait_for_function("() => document.querySelector('.js-plotly-plot').layout.width !== 640")
    assert page.evaluate(look)[:2] == screen[:2]


def test_a_turned_telephone_redraws_the_traces_to_its_width(night: Any, visit: Any) -> None:
    page = visit(viewport={"width": 1200, "height": 800}).open(file_of(night, TEST))
    draw_traces(page)
    page.set_viewport_size({"width": 380, "height": 800})
    page.wait_for_function(
        "() => document.querySelector('.js-plotly-plot .main-svg')"
        ".getBoundingClientRect().width < 380"
    )
    assert page.evaluate("document.documentElement.scrollWidth") <= 380
