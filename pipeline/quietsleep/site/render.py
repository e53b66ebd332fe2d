"""The template environment: everything is escaped, nothing unseen gets onto a page."""

from __future__ import annotations

import hashlib
import json
from functools import cache
from importlib.resources import files
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from quietsleep.site import words


def _finalize(value: Any) -> Any:
    if value is None:
        return ""
    if isinstance(value, Markup):
        return value
    return words.seen(value) if isinstance(value, str) else value


@cache
def environment() -> Environment:
    """Return the one environment of the pages."""
    made = Environment(
        loader=PackageLoader("quietsleep.site", "templates"),
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
    for part in ("", "templates", "static"):
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
