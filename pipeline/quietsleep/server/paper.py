"""What the server itself writes: its own pages, their style and script, and the bar on all pages.

The pages of a night are files that also open without any server. When they are served, a bar with
the way to the desk and out is put into their head, and they may send that one form.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

from starlette.responses import HTMLResponse, Response

from quietsleep.server.forms import DESK, FORM_TOKEN
from quietsleep.site.folder import environment

if TYPE_CHECKING:
    from jinja2 import Environment

    from quietsleep.server.sessions import LoginSession

LOGIN, LOGOUT = "/-/login", "/-/logout"
ASSETS: Mapping[str, tuple[str, str, str]] = {
    "/-/assets/style.css": ("quietsleep.site", "style.css", "text/css"),
    "/-/assets/desk.css": ("quietsleep.server", "desk.css", "text/css"),
    "/-/assets/desk.js": ("quietsleep.server", "desk.js", "text/javascript"),
}
# Nothing inline and nothing from elsewhere: what a centre delivers is never a script here.
POLICY = {
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; "
    "img-src 'self' data:; connect-src 'self'; form-action 'self'; base-uri 'none'; "
    "frame-ancestors 'none'",
}
_STYLE = b'<link rel="stylesheet" href="/-/assets/desk.css"></head>'
# What a page of a night says that holds only where no server is.
_AS_A_FILE = (
    (b"form-action 'none'", b"form-action 'self'"),
    (b'name="referrer" content="no-referrer"', b'name="referrer" content="same-origin"'),
    (b"</head>", _STYLE),
)


def asset(path: str) -> Response:
    """Return the style or the script of a path in ASSETS."""
    package, name, kind = ASSETS[path]
    return Response((files(package) / "static" / name).read_bytes(), media_type=kind)


def paper(template: str, status: int = 200, **context: Any) -> Response:
    """Return one page of the server's own."""
    text = _environment().get_template(f"{template}.html.jinja").render(**context)
    return HTMLResponse(text, status, dict(POLICY))


def with_bar(page: bytes, session: LoginSession, *, has_desk: bool) -> bytes:
    """Return a page of a night with the bar in its head; what has no such head stays as it is."""
    head, found, rest = page.partition(b"</header>")
    if not found:
        return page
    for before, after in _AS_A_FILE:
        head = head.replace(before, after, 1)
    bar = (
        _environment()
        .get_template("bar.html.jinja")
        .render(form_token=session.form_token, has_desk=has_desk)
    )
    return head + bar.encode() + found + rest


def said_bytes(n: int) -> str:
    """Return a number of bytes in the unit that people read."""
    return f"{n / 1024**2:,.1f} MB" if n >= 1024**2 else f"{n / 1024:,.1f} kB"


@cache
def _environment() -> Environment:
    made = environment("quietsleep.server")
    made.globals |= {"desk": DESK, "login": LOGIN, "logout": LOGOUT, "field": FORM_TOKEN}
    made.globals["size"] = said_bytes
    return made
