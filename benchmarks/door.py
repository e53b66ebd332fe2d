"""What the door holds: readers at once, alone and with slow callers among them.

`python -m benchmarks.door` serves invented pages behind the real door in a process of its own, on
this machine only, and reads them by many connections at once. Slow callers ask half, silently or a
byte a second, and come again when they are let go. Count and time are bounded; times are of this
machine, and of whatever else it does meanwhile.
"""

from __future__ import annotations

import asyncio
import random
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median, quantiles
from time import monotonic
from typing import Annotated

import typer

from quietsleep.server.access import Tokens
from quietsleep.server.app import SiteApp
from quietsleep.server.serve import Place, open_door
from quietsleep.study.door_limits import DoorLimits

HOST = "127.0.0.1"
MOST_CALLERS, MOST_SECONDS = 400, 300.0
ROWS_OF_A_PAGE = 700  # some 100 kB, as the list of a centre with hundreds of sessions
MANY, FEW = 20, 4  # addresses that readers and slow callers come from


@dataclass(slots=True)
class Seen:
    """Times of pages, of slow callers until they were let go, and what went wrong."""

    pages_s: list[float] = field(default_factory=list)
    held_s: list[float] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)


def write_study(folder: Path) -> str:
    """Write pages of usual size, and return a token for them."""
    pages = folder / "pages" / "larch"
    pages.mkdir(parents=True)
    dice = random.Random(7)
    for number in range(20):
        rows = "".join(
            f"<tr><td>{dice.random():.6f}</td><td>larch-{dice.randrange(10**6)}</td>"
            f"<td>accepted</td><td>{dice.random():.4f} of {dice.random():.4f}</td></tr>\n"
            for _ in range(ROWS_OF_A_PAGE)
        )
        text = f"<head></head><header></header><table>{rows}</table>"
        (pages / f"page-{number}.html").write_text(text)
    return Tokens(folder).issue("larch")


async def read(port: int, token: str, at: str, n_pages: int, seen: Seen) -> None:
    """Read pages one after the other over one connection, as a browser does."""
    reader, writer = await asyncio.open_connection(HOST, port, local_addr=(at, 0))
    try:
        for number in range(n_pages):
            began = monotonic()
            request = (
                f"GET /larch/page-{number % 20}.html HTTP/1.1\r\nHost: {HOST}\r\n"
                f"Authorization: Bearer {token}\r\nAccept-Encoding: gzip\r\n\r\n"
            )
            writer.write(request.encode())
            head = (await reader.readuntil(b"\r\n\r\n")).decode("latin-1").lower()
            await reader.readexactly(int(head.partition("content-length: ")[2].split("\r")[0]))
            if not head.startswith("http/1.1 200"):
                seen.refused.append(head.split("\r")[0])
            seen.pages_s.append(monotonic() - began)
    except (OSError, asyncio.IncompleteReadError, ValueError) as error:
        seen.refused.append(type(error).__name__)
    finally:
        writer.close()


async def hold(port: int, at: str, seen: Seen, over: asyncio.Event, *, drips: bool) -> None:
    """Ask half, again and again until it is over, and note how long each time lasts."""
    while not over.is_set():
        began = monotonic()
        writer = None
        try:
            reader, writer = await asyncio.open_connection(HOST, port, local_addr=(at, 0))
            writer.write(b"GET /larch/ HTTP/1.1\r\nHost: 127.0.0.1\r\nX: ")
            while not over.is_set():
                with suppress(TimeoutError):
                    if not await asyncio.wait_for(reader.read(1000), 1.0):
                        break
                if drips:
                    writer.write(b"a")
        except OSError:
            pass
        finally:
            if writer is not None:
                writer.close()
        if not over.is_set():
            seen.held_s.append(monotonic() - began)
            await asyncio.sleep(1.0)


async def measure(
    port: int, token: str, *, readers: int, slow: int, n_pages: int, seconds: float, one: bool
) -> tuple[Seen, float]:
    """Let all come at once; returns what was seen, and how long it took."""
    seen = Seen()
    of = (1, 1) if one else (MANY, FEW)
    over = asyncio.Event()
    holding = [
        asyncio.create_task(hold(port, f"127.0.2.{1 + n % of[1]}", seen, over, drips=n % 2 == 0))
        for n in range(slow)
    ]
    await asyncio.sleep(1.0 if slow else 0.0)
    began = monotonic()
    at = ["127.0.2.1" if one else f"127.0.1.{1 + n % of[0]}" for n in range(readers)]
    with suppress(TimeoutError):
        reading = (read(port, token, at[n], n_pages, seen) for n in range(readers))
        await asyncio.wait_for(asyncio.gather(*reading), seconds)
    took = monotonic() - began
    if slow:  # long enough for all to be let go once
        await asyncio.sleep(max(0.0, DoorLimits().head_s + 3 - took))
    over.set()
    await asyncio.gather(*holding)
    return seen, took


def say(title: str, seen: Seen, took: float) -> None:
    """Print one line of figures."""
    n = len(seen.pages_s)
    if n < 2:
        typer.echo(f"{title}: nothing was read; {seen.refused[:3]}")
        return
    late = quantiles(seen.pages_s, n=20)[-1]
    line = (
        f"{title}: {n} pages in {took:.1f} s, {n / took:.0f} a second; a page in "
        f"{median(seen.pages_s) * 1000:.0f} ms (median), {late * 1000:.0f} ms (95 %); "
        f"{len(seen.refused)} refused"
        + "".join(f" ({n} x {why})" for why, n in Counter(seen.refused).most_common(3))
    )
    if seen.held_s:
        line += (
            f"; {len(seen.held_s)} slow ones let go after {median(seen.held_s):.1f} s (median), "
            f"{max(seen.held_s):.1f} s at most"
        )
    typer.echo(line)


def serve_here(folder: Path) -> None:
    """Serve the pages until killed, and say at which port."""
    limits = DoorLimits()
    shown = SiteApp(folder, folder / "work", is_secure=False, limits=limits)
    door = open_door(shown, Place(HOST, 0), limits, log=shown.log)
    typer.echo(str(door.sockets[0].getsockname()[1]))
    sys.stdout.flush()
    door.run()


def main(
    readers: Annotated[int, typer.Option(min=1, max=MOST_CALLERS)] = 200,
    slow: Annotated[int, typer.Option(min=1, max=MOST_CALLERS)] = 200,
    pages: Annotated[int, typer.Option(min=1, max=100)] = 10,
    seconds: Annotated[float, typer.Option(min=1, max=MOST_SECONDS)] = 120.0,
    serving: Annotated[Path | None, typer.Option(hidden=True)] = None,
) -> None:
    """Measure readers alone, with slow callers among them, and all of one address."""
    if serving is not None:
        serve_here(serving)
        return
    with tempfile.TemporaryDirectory(prefix="door-") as name:
        token = write_study(Path(name))
        command = [sys.executable, "-m", "benchmarks.door", "--serving", name]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as server:
            assert server.stdout is not None
            port = int(server.stdout.readline())
            try:
                for title, n_slow, one in _rounds(readers, slow):
                    seen, took = asyncio.run(
                        measure(
                            port, token, readers=readers, slow=n_slow, n_pages=pages,
                            seconds=seconds, one=one,
                        )
                    )  # fmt: skip
                    say(title, seen, took)
            finally:
                server.kill()


def _rounds(readers: int, slow: int) -> Sequence[tuple[str, int, bool]]:
    return (
        (f"{readers} readers alone", 0, False),
        (f"{readers} readers, {slow} slow ones among them", slow, False),
        (f"{readers} readers and {slow} slow ones, all of one address", slow, True),
    )


if __name__ == "__main__":
    typer.run(main)
