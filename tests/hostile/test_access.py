"""A token opens the pages of its own centre: no path, header, method or link crosses over.

Requests are given to the application as a server gives them, the path already decoded once, and
some go through a real server on a socket, where nothing on the client's side tidies them up.
"""

from __future__ import annotations

import asyncio
import json
import re
import socket
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlencode

import pytest
from typer.testing import CliRunner

from quietsleep.server import access
from quietsleep.server.access import AccessError, Tokens
from quietsleep.server.app import SiteApp, file_at, open_pages
from quietsleep.server.attempts import MOST_REMEMBERED, Attempts
from quietsleep.server.paper import LOGIN, LOGOUT
from quietsleep.server.serve import is_loopback
from quietsleep.server.sessions import COOKIE
from quietsleep.study.door_limits import DoorLimits
from tests.server.running import running

SECRET = "only rowan and the coordinating centre may read this"
OWN = "larch may read this"


@pytest.fixture
def study_path(tmp_path: Path) -> Path:
    pages = tmp_path / "study" / "pages"
    for name, text in (("larch", OWN), ("larch-2", SECRET), ("rowan", SECRET), ("overview", SECRET),
                       ("dictionary", "words")):  # fmt: skip
        for file in ("index.html", "traces/one.js", "assets/style.css"):
            (pages / name / file).parent.mkdir(parents=True, exist_ok=True)
            (pages / name / file).write_text(text)
    framed = "<head></head><header></header>"
    (pages / "larch" / "framed.html").write_text(framed)
    (tmp_path / "study" / "work").mkdir()
    (tmp_path / "study" / "register.jsonl").write_text(SECRET)
    (pages / "larch" / "link.html").symlink_to(pages / "rowan" / "index.html")
    (pages / "larch" / "out").symlink_to(pages / "rowan")
    (pages / "larch" / "up.html").symlink_to(tmp_path / "study" / "register.jsonl")
    (pages / "linked").symlink_to(pages / "rowan")
    return tmp_path / "study"


class Caller:
    """Calls an application as a server does."""

    def __init__(self, app: Any, client: str = "127.0.0.1") -> None:
        self.app, self.client = app, client

    def __call__(
        self,
        path: str,
        *,
        method: str = "GET",
        headers: dict[str, str] | None = None,
        body: bytes = b"",
        token: str = "",
    ) -> tuple[int, dict[str, str], bytes]:
        sent = {"host": "127.0.0.1:8000", **(headers or {})}
        if token:
            sent["authorization"] = f"Bearer {token}"
        scope = {
            "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": method,
            "scheme": "http", "path": path, "raw_path": path.encode("utf-8", "surrogatepass"),
            "query_string": b"", "root_path": "", "client": (self.client, 5000),
            "server": ("127.0.0.1", 8000),
            "headers": [(k.lower().encode(), v.encode("latin-1")) for k, v in sent.items()],
        }  # fmt: skip
        messages: list[dict[str, Any]] = []

        pending = [body]

        async def receive() -> dict[str, Any]:
            if not pending:  # as a server does while the client stays
                await asyncio.Event().wait()
            pending.clear()
            return {"type": "http.request", "body": body, "more_body": False}

        async def send(message: Any) -> None:
            messages.append(dict(message))

        # In a thread of its own: the browser tests leave a loop running in this one.
        with ThreadPoolExecutor(max_workers=1) as thread:
            thread.submit(lambda: asyncio.run(self.app(scope, receive, send))).result()
        answer = {k.decode(): v.decode("latin-1") for k, v in messages[0]["headers"]}
        return messages[0]["status"], answer, b"".join(m.get("body", b"") for m in messages[1:])


@pytest.fixture
def tokens(study_path: Path) -> Tokens:
    return Tokens(study_path)


@pytest.fixture
def call(study_path: Path) -> Caller:
    return Caller(SiteApp(study_path, study_path / "work", is_secure=False))


def log_of(study_path: Path) -> list[dict[str, Any]]:
    text = (study_path / "work" / "access.log").read_text()
    return [json.loads(line) for line in text.splitlines()]


def test_own_pages_are_open_and_others_look_as_if_they_were_not_there(
    call: Caller, tokens: Tokens
) -> None:
    larch, everyone = tokens.issue("larch"), tokens.issue("")
    assert call("/larch/", token=larch)[0] == 200
    assert call("/larch/traces/one.js", token=larch)[2] == OWN.encode()
    assert call("/dictionary/", token=larch)[0] == 200
    assert call("/", token=larch)[1]["location"] == "/larch/"
    assert call("/larch", token=larch)[1]["location"] == "/larch/"
    nowhere = call("/nowhere/", token=larch)
    for path in ("/rowan/", "/rowan/index.html", "/overview/", "/larch-2/", "/rowan/nothing.html"):
        status, headers, body = call(path, token=larch)
        assert (status, body, headers) == (nowhere[0], nowhere[2], nowhere[1])
    for path in ("/larch/", "/rowan/", "/overview/", "/larch-2/"):
        assert call(path, token=everyone)[0] == 200
    assert call("/", token=everyone)[1]["location"] == "/overview/"


def spellings() -> list[str]:
    """Ways to say /rowan/index.html, from inside larch and from outside."""
    up = ["..", "%2e%2e", ".%2e", "%2E%2e", "%252e%252e", "%25252e%25252e", "..;", ". .", "...",
          "..%00", "%c0%ae%c0%ae", "%e0%80%ae%e0%80%ae", "%uff0e%uff0e", "．．", "‥", "..\\",
          "%2e%2e%5c", "\\..", "..%c0%af", ".%00.", "..%0a", "..%20", "..%09"]  # fmt: skip
    slash = ["/", "%2f", "%252f", "\\", "%5c", "//", "/./", "%c0%af", "∕", "／", ";/"]
    made = [f"/larch/{u}{s}rowan{s}index.html" for u in up for s in slash]
    made += [f"/larch/traces/{u}/{u}/rowan/index.html" for u in up]
    made += [f"/dictionary/{u}/rowan/index.html" for u in up]
    made += [f"/{u}/pages/rowan/index.html" for u in up]
    made += [f"/larch/{u}/{u}/register.jsonl" for u in up]
    names = ["ROWAN", "Rowan", "rowan.", "rowan..", "rowan ", " rowan", "rowan%20", "rowan%00",
             "rowan\0", "rowan::$DATA", "rowan~1", "row%61n", "rowaп", "rowan\n", "./rowan",
             "larch,rowan", "larch;rowan", "larch|rowan", "rowan;larch", "linked", "larch/out",
             "rowan\t", "rowan%0d%0ax: y", "LINKED", "larch/../rowan"]  # fmt: skip
    made += [f"/{name}/index.html" for name in names] + [f"//{name}/" for name in names]
    made += ["//rowan/index.html", "///rowan/", "/larch//rowan/", "/larch/link.html",
             "/larch/up.html", "/larch/out/index.html", "/larch/out/traces/one.js", "/linked/",
             "http://127.0.0.1/rowan/",
             "rowan/index.html", "", "*", "/larch/%2fetc/passwd", "//etc/passwd", "/etc/passwd",
             "/larch//etc/passwd", "/C:/x", "/larch/C:\\x", "/-/../rowan/", "/-/login/../../rowan/",
             "/larch/?/../rowan/", "/larch/#/../rowan/", "/larch/index.html/../../rowan/index.html",
             "/larch/" + "a/" * 3000 + "../" * 3000 + "rowan/", "/" + "r" * 70_000,
             "/rowan/index.html?x=/larch/", "/rowan/\udcff", "/larch/\ud800/../rowan/",
             "/.well-known/../rowan/", "/larch/../../access.json", "/access.json",
             "/work/access.log"]  # fmt: skip
    return made


def test_no_spelling_of_a_path_crosses_centres(
    call: Caller, tokens: Tokens, study_path: Path
) -> None:
    larch = tokens.issue("larch")
    tried = sorted({t for s in spellings() for t in (s, unquote(s), unquote(unquote(s)))})
    assert len(tried) > 500
    for path in tried:
        for method in ("GET", "HEAD"):
            status, _, body = call(path, method=method, token=larch)
            assert SECRET.encode() not in body and b"root:" not in body, path
            assert status in (303, 404) or body == OWN.encode() or method == "HEAD", path
            assert status != 200 or unquote(path).startswith("/larch/"), path
        found = file_at(study_path / "pages", path)
        assert found is None or found.is_relative_to(study_path / "pages")
    assert len(log_of(study_path)) == 2 * len(tried)


HEADERS = [
    {name: value}
    for name in ("x-original-url", "x-rewrite-url", "x-forwarded-prefix", "x-forwarded-path",
                 "x-accel-redirect", "x-sendfile", "x-forwarded-uri", "content-location",
                 "referer",
                 "x-http-method-override", "x-original-uri", "forwarded", "x-real-ip",
                 "destination",
                 "x-forwarded-for", "x-forwarded-host", "x-forwarded-user", "x-remote-user",
                 "x-centre", "x-custom-ip-authorization", "via", "x-host", "true-client-ip")
    for value in ("/rowan/index.html", "rowan", "127.0.0.1")
] + [
    {"host": host} for host in ("rowan", "rowan.localhost", "127.0.0.1/rowan", "", "x@127.0.0.1")
] + [
    {"range": value}
    for value in ("bytes=0-1", "bytes=-5", "bytes=0-0,2-3", "bytes=0-99999999", "bytes=9-1",
                  "bytes=" + ",".join(f"{n}-{n}" for n in range(3000)), "lines=1-2", "bytes=a-b",
                  "bytes=-0", "bytes=0-,0-,0-")
] + [
    {"cookie": value}
    for value in (f"{COOKIE}=", f"{COOKIE}=larch", f"{COOKIE}=../../access.json", "centre=rowan",
                  f"{COOKIE}=a; {COOKIE}=b", f'{COOKIE}="\\"', f"{COOKIE}=" + "a" * 8000)
]  # fmt: skip


def test_no_header_crosses_centres(call: Caller, tokens: Tokens) -> None:
    larch = tokens.issue("larch")
    for headers in HEADERS:
        for method in ("GET", "HEAD"):
            status, _, body = call("/rowan/index.html", headers=headers, method=method, token=larch)
            assert status == 404 and SECRET.encode() not in body, headers
            status, answer, body = call("/rowan/index.html", headers=headers, method=method)
            assert status == 303 and answer["location"].partition("?")[0] == LOGIN, headers
            assert not body
            status, _, body = call("/larch/index.html", headers=headers, method=method, token=larch)
            assert status in (200, 206, 400, 416) and SECRET.encode() not in body, headers


@pytest.mark.parametrize(
    "method",
    ["OPTIONS", "TRACE", "PUT", "DELETE", "PATCH", "CONNECT", "PROPFIND", "MOVE", "COPY", "get",
     "POST", "DEBUG", "TRACK", "SEARCH", "GET ", "", "M" * 500],
)  # fmt: skip
def test_other_methods_do_nothing(call: Caller, tokens: Tokens, method: str) -> None:
    token = tokens.issue("")
    for path in ("/rowan/index.html", "/", "/overview/"):
        status, headers, body = call(path, method=method, token=token)
        assert status == 405 and headers["allow"] == "GET, HEAD" and token.encode() not in body


def test_without_a_token_nothing_is_shown(call: Caller, tokens: Tokens, study_path: Path) -> None:
    good = tokens.issue("larch")
    name, secret = good.split("_", 2)[1:]
    other = tokens.issue("rowan").split("_", 2)[2]
    stored = tokens.list()[0].hash
    bad = ["", "x", good[:-1], good + "a", good.lower(), f"qs_{name}_", f"qs_{name}_{other}",
           f"qs_{name}_{stored}", secret, f"qs__{secret}", f"qs_{name}_{secret[:-1]}\0",
           "qs_" + "a" * 10 + "_" + secret, good.replace("_", "-"),
           "qs_../x_" + secret]  # fmt: skip
    for number, text in enumerate(bad):
        fresh = Caller(call.app, client=f"10.0.0.{number}")
        for path in ("/larch/", "/dictionary/", "/larch/assets/style.css", "/", "/nowhere"):
            status, headers, body = fresh(path, headers={"authorization": f"Bearer {text}"})
            assert status in (401, 429) and OWN.encode() not in body
            assert status == 429 or headers["www-authenticate"].startswith("Bearer")
    assert call("/larch/")[:1] == (303,)
    assert call("/larch/", headers={"authorization": f"Basic {good}"})[0] == 401
    assert call("/larch/", headers={"authorization": f"bearer  {good}"})[0] == 200
    assert not any(secret in path.read_text() for path in study_path.glob("*.json"))


def post(call: Caller, token: str, **headers: str) -> tuple[int, dict[str, str], bytes]:
    kind = {"content-type": "application/x-www-form-urlencoded", **headers}
    return call(LOGIN, method="POST", headers=kind, body=urlencode({"token": token}).encode())


def test_login_with_the_form(call: Caller, tokens: Tokens, study_path: Path) -> None:
    larch = tokens.issue("larch")
    assert b'method="post"' in call(LOGIN)[2]
    status, headers, _ = post(call, larch)
    assert status == 303 and headers["location"] == "/larch/"
    said = headers["set-cookie"].lower()
    assert "httponly" in said and "samesite=lax" in said and "path=/" in said
    assert larch not in headers["set-cookie"]
    cookie = headers["set-cookie"].split(";")[0]
    assert call("/larch/", headers={"cookie": cookie})[0] == 200
    assert call("/rowan/", headers={"cookie": cookie})[0] == 404
    secure = Caller(SiteApp(study_path, study_path / "work", is_secure=True))
    assert "secure" in post(secure, larch)[1]["set-cookie"].lower()
    # Another process knows nothing of it, and logging out ends it.
    assert secure("/larch/", headers={"cookie": cookie})[0] == 303
    kind = {"content-type": "application/x-www-form-urlencoded"}
    form = call("/larch/framed.html", headers={"cookie": cookie})[2].decode()
    word = re.search(r'name="form_token" value="([^"]+)"', form)
    assert word is not None
    for headers, body in (
        ({}, b""),
        (kind, b"form_token=x"),
        ({**kind, "origin": "http://evil.example"}, f"form_token={word[1]}".encode()),
        ({**kind, "sec-fetch-site": "cross-site"}, f"form_token={word[1]}".encode()),
    ):
        tried = call(LOGOUT, method="POST", headers={"cookie": cookie, **headers}, body=body)
        assert tried[0] == 400
    assert call("/larch/", headers={"cookie": cookie})[0] == 200
    body = f"form_token={word[1]}".encode()
    call(LOGOUT, method="POST", headers={"cookie": cookie, **kind}, body=body)
    assert call("/larch/", headers={"cookie": cookie})[0] == 303


def test_a_session_ends_by_itself(
    call: Caller, tokens: Tokens, monkeypatch: pytest.MonkeyPatch
) -> None:
    cookie = post(call, tokens.issue("larch"))[1]["set-cookie"].split(";")[0]
    now = time.monotonic()
    monkeypatch.setattr("quietsleep.server.sessions.monotonic", lambda: now + 8 * 3600 + 5)
    assert call("/larch/", headers={"cookie": cookie})[0] == 303


@pytest.mark.parametrize(
    ("headers", "body"),
    [
        ({"content-type": "text/plain"}, b"token=x"),
        ({"content-type": "multipart/form-data; boundary=x"}, b"--x--"),
        ({"content-type": "application/json"}, b'{"token": "x"}'),
        ({}, b"token=x"),
        ({"content-type": "application/x-www-form-urlencoded"}, b"token=" + b"x" * 100_000),
        ({"content-type": "application/x-www-form-urlencoded"}, b"\xff\xfe"),
        ({"content-type": "application/x-www-form-urlencoded"}, b"a=1&" * 100),
        ({"content-type": "application/x-www-form-urlencoded", "origin": "http://evil.example"},
         b"token=x"),
        ({"content-type": "application/x-www-form-urlencoded", "origin": "null"}, b"token=x"),
        ({"content-type": "application/x-www-form-urlencoded", "sec-fetch-site": "cross-site"},
         b"token=x"),
        ({"content-type": "application/x-www-form-urlencoded", "sec-fetch-site": "same-site",
          "origin": "http://127.0.0.1:8000"}, b"token=x"),
        ({"content-type": "application/x-www-form-urlencoded", "sec-fetch-site": "same-origin",
          "origin": "http://127.0.0.1:8001"}, b"token=x"),
        ({"content-type": "application/x-www-form-urlencoded", "origin": "http://[127.0.0.1:8000"},
         b"token=x"),
        ({"content-type": "application/x-www-form-urlencoded", "origin": "file://127.0.0.1:8000"},
         b"token=x"),
    ],
)  # fmt: skip
def test_what_is_no_login_form_is_refused(
    call: Caller, headers: dict[str, str], body: bytes
) -> None:
    assert call(LOGIN, method="POST", headers=headers, body=body)[0] == 400


def test_revoked_tokens_open_nothing_from_then_on(
    call: Caller, tokens: Tokens, study_path: Path
) -> None:
    larch, everyone = tokens.issue("larch"), tokens.issue("")
    cookie = {"cookie": post(call, larch)[1]["set-cookie"].split(";")[0]}
    assert call("/larch/", token=larch)[0] == call("/larch/", headers=cookie)[0] == 200
    # Another process revokes it, as the command does.
    Tokens(study_path).revoke(larch.split("_")[1])
    assert call("/larch/", token=larch)[0] == 401
    assert call("/larch/", headers=cookie)[0] == 303
    assert call("/larch/", token=everyone)[0] == 200
    (study_path / "access.json").unlink()
    assert call("/larch/", token=everyone)[0] == 401


def test_too_many_attempts_have_to_wait(study_path: Path, tokens: Tokens) -> None:
    app = SiteApp(study_path, study_path / "work", is_secure=False)
    call, neighbour = Caller(app), Caller(app, client="10.0.0.9")
    good = tokens.issue("larch")
    wrong = good[:-3] + ("aaa" if good[-3:] != "aaa" else "bbb")
    assert call("/larch/", token=good)[0] == 200
    statuses = [call("/larch/", token=wrong)[0] for _ in range(14)]
    assert statuses[:10] == [401] * 10 and statuses[10:] == [429] * 4
    # No header makes another client of it; what was proven before goes on.
    assert call("/larch/", token=wrong, headers={"x-forwarded-for": "10.1.1.1"})[0] == 429
    status, headers, _ = post(call, wrong)
    assert status == 429 and 0 < int(headers["retry-after"]) <= 31
    assert call("/larch/", token=good)[0] == 200
    assert neighbour("/larch/", token=tokens.issue("larch"))[0] == 200


def test_nobody_is_held_up_by_the_wrong_tokens_of_others(study_path: Path, tokens: Tokens) -> None:
    """Behind a proxy that nobody registered, all come from one address."""
    app = SiteApp(study_path, study_path / "work", is_secure=False)
    call = Caller(app)
    mine, theirs = tokens.issue("larch"), tokens.issue("rowan")
    cookie = {"cookie": post(call, tokens.issue("larch"))[1]["set-cookie"].split(";")[0]}
    wrong = theirs[:-3] + ("aaa" if theirs[-3:] != "aaa" else "bbb")
    invented = ["qs_" + "a" * 10 + "_" + letter * 43 for letter in "abcdefghijklmnop"]
    assert [call("/", token=t)[0] for t in invented].count(429) == 6
    assert [call("/", token=wrong)[0] for _ in range(12)].count(429) == 2
    assert call("/", token=theirs)[0] == 429
    assert call("/larch/", token=mine)[0] == call("/larch/", headers=cookie)[0] == 200
    assert post(call, tokens.issue("larch"))[0] == 303
    # Who owns the token that somebody tried signs in from elsewhere.
    assert Caller(app, client="10.0.0.9")("/rowan/", token=theirs)[0] == 200


def test_waits_grow_are_forgotten_after_a_while_and_bounded() -> None:
    now = [0.0]
    attempts = Attempts(DoorLimits(wait_s=30, longest_wait_s=100), clock=lambda: now[0])
    for _ in range(10):
        attempts.count("a", "x")
    assert attempts.wait_s("a", "x") == 30
    assert attempts.wait_s("b", "x") == attempts.wait_s("a", "y") == 0
    now[0] = 31
    assert attempts.wait_s("a", "x") == 0
    waits = []
    for _ in range(3):
        attempts.count("a", "x")
        waits.append(attempts.wait_s("a", "x"))
        now[0] += waits[-1]
    assert waits == [60, 100, 100]
    attempts.forgive("a", "x")
    attempts.count("a", "x")
    assert attempts.wait_s("a", "x") == 0
    for _ in range(2000):
        attempts.count("a", "x")
    assert attempts.wait_s("a", "x") == 100
    now[0] += 131
    attempts.count("a", "x")
    assert attempts.wait_s("a", "x") == 0
    # All addresses of one network of the sixth version are one.
    for number in range(10):
        attempts.count(f"2001:db8::{number}", "x")
    assert attempts.wait_s("2001:db8::ffff", "x") == 30
    for number in range(MOST_REMEMBERED + 500):
        attempts.count(str(number), "")
    assert len(attempts) == MOST_REMEMBERED


def test_every_access_is_written_down_without_the_token(
    call: Caller, tokens: Tokens, study_path: Path
) -> None:
    larch = tokens.issue("larch")
    secret = larch.split("_", 2)[2]
    call("/larch/", token=larch)
    call("/rowan/", token=larch)
    call("/larch/", token=larch[:-2] + "xx")
    call(f"/larch/{larch}", token=larch)
    call('/a\n{"status": 200}\x1b[2J', token=larch)
    post(call, larch)
    call("/larch/", method="TRACE", headers={"x": larch})
    call("/" + larch)
    lines = log_of(study_path)
    assert [e["status"] for e in lines] == [200, 404, 401, 404, 404, 303, 405, 303]
    assert lines[0]["token"] == larch.split("_")[1] and lines[0]["centre"] == "larch"
    assert lines[0]["client"] == "127.0.0.1" and lines[2]["token"] is None
    text = (study_path / "work" / "access.log").read_text()
    assert secret not in text and "\x1b" not in text
    assert (study_path / "work" / "access.log").stat().st_mode & 0o077 == 0


def test_what_is_kept_tells_no_token(tokens: Tokens, study_path: Path) -> None:
    made = [tokens.issue("larch") for _ in range(3)]
    text = (study_path / "access.json").read_text()
    assert not any(token.split("_", 2)[2] in text for token in made)
    kept = json.loads(text)["tokens"]
    assert len({e["salt"] for e in kept}) == 3 and len({e["hash"] for e in kept}) == 3
    assert (study_path / "access.json").stat().st_mode & 0o077 == 0
    assert not list(study_path.glob("*.new"))
    with pytest.raises(AccessError, match="No token is called"):
        tokens.revoke("nobody")


def test_the_slow_hash_is_slow(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.undo()
    assert access._SCRYPT_N >= 2**14 and access.SECRET_BYTES >= 32


@pytest.mark.parametrize(
    "content",
    ["", "{", "[]", "{}", '{"tokens": 1}', '{"tokens": [{}]}', '{"tokens": ["x"]}',
     "[" * 99_999,
     '{"tokens": [{"name": "aaaaaaaaaa", "centre": "", "salt": "zz", "hash": "", "issued_at": 1}]}',
     '{"tokens": [{"name": "../../../x", "centre": "", "salt": "", "hash": "", "issued_at": ""}]}',
     '{"tokens": [{"name": "aaaaaaaaaa", "centre": "", "salt": "", "hash": "", "issued_at": ""}]}'],
)  # fmt: skip
def test_a_damaged_list_of_tokens_opens_nothing(
    call: Caller, study_path: Path, content: str
) -> None:
    (study_path / "access.json").write_text(content)
    token = "qs_aaaaaaaaaa_" + "a" * 43
    status, _, body = call("/larch/", token=token)
    assert status == 503 and b"damaged" in body
    assert log_of(study_path)[-1]["status"] == 503


def test_pages_on_this_machine_answer_to_its_names_only(study_path: Path) -> None:
    call = Caller(open_pages(study_path / "pages"))
    assert call("/larch/")[0] == 200
    for host in ("evil.example", "127.0.0.1.evil.example", "localhost.evil.example", ""):
        assert call("/larch/", headers={"host": host})[0] == 400
    for path in ("/../register.jsonl", "/larch/up.html", "/larch/../../register.jsonl"):
        assert SECRET.encode() not in call(path)[2]


def test_wider_binding_needs_access(study_path: Path, tmp_path: Path) -> None:
    from quietsleep.cli.main import app

    run = CliRunner()
    demo = tmp_path / "demo"
    from quietsleep.simulation.centres import write_study_files
    from quietsleep.simulation.scenario import load_scenarios

    write_study_files(demo, load_scenarios(), seed=7)
    for host in ("0.0.0.0", "::", "192.0.2.1", "example.org", "127.0.0.2", ""):
        answer = run.invoke(app, ["look", str(demo), "--host", host, "--no-browser"])
        assert answer.exit_code == 2 and "--with-access" in answer.output
        assert not is_loopback(host)
    answer = run.invoke(app, ["access", str(demo), "--issue", "larch"])
    token = answer.output.strip()
    assert re.fullmatch(access.TOKEN, token)
    listed = run.invoke(app, ["access", str(demo)]).output
    assert "larch" in listed and "stands" in listed and token.split("_", 2)[2] not in listed
    answer = run.invoke(app, ["access", str(demo), "--revoke", token.split("_")[1]])
    assert answer.exit_code == 0
    assert "revoked" in run.invoke(app, ["access", str(demo)]).output
    assert run.invoke(app, ["access", str(demo), "--issue", "nowhere"]).exit_code == 2
    assert run.invoke(app, ["access", str(demo), "--revoke", "nobody"]).exit_code == 2
    assert run.invoke(app, ["access", str(demo), "--issue-all", "--issue", "larch"]).exit_code == 2


@pytest.fixture
def server(study_path: Path) -> Iterator[int]:
    """The application behind the real door, as the commands open it."""
    app = SiteApp(study_path, study_path / "work", is_secure=False)
    with running(app) as address:
        yield int(address.rpartition(":")[2])


def send(port: int, raw: bytes) -> bytes:
    with socket.create_connection(("127.0.0.1", port), timeout=3) as connection:
        connection.sendall(raw)
        parts = []
        with suppress(TimeoutError, ConnectionResetError):
            while piece := connection.recv(65_536):
                parts.append(piece)
    return b"".join(parts)


def test_no_raw_request_crosses_centres(server: int, tokens: Tokens, study_path: Path) -> None:
    larch = tokens.issue("larch")
    end = f"\r\nHost: 127.0.0.1\r\nAuthorization: Bearer {larch}\r\nConnection: close\r\n"
    assert OWN.encode() in send(server, f"GET /larch/ HTTP/1.1{end}\r\n".encode())
    paths = [s.encode("utf-8", "surrogatepass") for s in spellings() if len(s) < 3000]
    paths += [b"/larch/\xc0\xae\xc0\xae/rowan/", b"/larch/..\xff/rowan/", b"http://rowan/rowan/"]
    for path in paths[::3]:
        answer = send(server, b"GET " + path + f" HTTP/1.1{end}\r\n".encode())
        assert SECRET.encode() not in answer, path
    for raw in (
        f"GET /larch/ HTTP/1.1{end}Content-Length: 40\r\nTransfer-Encoding: chunked\r\n\r\n"
        "0\r\n\r\nGET /rowan/ HTTP/1.1\r\nHost: x\r\n\r\n",
        f"GET /larch/ HTTP/1.1{end}Host: rowan\r\n\r\n",
        f"GET /larch/ HTTP/1.1{end} folded: /rowan/\r\n\r\n",
        f"GET /rowan/ HTTP/0.9{end}\r\n",
        f"TRACE /larch/ HTTP/1.1{end}\r\n",
        "GET /rowan/\r\n\r\n",
        f"GET /larch/ HTTP/1.1{end}Range: bytes=0-2,4-6\r\n\r\n",
        f"POST /rowan/ HTTP/1.1{end}Content-Length: 0\r\n\r\n",
        f"GET /rowan/ HTTP/1.1{end}Upgrade: websocket\r\nConnection: Upgrade\r\n"
        "Sec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\nSec-WebSocket-Version: 13\r\n\r\n",
    ):
        answer = send(server, raw.encode())
        assert SECRET.encode() not in answer, raw
        assert b"uvicorn" not in answer.lower()
    assert larch.split("_", 2)[2] not in (study_path / "work" / "access.log").read_text()


def test_a_token_of_a_code_that_a_centre_had_before_opens_its_pages(
    study_path: Path, tokens: Tokens
) -> None:
    renamed = {"birch": "larch"}
    call = Caller(SiteApp(study_path, study_path / "work", is_secure=False, renamed=renamed))
    own, other = tokens.issue("birch"), tokens.issue("rowan")
    assert call("/larch/", token=own)[2] == OWN.encode()
    status, headers, _ = call("/birch/traces/one.js", token=own)
    assert (status, headers["location"]) == (301, "/larch/traces/one.js")
    assert call("/", token=own)[1]["location"] == "/larch/"
    for path in ("/rowan/", "/larch-2/", "/overview/"):
        assert call(path, token=own)[0] == 404
    for path in ("/birch/", "/larch/"):
        assert call(path, token=other)[0] == 404
