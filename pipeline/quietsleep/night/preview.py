"""What a delivery will do once it is sent: the same look as the night's, before the night."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import duckdb

from quietsleep.intake.delivery import ReadDelivery, look_through
from quietsleep.intake.ingest import known_sessions, named_sessions, rows_to_keep
from quietsleep.intake.reference import UNREAD_COLUMNS
from quietsleep.measure.amendments import amendments_of
from quietsleep.measure.roster import Incoming, rows_of_centre
from quietsleep.records import Problem
from quietsleep.store.state import NAME, State
from quietsleep.study.history import History, history_of
from quietsleep.study.register import FILE
from quietsleep.study.register_key import KeyMissing
from quietsleep.study.study import Study
from quietsleep.warehouse.registered import open_register

NOT_ASKED = (
    "What was delivered before cannot be asked here, so nothing is said of what this delivery "
    "changes, and a row that names a session of an earlier delivery is a problem here alone."
)


@dataclass(frozen=True, slots=True)
class Preview:
    """What is wrong with a delivery, and in words what it changes of what is in the study.

    `centre` is whose it is, empty where nothing of it was taken in.
    """

    problems: tuple[Problem, ...]
    changes: tuple[str, ...] = ()
    centre: str = ""

    @property
    def is_ready(self) -> bool:
        """Whether nothing has to be mended: that a column is not read is only said."""
        return all(problem.kind in UNREAD_COLUMNS for problem in self.problems)


def preview(study: Study, path: Path) -> Preview:
    """Check a delivery wherever it lies, and say what it changes of what was taken in so far.

    What was taken in is asked of the state and the register of the study folder; where they are
    not here, or a night is at work on them, that is said instead.
    """
    with _taken_in(study) as taken:
        if taken is None:
            problems, delivered = look_through(study, path)
            leans = delivered is not None and bool(delivered.leans_on)
            not_asked = [NOT_ASKED] if leans else []
            said = (*not_asked, *_tolerated(delivered))
            return Preview(tuple(problems), said, _taken_in_of(delivered))
        state, history = taken
        name = path.resolve().name.removesuffix(".zip")
        known = {
            centre: known_sessions(named_sessions(state, history, centre), name)
            for centre in study.centres
        }
        problems, delivered = look_through(study, path, known)
        if delivered is None or delivered.state != "accepted":
            return Preview(tuple(problems))
        changes = _changes(state, history, delivered)
        return Preview(tuple(problems), (*changes, *_tolerated(delivered)), delivered.centre)


def _taken_in_of(delivered: ReadDelivery | None) -> str:
    return delivered.centre if delivered is not None and delivered.state == "accepted" else ""


def _tolerated(delivered: ReadDelivery | None) -> list[str]:
    """Say what of the tables is read as something else than it is written."""
    if delivered is None or not delivered.read_tolerantly:
        return []
    return [f"Read as something else than it is written: {delivered.read_tolerantly}"]


@contextmanager
def _taken_in(study: Study) -> Iterator[tuple[State, History] | None]:
    """Open what was taken in so far, for reading alone; None where it cannot be asked."""
    if not (study.path / FILE).exists() or not (study.work_path / NAME).exists():
        yield None
        return
    try:
        register = open_register(study)
        state = State(study.work_path, read_only=True)
    except (KeyMissing, duckdb.Error):
        yield None
        return
    with state:
        yield state, history_of(register)


def _changes(state: State, history: History, delivered: ReadDelivery) -> list[str]:
    """Say what a delivery will change, as the night says it: it comes after all others."""
    centre, delivery = delivered.centre, delivered.delivery
    then = Incoming(centre, delivery, delivered.replaces, rows_to_keep(delivered))
    rows = rows_of_centre(state, history, centre, then)
    return amendments_of(rows, centre, delivery)
