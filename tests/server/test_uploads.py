"""Whatever is sent to the desk stays where it belongs and within its bounds.

Requests are those that a browser could be made to send, and those that no browser would.
"""

from __future__ import annotations

import io
import os
import re
import stat
import struct
import threading
import time
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from quietsleep.server.access import Tokens
from quietsleep.server.uploads import MOST_CHUNK, Uploads
from quietsleep.study.study import StudyError, load_study
from tests.server.conftest import Visitor, desk_app
from tests.server.running import running

MANIFEST = frozenset({"delivery.json"})
MB = 1024**2

BAD_PATHS = [
    "../x.csv", "..", ".", "", "/etc/passwd", "//x.csv", "a/../../x.csv", "a/./x.csv", "a//x.csv",
    "a\\..\\x.csv", "C:\\x.csv", "C:/x.csv", ".hidden", "a/.hidden/x.csv", ".ssh/authorized_keys",
    "x.csv\0", "x\n.csv", "x.csv ", "x.csv.", "a /x.csv", "a./x.csv", "con", "CON.csv", "aux.txt",
    "signals/nul.csv", "COM1", "lpt9.csv", "prn/x.csv", "x.csv:stream", "~$x.xlsx", "__MACOSX/x",
    "Thumbs.db", "a/b/c/d/e/f.csv", "é.csv", "x\u202ecsv.exe", "%2e%2e/x.csv", "a" * 300,
    "deliveries/../../x", "x?.csv", "x*.csv", "$(touch x)", "`x`.csv", "-rf", "x;rm.csv",
]  # fmt: skip


def tree(folder: Path) -> set[str]:
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*")}


@pytest.mark.parametrize("path", BAD_PATHS)
def test_no_name_leads_out_or_hides(larch: Visitor, study: Path, path: str) -> None:
    number = larch.begin()
    before = tree(study.parent)
    answer = larch.put(number, path, b"x")
    assert answer.status_code == 422 and "was left out" in answer.json()["refused"]
    assert path not in answer.text or len(path) < 3
    assert tree(study.parent) - before <= {f"study/work/uploads/larch/{number}.lock"}


@pytest.mark.parametrize("path", ["Anna Schmidt.csv", "signals/Schmidt_Anna.csv", "p.meyer@x.org"])
def test_names_of_people_are_refused_and_not_repeated(larch: Visitor, path: str) -> None:
    answer = larch.put(larch.begin(), path, b"x")
    assert answer.status_code == 422
    assert not any(word in answer.text for word in ("Anna", "Schmidt", "meyer"))


def archive_of(*entries: tuple[zipfile.ZipInfo | str, bytes], packed: bool = False) -> bytes:
    out = io.BytesIO()
    kind = zipfile.ZIP_DEFLATED if packed else zipfile.ZIP_STORED
    with zipfile.ZipFile(out, "w", kind) as made:
        for name, data in entries:
            made.writestr(name, data)
    return out.getvalue()


def link_to(target: str) -> bytes:
    info = zipfile.ZipInfo("sessions.csv")
    info.external_attr = (stat.S_IFLNK | 0o777) << 16
    return archive_of((info, target.encode()))


def overlapping() -> bytes:
    """Two entries of one directory that point at the same bytes."""
    whole = bytearray(archive_of(("a.csv", b"x" * 5000), ("b.csv", b"x" * 5000)))
    second = whole.rindex(b"PK\1\2")
    struct.pack_into("<I", whole, second + 42, 0)
    return bytes(whole)


ARCHIVES: dict[str, Callable[[], bytes]] = {
    "out of the delivery": lambda: archive_of(("../../../x.csv", b"x")),
    "absolute": lambda: archive_of(("/x.csv", b"x")),
    "other slashes": lambda: archive_of(("..\\..\\x.csv", b"x")),
    "a device": lambda: archive_of(("signals/con.csv", b"x")),
    "hidden": lambda: archive_of((".x.csv", b"x")),
    "a link": lambda: link_to("/etc/passwd"),
    "a bomb": lambda: archive_of(("sessions.csv", bytes(300 * MB)), packed=True),
    "a name twice": overlapping,
    "cut short": lambda: archive_of(("sessions.csv", b"x" * 1000))[:-30],
    "no archive": lambda: b"PK\3\4" + os.urandom(2000),
    "nothing": lambda: b"",
    "empty": archive_of,
    "an archive in it": lambda: archive_of(("sessions.csv/x.csv", b"x"), ("sessions.csv", b"y")),
}


@pytest.mark.parametrize("name", ARCHIVES)
@pytest.mark.filterwarnings("ignore:Duplicate name")
def test_no_archive_leads_out_or_bursts(larch: Visitor, study: Path, name: str) -> None:
    number = larch.begin()
    data = ARCHIVES[name]()
    assert larch.put(number, "x.zip", data).status_code == 200
    outside = tree(study.parent) - {f"study/{p}" for p in tree(study)}
    page = larch.check(number)
    assert 'role="alert"' in page and "Send all the same" not in page
    assert larch.send(number).status_code == 422
    assert not list((study / "deliveries" / "larch").glob("*"))
    assert tree(study.parent) - {f"study/{p}" for p in tree(study)} == outside
    lying = sum(p.stat().st_size for p in (study / "work").rglob("*") if p.is_file())
    assert lying < len(data) + 20 * MB


@pytest.fixture
def narrow(study: Path) -> Path:
    text = (study / "study.toml").read_text()
    bounds = "\n[desk]\nfile_mb = 1\ndelivery_mb = 2\ncentre_mb = 3\nfiles = 3\nkeep_hours = 1\n"
    (study / "study.toml").write_text(text + bounds)
    return study


def test_what_is_too_large_is_refused_before_and_while_it_comes(
    narrow: Path, larch: Visitor
) -> None:
    number = larch.begin()
    said = larch.put(number, "a.csv", b"x", total=MB + 1).json()["refused"]
    assert "larger than 1 MB" in said
    for name in ("a.csv", "b.csv"):
        assert larch.put(number, name, bytes(MB)).status_code == 200
    assert "at most 2 MB" in larch.put(number, "c.csv", b"x").json()["refused"]
    # More bytes than were said, and chunks without end, are no way round.
    other = larch.begin()
    assert larch.put(other, "a.csv", bytes(1000), total=10).status_code == 422
    assert larch.put(other, "a.csv", bytes(MB)).status_code == 200
    assert "wait to be sent" in larch.put(other, "b.csv", b"x").json()["refused"]
    third = larch.begin()
    for n in range(3):
        assert larch.put(third, f"{n}.csv", b"").status_code == 200
    assert "at most 3 files" in larch.put(third, "4.csv", b"").json()["refused"]
    assert not list((narrow / "work/uploads/larch").glob("*/incoming/*"))
    unpacked = archive_of(("sessions.csv", os.urandom(3 * MB // 2).hex().encode()), packed=True)
    assert len(unpacked) < 2 * MB
    fourth = larch.begin()
    for upload in (number, other):
        larch.post(f"uploads/{upload}/discard")
    assert larch.put(fourth, "x.zip", unpacked).status_code == 200
    assert "unpacks to more than 2 MB" in larch.check(fourth)


def test_a_chunk_has_a_bound_of_its_own(larch: Visitor, study: Path) -> None:
    number = larch.begin()
    answer = larch.put(number, "a.csv", bytes(MOST_CHUNK + 1))
    assert answer.status_code == 422 and "A chunk holds at most 8 MB" in answer.json()["refused"]
    assert not list((study / "work/uploads/larch").glob("*/incoming/*"))
    assert larch.put(number, "a.csv", bytes(MOST_CHUNK)).status_code == 200


def test_bounds_that_cannot_be_are_said_at_once(study: Path) -> None:
    text = (study / "study.toml").read_text()
    (study / "study.toml").write_text(f"{text}\n[desk]\nfile_mb = 20\ndelivery_mb = 10\n")
    with pytest.raises(StudyError, match="file_mb may not be above delivery_mb"):
        load_study(study)


def test_foreign_forms_and_forms_without_the_word_do_nothing(larch: Visitor, study: Path) -> None:
    number = larch.begin()
    verbs = ("check", "send", "discard")
    wrong = [{"origin": "http://evil.example"}, {"origin": "null"},
             {"sec-fetch-site": "cross-site"}, {"sec-fetch-site": "same-site"}]  # fmt: skip
    for headers in wrong:
        for path in ("uploads/", *(f"uploads/{number}/{verb}" for verb in verbs), "queries/1"):
            answer = larch.client.post(
                f"/-/desk/larch/{path}", data={"form_token": larch.word}, headers=headers
            )
            assert answer.status_code == 400, (path, headers)
        assert larch.put(number, "a.csv", b"x", headers=headers).status_code == 400
    for word in ("", "x", larch.word[:-1]):
        assert larch.put(number, "a.csv", b"x", headers={"x-form-token": word}).status_code == 400
        assert larch.client.post(
            "/-/desk/larch/uploads/", data={"form_token": word}
        ).status_code == 400  # fmt: skip
    assert tree(study / "work/uploads/larch" / number) == {
        "received", "parts", "incoming", "upload.json"
    }  # fmt: skip


def test_the_desk_of_another_centre_is_not_there(study: Path, address: str, larch: Visitor) -> None:
    number = larch.begin()
    larch.put(number, "a.csv", b"x")
    willow = Visitor(address, Tokens(study).issue("willow"), "willow")
    nowhere = willow.client.get("/-/desk/nowhere/")
    for path in ("", "uploads/", f"uploads/{number}/", f"uploads/{number}/files", "queries/",
                 "receipts/x"):  # fmt: skip
        for centre in ("larch", "overview"):
            for method in ("GET", "HEAD", "POST", "PUT"):
                answer = willow.client.request(
                    method, f"/-/desk/{centre}/{path}", data={"form_token": willow.word}
                )
                assert answer.status_code in (404, 400) and "a.csv" not in answer.text
                if method == "GET":
                    assert (answer.status_code, answer.text) == (404, nowhere.text)
    # Nor under its own desk by the number of the other's.
    for verb in ("check", "send", "discard"):
        assert willow.post(f"uploads/{number}/{verb}").status_code == 404
    assert willow.put(number, "b.csv", b"x").status_code == 404
    assert larch.client.get(f"/-/desk/larch/uploads/{number}/files").json()["files"] == {
        "a.csv": [1, 1, 1]
    }
    everyone = Visitor(address, Tokens(study).issue(""), "overview")
    assert everyone.client.get(f"/-/desk/larch/uploads/{number}/").status_code == 200
    assert "/-/desk/willow/" in everyone.client.get("/-/desk/overview/").text


def test_a_token_in_a_header_opens_no_desk_and_nobody_else_does(
    study: Path, address: str, larch: Visitor
) -> None:
    token = Tokens(study).issue("larch")
    client = larch.client.__class__(base_url=address)
    with client:
        headers = {"authorization": f"Bearer {token}"}
        assert client.get("/-/desk/larch/", headers=headers).status_code == 404
        assert client.post("/-/desk/larch/uploads/", headers=headers).status_code == 405
        assert client.get("/-/desk/larch/").headers["location"].startswith("/-/login?to=")
        assert client.put("/-/desk/larch/uploads/x/files").status_code == 303


def test_of_many_at_once_one_delivery_of_a_name_is_placed(
    study: Path, larch: Visitor, delivery: Path
) -> None:
    numbers = [larch.begin() for _ in range(4)]
    for number in numbers:
        larch.put_folder(number, delivery, leave=MANIFEST)
        assert "No problem found" in larch.check(number, "same")
    statuses: list[int] = []
    threads = [
        threading.Thread(target=lambda n=number: statuses.append(larch.send(n).status_code))
        for number in numbers
    ]  # fmt: skip
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(statuses) == [303, 422, 422, 422]
    assert [p.name for p in (study / "deliveries/larch").iterdir()] == ["same"]


def test_chunks_of_one_file_at_once_never_mix(larch: Visitor, study: Path) -> None:
    number = larch.begin()
    contents = {n: bytes([n]) * 400_000 for n in (1, 2, 3, 4)}

    def send(n: int) -> None:
        data = contents[n]
        for offset in range(0, len(data), 100_000):
            larch.put(number, "a.csv", data[offset : offset + 100_000], offset=offset,
                      total=len(data), modified=n)  # fmt: skip

    threads = [threading.Thread(target=send, args=(n,)) for n in contents]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    kept = (study / "work/uploads/larch" / number / "received/a.csv").read_bytes()
    assert kept in contents.values()


def test_what_was_sent_is_not_changed_by_a_late_chunk(
    larch: Visitor, study: Path, delivery: Path
) -> None:
    number = larch.begin()
    larch.put_folder(number, delivery, leave=MANIFEST)
    larch.check(number)
    assert larch.send(number).status_code == 303
    before = {p: p.read_bytes() for p in (study / "deliveries").rglob("*") if p.is_file()}
    late = larch.put(number, "sessions.csv", b"x", modified=9)
    assert late.status_code == 404 and "was sent or put away" in late.json()["refused"]
    assert before == {p: p.read_bytes() for p in (study / "deliveries").rglob("*") if p.is_file()}


def test_what_was_left_is_removed_after_a_day_and_nothing_else(study: Path) -> None:
    now = [time.time()]
    uploads = Uploads(load_study(study), clock=lambda: now[0])
    left, kept = uploads.begin("larch", by="x"), uploads.begin("larch", by="x")
    os.utime(kept.folder / "upload.json", (now[0] + 7200,) * 2)
    now[0] += 24 * 3600 + 10
    uploads.sweep()
    assert [u.number for u in uploads.of("larch")] == [kept.number]
    assert not left.folder.exists() and not Path(f"{left.folder}.lock").exists()


def test_a_cut_line_leaves_no_half_chunk(study: Path) -> None:
    token = Tokens(study).issue("larch")
    with running(desk_app(study)) as address:
        larch = Visitor(address, token, "larch")
        number = larch.begin()

        def broken() -> object:
            yield b"x" * 1000
            raise ConnectionResetError

        with pytest.raises(ConnectionResetError):
            larch.client.put(
                f"/-/desk/larch/uploads/{number}/files",
                params={"path": "a.csv", "bytes": 5000, "modified": 1, "offset": 0},
                content=broken(),  # type: ignore[arg-type]
                headers={"x-form-token": larch.word, "content-length": "5000"},
            )
        folder = study / "work/uploads/larch" / number
        for _ in range(100):
            if not list((folder / "incoming").iterdir()):
                break
            time.sleep(0.05)
        assert not list((folder / "incoming").iterdir()) and not list((folder / "parts").iterdir())
        assert larch.put(number, "a.csv", b"x" * 5000).json() == {"received": 5000}


def test_too_many_begun_are_refused(larch: Visitor) -> None:
    for _ in range(20):
        larch.begin()
    answer = larch.post("uploads/")
    assert answer.status_code == 422 and "are begun and not sent" in answer.text


def test_own_pages_run_no_script_but_their_own(larch: Visitor) -> None:
    number = larch.begin()
    larch.put(number, "signals/a.csv", b"x")
    for path in ("/-/login", "/-/desk/larch/", f"/-/desk/larch/uploads/{number}/",
                 "/-/desk/larch/queries/"):  # fmt: skip
        answer = larch.client.get(path)
        policy = answer.headers["content-security-policy"]
        assert "default-src 'none'" in policy and "unsafe" not in policy
        assert not re.search(r"<[^>]*\s(?:style|on\w+)=", answer.text)
        assert answer.text.count("<script") == answer.text.count('<script defer src="/-/assets/')
        assert answer.headers["referrer-policy"] == "same-origin"
