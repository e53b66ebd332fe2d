"""People sign in and out with a real browser: where it came from is what the browser says."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from starlette.responses import HTMLResponse

from quietsleep.night.night import NightReport
from quietsleep.server import access
from quietsleep.server.access import Tokens
from quietsleep.server.app import SiteApp
from tests.browser.find_browser import CHROMIUM, Kind
from tests.browser.windows import (
    NAMED,
    Browsers,
    Window,
    violations,
    wait_for,
    wait_for_path,
    wait_for_text,
)
from tests.server.running import running


@pytest.fixture(autouse=True)
def quick_hash(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(access, "_SCRYPT_N", 2**4)


@pytest.fixture
def site(small_night: tuple[Path, NightReport], tmp_path: Path) -> Iterator[tuple[str, Tokens]]:
    """The pages of a night behind tokens."""
    study = tmp_path / "study"
    for name in ("willow", "larch", "overview", "dictionary"):
        shutil.copytree(small_night[0] / "pages" / name, study / "pages" / name)
    with running(SiteApp(study, study / "work", is_secure=False)) as address:
        yield address, Tokens(study)


def sign_in(window: Window, token: str) -> None:
    window.write("#token", token)
    window.press("Enter")


def test_token_opens_the_pages_that_were_asked_for_and_signing_out_closes_them(
    window: Window, site: tuple[str, Tokens]
) -> None:
    address, tokens = site
    window.open(f"{address}/willow/rules.html")
    wait_for_path(window, "/-/login")
    sign_in(window, tokens.issue("willow"))
    wait_for_path(window, "/willow/rules.html")
    # Every page of a night has the way out.
    for page in ("/willow/", "/willow/equipment.html", "/dictionary/"):
        window.open(address + page)
        assert window.run("document.querySelectorAll('header .desk-bar button').length") == 1
    window.click(".desk-bar button")
    wait_for_path(window, "/-/login")
    window.open(f"{address}/willow/")
    wait_for_path(window, "/-/login")


def test_pages_of_every_kind_are_shown_without_a_complaint(
    window: Window, site: tuple[str, Tokens], small_night: tuple[Path, NightReport]
) -> None:
    """The policy allows what they need: a browser complains of all that it refuses."""
    address, tokens = site
    window.open(f"{address}/-/login")
    sign_in(window, tokens.issue(""))
    wait_for_path(window, "/overview/")
    pages = small_night[0] / "pages"
    kinds = {}
    for path in sorted((pages / "larch").rglob("*.html")) + sorted(
        (pages / "overview").glob("*.html")
    ):
        inside = path.relative_to(pages)
        kinds[str(inside if len(inside.parts) == 2 else inside.parent)] = inside
    assert len(kinds) > 10
    drawn = 0
    for inside in kinds.values():
        window.open(f"{address}/{inside.as_posix()}")
        wait_for_path(window, f"/{inside.as_posix()}")
        styled = "getComputedStyle(document.querySelector('.desk-bar button')).borderTopWidth"
        assert window.run(f"document.styleSheets.length >= 2 && {styled}"), inside
        drawn += window.run("document.querySelectorAll('.trace canvas, .plots svg').length")
    assert drawn > 0


def test_wrong_token_is_told_and_the_way_is_kept(
    browsers: Browsers, kind: Kind, site: tuple[str, Tokens]
) -> None:
    address, tokens = site
    good = tokens.issue("")
    window = browsers.window(kind)  # a browser notes a refusal among its complaints
    window.open(f"{address}/overview/equipment.html")
    sign_in(window, good[:-4] + ("aaaa" if good[-4:] != "aaaa" else "bbbb"))
    wait_for_text(window, "This token is not known")
    wait_for(window, "document.activeElement.id === 'token'")
    sign_in(window, good)
    wait_for_path(window, "/overview/equipment.html")
    window.close()


def test_without_tls_the_origin_alone_tells(window: Window, site: tuple[str, Tokens]) -> None:
    address, tokens = site
    window.open(f"{address.replace('127.0.0.1', NAMED)}/larch/equipment.html")
    assert window.run("isSecureContext") is False
    sign_in(window, tokens.issue("larch"))
    wait_for_path(window, "/larch/equipment.html")
    window.click(".desk-bar button")
    wait_for_path(window, "/-/login")


@pytest.mark.parametrize("host", ["127.0.0.1", NAMED])
def test_a_form_of_another_place_is_refused(
    browsers: Browsers, kind: Kind, site: tuple[str, Tokens], host: str
) -> None:
    address, tokens = site
    address = address.replace("127.0.0.1", host)
    for policy in ("same-origin", "no-referrer", "unsafe-url"):
        token = tokens.issue("willow")
        with running(elsewhere(address, token, policy)) as other:
            window = browsers.window(kind)
            window.open(other.replace("127.0.0.1", host))
            window.click("button")
            wait_for_text(window, "Not a login.")
            window.open(f"{address}/willow/")
            wait_for_path(window, "/-/login")
            window.close()


def elsewhere(address: str, token: str, policy: str) -> Any:
    """A page of another place that signs people in under a token of its choice."""

    async def app(scope: Any, receive: Any, send: Any) -> None:
        page = (
            f'<meta name="referrer" content="{policy}"><form method="post"'
            f' action="{address}/-/login"><input name="token" value="{token}">'
            "<button>Win</button></form>"
        )
        # The door adds only what is not said: this place allows itself everything.
        own = {"content-security-policy": "default-src *", "referrer-policy": policy}
        await HTMLResponse(page, headers=own)(scope, receive, send)

    return app


def test_keyboard_alone_signs_in_and_out(window: Window, site: tuple[str, Tokens]) -> None:
    address, tokens = site
    window.open(f"{address}/-/login")
    wait_for(window, "document.activeElement.id === 'token'")  # without having gone there
    for letter in tokens.issue("larch"):
        window.press(letter)
    window.press("Tab")
    assert window.run("document.activeElement.textContent") == "Sign in"
    window.press("Enter")
    wait_for_path(window, "/larch/")
    for _ in range(20):
        window.press("Tab")
        if window.run("document.activeElement.textContent") == "Sign out":
            break
    window.press("Enter")
    wait_for_path(window, "/-/login")


def test_sign_in_fits_a_telephone_and_axe_finds_nothing(
    browsers: Browsers, site: tuple[str, Tokens]
) -> None:
    address, tokens = site
    window = browsers.window(CHROMIUM)
    window.open(f"{address}/-/login")
    for path in ("/-/login", "/larch/"):
        if path != "/-/login":
            sign_in(window, tokens.issue("larch"))
            wait_for_path(window, "/larch/")
        for width in (390, 1280):
            window.resize(width, 800)
            assert window.run("document.documentElement.scrollWidth") <= width
            assert violations(window) == []
    window.close()
