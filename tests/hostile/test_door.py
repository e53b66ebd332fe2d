"""The door cannot be held shut, by whoever comes and however slow.

Connections come over real sockets, with limits of tenths of a second in place of seconds.
"""

from __future__ import annotations

import socket
import ssl
import time
from contextlib import ExitStack, suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

import anyio
import pytest

from quietsleep.server.access import Tokens
from quietsleep.server.doorkeeper import IS_KNOWN
from quietsleep.study.door_limits import DoorLimits
from tests.hostile.lines import (
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
    heard_until,
    status_of,
    wait_until,
)
from tests.server.running import opened
from tests.tell.servers import write_certificate

# Longer than any test takes: what ends earlier was let go for another reason.
LONG = DoorLimits(head_s=60.0, pause_s=60.0, answer_s=60.0, idle_s=60.0)


def test_half_open_requests_are_let_go_and_hold_nobody_up(study: Path) -> None:
    token = Tokens(study).issue("larch")
    reader = get("/larch/", f"Authorization: Bearer {token}")
    with at_the_door(study, SHORT) as door, ExitStack() as stack:
        slow = [stack.enter_context(call(door)) for _ in range(200)]
        for number, line in enumerate(slow):
            line.sendall(HALF[: 1 + number % len(HALF)] if number % 4 else b"")
        began = time.monotonic()
        answers = [asked(door, reader) for _ in range(10)]
        assert all(status_of(a) == 200 and OWN in a for a in answers)
        told = [heard(line) for line in slow]
        assert time.monotonic() - began < 5
        assert {status_of(a) for a in told} == {408}
        assert wait_until(lambda: len(door.server._keeper) == 0)
    assert [e["status"] for e in entries(study)].count(408) == 200


def test_a_byte_now_and_then_buys_no_time(study: Path) -> None:
    with at_the_door(study, SHORT) as door, call(door) as line:
        began = time.monotonic()
        answer = b""
        line.settimeout(0.1)
        line.sendall(HALF)
        while not answer and time.monotonic() - began < 6:
            with suppress(TimeoutError, ConnectionError):
                line.sendall(b"a")
                answer = line.recv(1000)
        assert status_of(answer) == 408 and 0.5 < time.monotonic() - began < 3


def test_a_second_request_has_its_own_time_and_silence_ends(study: Path) -> None:
    one = get("/-/login").replace(b"Connection: close\r\n", b"")
    with at_the_door(study, SHORT) as door, call(door) as line:
        began = time.monotonic()
        for _ in range(8):
            line.sendall(one)
            assert status_of(heard_until(line, b"</html>")) == 200
            time.sleep(0.2)
        line.sendall(HALF)
        assert status_of(heard(line)) == 408
        assert 2.0 < time.monotonic() - began < 4.5
    with at_the_door(study, SHORT) as door, call(door) as line:
        line.sendall(one)
        heard_until(line, b"</html>")
        began = time.monotonic()
        assert heard(line) == b"" and time.monotonic() - began < 3


def test_a_full_door_opens_to_the_next(study: Path) -> None:
    """Those who only half ask make room for each other and for everybody else."""
    token = Tokens(study).issue("larch")
    limits = replace(LONG, connections=30, connections_of_one=20)
    with at_the_door(study, limits) as door, ExitStack() as stack:
        slow = [stack.enter_context(call(door, at=f"127.0.0.{2 + n % 4}")) for n in range(150)]
        for line in slow:
            with suppress(ConnectionError):
                line.sendall(HALF)
        for at in ("127.0.0.1", "127.0.0.2", "127.0.0.9"):
            for _ in range(5):
                answer = asked(door, get("/larch/", f"Authorization: Bearer {token}"), at=at)
                assert status_of(answer) == 200 and OWN in answer
        assert len(door.server._keeper) <= 30
        assert [*map(len, door.server._keeper._houses.values())] <= [20] * 9


def test_who_has_signed_in_and_sends_is_not_sent_away_for_others(study: Path) -> None:
    """A chunk on a slow line stays; forms of strangers that never end do not."""
    limits = replace(LONG, connections=10, connections_of_one=10)

    async def app(scope: Any, receive: Any, send: Any) -> None:
        if scope["path"] == "/known":
            scope["state"][IS_KNOWN] = True
        more = True
        while more:
            more = (await receive()).get("more_body", False)
        await send({"type": "http.response.start", "status": 200, "headers": []})
        await send({"type": "http.response.body", "body": OWN})

    with opened(app, limits) as door, ExitStack() as stack:

        def begin(path: str) -> socket.socket:
            line = stack.enter_context(call(door))
            line.sendall(f"PUT {path} HTTP/1.1\r\nHost: x\r\nContent-Length: 3\r\n\r\na".encode())
            time.sleep(0.03)
            return line

        known = [begin("/known") for _ in range(4)]
        for _ in range(30):
            begin("/stranger")
        for line in known:
            line.sendall(b"bc")
            assert heard_until(line, OWN)
        full = [begin("/known") for _ in range(10)]
        told = asked(door, get("/"))
        assert status_of(told) in (0, 503)  # its request may have crossed the refusal
        for line in full:
            line.sendall(b"bc")
            assert heard_until(line, OWN)


def test_tls_that_is_never_agreed_on_is_let_go(study: Path, tmp_path: Path) -> None:
    certificate, key = write_certificate(tmp_path)
    with at_the_door(study, SHORT, certificate=certificate, key=key) as door, ExitStack() as stack:
        assert door.address.startswith("https://")
        silent = [stack.enter_context(call(door)) for _ in range(50)]
        silent[0].sendall(bytes.fromhex("16030100c8010000c40303"))
        began = time.monotonic()
        trusting = ssl.create_default_context(cafile=certificate)
        trusting.check_hostname = False
        with trusting.wrap_socket(call(door)) as line:
            line.sendall(get("/-/login"))
            answer = heard(line)
        assert status_of(answer) == 200
        assert headers_of(answer)["cross-origin-opener-policy"] == "same-origin"
        assert all(heard(line) == b"" for line in silent) and time.monotonic() - began < 4
        # Under TLS too, half a request is no more than that.
        with trusting.wrap_socket(call(door)) as line:
            line.sendall(HALF)
            assert status_of(heard(line)) == 408
        assert b"HTTP" not in asked(door, get("/"))  # plain speech at the door of TLS
        assert wait_until(lambda: len(door.server._keeper) == 0)


async def weigh(scope: Any, receive: Any, send: Any) -> None:
    """Tells how many bytes were sent."""
    n, more = 0, True
    while more:
        message = await receive()
        if message["type"] == "http.disconnect":
            return
        n, more = n + len(message["body"]), message["more_body"]
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": b"%d bytes" % n})


def put(n: int) -> bytes:
    head = f"PUT /x HTTP/1.1\r\nHost: x\r\nConnection: close\r\nContent-Length: {n}\r\n\r\n"
    return head.encode()


def test_a_slow_line_gets_its_chunk_through(study: Path) -> None:
    """Longer than any pause may be, without ever pausing for so long."""
    with opened(weigh, SHORT) as door, call(door) as line:
        line.sendall(put(15 * 400))
        for _ in range(15):
            time.sleep(0.1)
            line.sendall(b"a" * 400)
        assert b"6000 bytes" in heard(line)


@pytest.mark.parametrize("each", [0, 20])
def test_a_body_that_pauses_or_drips_is_let_go(study: Path, each: int) -> None:
    with opened(weigh, SHORT) as door, call(door) as line:
        began = time.monotonic()
        line.sendall(put(100_000))
        line.settimeout(0.1)
        answer = b""
        while not answer and time.monotonic() - began < 6:
            with suppress(TimeoutError, ConnectionError):
                line.sendall(b"a" * each)
                answer = line.recv(1000)
        assert status_of(answer) == 408 and time.monotonic() - began < 4


async def large(scope: Any, receive: Any, send: Any) -> None:
    """Says 16 MB."""
    await send({"type": "http.response.start", "status": 200, "headers": []})
    for _ in range(256):
        await send({"type": "http.response.body", "body": b"a" * 65_536, "more_body": True})
    await send({"type": "http.response.body", "body": b""})


def test_a_slow_reader_gets_all_and_one_who_takes_nothing_is_let_go(study: Path) -> None:
    with opened(large, SHORT) as door, call(door) as idle, call(door) as slow:
        idle.sendall(get("/"))
        slow.sendall(get("/"))
        began, n = time.monotonic(), 0
        while piece := slow.recv(262_144):
            n += len(piece)
            time.sleep(0.04)
        assert n > 16 * 1024**2 and time.monotonic() - began > 2 * SHORT.answer_s
        assert wait_until(lambda: len(door.server._keeper) == 0)
        assert len(heard(idle)) < 16 * 1024**2


def test_work_on_an_answer_may_take_its_time(study: Path) -> None:
    async def app(scope: Any, receive: Any, send: Any) -> None:
        await anyio.sleep(2)
        await weigh(scope, receive, send)

    with opened(app, SHORT) as door:
        assert b"0 bytes" in asked(door, get("/"))
        # Nor is it the fault of who sends that nobody reads yet.
        n = 300_000
        assert b"%d bytes" % n in asked(door, put(n) + b"a" * n)


def test_who_has_an_answer_may_ask_again_while_it_is_put_away(study: Path) -> None:
    async def app(scope: Any, receive: Any, send: Any) -> None:
        await weigh(scope, receive, send)
        await anyio.sleep(0.5)

    limits = replace(LONG, connections_of_one=2)
    with opened(app, limits) as door:
        told = [asked(door, get("/")) for _ in range(6)]
        assert {status_of(answer) for answer in told} == {200}


def test_the_server_stops_though_slow_ones_are_there(study: Path) -> None:
    with opened(weigh, LONG) as door, ExitStack() as stack:
        for raw in (b"", HALF, put(1000) + b"a"):
            stack.enter_context(call(door)).sendall(raw)
        assert wait_until(lambda: len(door.server._keeper) == 3)
        time.sleep(0.3)
        began = time.monotonic()
        door.server.should_exit = True
        assert wait_until(lambda: len(door.server._keeper) == 0)
    assert time.monotonic() - began < 5


def test_one_address_asks_for_so_much_at_once_and_its_proxy_for_more(study: Path) -> None:
    async def app(scope: Any, receive: Any, send: Any) -> None:
        await anyio.sleep(1.0)
        await weigh(scope, receive, send)

    limits = DoorLimits(connections=60, connections_of_one=4, proxies=("127.0.0.0/8",))
    with opened(app, limits) as door, ExitStack() as stack:
        said = [f"10.0.0.{1 + n // 6}" for n in range(18)]
        lines = [stack.enter_context(call(door)) for _ in said]
        for line, caller in zip(lines, said, strict=True):
            line.sendall(get("/", f"X-Forwarded-For: {caller}"))
        answers = [heard(line) for line in lines]
        assert sorted(map(status_of, answers)) == [200] * 12 + [429] * 6
        assert all("retry-after" in headers_of(a) for a in answers if status_of(a) == 429)


def test_a_right_token_that_comes_many_times_at_once_is_not_held_for_wrong_ones(
    study: Path,
) -> None:
    token = Tokens(study).issue("larch")
    with at_the_door(study, DoorLimits(attempts=3)) as door, ExitStack() as stack:
        lines = [stack.enter_context(call(door)) for _ in range(30)]
        for line in lines:
            line.sendall(get("/larch/", f"Authorization: Bearer {token}"))
        assert {status_of(heard(line)) for line in lines} == {200}


def test_wrong_tokens_behind_a_proxy_are_counted_by_who_calls(study: Path) -> None:
    """Of the same name too, where the proxy is registered; nobody else can name another caller."""
    token = Tokens(study).issue("larch")
    wrong = get("/larch/", f"Authorization: Bearer {token[:-3]}aaa")

    def sent(caller: str, raw: bytes) -> bytes:
        return raw.replace(b"\r\n\r\n", f"\r\nX-Forwarded-For: {caller}\r\n\r\n".encode())

    good = get("/larch/", f"Authorization: Bearer {token}")
    with at_the_door(study, DoorLimits(proxies=("127.0.0.1",))) as door:
        told = [status_of(asked(door, sent("192.0.2.7", wrong))) for _ in range(12)]
        assert told == [401] * 10 + [429] * 2
        assert status_of(asked(door, sent("192.0.2.8", wrong))) == 401
        assert status_of(asked(door, sent("192.0.2.7", good))) == 429
        assert status_of(asked(door, sent("192.0.2.8", good))) == 200
    assert {e["client"] for e in entries(study)} == {"192.0.2.7", "192.0.2.8"}
    with at_the_door(study, DoorLimits()) as door:
        told = [status_of(asked(door, sent(f"192.0.2.{n}", wrong))) for n in range(12)]
        assert told == [401] * 10 + [429] * 2
