"""Second readers with a real browser: signed in by their token, by keyboard alone, on a phone."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from quietsleep.review.answers import list_queries
from quietsleep.server import access
from quietsleep.server.access import Tokens
from quietsleep.server.app import SiteApp
from quietsleep.server.desk import Desk
from quietsleep.server.reading import BlindReading
from quietsleep.study.review_log import Review, reviews_of
from quietsleep.study.study import load_study
from quietsleep.warehouse.registered import open_register
from tests.browser.find_browser import CHROMIUM, Kind
from tests.browser.windows import (
    Browsers,
    Window,
    violations,
    wait_for,
    wait_for_path,
    wait_for_text,
)
from tests.server.running import running

HOME = "/-/reading/"
DRAWN = "document.querySelector('#decide') && !document.querySelector('#decide').hidden"


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Quick hashes; and all trials of the small night, which has few, are read again."""
    monkeypatch.setattr(access, "_SCRYPT_N", 2**4)
    for module in ("queue", "blind"):
        monkeypatch.setattr(f"quietsleep.review.{module}.drawn_for_second_reading", lambda *_: True)


@pytest.fixture
def study(small_night: tuple[Path, Any], tmp_path: Path) -> Path:
    shutil.copytree(small_night[0], tmp_path / "study", symlinks=True)
    return tmp_path / "study"


@pytest.fixture
def address(study: Path) -> Iterator[str]:
    loaded = load_study(study)
    app = SiteApp(
        study, loaded.work_path, is_secure=False, desk=Desk(loaded), reading=BlindReading(loaded)
    )
    with running(app) as found:
        yield found


def written(study: Path) -> tuple[Review, ...]:
    return reviews_of(open_register(load_study(study)))


def sign_in(window: Window, address: str, token: str) -> None:
    window.open(address + HOME)
    wait_for_path(window, "/-/login")
    window.write("#token", token)
    window.press("Enter")
    wait_for_path(window, HOME)
    wait_for(window, DRAWN)


def head(window: Window) -> str:
    return str(window.run("document.querySelector('h1').textContent"))


def wait_for_trial(window: Window, number: int) -> None:
    said = f"document.querySelector('h1').textContent.startsWith('Trial {number} of ')"
    wait_for(window, f"{said} && {DRAWN}")


def test_a_reader_decides_by_keys_alone(window: Window, address: str, study: Path) -> None:
    sign_in(window, address, Tokens(study).issue_reader("r1"))
    wait_for_trial(window, 1)
    window.press("a")
    wait_for_trial(window, 2)
    window.press("r")
    wait_for(window, "document.activeElement.type === 'radio'")
    window.press("2")
    wait_for(window, "document.querySelector('#glottis_or_effort').checked")
    window.press("Enter")
    wait_for_trial(window, 3)
    assert [(r.decision, r.reason) for r in written(study)] == [
        ("accept", "nothing_against"), ("reject", "glottis_or_effort"),
    ]  # fmt: skip
    # Back to the last, which is decided otherwise, in words.
    window.press("b")
    wait_for_path(window, f"{HOME}last")
    wait_for(window, DRAWN)
    wait_for_text(window, "You rejected it: The glottis closed")
    window.press("r")
    wait_for(window, "document.activeElement.type === 'radio'")
    window.press("5")
    window.press("Tab")
    wait_for(window, "document.activeElement.id === 'note-reject'")
    for letter in "a ran":  # letters that decide nothing while one writes
        window.press(letter)
    window.press("Enter")
    wait_for_path(window, HOME)
    wait_for_trial(window, 3)
    assert [r.note for r in written(study)] == ["", "", "a ran"]
    # Later, and that is all.
    before = window.run("document.querySelector('[name=trial]').value")
    window.press("n")
    wait_for(window, f"location.search.startsWith('?after={before}') && {DRAWN}")
    assert window.run("document.querySelector('[name=trial]').value") != before
    assert len(written(study)) == 3


def test_keys_can_be_turned_off_and_stay_off(window: Window, address: str, study: Path) -> None:
    sign_in(window, address, Tokens(study).issue_reader("r1"))
    window.click("#keys")
    wait_for_text(window, "Single keys: off")
    for key in ("a", "r", "n", "b"):
        window.press(key)
    assert window.run(f"location.pathname === '{HOME}' && location.search === ''")
    assert window.run("document.querySelector('#reject').hidden")
    window.open(address + HOME)
    wait_for(window, DRAWN)
    window.press("a")
    assert written(study) == () and head(window).startswith("Trial 1 of")
    # All can be reached and pressed without them.
    seen: list[str] = []
    for _ in range(40):
        window.press("Tab")
        seen.append(window.run("document.activeElement.id || document.activeElement.textContent"))
    for wanted in ("accept-now", "reject-why", "go-on", "keys", "Sign out"):
        assert wanted in seen, wanted
    window.click("#accept-now")
    wait_for_trial(window, 2)
    assert len(written(study)) == 1


def test_escape_closes_the_reasons_and_nothing_is_sent_without_one(
    window: Window, address: str, study: Path
) -> None:
    sign_in(window, address, Tokens(study).issue_reader("r1"))
    window.press("r")
    wait_for(window, "document.activeElement.type === 'radio'")
    window.press("Enter")  # no reason is chosen: the browser says so
    assert not window.run("document.querySelector('#reject').hidden")
    window.press("Escape")
    wait_for(window, "document.querySelector('#reject').hidden")
    assert window.run("document.activeElement.id") == "reject-why"
    assert written(study) == ()


def test_a_reader_whose_token_is_ended_is_told(
    kind: Kind, browsers: Browsers, address: str, study: Path
) -> None:
    window = browsers.window(kind)  # a browser notes a refusal among its complaints
    tokens = Tokens(study)
    sign_in(window, address, tokens.issue_reader("r1"))
    tokens.revoke(tokens.list()[0].name)
    window.press("a")
    wait_for_text(window, "was not written down")
    assert written(study) == ()
    sign_in(window, address, tokens.issue_reader("r1"))
    wait_for_trial(window, 1)
    window.close()


def test_the_page_fits_a_phone_and_axe_finds_nothing(
    kind: Kind, browsers: Browsers, address: str, study: Path, tmp_path: Path
) -> None:
    window = browsers.window(kind)
    sign_in(window, address, Tokens(study).issue_reader("r1"))
    window.press("a")
    wait_for_trial(window, 2)
    for name, path in (("next", HOME), ("last", f"{HOME}last")):
        window.open(address + path)
        wait_for(window, DRAWN)
        for width in (390, 1280):
            window.resize(width, 844)
            for reasons in (False, True):
                if reasons:
                    window.click("#reject-why")
                assert window.run("document.documentElement.scrollWidth") <= width
                # What decides is on the screen wherever the page stands.
                assert window.run(
                    "document.querySelector('#accept-now').getBoundingClientRect().bottom"
                    " <= innerHeight"
                )
                window.picture(tmp_path / f"reading_{name}_{width}_{reasons}.png")
                if kind is CHROMIUM:
                    assert violations(window) == [], (name, width)
                if reasons:
                    window.click("#reject-not")
    window.close()


def test_without_script_nobody_decides_unseen(
    browsers: Browsers, address: str, study: Path
) -> None:
    page = browsers.chromium().new_context(java_script_enabled=False).new_page()
    page.goto(address + HOME)
    page.fill("#token", Tokens(study).issue_reader("r1"))
    page.click("button.main")
    assert "nobody should decide without having seen" in page.inner_text("main")
    assert not page.locator("#accept-now").is_visible()
    page.context.close()


def test_a_query_is_answered_at_its_own_address(window: Window, address: str, study: Path) -> None:
    rows = list_queries(load_study(study))
    row = rows[rows["centre"].notna() & (rows["state"] == "open")].iloc[0]
    number = int(row["query"])
    window.open(f"{address}/-/queries/{number}")
    wait_for_path(window, "/-/login")
    window.write("#token", Tokens(study).issue(row["centre"]))
    window.press("Enter")
    wait_for_path(window, f"/-/desk/{row['centre']}/queries/{number}")
    assert head(window) == f"Query {number}"
    for _ in range(30):  # to the form by keyboard alone
        window.press("Tab")
        if window.run("document.activeElement.name") == "words":
            break
    for letter in "Seen":
        window.press(letter)
    window.press("Tab")
    for letter in "r7":
        window.press(letter)
    window.press("Tab")
    window.press("Space")
    wait_for(
        window, "document.activeElement.name === 'new_reader' && document.activeElement.checked"
    )
    window.press("Enter")
    wait_for(window, f"location.hash === '#q{number}'")
    wait_for_text(window, "r7, 20")
