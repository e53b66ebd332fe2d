"""The life of data queries: opened, answered, closed, found again; read from the study register.

A query has its number for life: its subject is known by it, and what is found again after it was
closed is opened under its old number. A night writes down what it opened, closed or found changed;
a person's answer is written down when it is given. All else follows from these entries in their
order, so nothing is lost with the work folder.

A query closes itself with the first night that does not find its cause, but for kinds that wait
for a person. One that is answered stays answered, and one that a person closed stays closed, while
the cause stands with the same facts; with other facts it is open again.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, Literal

import pandas as pd

from quietsleep import contract
from quietsleep.judge.causes import Cause, default_sentence
from quietsleep.judge.subjects import QuerySubject, text
from quietsleep.study.history import History
from quietsleep.study.register import Register, RegisterEntry

QueryState = Literal["open", "answered", "closed"]
Event = dict[str, Any]
NOT_FOUND = "The night does not find it any more."


@dataclass(frozen=True, slots=True)
class DataQuery:
    """One data query as it stands; `closed_in` is empty until a night has published it as closed.

    `stands` says whether the last night found the cause, `by_person` whether a person closed it.
    `sessions` are those that the cause names now, `earlier` all that it named before.
    """

    number: int
    subject: QuerySubject
    facts: str
    opened_in: str
    sessions: tuple[str, ...] = ()
    earlier: frozenset[str] = frozenset()
    infant: str = ""
    state: QueryState = "open"
    stands: bool = True
    answered_by: str = ""
    answered_at: datetime | None = None
    answer: str = ""
    closed_in: str = ""
    closed_why: str = ""
    by_person: bool = False

    @property
    def closes_itself(self) -> bool:
        """Whether it is closed by a night that does not find its cause."""
        kind = contract.QUERIES.kinds.get(self.subject.kind)
        return kind is None or kind.closes_itself


@dataclass(slots=True)
class QueryList:
    """All queries that were ever opened, by number, as far as the register was followed."""

    queries: dict[int, DataQuery] = field(default_factory=dict)
    _numbers: dict[QuerySubject, int] = field(default_factory=dict)
    _n_read: int = 0

    def number_of(self, subject: QuerySubject) -> int | None:
        """Return the number of a subject; None where it never had one."""
        return self._numbers.get(subject)

    def follow(self, register: Register) -> QueryList:
        """Read on to the end of the register; return this list."""
        for entry in register.since(self._n_read):
            self.read(entry)
        return self

    def read(self, entry: RegisterEntry) -> None:
        """Take in one entry of the register."""
        body = entry.body
        if entry.kind == "query":
            for event in body["events"]:
                self.apply(event, body["night"])
        elif entry.kind == "answer":
            self._answer(body, entry.when)
        elif entry.kind == "published":
            self._published(body["night"])
        elif entry.kind == "renamed":
            self._rename(body["was"], body["centre"], body["apart"])
        self._n_read = entry.number

    def apply(self, event: Mapping[str, Any], night: str) -> None:
        """Take in what a night did to one query."""
        number, what = int(event["query"]), event["what"]
        if what == "opened":
            subject = QuerySubject(*event["subject"])
            self.queries[number] = DataQuery(
                number,
                subject,
                event["facts"],
                night,
                sessions=tuple(event["sessions"]),
                infant=event["infant"],
            )
            self._numbers.setdefault(subject, number)
            return
        query = self.queries[number]
        if what == "closed":
            query = replace(
                query, state="closed", stands=False, closed_in=night, closed_why=event["why"]
            )
        elif what == "vanished":
            query = replace(query, stands=False)
        else:
            query = replace(
                query,
                stands=True,
                facts=event["facts"],
                sessions=tuple(event.get("sessions", query.sessions)),  # older registers lack them
                earlier=query.earlier.union(query.sessions),
            )
        if what == "reopened":
            query = replace(query, state="open", closed_in="", closed_why="", by_person=False)
        self.queries[number] = query

    def _answer(self, body: Mapping[str, Any], at: datetime) -> None:
        query = self.queries.get(int(body["query"]))
        if query is None or query.state == "closed":
            return  # a night closed it while the answer was being given
        closes = bool(body["close"])
        self.queries[query.number] = replace(
            query,
            state="closed" if closes else "answered",
            answered_by=body["by"],
            answered_at=at,
            answer=body["words"],
            by_person=closes,
            closed_why=f"by {body['by']}" if closes else "",
        )

    def _published(self, night: str) -> None:
        """Note the first night that published what a person had closed."""
        for query in self.queries.values():
            if query.by_person and not query.closed_in:
                self.queries[query.number] = replace(query, closed_in=night)

    def _rename(self, old: str, new: str, apart: Iterable[str]) -> None:
        for query in [*self.queries.values()]:
            subject = query.subject
            if subject.centre != old:
                continue
            delivery = subject.delivery
            if delivery in apart:
                delivery = f"{old}.{delivery}"
            subject = subject._replace(centre=new, delivery=delivery)
            self.queries[query.number] = replace(query, subject=subject)
            self._numbers.setdefault(subject, query.number)


def events_of_night(
    known: QueryList, causes: Iterable[Cause], cured_by: Callable[[DataQuery], str] | None = None
) -> list[Event]:
    """Return what a night that finds these causes does to the list; nothing where it is as it was.

    `cured_by` says why a query is closed whose cause is gone.
    """
    found = {cause.subject: cause for cause in causes}
    events = []
    following = max(known.queries, default=0) + 1
    here = set()
    for subject, cause in found.items():
        number = known.number_of(subject)
        if number is None:
            events.append(_opened(following, cause))
            following += 1
        else:
            here.add(number)
            events += _found_again(known.queries[number], cause)
    for number, query in known.queries.items():
        if number not in here:
            events += _not_found(query, cured_by)
    return events


def _opened(number: int, cause: Cause) -> Event:
    return {
        "query": number,
        "what": "opened",
        "subject": [*cause.subject],
        "facts": cause.facts,
        "sessions": [*cause.sessions],
        "infant": cause.infant,
    }


def _found_again(query: DataQuery, cause: Cause) -> list[Event]:
    stays = query.stands and query.facts == cause.facts  # also where a person closed it
    sessions = cause.sessions or query.sessions  # one read back from a table names none
    if stays and query.sessions == sessions:
        return []
    what = "changed" if stays or query.state == "open" else "reopened"
    said = {"facts": cause.facts, "sessions": [*sessions]}
    return [{"query": query.number, "what": what, **said}]


def _not_found(query: DataQuery, cured_by: Callable[[DataQuery], str] | None) -> list[Event]:
    if query.state != "closed" and query.closes_itself:
        why = cured_by(query) if cured_by else NOT_FOUND
        return [{"query": query.number, "what": "closed", "why": why}]
    return [{"query": query.number, "what": "vanished"}] if query.stands else []


def queries_of(register: Register) -> QueryList:
    """Read all queries out of the register of a study."""
    return QueryList().follow(register)


def causes_published(queries: pd.DataFrame) -> list[Cause]:
    """Return the causes that a published table of queries says to stand."""
    return [
        Cause(
            QuerySubject(*(text(row[name]) for name in QuerySubject._fields)),
            row["sentence"],
            row["remedy"],
            row["facts"],
        )
        for row in queries[queries["cause_stands"]].to_dict("records")
    ]


def queries_frame(
    known: QueryList, causes: Iterable[Cause], history: History, *, night: str
) -> pd.DataFrame:
    """Return the warehouse table `queries` as a night publishes it, without what was withdrawn.

    What several sessions say against each other stands while the others do; an answer that was
    given when a withdrawn one was among them is left out, for it may speak of it.
    """
    found = {cause.subject: cause for cause in causes}
    names = [column.name for column in contract.TABLES["queries"].columns]
    rows = [
        _row(query, found.get(query.subject), night)
        | ({"answer": None} if _names_withdrawn(query, query.earlier, history) else {})
        for query in known.queries.values()
        if not _names_withdrawn(query, query.sessions, history)
    ]
    return pd.DataFrame(rows, columns=names)


def _row(query: DataQuery, cause: Cause | None, night: str) -> dict[str, Any]:
    subject = query.subject
    kind = contract.QUERIES.kinds[subject.kind]
    closed = query.state == "closed"
    return {
        "query": query.number,
        **{name: value or None for name, value in subject._asdict().items()},
        "sentence": cause.sentence if cause else default_sentence(subject),
        "remedy": cause.remedy if cause else kind.remedy,
        "state": query.state,
        "opened_in": query.opened_in,
        "answered_by": query.answered_by or None,
        "answered_at": query.answered_at,
        "answer": query.answer or None,
        "closed_in": (query.closed_in or night) if closed else None,
        "closed_why": query.closed_why or None,
        "cause_stands": cause is not None,
        "facts": query.facts,
    }


def _names_withdrawn(query: DataQuery, sessions: Collection[str], history: History) -> bool:
    centre = query.subject.centre
    taken_out = [history.withdrawn_of(centre)] if centre else history.withdrawn.values()
    return any(
        not each.sessions.isdisjoint(sessions) or query.infant in each.infants for each in taken_out
    )
