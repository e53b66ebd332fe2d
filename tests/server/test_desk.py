"""The whole way of a delivery over the desk, and what is kept of it."""

from __future__ import annotations

import hashlib
import html
import json
import re
import shutil
import subprocess
import sys
import threading
import time
import zipfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest

from quietsleep.night.preview import preview
from quietsleep.server.access import Tokens
from quietsleep.store.state import NAME, State
from quietsleep.study.study import load_study
from tests.server.conftest import Visitor, desk_app
from tests.server.running import running

MANIFEST = frozenset({"delivery.json"})


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def contents(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and path.name != "delivery.json"
    }


def test_files_become_a_sealed_delivery_with_a_receipt(
    larch: Visitor, study: Path, delivery: Path
) -> None:
    number = larch.begin()
    larch.put_folder(number, delivery, leave=MANIFEST)
    page = larch.check(number, "monday")
    assert not list((study / "deliveries" / "larch").glob("*"))
    answer = larch.send(number)
    assert answer.status_code == 303
    placed = study / "deliveries" / "larch" / "monday"
    assert contents(placed) == contents(delivery)
    manifest = json.loads((placed / "delivery.json").read_text())
    assert (manifest["centre"], manifest["delivery"]) == ("larch", "monday")
    assert {f["path"]: f["sha256"] for f in manifest["files"]} == {
        path: hashlib.sha256(data).hexdigest() for path, data in contents(delivery).items()
    }
    receipt = larch.client.get(answer.headers["location"]).text
    assert digest(placed / "delivery.json") in receipt and "waiting for the next night" in receipt
    assert f"{len(manifest['files'])}, " in receipt
    assert "No problem found" in page
    # What the page says is what the command says, of the same bytes.
    said = preview(load_study(study), placed)
    for sentence in (*(p.sentence for p in said.problems), *said.changes):
        assert sentence in page.replace("&#34;", '"').replace("&#39;", "'")
    assert not list((study / "work" / "uploads" / "larch").glob("*/"))
    assert not any(p.stat().st_mode & 0o111 for p in placed.rglob("*") if p.is_file())


def test_one_archive_is_unpacked_and_a_sealed_delivery_keeps_its_seal(
    larch: Visitor, study: Path, delivery: Path, tmp_path: Path
) -> None:
    archive = tmp_path / "any.zip"
    with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED) as out:
        for path in delivery.rglob("*"):
            if path.is_file():
                out.write(path, f"{delivery.name}/{path.relative_to(delivery).as_posix()}")
    number = larch.begin()
    assert larch.put(number, "any.zip", archive.read_bytes()).status_code == 200
    larch.check(number, "a-name-that-does-not-count")
    assert larch.send(number).status_code == 303
    placed = study / "deliveries" / "larch" / delivery.name
    assert contents(placed) == contents(delivery)
    assert digest(placed / "delivery.json") == digest(delivery / "delivery.json")


def test_a_folder_around_all_of_it_is_taken_off(
    larch: Visitor, study: Path, delivery: Path
) -> None:
    number = larch.begin()
    for path, data in contents(delivery).items():
        assert larch.put(number, f"My delivery/{path}", data).status_code == 200
    larch.check(number, "d1")
    assert larch.send(number).status_code == 303
    assert contents(study / "deliveries" / "larch" / "d1") == contents(delivery)


def test_a_second_delivery_of_a_name_is_refused_with_a_sentence(
    larch: Visitor, study: Path, delivery: Path
) -> None:
    (study / "deliveries" / "larch").mkdir(parents=True)
    (study / "deliveries" / "larch" / "Tuesday.zip").write_bytes(b"")
    number = larch.begin()
    larch.put_folder(number, delivery, leave=MANIFEST)
    for name in ("Tuesday", "tuesday", "TUESDAY"):
        assert "There is a delivery of this name already" in larch.check(number, name)
    for name in ("a/b", "..", ".hidden", "Anna-Mueller", "x" * 90):
        assert "is a code of letters" in larch.check(number, name), name
    larch.check(number, "")
    assert larch.send(number).status_code == 303  # the empty name became a free one
    assert len(list((study / "deliveries" / "larch").iterdir())) == 2


def test_an_upload_goes_on_after_a_stop_of_the_server(study: Path, delivery: Path) -> None:
    token = Tokens(study).issue("larch")
    path = max(delivery.rglob("*"), key=lambda p: p.stat().st_size if p.is_file() else 0)
    inside, data = path.relative_to(delivery).as_posix(), path.read_bytes()
    half = len(data) // 2
    with running(desk_app(study)) as address:
        larch = Visitor(address, token, "larch")
        number = larch.begin()
        assert larch.put(number, inside, data[:half], total=len(data)).json() == {"received": half}
    with running(desk_app(study)) as address:
        larch = Visitor(address, token, "larch")
        files = larch.client.get(f"/-/desk/larch/uploads/{number}/files").json()["files"]
        assert files == {inside: [half, len(data), 1]}
        assert "have not come whole" in larch.check(number)
        # A chunk that does not follow is told where to begin, one that came twice does no harm.
        wrong = larch.put(number, inside, data[half + 9 :], offset=half + 9, total=len(data))
        assert (wrong.status_code, wrong.json()) == (409, {"received": half})
        for _ in range(2):
            again = larch.put(number, inside, data[half:], offset=half, total=len(data))
            assert again.json() == {"received": len(data)}
        larch.put_folder(number, delivery, leave=MANIFEST | {inside})
        larch.check(number)
        assert larch.send(number).status_code == 303
    assert contents(study / "deliveries" / "larch" / "d1") == contents(delivery)


def test_a_stop_between_the_delivery_and_its_receipt_is_settled(
    larch: Visitor, study: Path, delivery: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    number = larch.begin()
    larch.put_folder(number, delivery, leave=MANIFEST)
    larch.check(number)
    with monkeypatch.context() as patch:
        patch.setattr("quietsleep.server.handover._keep_receipt", lambda *_: 1 / 0)
        with pytest.raises(httpx.HTTPError):
            assert larch.send(number).raise_for_status()
    assert (study / "deliveries" / "larch" / "d1").is_dir()
    page = larch.client.get("/-/desk/larch/").text
    assert "receipts/d1" in page and number not in page


def test_what_problems_are_found_is_no_bar_but_names_of_people_are(
    larch: Visitor, study: Path, delivery: Path
) -> None:
    number = larch.begin()
    larch.put_folder(number, delivery, leave=MANIFEST)
    table = (delivery / "sessions.csv").read_bytes()
    lines = table.decode().splitlines()
    at = lines[0].split(",").index("operator") if "operator" in lines[0] else 0
    cells = lines[1].split(",")
    cells[at] = "Anna Schmidt"
    lines[1] = ",".join(cells)
    larch.put(number, "sessions.csv", "\n".join(lines).encode(), modified=2)
    page = larch.check(number)
    assert "may not be sent as it is" in page and "Schmidt" not in page
    assert larch.send(number).status_code == 422
    larch.put(number, "sessions.csv", table, modified=3)
    # What the check said does not hold for other files.
    assert "check the delivery again" in larch.send(number).text
    larch.put(number, "signals/extra.csv", b"x\n", modified=2)
    page = html.unescape(larch.check(number))
    assert "Send all the same" in page
    assert larch.send(number).status_code == 303
    said = preview(load_study(study), study / "deliveries" / "larch" / "d1").problems
    assert said and all(p.sentence in page and p.remedy in page for p in said)
    assert not re.search("Schmidt", (study / "work" / "access.log").read_text())


def test_a_night_waits_until_a_delivery_is_checked(
    small_night: tuple[Path, object], tmp_path: Path
) -> None:
    shutil.copytree(small_night[0] / "work", tmp_path / "work", symlinks=True)
    for looks in (look_here, look_in_another_process):
        with looks(tmp_path / "work") as let_go:
            timer = threading.Timer(0.6, let_go)
            timer.start()
            began = time.monotonic()
            with State(tmp_path / "work"):
                assert time.monotonic() - began > 0.3
            timer.join()


@contextmanager
def look_here(work: Path) -> Iterator[Callable[[], object]]:
    state = State(work, read_only=True)
    state.__enter__()
    yield lambda: state.__exit__(None, None, None)


@contextmanager
def look_in_another_process(work: Path) -> Iterator[Callable[[], object]]:
    program = (
        f"import sys, duckdb; c = duckdb.connect({str(work / NAME)!r}, read_only=True);"
        "print('open', flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as other:
        assert other.stdout is not None and other.stdin is not None
        other.stdout.readline()
        yield other.stdin.close
