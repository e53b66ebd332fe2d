"""A centre's morning at the desk in the browsers that people have, up to the pages of a night."""

from __future__ import annotations

import json
import shutil
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from starlette.responses import PlainTextResponse

from quietsleep.measure.pool import in_process
from quietsleep.server import access, answering
from quietsleep.server.access import Tokens
from quietsleep.server.app import SiteApp
from quietsleep.server.desk import Desk
from quietsleep.study.study import load_study
from tests.browser.find_browser import CHROMIUM, Kind
from tests.browser.windows import (
    Browsers,
    Window,
    violations,
    wait_for,
    wait_for_path,
    wait_for_text,
)
from tests.conftest import checked_night
from tests.server.running import running

HOME = "/-/desk/larch/"


@pytest.fixture(autouse=True)
def quick_hash(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(access, "_SCRYPT_N", 2**4)


class BreakingLine:
    """In front of the desk: of the chunks that are sent, some are lost on the way."""

    def __init__(self, app: Any) -> None:
        self._app = app
        self.n_chunks = 0

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        if scope["method"] == "PUT":
            self.n_chunks += 1
            if self.n_chunks == 2:
                await PlainTextResponse("The proxy is restarted.", 502)(scope, receive, send)
                return
            if self.n_chunks == 4:
                await receive()
                raise ConnectionResetError
        await self._app(scope, receive, send)


@pytest.fixture
def study(small_deliveries: Path, tmp_path: Path) -> Path:
    leave = shutil.ignore_patterns("deliveries", "work", "pages", "warehouse")
    shutil.copytree(small_deliveries, tmp_path / "study", ignore=leave)
    return tmp_path / "study"


@pytest.fixture
def delivery(small_deliveries: Path, tmp_path: Path) -> Path:
    """A delivery of larch that is not sealed and lacks one of its signals."""
    folders = sorted(p for p in (small_deliveries / "deliveries/larch").iterdir() if p.is_dir())
    shutil.copytree(folders[0], tmp_path / "monday")
    (tmp_path / "monday/delivery.json").unlink()
    next((tmp_path / "monday").rglob("*-tid1.csv")).unlink()
    return tmp_path / "monday"


@pytest.fixture
def desk(study: Path) -> Iterator[str]:
    loaded = load_study(study)
    app = SiteApp(
        loaded.path, loaded.work_path, is_secure=False, title=loaded.title, desk=Desk(loaded)
    )
    with running(BreakingLine(app)) as address:
        yield address


def look(window: Window, pictures: Path, name: str) -> None:
    """Look at a page as it is seen wide and narrow, and let axe look."""
    for width in (1280, 390):
        window.resize(width, 900)
        assert window.run("document.documentElement.scrollWidth") <= width, name
        window.picture(pictures / f"desk_{name}_{width}.png")
        if hasattr(window, "page"):
            assert violations(window) == [], name
    window.resize(1280, 900)


def begin(window: Window, address: str, study: Path) -> None:
    """Sign in by the address of the desk, and begin a delivery."""
    window.open(address + HOME)
    wait_for_path(window, "/-/login")
    window.write("#token", Tokens(study).issue("larch"))
    window.press("Enter")
    wait_for_path(window, HOME)
    window.click("button.main")
    wait_for(window, "location.pathname.startsWith('/-/desk/larch/uploads/')")
    wait_for(window, "document.querySelector('#drop') && !document.querySelector('#drop').hidden")


def packed(delivery: Path) -> Path:
    archive = delivery.with_suffix(".zip")
    with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED) as out:
        for path in sorted(delivery.rglob("*")):
            if path.is_file():
                out.write(path, path.relative_to(delivery.parent).as_posix())
    return archive


def test_a_delivery_goes_from_the_browser_to_the_pages_and_its_query_is_answered(
    kind: Kind, browsers: Browsers, desk: str, delivery: Path, tmp_path: Path
) -> None:
    study = tmp_path / "study"
    # A browser notes the chunks that were lost among its complaints, so they are not looked at.
    window = browsers.window(kind)
    window.open(f"{desk}/-/login")
    look(window, tmp_path, "sign_in")
    begin(window, desk, study)
    look(window, tmp_path, "begun")
    if kind is CHROMIUM:
        window.choose("#folder", [delivery])
    else:
        window.choose("#files", [packed(delivery)])
    wait_for_text(window, "problem found")
    wait_for(window, "document.readyState === 'complete'")
    look(window, tmp_path, "checked")
    said = window.run("document.querySelector('#check').innerText")
    assert "TO DO" in said.upper() and "Expected:" in said
    name = window.run("document.querySelector('#delivery').value")
    window.click("form[action$='/send'] button")
    wait_for_path(window, f"{HOME}receipts/{name}")
    wait_for_text(window, "waiting for the next night")
    look(window, tmp_path, "receipt")
    placed = study / "deliveries/larch" / name
    wanted = {p.relative_to(delivery): p.read_bytes() for p in delivery.rglob("*") if p.is_file()}
    assert {p.relative_to(placed): p.read_bytes() for p in placed.rglob("*")
            if p.is_file() and p.name != "delivery.json"} == wanted  # fmt: skip

    report = checked_night(study, in_process)
    assert report.published and report.state == "amber"

    window.open(f"{desk}{HOME}receipts/{name}")
    wait_for_text(window, f"taken in by night {report.night}")
    window.open(f"{desk}/larch/")
    assert "1 delivery" in window.run("document.body.innerText")
    look(window, tmp_path, "page")
    window.open(f"{desk}{HOME}")
    look(window, tmp_path, "home")
    answer_the_first(window, desk, study, tmp_path)
    window.close()


def answer_the_first(window: Window, address: str, study: Path, pictures: Path) -> None:
    """Answer a query, first by a code that is not known, as somebody will."""
    window.open(f"{address}{HOME}queries/")
    look(window, pictures, "queries")
    number = int(window.run("document.querySelector('.action.watch').id.slice(1)"))
    window.click(f"#q{number} summary")
    window.write(f"#w{number}", "The device had stopped; the family comes again on Monday.")
    window.write(f"#b{number}", "r7")
    window.press("Enter")
    wait_for_text(window, "No reader r7 has decided anything yet.")
    wait_for(window, f"document.querySelector('#w{number}').value.startsWith('The device')")
    look(window, pictures, "answer_refused")
    window.click(f"#n{number}")
    window.click(f"#q{number} button")
    wait_for(window, f"location.hash === '#q{number}'")
    wait_for_text(window, "r7, 20")
    look(window, pictures, "answered")
    lines = [json.loads(line) for line in (study / "register.jsonl").read_text().splitlines()]
    answers = [line for line in lines if line.get("kind") == "answer"]
    assert len(answers) == 1 and answers[0]["body"]["query"] == number


def test_keyboard_alone_reaches_everything(window: Window, desk: str, study: Path) -> None:
    begin(window, desk, study)
    seen: list[str] = []
    for _ in range(30):
        window.press("Tab")
        seen.append(window.run("document.activeElement.id || document.activeElement.innerText"))
    for wanted in ("files", "folder", "delivery", "Check", "Put away, send nothing", "Sign out"):
        assert wanted in seen, wanted


def test_dropped_files_are_taken_and_refused_ones_are_told(
    kind: Kind, browsers: Browsers, desk: str, study: Path
) -> None:
    window = browsers.window(kind)  # a browser notes a refusal among its complaints
    begin(window, desk, study)
    window.run(
        "(() => { const all = new DataTransfer();"
        " all.items.add(new File(['session\\n'], 'sessions.csv', {lastModified: 5}));"
        " all.items.add(new File(['x'], 'Anna Schmidt.csv', {lastModified: 5}));"
        " const drop = {dataTransfer: all, bubbles: true, cancelable: true};"
        " document.querySelector('#drop').dispatchEvent(new DragEvent('drop', drop));"
        " return 1 })()"
    )
    wait_for_text(window, "its name could tell who somebody is")
    assert "Schmidt" not in window.run("document.body.innerText")
    uploads = study / "work/uploads/larch"
    assert [p.name for p in uploads.glob("*/received/*")] == ["sessions.csv"]
    window.close()


def test_without_script_people_sign_in_and_answer(
    browsers: Browsers, small_night: tuple[Path, Any], tmp_path: Path
) -> None:
    study = tmp_path / "study"
    shutil.copytree(small_night[0], study, symlinks=True)
    loaded = load_study(study)
    app = SiteApp(study, loaded.work_path, is_secure=False, desk=Desk(loaded))
    page = browsers.chromium().new_context(java_script_enabled=False).new_page()
    with running(app) as address:
        page.goto(f"{address}/-/desk/overview/queries/")
        page.fill("#token", Tokens(study).issue(""))
        page.click("button.main")
        assert page.url.endswith("/-/desk/overview/queries/")
        page.locator(".action summary").first.click()
        form = page.locator(".action form").first
        form.locator("[name=words]").fill("Seen.")
        form.locator("[name=by]").fill("r7")
        form.locator("[name=new_reader]").check()
        form.locator("button").click()
        assert "r7, 20" in page.inner_text("main")
        page.goto(f"{address}/-/desk/willow/")
        page.click("button.main")
        assert "which your browser does not run" in page.inner_text("main")
        page.click(".desk-bar button")
        assert page.url.endswith("/-/login")
    page.context.close()


def tab_to(window: Window, expression: str) -> None:
    """Go on by Tab until an expression is true of what has the focus, `it`."""
    for _ in range(60):
        window.press("Tab")
        if window.run(f"Boolean((it => {expression})(document.activeElement))"):
            return
    raise AssertionError(expression)


def type_in(window: Window, text: str) -> None:
    for letter in text:
        window.press(letter)


def test_a_delivery_is_put_away_by_keyboard_alone(window: Window, desk: str, study: Path) -> None:
    begin(window, desk, study)
    tab_to(window, "it.innerText === 'Note, sessions to replace'")
    window.press("Enter")
    tab_to(window, "it.id === 'words'")  # what was folded away can be reached once it is open
    tab_to(window, "it.innerText === 'Put away, send nothing'")
    window.press("Enter")
    wait_for_path(window, HOME)
    wait_for_text(window, "Nothing was sent from this page yet.")
    assert not [*(study / "work/uploads/larch").glob("*/received")]


def test_the_coordinating_centre_signs_and_closes_by_keyboard_alone(
    window: Window,
    small_night: tuple[Path, Any],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    study = tmp_path / "night"
    shutil.copytree(small_night[0], study, symlinks=True)
    real = answering.questions

    def all_signed(*given: Any, **said: Any) -> dict[str, Any]:
        asked = real(*given, **said)
        return asked | {"open": [row | {"is_signed": True} for row in asked["open"]]}

    # A small night has no safety alert: its queries are shown as if they were to be signed.
    monkeypatch.setattr(answering, "questions", all_signed)
    loaded = load_study(study)
    app = SiteApp(study, loaded.work_path, is_secure=False, desk=Desk(loaded))
    with running(app) as address:
        window.open(f"{address}/-/desk/overview/")
        wait_for_path(window, "/-/login")
        type_in(window, Tokens(study).issue(""))
        window.press("Enter")
        wait_for_path(window, "/-/desk/overview/")
        tab_to(
            window, "it.getAttribute('href') === '/-/desk/overview/queries/' && it.closest('main')"
        )
        window.press("Enter")
        wait_for_path(window, "/-/desk/overview/queries/")
        tab_to(window, "it.tagName === 'SUMMARY'")
        assert window.run("document.activeElement.innerText").startswith("Sign")
        window.press("Enter")
        tab_to(window, "it.name === 'words'")
        type_in(window, "Seen")
        tab_to(window, "it.name === 'by'")
        type_in(window, "r7")
        tab_to(window, "it.name === 'new_reader'")
        window.press("Space")
        tab_to(window, "it.innerText === 'Sign and close'")
        window.press("Enter")
        wait_for(window, "location.hash.startsWith('#q')")
        wait_for_text(window, "Closed:")
    lines = [json.loads(line) for line in (study / "register.jsonl").read_text().splitlines()]
    answers = [line["body"] for line in lines if line.get("kind") == "answer"]
    assert [(a["by"], a["words"], a["close"]) for a in answers] == [("r7", "Seen", True)]
