"""Blind reading: a reader who has signed in sees one trial after the other, and decides.

What is to be read, in which order, and what becomes of a decision is said in `review.blind`. A
decision goes into the review log as one of the command line does.
"""

from __future__ import annotations

import logging
import re
from collections.abc import Mapping
from pathlib import Path
from threading import Lock
from typing import TYPE_CHECKING, Any

from starlette.concurrency import run_in_threadpool
from starlette.responses import PlainTextResponse, RedirectResponse, Response

from quietsleep import contract
from quietsleep.contract import Choice
from quietsleep.errors import QuietsleepError, WarehouseError
from quietsleep.judge.readers import reason_said
from quietsleep.review.blind import (
    NOT_WHOLE,
    BlindNight,
    BlindTrial,
    ReadAlready,
    Reader,
    ReadingList,
    TrialReplaced,
    decide_blind,
    find_trial,
    read_blind_night,
    reading_list,
    reasons_for,
)
from quietsleep.review.desk import LONGEST_NOTE
from quietsleep.server.blind_traces import BlindTraces, NoTrace
from quietsleep.server.forms import FORM_TOKEN, READING, fields_of, is_own_form
from quietsleep.server.paper import paper
from quietsleep.study.review_log import ReviewError
from quietsleep.study.study import Study, load_study
from quietsleep.warehouse.current import current_night

if TYPE_CHECKING:
    from starlette.requests import Request

    from quietsleep.server.access import Token
    from quietsleep.server.sessions import LoginSession

LOG = logging.getLogger("quietsleep.server")
_PATH = re.compile(rf"{READING}(?:(?P<last>last)|(?P<trace>[0-9a-f]{{32}})\.js)?")
_CHOICES: Mapping[str, Choice] = {"accept": "accept", "reject": "reject"}
NOT_THERE = "There is no such page."
NOT_OURS = "This form is too old, or of another place. Load the page again, and decide once more."
NO_NIGHT = "No night has run yet, so there is nothing to read."
NOT_NOW = "The list cannot be shown now. The coordinating centre sees why."
NO_DISK = (
    "The decision could not be written down: the disk of the coordinating centre does not take "
    "it now. It is still on this page. Try again in some minutes, and tell them if it stays so."
)


class BlindReading:
    """The routes of blind reading in one study."""

    def __init__(self, study: Study) -> None:
        self._path = study.path
        self._traces = BlindTraces()
        self._turn = Lock()
        self._night: tuple[Path, BlindNight] | None = None

    async def answer(self, request: Request, token: Token, session: LoginSession) -> Response:
        """Answer one request; to whoever is no reader nothing is here."""
        match = _PATH.fullmatch(request.scope["path"])
        if match is None or not token.reader:
            return PlainTextResponse(NOT_THERE, 404)
        sheet = await run_in_threadpool(_Sheet, self, token, session)
        if request.method in ("GET", "HEAD"):
            if match["trace"]:
                return await run_in_threadpool(sheet.trace, match["trace"])
            after = request.query_params.get("after", "")
            return await run_in_threadpool(sheet.show, after=after, again=bool(match["last"]))
        if request.method != "POST" or match.group() != READING:
            return PlainTextResponse(NOT_THERE, 404)
        form = await fields_of(request) if is_own_form(request) else None
        if not form or not session.is_own(form.get(FORM_TOKEN, "")):
            return PlainTextResponse(NOT_OURS, 400)
        return await run_in_threadpool(sheet.decide, form)

    def study(self) -> Study:
        """Return the study as its files say now."""
        return load_study(self._path)

    def night(self, study: Study) -> tuple[Path, BlindNight]:
        """Return the last night and its trials, read once a night."""
        with self._turn:
            path = current_night(study.path)
            if self._night is None or self._night[0] != path:
                self._night = (path, read_blind_night(study))
            return self._night

    def write(self, *given: Any, **said: Any) -> None:
        """Write a decision down; one at a time, so that none is written twice."""
        with self._turn:
            decide_blind(*given, **said)

    def script(self, study: Study, night: Path, trial: BlindTrial) -> str:
        """Return the script of a trace; NoTrace."""
        return self._traces.script(study, night, trial)


class _Sheet:
    """What one reader asks for in one request."""

    def __init__(self, reading: BlindReading, token: Token, session: LoginSession) -> None:
        self._reading = reading
        self._session = session
        self._study = reading.study()
        self._reader = Reader(token.reader, bytes.fromhex(token.hash))

    def show(
        self,
        status: int = 200,
        *,
        note: str = "",
        after: str = "",
        again: bool = False,
        form: Mapping[str, str] | None = None,
    ) -> Response:
        """Return the page with the trial that is next, or that was decided last."""
        try:
            path, night = self._reading.night(self._study)
            known = reading_list(self._study, night, self._reader)
        except WarehouseError:
            return self._page(status, note=note or NO_NIGHT)
        except QuietsleepError:
            return self._page(503, note=NOT_NOW)
        if again and known.last is None:
            return RedirectResponse(READING, 303)
        kept = form.get("trial", "") if form else ""
        trial = known.last[0] if again and known.last else known.after(after)
        if kept and (same := find_trial(night, self._reader, kept)):
            trial = same
        why_not = self._why_not(path, trial) if trial else ""
        return self._page(
            status, known, trial, note=note, why_not=why_not, again=again, form=form or {}
        )

    def trace(self, handle: str) -> Response:
        """Return the script of a trace, for the page that shows it."""
        try:
            path, night = self._reading.night(self._study)
            trial = find_trial(night, self._reader, handle)
            if trial is None:
                return PlainTextResponse(NOT_THERE, 404)
            script = self._reading.script(self._study, path, trial)
        except QuietsleepError as error:
            return PlainTextResponse(str(error), 503)
        return Response(script, media_type="text/javascript")

    def decide(self, form: Mapping[str, str]) -> Response:
        """Write a decision down and go on; what cannot be written down stays on the page."""
        decision = _CHOICES.get(form.get("decision", ""))
        again = form.get("again") == "yes"
        if decision is None:
            return self.show(422, note="Accept or reject: one of both.", again=again, form=form)
        try:
            self._reading.write(
                self._study,
                self._reading.night(self._study)[1],
                self._reader,
                form.get("trial", ""),
                decision=decision,
                reason=form.get("reason", ""),
                note=" ".join(form.get("note", "").split()),
                again=again,
            )
        except (TrialReplaced, ReadAlready) as error:
            return self.show(409, note=str(error))
        except ReviewError as error:
            return self.show(422, note=str(error), again=again, form=form)
        except QuietsleepError as error:
            LOG.warning("a decision was not written down: %s", error)
            return self.show(503, note=NOT_WHOLE, again=again, form=form)
        except OSError as error:
            LOG.warning("a decision was not written down: %s", error)
            return self.show(507, note=NO_DISK, again=again, form=form)
        return RedirectResponse(READING, 303)

    def _why_not(self, night: Path, trial: BlindTrial) -> str:
        try:
            self._reading.script(self._study, night, trial)
        except NoTrace as error:
            return str(error)
        return ""

    def _page(
        self,
        status: int,
        known: ReadingList | None = None,
        trial: BlindTrial | None = None,
        *,
        note: str = "",
        why_not: str = "",
        again: bool = False,
        form: Mapping[str, str] | None = None,
    ) -> Response:
        n_left, n_read = (len(known.waiting), known.n_read) if known else (0, 0)
        last = known.last[1] if known and known.last else None
        return paper(
            "reading",
            status,
            study_title=self._study.title,
            form_token=self._session.form_token,
            code=self._reader.code,
            known=known is not None,
            trial=trial,
            technique=contract.TECHNIQUES[trial.technique].title if trial else "",
            number=n_read if again else n_read + 1,
            n_all=n_read + n_left,
            n_read=n_read,
            n_left=n_left,
            note=note,
            why_not=why_not,
            again=again,
            last=last,
            last_reason=reason_said(last.reason) if last else "",
            reasons={"accept": reasons_for("accept"), "reject": reasons_for("reject")},
            longest_note=LONGEST_NOTE,
            form=form or {},
        )
