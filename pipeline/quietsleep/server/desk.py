"""The desk: where a centre hands over its deliveries, sees its receipts and answers its queries.

Every request comes with the token of one who has signed in. A centre's token opens the desk of its
centre and nothing else; one for all opens every desk. Each form carries the word of its browser.
"""

from __future__ import annotations

import os
import re
import secrets
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from anyio import CapacityLimiter, fail_after, to_thread
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect
from starlette.responses import JSONResponse, PlainTextResponse, RedirectResponse

from quietsleep.errors import QuietsleepError, environment_error
from quietsleep.server import answering
from quietsleep.server.answering import ALL
from quietsleep.server.forms import DESK, FORM_TOKEN, QUERIES, fields_of, is_own_form
from quietsleep.server.handover import (
    CoverNote,
    arrivals_of,
    check_upload,
    checked_of,
    receipts_of,
    send_upload,
    settle,
    suggested_name,
)
from quietsleep.server.paper import paper
from quietsleep.server.uploads import (
    GONE,
    MOST_CHUNK,
    OtherOffset,
    Piece,
    Upload,
    UploadRefused,
    Uploads,
)
from quietsleep.study.study import Study, load_study

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

    from quietsleep.server.access import Token
    from quietsleep.server.sessions import LoginSession

_NAME = r"[A-Za-z0-9][A-Za-z0-9_.-]{0,79}"
_PATH = re.compile(
    rf"{DESK}(?:(?P<centre>{_NAME})/(?:(?P<place>uploads|queries|receipts)/"
    rf"(?:(?P<one>{_NAME})(?:/(?P<verb>[a-z]{{1,20}})?)?)?)?)?"
)
MOST_FORM_BYTES = 32 * 1024
SECONDS_FOR_A_PIECE = 60
NOT_THERE = "There is no such page."
NOT_OURS = "This form is too old, or of another place. Load the page again, and try once more."
HEADER = "x-form-token"
Page = Callable[["Asked"], Awaitable["Response"]]


@dataclass(frozen=True, slots=True)
class Asked:
    """One request: who asks, of which centre, and for what."""

    request: Request
    token: Token
    session: LoginSession
    study: Study
    centre: str
    one: str
    form: Mapping[str, str]

    @property
    def home(self) -> str:
        """Address of the desk of the centre."""
        return f"{DESK}{self.centre}/"

    def page(self, template: str, status: int = 200, **more: Any) -> Response:
        """Return a page with what all of them say."""
        return paper(
            template,
            status,
            study_title=self.study.title,
            centre=self.centre,
            title=title_of(self.study, self.centre),
            home=self.home,
            sees_all=not self.token.centre,
            has_pages=(self.study.path / "pages" / self.centre / "index.html").is_file(),
            form_token=self.session.form_token,
            **more,
        )


class Desk:
    """The routes of the desk of one study."""

    def __init__(self, study: Study) -> None:
        self._path = study.path
        self._checks = CapacityLimiter(1)  # a check reads every file; one at a time is enough
        self._routes: Mapping[tuple[str, str, bool, str], Page] = {
            ("GET", "", False, ""): self._home,
            ("POST", "uploads", False, ""): self._begin,
            ("GET", "uploads", True, ""): self._upload,
            ("GET", "uploads", True, "files"): self._files,
            ("PUT", "uploads", True, "files"): self._take,
            ("POST", "uploads", True, "check"): self._check,
            ("POST", "uploads", True, "send"): self._send,
            ("POST", "uploads", True, "discard"): self._discard,
            ("GET", "queries", False, ""): self._queries,
            ("GET", "queries", True, ""): self._query,
            ("POST", "queries", True, ""): self._answer,
            ("GET", "receipts", True, ""): self._receipt,
        }

    async def answer(self, request: Request, token: Token, session: LoginSession) -> Response:
        """Answer one request; what is not open looks like what is not there."""
        asked_for = request.scope["path"]
        path = own_address(asked_for, token)
        match = _PATH.fullmatch(path)
        if match is None or token.reader:
            return PlainTextResponse(NOT_THERE, 404)
        centre = match["centre"] or ""
        if not centre or path != asked_for:
            to = path if centre else f"{DESK}{token.centre or ALL}/"
            reads = request.method in ("GET", "HEAD")
            return RedirectResponse(to, 303) if reads else PlainTextResponse(NOT_THERE, 404)
        study = await run_in_threadpool(load_study, self._path)
        is_known = centre in study.centres or (centre == ALL and not token.centre)
        if not is_known or not token.opens(centre):
            return PlainTextResponse(NOT_THERE, 404)
        method = "GET" if request.method == "HEAD" else request.method
        key = (method, match["place"] or "", bool(match["one"]), match["verb"] or "")
        route = self._routes.get(key)
        if route is None or (centre == ALL and match["place"] in ("uploads", "receipts")):
            return PlainTextResponse(NOT_THERE, 404)
        form = await self._own_form(request, session)
        if form is None:
            return PlainTextResponse(NOT_OURS, 400)
        asked = Asked(request, token, session, study, centre, match["one"] or "", form)
        return await _in_words(asked, route)

    async def _own_form(self, request: Request, session: LoginSession) -> Mapping[str, str] | None:
        """Return what was sent, empty for a mere look; None where it is not of these pages."""
        if request.method in ("GET", "HEAD"):
            return {}
        if not is_own_form(request):
            return None
        if request.method == "PUT":
            return {} if session.is_own(request.headers.get(HEADER, "")) else None
        form = await fields_of(request, most_bytes=MOST_FORM_BYTES)
        return form if form and session.is_own(form.get(FORM_TOKEN, "")) else None

    async def _home(self, asked: Asked) -> Response:
        if asked.centre == ALL:
            centres = [(code, title_of(asked.study, code)) for code in asked.study.centres]
            asking = await run_in_threadpool(answering.questions, asked.study, ALL)
            return asked.page("centres", centres=centres, asking=asking)
        return asked.page("desk", **await run_in_threadpool(_standing, asked))

    async def _begin(self, asked: Asked) -> Response:
        uploads = Uploads(asked.study)
        upload = await run_in_threadpool(uploads.begin, asked.centre, by=asked.token.name)
        return RedirectResponse(f"{asked.home}uploads/{upload.number}/", 303)

    async def _upload(self, asked: Asked) -> Response:
        return await run_in_threadpool(self._upload_page, asked)

    def _upload_page(self, asked: Asked, note: str = "", status: int = 200) -> Response:
        upload = _of(asked)
        told = checked_of(upload)
        return asked.page(
            "upload",
            status,
            number=upload.number,
            files=sorted(upload.files().items()),
            coming=sorted(upload.coming().items()),
            limits=asked.study.upload_limits,
            chunk=MOST_CHUNK // 2,
            told=told,
            name=(told.delivery if told else asked.form.get("delivery", ""))
            or suggested_name(asked.study, asked.centre),
            said=told.note if told else asked.form.get("note", ""),
            replaces=" ".join(told.replaces) if told else asked.form.get("replaces", ""),
            note=note,
        )

    async def _files(self, asked: Asked) -> Response:
        """What is here of each file, so that a browser goes on where it was cut off."""
        upload = await run_in_threadpool(_of, asked)
        coming = {path: [*entry] for path, entry in upload.coming().items()}
        whole = {path: [size, size, when] for path, (size, when) in upload.files().items()}
        return JSONResponse({"files": coming | whole})

    async def _take(self, asked: Asked) -> Response:
        """Take one chunk of one file: it is written aside whole before it counts."""
        uploads = Uploads(asked.study)
        upload = await run_in_threadpool(_of, asked)
        said = asked.request.query_params
        try:
            numbers = [int(said[name]) for name in ("bytes", "modified", "offset")]
        except (KeyError, ValueError):
            return PlainTextResponse("No chunk of a file.", 400)
        if min(numbers) < 0 or max(numbers) > 10**14:
            return PlainTextResponse("No chunk of a file.", 400)
        piece = Piece(said.get("path", ""), *numbers)
        await run_in_threadpool(uploads.accept, upload, piece)
        async with _chunk(asked.request, upload) as chunk:
            try:
                received = await run_in_threadpool(uploads.take, upload, piece, chunk)
            except OtherOffset as other:
                return JSONResponse({"received": other.received}, 409)
        return JSONResponse({"received": received})

    async def _check(self, asked: Asked) -> Response:
        cover = CoverNote(
            asked.form.get("delivery", "").strip(),
            asked.form.get("note", ""),
            tuple(re.split(r"[\s,;]+", asked.form.get("replaces", "").strip(" ,;"))[:200])
            if asked.form.get("replaces", "").strip(" ,;")
            else (),
        )
        upload = await run_in_threadpool(_of, asked)
        await to_thread.run_sync(check_upload, asked.study, upload, cover, limiter=self._checks)
        return RedirectResponse(f"{asked.home}uploads/{upload.number}/#check", 303)

    async def _send(self, asked: Asked) -> Response:
        upload = await run_in_threadpool(_of, asked)
        receipt = await run_in_threadpool(send_upload, asked.study, upload, by=asked.token.name)
        return RedirectResponse(f"{asked.home}receipts/{receipt.delivery}", 303)

    async def _discard(self, asked: Asked) -> Response:
        upload = await run_in_threadpool(_of, asked)
        await run_in_threadpool(Uploads(asked.study).put_away, upload)
        return RedirectResponse(asked.home, 303)

    async def _receipt(self, asked: Asked) -> Response:
        receipts = await run_in_threadpool(receipts_of, asked.study, asked.centre)
        receipt = next((r for r in receipts if r.delivery == asked.one), None)
        if receipt is None:
            return PlainTextResponse(NOT_THERE, 404)
        arrivals = await run_in_threadpool(arrivals_of, asked.study)
        arrival = arrivals.get((asked.centre, receipt.delivery))
        return asked.page("receipt", receipt=receipt, arrival=arrival)

    async def _queries(self, asked: Asked) -> Response:
        return await self._asking(asked)

    async def _query(self, asked: Asked) -> Response:
        asking = await run_in_threadpool(
            answering.questions, asked.study, asked.centre, only=asked.one
        )
        if not any(asking[state] for state in ("open", "answered", "closed")):
            return PlainTextResponse(NOT_THERE, 404)
        return asked.page("queries", asking=asking, refused=None, form={}, only=int(asked.one))

    async def _answer(self, asked: Asked) -> Response:
        refused = await run_in_threadpool(
            answering.answer, asked.study, asked.centre, asked.one, asked.form
        )
        if refused is None:
            return PlainTextResponse(NOT_THERE, 404)
        if not refused:
            return RedirectResponse(f"{asked.home}queries/#q{asked.one}", 303)
        return await self._asking(asked, 422, refused=(int(asked.one), refused), form=asked.form)

    async def _asking(
        self,
        asked: Asked,
        status: int = 200,
        *,
        refused: tuple[int, str] | None = None,
        form: Mapping[str, str] | None = None,
    ) -> Response:
        asking = await run_in_threadpool(answering.questions, asked.study, asked.centre)
        return asked.page(
            "queries", status, asking=asking, refused=refused, form=form or {}, only=None
        )


def own_address(path: str, token: Token) -> str:
    """Return the path of a request; that of a query, the same for all, leads to one's own desk."""
    if not path.startswith(QUERIES):
        return path
    return f"{DESK}{token.centre or ALL}/queries/{path.removeprefix(QUERIES)}"


def title_of(study: Study, centre: str) -> str:
    """Return how a centre is called on its pages."""
    return study.centres[centre].title if centre in study.centres else "All centres"


async def _in_words(asked: Asked, route: Page) -> Response:
    """Answer, and put what cannot be done into words where the one who asked will see them."""
    try:
        return await route(asked)
    except ClientDisconnect:
        return PlainTextResponse("Cut off.", 400)
    except TimeoutError:
        return PlainTextResponse("Nothing came for a minute.", 408)
    except QuietsleepError as error:
        sentence, status = str(error), 404 if str(error) == GONE else 422
    except OSError as error:
        told = environment_error(error)
        if told is None:
            raise
        # Paths of this machine are none of a centre's business.
        sentence, status = "The disk of the coordinating centre does not take it now.", 507
    if asked.request.method == "PUT":
        await _drain(asked.request)
    if asked.request.method == "PUT" or asked.request.scope["path"].endswith("/files"):
        return JSONResponse({"refused": sentence}, status)
    return await run_in_threadpool(_refused, asked, sentence, status)


def _refused(asked: Asked, sentence: str, status: int) -> Response:
    back = asked.home
    if "/uploads/" in asked.request.scope["path"] and status != 404 and asked.one:
        back += f"uploads/{asked.one}/"
    return asked.page("refused", status, sentence=sentence, back=back)


def _standing(asked: Asked) -> dict[str, Any]:
    """What stands on the desk of a centre: what is begun, what was sent, how much is asked."""
    uploads = Uploads(asked.study)
    uploads.sweep()
    begun = [u for u in uploads.of(asked.centre) if settle(asked.study, u) is None]
    arrivals = arrivals_of(asked.study)
    receipts = receipts_of(asked.study, asked.centre)
    return {
        "begun": [(u.number, len(u.files()), checked_of(u)) for u in begun],
        "receipts": [(r, arrivals.get((asked.centre, r.delivery))) for r in receipts],
        "asking": answering.questions(asked.study, asked.centre),
        "limits": asked.study.upload_limits,
    }


def _of(asked: Asked) -> Upload:
    upload = Uploads(asked.study).find(asked.centre, asked.one)
    if upload is None:
        raise UploadRefused(GONE)
    return upload


async def _drain(request: Request) -> None:
    """Let the rest of a chunk pass by: a browser hears an answer only when it has spoken."""
    size = 0
    with suppress(ClientDisconnect, TimeoutError, RuntimeError), fail_after(SECONDS_FOR_A_PIECE):
        async for piece in request.stream():
            size += len(piece)
            if size > MOST_CHUNK:
                break


@asynccontextmanager
async def _chunk(request: Request, upload: Upload) -> AsyncIterator[Path]:
    """Write the body of a request into a file of its own, piece by piece; it is taken away."""
    path = upload.incoming / secrets.token_hex(8)
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "wb") as file:
            size = 0
            pieces = request.stream()
            while True:
                with fail_after(SECONDS_FOR_A_PIECE):
                    piece = await anext(pieces, None)
                if piece is None:
                    break
                size += len(piece)
                if size > MOST_CHUNK:
                    raise UploadRefused(f"A chunk holds at most {MOST_CHUNK // 1024**2} MB.")
                await run_in_threadpool(file.write, piece)
        yield path
    finally:
        path.unlink(missing_ok=True)
