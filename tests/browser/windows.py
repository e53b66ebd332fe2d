"""A window of a browser, the same for Chromium and Firefox: what a person does with pages."""

from __future__ import annotations

import json
import time
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Protocol

from tests.browser.find_browser import CHROMIUM, FIREFOX, Kind, find_browser
from tests.browser.firefox import Firefox, FirefoxWindow

# A name of this machine that browsers do not trust as they do "localhost".
NAMED = "desk.test"
FLAGS = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage",
         f"--host-resolver-rules=MAP {NAMED} 127.0.0.1"]  # fmt: skip
# A machine that tests, browsers and nights share is slow at times; a page that never comes fails.
SECONDS_TO_WAIT = 120.0


class Window(Protocol):
    """One window with cookies of its own."""

    def open(self, url: str) -> None:
        """Go to an address and wait until the page is there."""

    def resize(self, width: int, height: int) -> None:
        """Give the window another size, in px."""

    def run(self, expression: str) -> Any:
        """Return the value of an expression in the page."""

    def click(self, selector: str) -> None:
        """Click an element."""

    def press(self, key: str) -> None:
        """Press a key by its name."""

    def write(self, selector: str, text: str) -> None:
        """Type a text into a field."""

    def choose(self, selector: str, paths: Sequence[Path]) -> None:
        """Choose files in a field for files."""

    def picture(self, path: Path) -> None:
        """Save what the whole page looks like."""

    def complaints(self) -> list[str]:
        """Return what the page complained of so far."""

    def close(self) -> None:
        """Close the window and forget its cookies."""


class ChromiumWindow:
    """A window of Chromium, driven by playwright."""

    def __init__(self, browser: Any, *, width: int, height: int, **options: Any) -> None:
        self._context = browser.new_context(viewport={"width": width, "height": height}, **options)
        self.page = self._context.new_page()
        self._said: list[str] = []
        self.page.on("pageerror", lambda error: self._said.append(str(error)))
        self.page.on("console", lambda m: self._said.append(m.text) if m.type == "error" else None)

    def open(self, url: str) -> None:
        """Go to an address and wait until the page is there."""
        self.page.goto(url)

    def resize(self, width: int, height: int) -> None:
        """Give the window another size, in px."""
        self.page.set_viewport_size({"width": width, "height": height})

    def run(self, expression: str) -> Any:
        """Return the value of an expression in the page."""
        return self.page.evaluate(f"(async () => await ({expression}))()")

    def click(self, selector: str) -> None:
        """Click an element."""
        self.page.locator(selector).first.click(no_wait_after=True)

    def press(self, key: str) -> None:
        """Press a key by its name."""
        self.page.keyboard.press(key)

    def write(self, selector: str, text: str) -> None:
        """Type a text into a field."""
        self.page.locator(selector).press_sequentially(text)

    def choose(self, selector: str, paths: Sequence[Path]) -> None:
        """Choose files in a field for files."""
        self.page.set_input_files(selector, [str(path) for path in paths])

    def picture(self, path: Path) -> None:
        """Save what the whole page looks like."""
        self.page.screenshot(path=path, full_page=True)

    def complaints(self) -> list[str]:
        """Return what the page complained of so far."""
        return self._said

    def close(self) -> None:
        """Close the window and forget its cookies."""
        self._context.close()


def wait_for(window: Window, expression: str) -> None:
    """Wait until an expression is true in the page, also across pages."""
    until = time.monotonic() + SECONDS_TO_WAIT
    while True:
        try:
            if window.run(expression):
                return
            said = window.run("location.pathname + ': ' + document.body.innerText.slice(0, 600)")
        except Exception as error:  # the page is just being left
            said = str(error)
        if time.monotonic() > until:
            raise AssertionError(f"{expression} never came true at {said}")
        time.sleep(0.05)


def wait_for_path(window: Window, path: str) -> None:
    """Wait until the window is at a path, and the page is there."""
    at = f"location.pathname === {json.dumps(path)}"
    wait_for(window, f"{at} && document.readyState === 'complete'")


def wait_for_text(window: Window, text: str) -> None:
    """Wait until the page says a text."""
    wait_for(window, f"document.body.innerText.includes({json.dumps(text)})")


def violations(window: Window) -> list[str]:
    """Return what axe finds in a window of Chromium."""
    assert isinstance(window, ChromiumWindow)
    return found_by_axe(window.page)


def found_by_axe(page: Any, *, of_colours: bool = False) -> list[str]:
    """Return what axe finds in a page, by all of its rules or by those of colours.

    These are what another colour scheme of a page can break that was looked at whole in one.
    """
    from axe_playwright_python.sync_playwright import Axe

    # Reading style sheets again (preload) would be a request, which the pages forbid.
    options: dict[str, Any] = {"resultTypes": ["violations"], "preload": False}
    if of_colours:
        options["runOnly"] = {"type": "tag", "values": ["cat.color"]}
    answer = Axe().run(page, options=options).response
    assert answer["passes"], "axe looked at nothing"
    found = answer["violations"]
    return [f"{v['id']}: {v['help']}: {[n['html'][:160] for n in v['nodes'][:3]]}" for v in found]


class Browsers:
    """The browsers of a run, each started when it is first asked for."""

    def __init__(self) -> None:
        self._firefox: Firefox | None = None
        self._chromium: Any = None
        self._play: Any = None

    def window(self, kind: Kind, *, width: int = 1280, height: int = 900) -> Window:
        """Open a window; LookupError with what to do where there is no such browser."""
        if kind is FIREFOX:
            self._firefox = self._firefox or Firefox(_found(FIREFOX), name_of_this_machine=NAMED)
            return FirefoxWindow(self._firefox, width=width, height=height)
        return ChromiumWindow(self.chromium(), width=width, height=height)

    def chromium(self) -> Any:
        """Return Chromium, as playwright gives it."""
        if self._chromium is None:
            path = _found(CHROMIUM)
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                from playwright.sync_api import sync_playwright

                self._play = sync_playwright().start()
            self._chromium = self._play.chromium.launch(executable_path=path, args=FLAGS)
        return self._chromium

    def close(self) -> None:
        """End them."""
        if self._firefox is not None:
            self._firefox.close()
        if self._play is not None:
            self._chromium.close()
            self._play.stop()


def _found(kind: Kind) -> Path:
    path = find_browser(kind)
    if path is None:
        raise LookupError(kind.needed)
    return path


@contextmanager
def open_browsers() -> Iterator[Browsers]:
    """Open the browsers for as long as the block runs."""
    browsers = Browsers()
    try:
        yield browsers
    finally:
        browsers.close()
