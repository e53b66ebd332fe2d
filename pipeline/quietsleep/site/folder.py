"""Write a folder of pages: only what changed is rewritten, what is no longer said is removed."""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from typing import Any

from quietsleep.site.render import fingerprint

_SAFE = re.compile(r"[a-z0-9][a-z0-9_-]{0,79}")


def slug(*names: str) -> str:
    """Return a file name for a key: readable, safe on every file share, never the same for two.

    Keys that are not already plain lower case get a digest, because many file shares hold `A` and
    `a` for the same name.
    """
    text = "--".join(names)
    if _SAFE.fullmatch(text) and not any("--" in name for name in names):
        return text
    digest = hashlib.sha256("\x00".join(names).encode("utf-8", "surrogatepass")).hexdigest()[:10]
    readable = re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")[:60]
    return f"{readable}-{digest}" if readable else digest


def digest_of(value: Any) -> str:
    """Return a digest of what a page is made from."""
    text = json.dumps(value, sort_keys=True, default=str)
    return hashlib.sha256((fingerprint() + text).encode("utf-8", "surrogatepass")).hexdigest()[:20]


class PageFolder:
    """One folder of pages and the list of what was written into it.

    The list lives outside the folder, so that a folder handed over holds pages and nothing else.
    """

    def __init__(self, path: Path, list_path: Path) -> None:
        self.path = path
        self.list_path = list_path
        self.written: list[str] = []
        self.n_kept = 0
        self.n_removed = 0
        self.largest_bytes = 0
        self._before = self._read_list()
        self._now: dict[str, list[Any]] = {}
        path.mkdir(parents=True, exist_ok=True)

    def _read_list(self) -> dict[str, list[Any]]:
        try:
            found: dict[str, list[Any]] = json.loads(self.list_path.read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return {}
        return found

    def holds(self, name: str, digest: str) -> bool:
        """Say whether the file stands there as it was last written from the same material."""
        before = self._before.get(name)
        if before is None or before[0] != digest:
            return False
        try:
            return bool((self.path / name).stat().st_size == before[1])
        except OSError:
            return False

    def put(self, name: str, digest: str, render: Callable[[], str | bytes]) -> None:
        """Write `name` unless it already stands there, made from the same material."""
        if self.holds(name, digest):
            self.keep(name)
            return
        made = render()
        content = made.encode("utf-8", "replace") if isinstance(made, str) else made
        target = self.path / name
        target.parent.mkdir(parents=True, exist_ok=True)
        fresh = target.with_name(target.name + ".new")
        fresh.write_bytes(content)
        fresh.replace(target)
        self._now[name] = [digest, len(content)]
        self.written.append(name)
        if name.endswith(".html"):
            self.largest_bytes = max(self.largest_bytes, len(content))

    def keep(self, name: str) -> None:
        """Keep a file that stands there already."""
        self._now[name] = self._before[name]
        self.n_kept += 1
        if name.endswith(".html"):
            self.largest_bytes = max(self.largest_bytes, int(self._before[name][1]))

    def put_assets(self, *, traces: bool) -> None:
        """Put style and scripts into the folder, so that it can be handed over alone."""
        static = files("quietsleep.site") / "static"
        names = ["style.css", "list.js"] + (["trace.js"] if traces else [])
        for name in names:
            self.put(f"assets/{name}", fingerprint(), (static / name).read_bytes)
        if traces:
            self.put("assets/plotly.min.js", _plotly_version(), _plotly_script)

    def finish(self) -> None:
        """Remove what this night no longer says and save the list."""
        for folder, _, names in os.walk(self.path, topdown=False):
            for name in names:
                path = Path(folder) / name
                if path.relative_to(self.path).as_posix() not in self._now:
                    path.unlink()
                    self.n_removed += 1
            if not any(Path(folder).iterdir()):
                Path(folder).rmdir()
        self.list_path.parent.mkdir(parents=True, exist_ok=True)
        fresh = self.list_path.with_name(self.list_path.name + ".new")
        fresh.write_text(json.dumps(self._now), encoding="utf-8")
        fresh.replace(self.list_path)


def _plotly_version() -> str:
    from plotly import __version__

    return str(__version__)


def _plotly_script() -> str:
    from plotly.offline import get_plotlyjs

    return str(get_plotlyjs())
