"""Serve the pages: to whoever uses this machine, or to those who show a token.

`SiteApp` asks for a token: one opens the pages of its centre, and every access is written down.
`open_pages` asks for none and answers this machine only. `serve` runs either until interrupted.
"""

from __future__ import annotations

import hashlib
import re
import secrets
import socket
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING
from urllib.parse import parse_qs, urlsplit

from starlette.concurrency import run_in_threadpool
from starlette.responses import FileResponse, HTMLResponse, PlainTextResponse, RedirectResponse

from quietsleep.server.access import AccessError, AccessLog, Attempts, Token, Tokens

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.types import ASGIApp, Receive, Scope, Send

LOOPBACK = "127.0.0.1"
NAMES_OF_THIS_MACHINE = (LOOPBACK, "localhost")
# Folders of pages that are no centre: the overview is for the coordinating centre.
OVERVIEW, DICTIONARY = "overview", "dictionary"
_PART = r"[A-Za-z0-9_][A-Za-z0-9_.-]{0,119}"
_PATH = re.compile(rf"/(?P<folder>{_PART})(?P<rest>(?:/{_PART}){{0,4}}/?)")
HEADERS = {
    "cache-control": "private, no-store",
    "content-security-policy": "frame-ancestors 'none'",
    "cross-origin-resource-policy": "same-origin",
    "referrer-policy": "no-referrer",
    "x-content-type-options": "nosniff",
}

LOGIN, LOGOUT = "/-/login", "/-/logout"
COOKIE = "quietsleep"
SECONDS_OPEN = 8 * 3600
MOST_SESSIONS = 10_000
MOST_FORM_BYTES = 4096
FORM = """<!doctype html><html lang="en"><head><meta charset="utf-8"><title>quietsleep</title>
<meta name="viewport" content="width=device-width, initial-scale=1"></head>
<body><main><h1>Pages of your centre</h1><p role="alert">{note}</p>
<form method="post" action="/-/login"><p><label for="token">Token of your centre</label></p>
<p><input id="token" name="token" type="password" autocomplete="current-password" required
 autofocus size="60"></p><p><button>Open</button></p></form></main></body></html>"""
FORM_HEADERS = {
    "content-security-policy": "default-src 'none'; form-action 'self'; frame-ancestors 'none'",
}
NOT_KNOWN = "This token is not known, or was revoked. Ask the coordinating centre for a new one."
WAIT = "Too many attempts. Try again in some minutes."


@dataclass(slots=True)
class LoginSessions:
    """Browsers that showed a token: digest of the cookie -> name of the token, and until when."""

    _open: dict[str, tuple[str, float]] = field(default_factory=dict)

    def begin(self, token: Token) -> str:
        """Return the cookie of a new session."""
        if len(self._open) >= MOST_SESSIONS:
            del self._open[next(iter(self._open))]
        cookie = secrets.token_urlsafe(32)
        self._open[_digest(cookie)] = (token.name, monotonic() + SECONDS_OPEN)
        return cookie

    def name_of(self, cookie: str) -> str | None:
        """Return the name of the token behind a cookie."""
        name, until = self._open.get(_digest(cookie), ("", 0.0))
        return name if monotonic() < until else None

    def end(self, cookie: str) -> None:
        """Forget a cookie."""
        self._open.pop(_digest(cookie), None)


def _digest(cookie: str) -> str:
    return hashlib.sha256(cookie.encode("utf-8", "surrogatepass")).hexdigest()


class SiteApp:
    """The application: login, logout, and the files of the pages."""

    def __init__(
        self,
        study_path: Path,
        work_path: Path,
        *,
        is_secure: bool,
        renamed: Mapping[str, str] | None = None,
    ) -> None:
        """`renamed` are codes that centres had before, each with the code of its centre now."""
        self._pages = study_path / "pages"
        self._renamed = renamed or {}
        self._tokens = Tokens(study_path, self._renamed)
        self._log = AccessLog(work_path)
        self._attempts = Attempts()
        self._sessions = LoginSessions()
        self._is_secure = is_secure

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request and write it down."""
        from starlette.requests import Request

        if scope["type"] != "http":
            return
        request = Request(scope, receive)
        token: Token | None = None
        try:
            response, token = await self._answer(request)
        except AccessError as error:
            response = PlainTextResponse(str(error), 503)
        for name, value in HEADERS.items():
            response.headers.setdefault(name, value)
        client, path = _client(request), scope["path"]
        self._log.write(
            client=client, method=request.method, path=path, token=token,
            status=response.status_code,
        )  # fmt: skip
        await response(scope, receive, send)

    async def _answer(self, request: Request) -> tuple[Response, Token | None]:
        path = request.scope["path"]
        if request.method == "POST" and path in (LOGIN, LOGOUT):
            return await (self._login if path == LOGIN else self._logout)(request)
        if request.method not in ("GET", "HEAD"):
            return PlainTextResponse("Not here.", 405, {"allow": "GET, HEAD"}), None
        if path == LOGIN:
            return _form(), None
        token, wait_s = await self._token_of(request)
        if wait_s:
            return _wait(wait_s), None
        return self._page(path, token) if token else _asked_in(request), token

    def _page(self, path: str, token: Token) -> Response:
        """The file, if the token opens it. What is not open looks like what is not there."""
        if path == "/":
            return RedirectResponse(_home(token), 303)
        folder = folder_named(path)
        now = self._renamed.get(folder or "", folder)
        if folder is None or now is None or not may_open(token, now):
            return PlainTextResponse("There is no such page.", 404)
        if now != folder:
            return RedirectResponse(f"/{now}{path.removeprefix(f'/{folder}')}", 301)
        file = file_at(self._pages, path)
        if file is None:
            if file_at(self._pages, f"{path}/") is not None:
                return RedirectResponse(f"{path}/", 303)
            return PlainTextResponse("There is no such page.", 404)
        return FileResponse(file)

    async def _token_of(self, request: Request) -> tuple[Token | None, float]:
        scheme, _, text = request.headers.get("authorization", "").partition(" ")
        if scheme.lower() == "bearer":
            return await self._proven(text.strip(), _client(request))
        name = self._sessions.name_of(request.cookies.get(COOKIE, ""))
        return (self._tokens.named(name) if name else None), 0.0

    async def _proven(self, text: str, client: str) -> tuple[Token | None, float]:
        """The token of a text, or how long the client has to wait before it may try again."""
        if (known := self._tokens.recall(text)) is not None:
            return known, 0.0
        if wait_s := self._attempts.wait_s(client):
            return None, wait_s
        self._attempts.count(client)
        token = await run_in_threadpool(self._tokens.prove, text)
        if token is not None:
            self._attempts.forgive(client)
        return token, 0.0

    async def _login(self, request: Request) -> tuple[Response, Token | None]:
        text = await _field(request, "token")
        if text is None or not _is_own_form(request):
            return PlainTextResponse("Not a login.", 400), None
        token, wait_s = await self._proven(text.strip(), _client(request))
        if wait_s:
            return _wait(wait_s), None
        if token is None:
            return _form(NOT_KNOWN, 401), None
        response = RedirectResponse(_home(token), 303)
        response.set_cookie(
            COOKIE, self._sessions.begin(token), max_age=SECONDS_OPEN, path="/", httponly=True,
            samesite="strict", secure=self._is_secure,
        )  # fmt: skip
        return response, token

    async def _logout(self, request: Request) -> tuple[Response, Token | None]:
        self._sessions.end(request.cookies.get(COOKIE, ""))
        response = RedirectResponse(LOGIN, 303)
        response.delete_cookie(COOKIE, path="/", httponly=True, samesite="strict")
        return response, None


def may_open(token: Token, folder: str) -> bool:
    """Whether a token opens a folder of pages: its own centre's, the dictionary, or all."""
    if folder == DICTIONARY:
        return not token.revoked_at
    return token.opens("") if folder == OVERVIEW else token.opens(folder)


def _home(token: Token) -> str:
    return f"/{token.centre or OVERVIEW}/"


def _form(note: str = "", status: int = 200) -> Response:
    return HTMLResponse(FORM.format(note=note), status, dict(FORM_HEADERS))


def _asked_in(request: Request) -> Response:
    """What one without a token gets: a program is refused, a browser is led to the form."""
    if request.headers.get("authorization"):
        return PlainTextResponse(NOT_KNOWN, 401, {"www-authenticate": 'Bearer realm="quietsleep"'})
    return RedirectResponse(LOGIN, 303)


def _wait(wait_s: float) -> Response:
    return HTMLResponse(
        FORM.format(note=WAIT), 429, {**FORM_HEADERS, "retry-after": str(int(wait_s) + 1)}
    )


def _client(request: Request) -> str:
    return request.client.host if request.client else ""


def _is_own_form(request: Request) -> bool:
    """Whether a form comes from these pages: a browser says where it comes from."""
    origin = request.headers.get("origin")
    return origin is None or urlsplit(origin).netloc == request.headers.get("host")


async def _field(request: Request, name: str) -> str | None:
    """Return one field of a form of bounded size; None when it is no such form."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/x-www-form-urlencoded":
        return None
    body = b""
    async for piece in request.stream():
        body += piece
        if len(body) > MOST_FORM_BYTES:
            return None
    try:
        values = parse_qs(body.decode("ascii"), strict_parsing=True, max_num_fields=4)
    except ValueError:
        return None
    return values.get(name, [""])[0]


def free_port(host: str = LOOPBACK) -> int:
    """Return a port of this machine that nothing listens on."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family) as probe:
        probe.bind((host, 0))
        return int(probe.getsockname()[1])


def folder_named(path: str) -> str | None:
    """Return the first part of a request's path, the folder that it asks for; None if not plain."""
    match = _PATH.fullmatch(path)
    return match["folder"] if match else None


def file_at(pages: Path, path: str) -> Path | None:
    """Return the file that a path means, below its own folder of pages; None where none is.

    Links are followed before the place is judged, so none leads out of the folder.
    """
    match = _PATH.fullmatch(path)
    if match is None or not match["rest"]:
        return None
    folder = pages / match["folder"]
    rest = match["rest"].removeprefix("/")
    wanted = folder / rest / "index.html" if not rest or rest.endswith("/") else folder / rest
    try:
        real, own = wanted.resolve(strict=True), folder.resolve(strict=True)
        inside = own == pages.resolve(strict=True) / match["folder"] and real.is_relative_to(own)
        return real if inside and real.is_file() else None
    except (OSError, RuntimeError, ValueError):
        return None


def is_loopback(host: str) -> bool:
    """Whether a host is an address of this machine that no other machine reaches."""
    return host in (*NAMES_OF_THIS_MACHINE, "::1")


def open_pages(folder: Path) -> ASGIApp:
    """Return the application that shows a folder of pages to whoever uses this machine.

    Only requests that name this machine are answered, so that no page from elsewhere can read
    them through the browser.
    """
    from starlette.applications import Starlette
    from starlette.middleware import Middleware
    from starlette.middleware.trustedhost import TrustedHostMiddleware
    from starlette.routing import Mount
    from starlette.staticfiles import StaticFiles

    return Starlette(
        routes=[Mount("/", StaticFiles(directory=folder, html=True))],
        middleware=[Middleware(TrustedHostMiddleware, allowed_hosts=[*NAMES_OF_THIS_MACHINE])],
    )


def serve(
    app: ASGIApp,
    *,
    port: int,
    host: str = LOOPBACK,
    certificate: Path | None = None,
    key: Path | None = None,
) -> None:
    """Serve an application until interrupted. No header of a proxy is believed."""
    import uvicorn

    uvicorn.run(
        app,
        host=host,
        port=port,
        log_level="warning",
        access_log=False,
        proxy_headers=False,
        server_header=False,
        ssl_certfile=certificate,
        ssl_keyfile=key,
        timeout_keep_alive=10,
        limit_concurrency=200,
    )
