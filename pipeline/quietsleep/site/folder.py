"""A folder of pages: file names, templates, and writing only what changed.

Everything delivered is escaped, and nothing unseen gets onto a page. What is no longer said is
removed.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Callable, Mapping
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from quietsleep.site import words
from quietsleep.site.heartbeat import without_heartbeat

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


def test_file(test: str) -> str:
    """Return the name of a test's page inside the folder of its centre."""
    return f"tests/{slug(*test.rsplit('/', 1))}.html"


def session_file(session: str) -> str:
    """Return the name of a session's page inside the folder of its centre."""
    return f"sessions/{slug(session)}.html"


def trace_file(test: str) -> str:
    """Return the name of the traces of a test inside the folder of its centre."""
    return f"traces/{slug(*test.rsplit('/', 1))}.js"


class PageFolder:
    """One folder of pages and the list of what was written into it.

    The list lives outside the folder, so that a folder handed over holds pages and nothing else.
    `frame` is what every page of the folder says around its own content; `note` is kept beside the
    list for the next time.
    """

    def __init__(self, path: Path, list_path: Path, frame: Mapping[str, Any]) -> None:
        self.path = path
        self.list_path = list_path
        self.frame = frame
        self.written: list[str] = []
        self.n_kept = 0
        self.n_removed = 0
        self.largest_bytes = 0
        self._list_sha256, self._before = self._read_list()
        self._now: dict[str, list[Any]] = {}
        self.note: dict[str, Any] = {}
        path.mkdir(parents=True, exist_ok=True)

    def _read_list(self) -> tuple[str, dict[str, list[Any]]]:
        try:
            content = self.list_path.read_bytes()
            found: dict[str, list[Any]] = json.loads(content)
        except (OSError, ValueError):
            return "", {}
        return hashlib.sha256(content).hexdigest(), found

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
        _put_in_place(target, content)
        self._now[name] = [digest, len(content), _sha256(content)]
        self.written.append(name)
        if name.endswith(".html"):
            self.largest_bytes = max(self.largest_bytes, len(content))

    def put_page(
        self,
        name: str,
        template: str,
        context: Mapping[str, Any],
        drawn: Callable[[], Mapping[str, Any]] = dict,
        rests_on: str = "",
    ) -> None:
        """Write the page `name` from a template, unless it says the same already.

        `drawn` adds what is drawn from the file `rests_on` of this folder; it is asked only where
        the page has to be written.
        """
        root = "../" * name.count("/")
        self.put(
            name,
            digest_of([context, self.frame, self._now.get(rests_on)]),
            lambda: page(template, root=root, **context, **drawn(), **self.frame),
        )

    def keep(self, name: str) -> None:
        """Keep a file that stands there already."""
        self._now[name] = self._before[name]
        self.n_kept += 1
        if name.endswith(".html"):
            self.largest_bytes = max(self.largest_bytes, int(self._before[name][1]))

    def keep_below(self, *folders: str) -> bool:
        """Keep all files of some folders, unless one of them is not there as it was written."""
        names = [name for name in self._before if name.partition("/")[0] in folders]
        if not all(self.holds(name, self._before[name][0]) for name in names):
            return False
        for name in names:
            self.keep(name)
        return True

    def noted(self) -> dict[str, Any]:
        """Return what was noted with the list that is there; empty where nothing was."""
        try:
            found = json.loads(self._note_path.read_text(encoding="utf-8"))
            note: dict[str, Any] = found["note"] if found["list"] == self._list_sha256 else {}
        except (OSError, ValueError, LookupError, TypeError):
            return {}
        return note

    @property
    def _note_path(self) -> Path:
        return self.list_path.with_suffix(".note")

    def put_assets(self, *, traces: bool) -> None:
        """Put style and scripts into the folder, so that it can be handed over alone."""
        static = files("quietsleep.site") / "static"
        names = ["style.css", "list.js"] + (["trace.js"] if traces else [])
        for name in names:
            self.put(f"assets/{name}", fingerprint(), (static / name).read_bytes)

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
        listed = json.dumps(self._now).encode()
        _put_in_place(self.list_path, listed)
        if self.note:
            note = {"list": hashlib.sha256(listed).hexdigest(), "note": self.note}
            _put_in_place(self._note_path, json.dumps(note).encode())


def _put_in_place(path: Path, content: bytes) -> None:
    fresh = path.with_name(path.name + ".new")
    fresh.write_bytes(content)
    fresh.replace(path)


def changed_pages(pages: Path, lists: Path) -> list[Path]:
    """Return the files below `pages` that are not as the lists say they were written, in order.

    Also what is missing, and what no list knows. A folder that has no list is not looked at.
    """
    found: list[Path] = []
    for file in sorted(lists.glob("*.json")):
        folder = pages / file.stem.removeprefix("centre-")
        try:
            listed = json.loads(file.read_text(encoding="utf-8"))
            known = {folder / name: said[2:] for name, said in listed.items()}
        except (OSError, ValueError, TypeError, AttributeError):
            found.append(file)
            continue
        # One that was written by an earlier version has no digest.
        found += [path for path, digest in known.items() if not _is_page(path, *digest)]
        found += [p for p in folder.rglob("*") if not p.is_dir() and p not in known]
    return sorted(found)


def _is_page(path: Path, sha256: str = "") -> bool:
    try:
        return sha256 in ("", _sha256(path.read_bytes()))
    except OSError:
        return False


def _sha256(content: bytes) -> str:
    return hashlib.sha256(without_heartbeat(content)).hexdigest()


def _finalize(value: Any) -> Any:
    if value is None:
        return ""
    if isinstance(value, Markup):
        return value
    return words.seen(value) if isinstance(value, str) else value


@cache
def environment(package: str = "quietsleep.site") -> Environment:
    """Return the one environment of the templates of a package; text is shown the same in all."""
    made = Environment(
        loader=PackageLoader(package, "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_finalize,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.globals["w"] = words
    made.globals["caution"] = words.CAUTION
    return made


@cache
def fingerprint() -> str:
    """Return a digest of templates, static files and page code: new ones rewrite all pages."""
    digest = hashlib.sha256()
    folder = files("quietsleep.site")
    for part in ("", "pages", "templates", "static"):
        for entry in sorted((folder / part).iterdir(), key=lambda e: e.name):
            if entry.is_file():
                digest.update(entry.read_bytes())
    return digest.hexdigest()[:12]


def page(template: str, **context: Any) -> str:
    """Render one page."""
    return environment().get_template(template).render(**context)


def for_script(value: Any) -> str:
    """Return JSON that stays JSON inside a script: no tag, comment or line separator can appear."""
    text = json.dumps(value, ensure_ascii=True, separators=(",", ":"), allow_nan=False)
    return text.replace("&", "\\u0026").replace("<", "\\u003c").replace(">", "\\u003e")
