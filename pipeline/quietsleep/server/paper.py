"""What the server itself writes: its own pages, their style and script, and the bar on all pages.

The pages of a night are files that also open without any server. When they are served, a bar with
the way to the desk and out is put into their head, and they may send that one form.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.responses import HTMLResponse, Response

from quietsleep.server.forms import DESK, FORM_TOKEN, QUERIES, READING
from quietsleep.server.kept import kept, version_of, with_versions
from quietsleep.site.folder import environment

if TYPE_CHECKING:
    from jinja2 import Environment
    from starlette.requests import Request

    from quietsleep.server.sessions import LoginSession

LOGIN, LOGOUT = "/-/login", "/-/logout"
ASSETS: Mapping[str, tuple[str, str, str]] = {
    "/-/assets/style.css": ("quietsleep.site", "static/style.css", "text/css"),
    "/-/assets/trace.js": ("quietsleep.site", "static/trace.js", "text/javascript"),
    "/-/assets/desk.css": ("quietsleep.server", "static/desk.css", "text/css"),
    "/-/assets/desk.js": ("quietsleep.server", "static/desk.js", "text/javascript"),
    "/-/assets/reading.js": ("quietsleep.server", "static/reading.js", "text/javascript"),
}
# A page of a night marks where a query may be answered; only a server knows the way there.
_MARK = re.compile(rb"<!--answer ([0-9]{1,9})-->")
_ANSWER = (
    rb' <a class="answer" href="%s\1">Answer<span class="unseen"> query \1</span></a>'
    % QUERIES.encode()
)
# What a page of a night says that holds only where no server is.
_AS_A_FILE = (
    (b"form-action 'none'", b"form-action 'self'"),
    (b'name="referrer" content="no-referrer"', b'name="referrer" content="same-origin"'),
)


def asset(request: Request) -> Response:
    """Return the style or the script of a path in ASSETS."""
    path = request.scope["path"]
    return kept(request, _content(path), ASSETS[path][2], whose="public")


def address_of(name: str) -> str:
    """Return the address of a style or script of the server's own pages, with its version."""
    path = f"/-/assets/{name}"
    return f"{path}?v={version_of(_content(path))}"


def paper(template: str, status: int = 200, **context: Any) -> Response:
    """Return one page of the server's own."""
    text = _environment().get_template(f"{template}.html.jinja").render(**context)
    return HTMLResponse(text, status)


def with_bar(
    page: bytes, session: LoginSession, *, has_desk: bool, folder: Path, file: Path
) -> bytes:
    """Return a page of a night as a server shows it; what has no such head stays as it is.

    The bar is put into its head, styles and scripts get an address that may be kept, and with a
    desk each query that is marked gets the way to its answer. `file` of `folder` is the page.
    """
    head, found, rest = page.partition(b"</header>")
    if not found:
        return page
    style = f'<link rel="stylesheet" href="{address_of("desk.css")}"></head>'.encode()
    for before, after in (*_AS_A_FILE, (b"</head>", style)):
        head = head.replace(before, after, 1)
    bar = (
        _environment()
        .get_template("bar.html.jinja")
        .render(form_token=session.form_token, has_desk=has_desk)
    )
    if has_desk:
        rest = _MARK.sub(_ANSWER, rest)
    return with_versions(head, folder, file) + bar.encode() + found + rest


@cache
def _content(path: str) -> bytes:
    package, name, _ = ASSETS[path]
    return (files(package) / name).read_bytes()


def said_bytes(n: int) -> str:
    """Return a number of bytes in the unit that people read."""
    return f"{n / 1024**2:,.1f} MB" if n >= 1024**2 else f"{n / 1024:,.1f} kB"


@cache
def _environment() -> Environment:
    made = environment("quietsleep.server")
    made.globals |= {"desk": DESK, "login": LOGIN, "logout": LOGOUT, "field": FORM_TOKEN}
    made.globals |= {"reading": READING, "asset": address_of, "size": said_bytes}
    return made
