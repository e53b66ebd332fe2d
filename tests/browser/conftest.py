"""A real browser on pages written from invented nights; never skipped in silence."""

from __future__ import annotations

import importlib.util
import os
import shutil
import sys
import warnings
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

BROWSER_PATHS = ("/usr/bin/chromium", "/usr/bin/chromium-browser")
FLAGS = ["--headless", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"]


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    here = Path(__file__).parent
    own = [item for item in items if here in item.path.parents]
    for item in own:
        item.add_marker(pytest.mark.browser)
    if own and os.environ.get("QUIETSLEEP_NO_BROWSER") == "1":
        reporter = config.pluginmanager.get_plugin("terminalreporter")
        if reporter:
            reporter.write_line(
                f"WARNING: QUIETSLEEP_NO_BROWSER=1, so {len(own)} browser tests DO NOT RUN. "
                "Nobody has looked at the pages.",
                red=True,
                bold=True,
            )
        for item in own:
            item.add_marker(pytest.mark.skip(reason="QUIETSLEEP_NO_BROWSER=1"))


def _pages_conftest() -> ModuleType:
    name = "invented_pages_conftest"
    if name not in sys.modules:
        path = Path(__file__).parents[1] / "site" / "conftest.py"
        spec = importlib.util.spec_from_file_location(name, path)
        assert spec and spec.loader
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    path = next((p for p in BROWSER_PATHS if Path(p).exists()), shutil.which("chromium"))
    if path is None:
        pytest.fail(
            "The browser tests need Debian's chromium: install it with 'apt-get install chromium' "
            "(.ci/run does), or set QUIETSLEEP_NO_BROWSER=1 to leave them out, loudly."
        )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from playwright.sync_api import sync_playwright

        with sync_playwright() as play:
            found = play.chromium.launch(executable_path=path, args=FLAGS)
            yield found
            found.close()


@pytest.fixture(scope="session")
def night(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Three centres with traces: every technique, a few sessions, and one with nothing."""
    pages = _pages_conftest()
    plans = [
        pages.Plan("larch", 14, techniques=pages.EVERY_TECHNIQUE),
        pages.Plan("rowan", 9, late=True),
        pages.Plan("hazel", 0),
    ]
    return pages.write(tmp_path_factory.mktemp("browser"), plans)


@pytest.fixture(scope="session")
def crowded(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """One centre with 500 sessions, no traces."""
    pages = _pages_conftest()
    plans = [pages.Plan("larch", 500, techniques=("tidal", "single_occlusion"), n_trials=3)]
    made = pages.frames.invent(plans)
    path = tmp_path_factory.mktemp("crowded")
    study = pages.frames.study_at(path, plans)
    published = pages.frames.publish_invented(path, made)
    pages.write_pages(study, published)
    return path / "pages"


@pytest.fixture(scope="session")
def hostile_pages(tmp_path_factory: pytest.TempPathFactory) -> Path:
    pages = _pages_conftest()
    nasty = '<img src=x onerror="window.hacked=1"><script>window.hacked=1</script>\u202e=1+1'
    plans = [pages.Plan("larch", 4, text=lambda s: s + nasty, techniques=("tidal",))]
    path: Path = pages.write(tmp_path_factory.mktemp("hostile"), plans).pages
    return path


@pytest.fixture(scope="session")
def long_session(tmp_path_factory: pytest.TempPathFactory) -> Path:
    pages = _pages_conftest()
    plans = [pages.Plan("larch", 1, techniques=("single_occlusion",), n_trials=60, held_sessions=0)]
    path: Path = pages.write(tmp_path_factory.mktemp("long"), plans).pages
    return path


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
