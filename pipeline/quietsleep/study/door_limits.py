"""How long the desk waits for whoever calls, how many at once, and whose word it takes.

The figures are definitions of this program, with a default each; a study changes them in the table
[door] of study.toml.
"""

from __future__ import annotations

from ipaddress import ip_network
from typing import Annotated, Literal, Self
from urllib.parse import urlsplit

from pydantic import AfterValidator, model_validator
from pydantic.dataclasses import dataclass as model

from quietsleep.contract.toml import CONFIG, Number, Text, Whole, between, shown

Seconds = Annotated[Number, between(0.1, 3600)]


def _network(text: str) -> str:
    """Return the address of a machine or of a network; ValueError for any other text."""
    try:
        found = ip_network(text)
    except ValueError:
        raise ValueError(
            f'is {shown(text)}; write an address such as "10.0.0.2" or a network such as '
            '"10.0.0.0/24".'
        ) from None
    if found.prefixlen == 0:
        raise ValueError(f"is {shown(text)}; every address would be believed to be a proxy.")
    return text


def _public(text: str) -> str:
    """Return the address that people type, without its last slashes; ValueError for another."""
    try:
        parts = urlsplit(text)
        stands = parts.scheme in ("http", "https") and bool(parts.hostname)
        rest = parts.path.strip("/") or parts.query or parts.fragment or "@" in parts.netloc
    except ValueError:
        stands, rest = False, ""
    if not stands or rest:
        raise ValueError(f'is {shown(text)}; write an address such as "https://desk.example".')
    return text.rstrip("/")


@model(frozen=True, slots=True, config=CONFIG, kw_only=True)
class DoorLimits:
    """The table [door] of study.toml: bounds of who comes to the desk; all have a default.

    A request has to be said within `head_s`, its body may pause for `pause_s` and comes no slower
    than `least_kb_s` kB a second; of an answer 64 kB are taken within `answer_s`; a connection that
    says nothing is kept for `idle_s`. `attempts` wrong tokens of one name from one address are
    followed by a wait of `wait_s`, doubled by each further one up to `longest_wait_s`.
    """

    head_s: Seconds = 10.0
    pause_s: Seconds = 30.0
    least_kb_s: Annotated[Number, between(0.01, 1000)] = 1.0
    answer_s: Seconds = 60.0
    idle_s: Seconds = 10.0
    connections: Annotated[Whole, between(10, 50_000)] = 800
    connections_of_one: Annotated[Whole, between(1, 50_000)] = 256
    attempts: Annotated[Whole, between(1, 1000)] = 10
    wait_s: Seconds = 30.0
    longest_wait_s: Annotated[Number, between(0.1, 86_400)] = 1800.0
    log_mb: Annotated[Number, between(0.001, 10_000)] = 16.0
    log_files: Annotated[Whole, between(1, 100)] = 8
    proxies: tuple[Annotated[Text, AfterValidator(_network)], ...] = ()
    proxy_says: Literal["x-forwarded-for", "forwarded"] = "x-forwarded-for"
    address: Annotated[Text, AfterValidator(_public)] | None = None

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.connections_of_one > self.connections:
            raise ValueError("connections_of_one may not be above connections.")
        if self.wait_s > self.longest_wait_s:
            raise ValueError("wait_s may not be above longest_wait_s.")
        return self

    @property
    def is_public_by_tls(self) -> bool:
        """Whether people reach the desk by TLS alone."""
        return bool(self.address and self.address.startswith("https://"))
