"""A real browser on the pages of the demo night; never skipped in silence."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from quietsleep.night.night import NightReport
from quietsleep.warehouse.current import current_night
from tests.browser.find_browser import KINDS, LEFT_OUT, Kind, is_left_out
from tests.browser.windows import Browsers, Window, open_browsers
from tests.shared import made_once
from tests.site.nights import (
    CopiedTraces,
    WrittenNight,
    copy_of,
    crowded_pages,
    nasty,
    read_night,
    sixty_pages,
)

NOBODY_LOOKS = f"{LEFT_OUT}=1: nobody has looked at the pages in a browser"


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    here = Path(__file__).parent
    wanted = {"browser", "browsers"}
    own = [
        item for item in items
        if here in item.path.parents and wanted & {*getattr(item, "fixturenames", ())}
    ]  # fmt: skip
    for item in own:
        item.add_marker(pytest.mark.browser)
    if is_left_out():
        for item in own:
            item.add_marker(pytest.mark.skip(reason=NOBODY_LOOKS))


@pytest.fixture(scope="session")
def browsers() -> Iterator[Browsers]:
    """All browsers of the run: there may be one playwright in a process."""
    with open_browsers() as found:
        yield found


@pytest.fixture(scope="session")
def browser(browsers: Browsers) -> Any:
    try:
        return browsers.chromium()
    except LookupError as error:
        pytest.fail(str(error))


@pytest.fixture(params=KINDS, ids=lambda kind: kind.title)
def kind(request: pytest.FixtureRequest) -> Kind:
    found: Kind = request.param
    return found


@pytest.fixture
def window(browsers: Browsers, kind: Kind) -> Iterator[Window]:
    """One window of each browser, which may not complain."""
    try:
        opened = browsers.window(kind)
    except LookupError as error:
        pytest.fail(str(error))
    yield opened
    said = opened.complaints()
    opened.close()
    assert said == []


@pytest.fixture(scope="session")
def demo(demo_night: tuple[Path, NightReport]) -> WrittenNight:
    """The demo night with its pages."""
    made = read_night(demo_night[0])
    return WrittenNight(made.study, current_night(demo_night[0]), made)


@pytest.fixture(scope="session")
def night(demo: WrittenNight, tmp_path_factory: pytest.TempPathFactory) -> WrittenNight:
    """The demo night with one of its centres late: one with every technique, one with nothing."""

    def make(path: Path) -> WrittenNight:
        made = copy_of(demo.made)
        made.row("centres", centre="sedge")["state"] = "late"
        return made.write(path, CopiedTraces(demo.pages))

    return made_once(tmp_path_factory, "browser-night", make)[1]


@pytest.fixture(scope="session")
def crowded(demo: WrittenNight, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One centre with 500 sessions, no traces."""
    return crowded_pages(tmp_path_factory, demo)[0]


@pytest.fixture(scope="session")
def hostile_pages(demo: WrittenNight, tmp_path_factory: pytest.TempPathFactory) -> Path:
    text = '<img src=x onerror="window.hacked=1"><script>window.hacked=1</script>\u202e=1+1'
    made = nasty(copy_of(demo.made).keep(centres=["willow"], techniques=["tidal"]), text)
    draw = CopiedTraces(demo.pages, lambda name, index: (name.replace(text, ""), index))
    return made.write(tmp_path_factory.mktemp("hostile"), draw).pages


@pytest.fixture(scope="session")
def long_session(demo: WrittenNight, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return sixty_pages(tmp_path_factory, demo)


class Visit:
    """One page in the browser, with everything it complained of or asked for."""

    def __init__(self, browser: Any, **context: Any) -> None:
        self.context = browser.new_context(
            **({"viewport": {"width": 1400, "height": 900}} | context)
        )
        self.page = self.context.new_page()
        self.complaints: list[str] = []
        self.asked: list[str] = []
        self.page.on("pageerror", lambda e: self.complaints.append(str(e)))
        self.page.on(
            "console", lambda m: self.complaints.append(m.text) if m.type == "error" else None
        )
        self.page.on("request", lambda r: self.asked.append(r.url))

    def open(self, path: Path, anchor: str = "") -> Any:
        self.page.goto(path.as_uri() + anchor)
        return self.page


@pytest.fixture
def visit(browser: Any) -> Iterator[Any]:
    made: list[Visit] = []

    def begin(**context: Any) -> Visit:
        made.append(Visit(browser, **context))
        return made[-1]

    yield begin
    for one in made:
        one.context.close()
        assert one.complaints == []
        assert all(url.startswith(("file://", "data:", "blob:")) for url in one.asked)
