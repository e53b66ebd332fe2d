"""Serve the pages: to whoever uses this machine, or to those who show a token.

`SiteApp` asks for a token: one opens the pages of its centre, and every access is written down.
With a desk, centres deliver and answer there as well, and readers read blind. `open_pages` asks for
none and answers this machine only. `serve.open_door` lets people come to either.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Protocol
from urllib.parse import urlencode

from anyio import CapacityLimiter
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect
from starlette.responses import (
    FileResponse,
    HTMLResponse,
    PlainTextResponse,
    RedirectResponse,
    Response,
)

from quietsleep.server.access import AccessError, Token, Tokens
from quietsleep.server.access_log import AccessLog
from quietsleep.server.attempts import Attempts
from quietsleep.server.doorkeeper import IS_KNOWN
from quietsleep.server.forms import (
    DESK,
    FORM_TOKEN,
    PAGE_PATH,
    QUERIES,
    READING,
    fields_of,
    is_own_form,
    own_path,
)
from quietsleep.server.headers import Protected
from quietsleep.server.kept import FOLDER, kept
from quietsleep.server.paper import ASSETS, LOGIN, LOGOUT, asset, paper, with_bar
from quietsleep.server.sessions import COOKIE, SECONDS_OPEN, LoginSession, LoginSessions
from quietsleep.study.door_limits import DoorLimits

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.types import ASGIApp, Receive, Scope, Send

NAMES_OF_THIS_MACHINE = ("127.0.0.1", "localhost")
# Folders of pages that are no centre: the overview is for the coordinating centre.
OVERVIEW, DICTIONARY = "overview", "dictionary"
KINDS = {".css": "text/css", ".js": "text/javascript"}
LEAST_BYTES_PACKED = 1024
PACKED_AT_LEVEL = 6
# Browsers ask for it by themselves.
ICON = "/favicon.ico"
NOT_KNOWN = "This token is not known, or was revoked. Ask the coordinating centre for a new one."
WAIT = "Too many attempts. Try again in some minutes."
MOST_PROVEN_AT_ONCE = 2  # each takes a core, and 16 MB
ENDED = (
    "This token was revoked meanwhile, so what you sent was not written down. "
    "Ask the coordinating centre for a new one."
)
NOT_THERE = "There is no such page."
NOT_WRITTEN = "The disk of the coordinating centre does not take it now. Try again in some minutes."


class DeskRoutes(Protocol):
    """What answers below the address of the desk, for one who has signed in."""

    async def answer(self, request: Request, token: Token, session: LoginSession) -> Response:
        """Answer one request."""


class SiteApp:
    """The application: signing in and out, the files of the pages, and the desk if there is one."""

    def __init__(
        self,
        study_path: Path,
        work_path: Path,
        *,
        is_secure: bool,
        renamed: Mapping[str, str] | None = None,
        title: str = "quietsleep",
        desk: DeskRoutes | None = None,
        reading: DeskRoutes | None = None,
        limits: DoorLimits | None = None,
    ) -> None:
        """`renamed` are codes that centres had before, each with the code of its centre now."""
        self._pages = study_path / "pages"
        self._renamed = renamed or {}
        self._tokens = Tokens(study_path, self._renamed)
        self.log = AccessLog(work_path, limits or DoorLimits())
        self._attempts = Attempts(limits or DoorLimits())
        self._proving = CapacityLimiter(MOST_PROVEN_AT_ONCE)
        self._sessions = LoginSessions()
        self._is_secure = is_secure
        self._title = title
        self._desk = desk
        self._reading = reading
        self._protected = Protected(self._written)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request and write it down."""
        await self._protected(scope, receive, send)

    async def _written(self, scope: Scope, receive: Receive, send: Send) -> None:
        from starlette.middleware.gzip import GZipMiddleware
        from starlette.requests import Request

        request = Request(scope, receive)
        token: Token | None = None
        try:
            response, token = await self._answer(request)
        except AccessError as error:
            response = PlainTextResponse(str(error), 503)
        except ClientDisconnect:
            response = PlainTextResponse("Cut off.", 400)
        client, path = _client(request), scope["path"]
        try:
            self.log.write(
                client=client, method=request.method, path=path, token=token,
                status=response.status_code,
            )  # fmt: skip
        except OSError:  # what cannot be written down is not shown
            response = PlainTextResponse(NOT_WRITTEN, 507)
        packed = GZipMiddleware(
            response, minimum_size=LEAST_BYTES_PACKED, compresslevel=PACKED_AT_LEVEL
        )
        await packed(scope, receive, send)

    async def _answer(self, request: Request) -> tuple[Response, Token | None]:
        path, method = request.scope["path"], request.method
        if method == "POST" and path in (LOGIN, LOGOUT):
            return await (self._login if path == LOGIN else self._logout)(request)
        room = self._room_of(path)
        if method not in ("GET", "HEAD") and not (room and method in ("POST", "PUT")):
            return _not_here(), None
        if (shown := self._shown_to_all(request)) is not None:
            return shown, None
        session = self._sessions.of(request.cookies.get(COOKIE, ""))
        token, wait_s = await self._token_of(request, session)
        if token is None and session is not None and method == "POST":
            return self._form(ENDED, 401), None
        if token is None:
            return (self._wait(wait_s) if wait_s else _asked_in(request)), None
        request.scope.setdefault("state", {})[IS_KNOWN] = True
        return await self._for_token(request, token, session, room), token

    def _room_of(self, path: str) -> DeskRoutes | None:
        if path.startswith((DESK, QUERIES)):
            return self._desk
        return self._reading if path.startswith(READING) else None

    def _shown_to_all(self, request: Request) -> Response | None:
        path = request.scope["path"]
        if path == LOGIN:
            return self._form(to=own_path(request.query_params.get("to", "")))
        if path == ICON:
            return Response(status_code=204)
        return asset(request) if path in ASSETS else None

    async def _for_token(
        self, request: Request, token: Token, session: LoginSession | None, room: DeskRoutes | None
    ) -> Response:
        if room is not None and session is not None:
            return await room.answer(request, token, session)
        if request.method not in ("GET", "HEAD"):
            return _not_here()
        response = self._page(request.scope["path"], token)
        if not isinstance(response, FileResponse):
            return response
        try:
            return await self._file(request, Path(response.path), session, token) or response
        except FileNotFoundError:  # a night has just taken it away
            return PlainTextResponse(NOT_THERE, 404)

    def _page(self, path: str, token: Token) -> Response:
        """The file, if the token opens it. What is not open looks like what is not there."""
        if path == "/":
            return RedirectResponse(self._home(token), 303)
        folder = folder_named(path)
        now = self._renamed.get(folder or "", folder)
        if folder is None or now is None or not may_open(token, now):
            return PlainTextResponse(NOT_THERE, 404)
        if now != folder:
            return RedirectResponse(f"/{now}{path.removeprefix(f'/{folder}')}", 301)
        file = file_at(self._pages, path)
        if file is None:
            if file_at(self._pages, f"{path}/") is not None:
                return RedirectResponse(f"{path}/", 303)
            return PlainTextResponse(NOT_THERE, 404)
        return FileResponse(file)

    async def _file(
        self, request: Request, file: Path, session: LoginSession | None, token: Token
    ) -> Response | None:
        """Return a page with its bar, or a style or script that may be kept; else None."""
        folder = self._pages / file.relative_to(self._pages.resolve()).parts[0]
        if file.parent == folder.resolve() / FOLDER and file.suffix in KINDS:
            content = await run_in_threadpool(file.read_bytes)
            return kept(request, content, KINDS[file.suffix], whose="private")
        if session is None or file.suffix != ".html":
            return None
        content = await run_in_threadpool(file.read_bytes)
        has_desk = self._desk is not None and not token.reader
        return HTMLResponse(with_bar(content, session, has_desk=has_desk, folder=folder, file=file))

    async def _token_of(
        self, request: Request, session: LoginSession | None
    ) -> tuple[Token | None, float]:
        scheme, _, text = request.headers.get("authorization", "").partition(" ")
        if scheme.lower() == "bearer":
            return await self._proven(text.strip(), _client(request))
        return (self._tokens.named(session.name) if session else None), 0.0

    async def _proven(self, text: str, client: str) -> tuple[Token | None, float]:
        """The token of a text, or how long the client has to wait before it may try again."""
        if (known := self._tokens.recall(text)) is not None:
            return known, 0.0
        name = self._tokens.name_in(text)
        if wait_s := self._attempts.wait_s(client, name):
            return None, wait_s
        async with self._proving:
            # Of many at once the first has proven it, or was one too many, while the others waited.
            if (known := self._tokens.recall(text)) is not None:
                return known, 0.0
            if wait_s := self._attempts.wait_s(client, name):
                return None, wait_s
            self._attempts.count(client, name)
            token = await run_in_threadpool(self._tokens.prove, text)
            if token is not None:
                self._attempts.forgive(client, name)
            return token, 0.0

    async def _login(self, request: Request) -> tuple[Response, Token | None]:
        said = await fields_of(request)
        if said is None or not is_own_form(request):
            return PlainTextResponse("Not a login.", 400), None
        to = own_path(said.get("to", ""))
        token, wait_s = await self._proven(said.get("token", "").strip(), _client(request))
        if wait_s:
            return self._wait(wait_s, to), None
        if token is None:
            return self._form(NOT_KNOWN, 401, to=to), None
        response = RedirectResponse(self._way_on(token, to), 303)
        # Lax: who follows a link from a letter is still signed in. No other site can post with it.
        response.set_cookie(
            COOKIE, self._sessions.begin(token), max_age=SECONDS_OPEN, path="/", httponly=True,
            samesite="lax", secure=self._is_secure,
        )  # fmt: skip
        return response, token

    async def _logout(self, request: Request) -> tuple[Response, Token | None]:
        cookie = request.cookies.get(COOKIE, "")
        session = self._sessions.of(cookie)
        said = await fields_of(request) or {}
        if session and not (is_own_form(request) and session.is_own(said.get(FORM_TOKEN, ""))):
            return PlainTextResponse("Not a form of these pages.", 400), None
        self._sessions.end(cookie)
        response = RedirectResponse(LOGIN, 303)
        response.delete_cookie(COOKIE, path="/", httponly=True, samesite="lax")
        return response, None

    def _way_on(self, token: Token, to: str) -> str:
        """Where one who signed in had wanted to go, if that is open; else where its pages begin."""
        if (room := self._room_of(to)) is not None:
            return to if bool(token.reader) == (room is self._reading) else self._home(token)
        folder = folder_named(to)
        is_open = folder and may_open(token, self._renamed.get(folder, folder))
        return to if is_open else self._home(token)

    def _home(self, token: Token) -> str:
        if token.reader:
            return READING if self._reading else f"/{DICTIONARY}/"
        folder = token.centre or OVERVIEW
        if self._desk and file_at(self._pages, f"/{folder}/") is None:
            return DESK  # before the first night there are no pages
        return f"/{folder}/"

    def _form(self, note: str = "", status: int = 200, *, to: str = "") -> Response:
        return paper("login", status, note=note, to=to, study_title=self._title)

    def _wait(self, wait_s: float, to: str = "") -> Response:
        response = self._form(WAIT, 429, to=to)
        response.headers["retry-after"] = str(int(wait_s) + 1)
        return response


def may_open(token: Token, folder: str) -> bool:
    """Whether a token opens a folder of pages: its own centre's, the dictionary, or all."""
    if folder == DICTIONARY:
        return not token.revoked_at
    return token.opens("") if folder == OVERVIEW else token.opens(folder)


def _not_here() -> Response:
    return PlainTextResponse("Not here.", 405, {"allow": "GET, HEAD"})


def _asked_in(request: Request) -> Response:
    """What one without a token gets: a program is refused, a browser is led to the form."""
    if request.headers.get("authorization"):
        return PlainTextResponse(NOT_KNOWN, 401, {"www-authenticate": 'Bearer realm="quietsleep"'})
    path = request.scope["path"]
    is_look = request.method in ("GET", "HEAD")
    # Whose decision came too late finds the same trial again.
    to = own_path(path) if is_look else READING if path.startswith(READING) else ""
    return RedirectResponse(f"{LOGIN}?{urlencode({'to': to})}" if to else LOGIN, 303)


def _client(request: Request) -> str:
    return request.client.host if request.client else ""


def folder_named(path: str) -> str | None:
    """Return the first part of a request's path, the folder that it asks for; None if not plain."""
    match = PAGE_PATH.fullmatch(path)
    return match["folder"] if match else None


def file_at(pages: Path, path: str) -> Path | None:
    """Return the file that a path means, below its own folder of pages; None where none is.

    Links are followed before the place is judged, so none leads out of the folder.
    """
    match = PAGE_PATH.fullmatch(path)
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

    shown = Starlette(
        routes=[Mount("/", StaticFiles(directory=folder, html=True))],
        middleware=[Middleware(TrustedHostMiddleware, allowed_hosts=[*NAMES_OF_THIS_MACHINE])],
    )
    # What a browser keeps it asks for before it is used.
    return Protected(shown, other={"cache-control": "private, no-cache"})
