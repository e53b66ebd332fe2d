"""Who calls is the address at the other end, or the one that a registered proxy names."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from quietsleep.server.callers import Callers, neighbours
from quietsleep.study.door_limits import DoorLimits


@pytest.mark.parametrize(
    ("peer", "header", "said", "caller"),
    [
        ("10.0.0.2", "x-forwarded-for", ["192.0.2.7"], "192.0.2.7"),
        ("10.0.0.2", "x-forwarded-for", ["203.0.113.9, 192.0.2.7"], "192.0.2.7"),
        ("10.0.0.2", "x-forwarded-for", ["203.0.113.9", "192.0.2.7, 10.0.0.3"], "192.0.2.7"),
        ("10.0.0.2", "x-forwarded-for", ["10.0.0.3, 10.0.0.4"], "10.0.0.3"),
        ("10.0.0.2", "x-forwarded-for", ["192.0.2.7:4711"], "192.0.2.7"),
        ("10.0.0.2", "x-forwarded-for", ["[2001:db8::7]:4711"], "2001:db8::7"),
        ("10.0.0.2", "x-forwarded-for", ["2001:db8::7"], "2001:db8::7"),
        ("::ffff:10.0.0.2", "x-forwarded-for", ["192.0.2.7"], "192.0.2.7"),
        ("::ffff:192.0.2.1", "x-forwarded-for", [], "192.0.2.1"),
        ("10.0.0.2", "x-forwarded-for", ["192.0.2.7, unknown"], "10.0.0.2"),
        ("10.0.0.2", "x-forwarded-for", [""], "10.0.0.2"),
        ("10.0.0.2", "x-forwarded-for", [], "10.0.0.2"),
        ("10.0.0.2", "x-forwarded-for", ["\xff\x00, ,"], "10.0.0.2"),
        ("10.0.0.2", "forwarded", ["for=192.0.2.7"], "10.0.0.2"),
        ("192.0.2.1", "x-forwarded-for", ["203.0.113.9"], "192.0.2.1"),
        ("192.0.2.1", "x-real-ip", ["10.0.0.2"], "192.0.2.1"),
        ("", "x-forwarded-for", ["10.0.0.2"], ""),
    ],
)
def test_who_calls_is_who_is_there_or_whom_a_registered_proxy_names(
    peer: str, header: str, said: Sequence[str], caller: str
) -> None:
    callers = Callers.of(DoorLimits(proxies=("10.0.0.0/24",)))
    headers = [(header.encode(), value.encode("latin-1")) for value in said]
    scope = {"client": (peer, 1) if peer else None, "headers": headers}
    assert callers.caller_of(scope) == caller
    assert Callers().caller_of(scope) == peer.removeprefix("::ffff:")


@pytest.mark.parametrize(
    ("said", "caller"),
    [
        ("for=192.0.2.7;proto=https;by=10.0.0.2", "192.0.2.7"),
        ('For="[2001:db8::7]:4711"', "2001:db8::7"),
        ("for=203.0.113.9, for=192.0.2.7", "192.0.2.7"),
        ('for="203.0.113.9, proto=http;for=192.0.2.7', "192.0.2.7"),
        ("for=_hidden", "10.0.0.2"),
        ("proto=https", "10.0.0.2"),
    ],
)
def test_the_other_header_is_read_where_the_study_says_so(said: str, caller: str) -> None:
    callers = Callers.of(DoorLimits(proxy_says="forwarded"), ["10.0.0.2"])
    headers = [(b"x-forwarded-for", b"203.0.113.1"), (b"forwarded", said.encode())]
    assert callers.caller_of({"client": ("10.0.0.2", 1), "headers": headers}) == caller


def test_neighbours_are_one() -> None:
    assert neighbours("192.0.2.7") == neighbours("::ffff:192.0.2.7") == "192.0.2.7"
    assert neighbours("2001:db8::1") == neighbours("2001:db8::ffff:1") != neighbours("2001:db9::1")
    assert len(neighbours("x" * 10_000)) < 100
