"""The last thing a night does: it writes its digests, sends what waits, and notes that it looked.

Nothing here may fail a night or hold it up for long: it is published by then.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator
from contextlib import ExitStack, closing, contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import duckdb
import pandas as pd

from quietsleep.errors import in_words
from quietsleep.judge.study import JudgedStudy
from quietsleep.night.looks import Look, last_look, note_look
from quietsleep.night.night import LOG, Night, NightReport
from quietsleep.night.verdict import open_in_words, verdict_of_night
from quietsleep.site.heartbeat import renew_heartbeat
from quietsleep.site.read import PublishedNight
from quietsleep.study.study import Study
from quietsleep.tell.digest import (
    Before,
    Digest,
    NightSaid,
    digest_of_centre,
    digest_of_study,
    known_before,
    told_sentence,
)
from quietsleep.tell.outbox import nights_in, outbox_of, put, tidy
from quietsleep.tell.send import send_waiting, ways_to
from quietsleep.warehouse.current import nights_folder

# What failed is told; why, in the words of a library, may hold what was in a file.
_FAILED = re.compile(r"^(.+? failed): .*", re.DOTALL)


def tell(
    night: Night,
    report: NightReport,
    judged: JudgedStudy | None,
    folder: Path | None,
    *,
    may_stay: Collection[str] | None = None,
) -> NightReport:
    """Write the digests of a night, send what waits; return the report with what that came to.

    Where something was withdrawn, only digests of the nights that `may_stay` are kept: those of
    before may name it.
    """
    said: list[str] = []
    with _harmless("The digests of this night could not be written", said):
        tidy(outbox_of(night.study), may_stay=may_stay)
        _write(night, report, judged, folder)
    return end_told(night, report, said)


def end_told(night: Night, report: NightReport, said: list[str] | None = None) -> NightReport:
    """Send what waits from nights before, note that this night looked, and return its report."""
    said = [] if said is None else said
    with _harmless("What waits in the outbox could not be sent", said):
        said += send_waiting(night.study)
    with _harmless("That this night looked could not be noted", said):
        _note_look(night, report)
    for sentence in said:
        LOG.info("telling: %s", sentence)
    return replace(report, sentences=(*report.sentences, *said))


@contextmanager
def _harmless(what: str, said: list[str]) -> Iterator[None]:
    try:
        yield
    except Exception as error:
        LOG.exception("%s", what)
        said.append(f"{what}: {in_words(error)}")


def _write(
    night: Night, report: NightReport, judged: JudgedStudy | None, folder: Path | None
) -> None:
    study, outbox = night.study, outbox_of(night.study)
    words = _said(night, report, judged)
    since = _before(study, outbox, night.name)
    digests: list[Digest] = []
    with ExitStack() as open_until_here:
        published = None
        if folder is not None:
            published = open_until_here.enter_context(closing(PublishedNight(folder)))
            digests = [
                digest_of_centre(study.title, centre, words, published, since)
                for centre in published.centres()
                if centre["state"] != "retired"
            ]
        digests.append(digest_of_study(study.title, words, published, since))
    for digest in digests:
        ways = ways_to(study.tell, digest.to) if digest.news else ()
        put(outbox, night.name, digest, ways, night.started_at)
    tidy(outbox)


def _said(night: Night, report: NightReport, judged: JudgedStudy | None) -> NightSaid:
    """Return what the night came to in the words that may leave the coordinating centre."""
    queries = night.queries
    if queries is not None and len(queries):
        told = [told_sentence(row) for row in queries.to_dict("records")]
        queries = queries.assign(sentence=told)
    failures = [
        _FAILED.sub(rf"\1; work/logs/{night.name}.log says why.", f) for f in night.failures
    ]
    verdict = verdict_of_night(judged, failures, queries, night.told)
    return NightSaid(
        night.name, night.started_at, report.state, verdict.sentences, _by_centre(queries)
    )


def _by_centre(queries: pd.DataFrame | None) -> dict[str, tuple[str, ...]]:
    if queries is None:
        return {}
    own = queries.dropna(subset="centre").groupby("centre")
    return {str(centre): tuple(open_in_words(rows)) for centre, rows in own}


def _before(study: Study, outbox: Path, name: str) -> Before | None:
    """Return what was known at the last digest; None where that night is kept no more."""
    for before in reversed([night for night in nights_in(outbox) if night < name]):
        folder = nights_folder(study.path) / before
        if folder.is_dir():
            try:
                with closing(PublishedNight(folder)) as night:
                    return known_before(night)
            except (duckdb.Error, OSError):  # damaged, or of another form
                return None
    return None


def _note_look(night: Night, report: NightReport) -> None:
    """Note outside the warehouse that a night looked, also where it found nothing to do."""
    ended = datetime.now(UTC).isoformat(timespec="seconds")
    began = night.started_at.isoformat(timespec="seconds")
    look = Look(night.name, began, ended, report.state, report.idle, report.published)
    note_look(night.study.work_path, look)
    renew_heartbeat(night.study, night.started_at)


def say_last_look(study: Study) -> None:
    """Write on pages that were written again when a night last looked, not when one published."""
    if look := last_look(study.work_path):
        renew_heartbeat(study, look.began)
