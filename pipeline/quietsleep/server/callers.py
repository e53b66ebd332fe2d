"""Who calls: the address at the other end of the line, or the one that a registered proxy names.

A header can be written by anybody. Only that of a proxy which the study registered is read, one
header alone, and from its end: what a proxy adds stands last, what the caller wrote before it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from starlette.types import Scope

    from quietsleep.study.door_limits import DoorLimits

# What one household or hospital is given; within it, addresses are free for the asking.
_PREFIX_OF_ONE = 64


@dataclass(frozen=True, slots=True)
class Callers:
    """The proxies whose word is believed, and the header by which they say who calls."""

    proxies: tuple[IPv4Network | IPv6Network, ...] = ()
    header: bytes = b"x-forwarded-for"

    @classmethod
    def of(cls, limits: DoorLimits, more: Iterable[str] = ()) -> Callers:
        """Return what the limits of a study say; `more` are addresses of further proxies."""
        proxies = tuple(ip_network(text) for text in (*limits.proxies, *more))
        return cls(proxies, limits.proxy_says.encode())

    def is_proxy(self, address: str) -> bool:
        """Whether an address is that of a registered proxy."""
        found = _plain(address)
        return found is not None and any(found in network for network in self.proxies)

    def caller_of(self, scope: Scope) -> str:
        """Return the address of who calls, empty where even that is not known."""
        last = scope["client"][0] if scope.get("client") else ""
        if not self.proxies or not self.is_proxy(last):
            return str(_plain(last) or last)
        said = b",".join(value for name, value in scope["headers"] if name == self.header)
        for address in self._backwards(said.decode("latin-1")):
            if address is None:
                break
            last = str(address)
            if not self.is_proxy(last):
                break
        return str(_plain(last) or last)

    def _backwards(self, said: str) -> Iterator[IPv4Address | IPv6Address | None]:
        """Addresses of a header from its end; None for what is no address."""
        for entry in reversed(said.split(",")):
            text = entry.strip()
            if self.header == b"forwarded":
                pairs = (pair.partition("=") for pair in text.split(";"))
                named = {name.strip().lower(): value for name, _, value in pairs}
                text = named.get("for", "").strip().strip('"')
            yield _plain(text) or _plain(_without_port(text))


@lru_cache(maxsize=4096)
def neighbours(address: str) -> str:
    """Return what is counted as one: an address, of the sixth version the network around it."""
    found = _plain(address)
    if isinstance(found, IPv6Address):
        return str(ip_network((found, _PREFIX_OF_ONE), strict=False))
    return str(found or address[:60])


def is_address(text: str) -> bool:
    """Whether a text is the address of one machine."""
    return _plain(text) is not None


def _plain(text: str) -> IPv4Address | IPv6Address | None:
    try:
        found = ip_address(text.partition("%")[0])
    except ValueError:
        return None
    # A line that serves both versions names callers of the fourth in the form of the sixth.
    return (found.ipv4_mapped if isinstance(found, IPv6Address) else None) or found


def _without_port(text: str) -> str:
    if text.startswith("["):
        return text[1:].partition("]")[0]
    return text.partition(":")[0] if text.count(":") == 1 else text
