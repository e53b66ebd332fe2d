"""Whatever is sent to the door ends in a short answer that protects who gets it."""

from __future__ import annotations

import socket
import struct
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from quietsleep.server.access import Tokens
from quietsleep.server.access_log import LOG
from quietsleep.server.app import open_pages
from quietsleep.server.door import MOST_OF_BODY
from quietsleep.study.door_limits import DoorLimits
from tests.hostile.lines import (
    FORM,
    HALF,
    OWN,
    SHORT,
    asked,
    at_the_door,
    call,
    entries,
    get,
    headers_of,
    heard,
    is_protected,
    site,
    status_of,
    wait_until,
)
from tests.server.running import opened

_H = b"\r\nHost: 127.0.0.1\r\n"
ODD: dict[str, tuple[bytes, set[int]]] = {
    "websocket": (
        b"GET / HTTP/1.1" + _H + b"Upgrade: websocket\r\nConnection: Upgrade\r\n"
        b"Sec-WebSocket-Key: AAAAAAAAAAAAAAAAAAAAAA==\r\nSec-WebSocket-Version: 13\r\n\r\n",
        {303, 404},
    ),
    "upgrade to h2c": (
        b"GET / HTTP/1.1" + _H + b"Upgrade: h2c\r\nConnection: Upgrade, HTTP2-Settings\r\n"
        b"HTTP2-Settings: AAMAAABkAARAAAAAAAIAAAAA\r\n\r\n",
        {303, 404},
    ),
    "preface of HTTP/2": (b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n", {505}),
    "HTTP/0.9": (b"GET /larch/\r\n\r\n", {400}),
    "said to be 0.9": (b"GET / HTTP/0.9" + _H + b"\r\n", {505}),
    "CONNECT": (b"CONNECT rowan:443 HTTP/1.1" + _H + b"\r\n", {400}),
    "CONNECT to a path": (b"CONNECT / HTTP/1.1" + _H + b"\r\n", {400}),
    "TRACE": (b"TRACE / HTTP/1.1" + _H + b"\r\n", {405}),
    "OPTIONS *": (b"OPTIONS * HTTP/1.1" + _H + b"\r\n", {404, 405}),
    "OPTIONS of the desk": (b"OPTIONS /-/desk/larch/ HTTP/1.1" + _H + b"\r\n", {404, 405}),
    "small letters": (b"get / HTTP/1.1" + _H + b"\r\n", {405}),
    "long method": (b"M" * 500 + b" / HTTP/1.1" + _H + b"\r\n", {405}),
    "absolute": (b"GET http://rowan/larch/ HTTP/1.1" + _H + b"\r\n", {400}),
    "absolute with TLS": (b"GET HTTPS://rowan/ HTTP/1.1" + _H + b"\r\n", {400}),
    "%00": (b"GET /larch/%00 HTTP/1.1" + _H + b"\r\n", {404}),
    "%00 of a file": (b"GET /larch/index.html%00.js HTTP/1.1" + _H + b"\r\n", {404}),
    "NUL": (b"GET /larch/\0 HTTP/1.1" + _H + b"\r\n", {400}),
    "dots": (b"GET /%2e%2e/%2e%2e/etc/passwd HTTP/1.1" + _H + b"\r\n", {303, 404}),
    "no UTF-8": (b"GET /%ff%fe%c0%ae HTTP/1.1" + _H + b"\r\n", {303, 404}),
    "raw bytes": (b"GET /\xff\xfe HTTP/1.1" + _H + b"\r\n", {400}),
    "long path": (b"GET /" + b"a" * 6000 + b" HTTP/1.1" + _H + b"\r\n", {414}),
    "endless path": (b"GET /" + b"a" * 300_000, {414}),
    "long question": (b"GET /?" + b"a" * 6000 + b" HTTP/1.1" + _H + b"\r\n", {414}),
    "odd question": (b"GET /-/login?to=%00%ff&to=\\&" + b"a&" * 900 + b" HTTP/1.1" + _H + b"\r\n",
                     {200, 404}),
    "many headers": (
        b"GET / HTTP/1.1" + _H + b"".join(b"x%d: y\r\n" % n for n in range(200)) + b"\r\n", {431}
    ),
    "large header": (b"GET / HTTP/1.1" + _H + b"x: " + b"y" * 30_000 + b"\r\n\r\n", {431}),
    "endless header": (b"GET / HTTP/1.1" + _H + b"x: " + b"y" * 300_000, {431}),
    "length in words": (b"POST / HTTP/1.1" + _H + b"Content-Length: x\r\n\r\n", {400}),
    "length below nothing": (b"POST / HTTP/1.1" + _H + b"Content-Length: -5\r\n\r\n", {400}),
    "two lengths": (
        b"POST / HTTP/1.1" + _H + b"Content-Length: 5\r\nContent-Length: 6\r\n\r\n", {400}
    ),
    "5000 digits": (b"POST / HTTP/1.1" + _H + b"Content-Length: " + b"9" * 5000 + b"\r\n\r\n",
                    {400}),
    "large body": (b"POST / HTTP/1.1" + _H + b"Content-Length: %d\r\n\r\n" % (MOST_OF_BODY + 1),
                   {413}),
    "length and chunks": (
        b"POST /-/login HTTP/1.1" + _H + b"Content-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\n"
        b"0\r\n\r\nGET /rowan/ HTTP/1.1\r\nHost: x\r\n\r\n",
        {400},
    ),
    "packed chunks": (
        b"POST / HTTP/1.1" + _H + b"Transfer-Encoding: gzip, chunked\r\n\r\n0\r\n\r\n", {501}
    ),
    "bad chunk": (
        b"POST /-/login HTTP/1.1" + _H + FORM + b"Transfer-Encoding: chunked\r\n\r\n3\r\na=1\r\nzz",
        {400, 405, 408},
    ),
    "no host": (b"GET / HTTP/1.1\r\n\r\n", {400}),
    "two hosts": (b"GET / HTTP/1.1" + _H + b"Host: x\r\n\r\n", {400}),
    "odd host": (b"GET / HTTP/1.1\r\nHost: \xe9[::\r\n\r\n", {303, 400}),
    "folded": (b"GET / HTTP/1.1" + _H + b"X: a\r\n folded: x\r\n\r\n", {303, 404}),
    "no ASCII": (
        b"GET / HTTP/1.1" + _H + b"Cookie: quietsleep=\xff\xfe; \xe9=1\r\n"
        b"Authorization: Bearer qs_\xe9\r\nX: \xe9\r\nAccept-Language: \xff\r\n\r\n",
        {401, 404},
    ),
    "expects": (b"POST /-/login HTTP/1.1" + _H + b"Expect: x\r\nContent-Length: 2\r\n\r\nab",
                {400, 405}),
    "half a form": (b"POST /-/login HTTP/1.1" + _H + FORM + b"Content-Length: 50\r\n\r\na",
                    {405, 408}),
    "odd form": (b"POST /-/login HTTP/1.1" + _H + FORM + b"Content-Length: 6\r\n\r\n=%ff&;\0",
                 {400, 405}),
    "hello of TLS": (bytes.fromhex("16030100c8010000c40303") + b"\0" * 200, {400}),
    "one byte": (b"\0", {400}),
    "new lines": (b"\r\n\r\n\r\n", {400}),
}  # fmt: skip
for _value in ("bytes=9-1", "bytes=-0", "bytes=a-b", "lines=1-2", "bytes=0-,0-,0-",
               "bytes=" + ",".join(f"{n}-{n}" for n in range(900)), "bytes=99999999999999-",
               "\xe9"):  # fmt: skip
    for _path in ("/larch/index.html", "/-/assets/style.css"):
        _raw = f"GET {_path} HTTP/1.1\r\nHost: 127.0.0.1\r\nRange: {_value}\r\n\r\n"
        ODD[f"{_path} {_value[:20]}"] = (_raw.encode("latin-1"), {200, 206, 303, 400, 404, 416})
for _method in ("HEAD", "OPTIONS", "DELETE", "PUT", "POST", "PROPFIND"):
    for _path in ("/", "/larch/", "/-/login", "/-/logout", "/-/desk/", "/-/queries/1",
                  "/-/reading/", "/-/assets/style.css", "/favicon.ico", "/nowhere"):  # fmt: skip
        _raw = f"{_method} {_path} HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 0\r\n\r\n"
        ODD[f"{_method} {_path}"] = (_raw.encode(), {200, 204, 303, 307, 400, 404, 405})
ODD_ONLY = DoorLimits(head_s=0.5, pause_s=0.5, idle_s=0.3)


@pytest.mark.parametrize("shown", ["by token", "to this machine"])
def test_odd_requests_end_in_a_short_answer(
    study: Path, shown: str, capfd: pytest.CaptureFixture[str], caplog: pytest.LogCaptureFixture
) -> None:
    by_token = shown == "by token"
    app: Any = site(study, ODD_ONLY) if by_token else open_pages(study / "pages")
    log = app.log if by_token else None
    with opened(app, ODD_ONLY, log=log) as door:
        lines = {}
        for name, (raw, _) in ODD.items():
            line = lines[name] = call(door)
            with suppress(ConnectionError):
                line.sendall(raw)
        for name, (raw, wanted) in ODD.items():
            with lines[name] as line:
                answer = heard(line)
            # Who sends on and on may find the line closed before it has heard why.
            is_endless = len(raw) > 200_000
            assert status_of(answer) in wanted or (is_endless and not answer), (name, answer[:300])
            assert not answer or is_protected(answer), (name, answer)
            assert b"Traceback" not in answer and b"uvicorn" not in answer.lower()
            if status_of(answer) >= 400 and b"<!doctype" not in answer:
                assert len(answer.partition(b"\r\n\r\n")[2]) < 600, name
        assert status_of(asked(door, get("/larch/"))) in (200, 303)
    said = capfd.readouterr()
    assert said.out == said.err == "" and not [r for r in caplog.records if r.levelno >= 30]
    if by_token:
        assert len(entries(study)) >= len(ODD)


def test_a_caller_who_resets_the_line_leaves_no_trace(
    study: Path, capfd: pytest.CaptureFixture[str], caplog: pytest.LogCaptureFixture
) -> None:
    form = b"POST /-/login HTTP/1.1" + _H + FORM + b"Content-Length: 50\r\n\r\na"
    with at_the_door(study, SHORT) as door:
        for raw in (b"", HALF, form, get("/-/login"), form[:-1]):
            for _ in range(5):
                line = call(door)
                line.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
                line.sendall(raw)
                time.sleep(0.02)
                line.close()
        assert status_of(asked(door, get("/-/login"))) == 200
        assert wait_until(lambda: len(door.server._keeper) == 0)
    said = capfd.readouterr()
    assert said.out == said.err == "" and not [r for r in caplog.records if r.levelno >= 30]


def test_a_mistake_of_ours_is_told_in_one_sentence(caplog: pytest.LogCaptureFixture) -> None:
    async def broken(scope: Any, receive: Any, send: Any) -> None:
        raise RuntimeError("secret of the house")

    with opened(broken, DoorLimits()) as door:
        answer = asked(door, get("/"))
    assert status_of(answer) == 500 and is_protected(answer)
    assert b"went wrong" in answer and b"secret" not in answer
    assert "secret of the house" in caplog.text


def test_browsers_are_told_of_tls_where_people_come_by_it_alone(study: Path) -> None:
    login = get("/-/login")
    elsewhere = login.replace(b"127.0.0.1", b"desk.example")
    for address, told in (("https://desk.example", True), ("http://desk.example", False),
                          (None, False)):  # fmt: skip
        with at_the_door(study, DoorLimits(address=address)) as door:
            here, there = headers_of(asked(door, login)), headers_of(asked(door, elsewhere))
        for said in (here, there):
            assert ("strict-transport-security" in said) is told
        # Browsers complain where nothing could be trusted anyway.
        assert "cross-origin-opener-policy" in here
        assert ("cross-origin-opener-policy" in there) is told


def test_what_cannot_be_written_down_is_not_shown(
    study: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    token = Tokens(study).issue("larch")
    with at_the_door(study, DoorLimits()) as door:
        (study / "work" / LOG).mkdir()  # as a disk that takes nothing
        answer = asked(door, get("/larch/", f"Authorization: Bearer {token}"))
        assert status_of(answer) == 507 and OWN not in answer and is_protected(answer)
        assert status_of(asked(door, b"\0")) == 400
        (study / "work" / LOG).rmdir()
        assert OWN in asked(door, get("/larch/", f"Authorization: Bearer {token}"))
    assert capfd.readouterr().err == ""
