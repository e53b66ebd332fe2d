"""The life of a data query: its number for life, and when it is open, answered or closed."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietsleep import contract
from quietsleep.judge.causes import Cause, default_sentence
from quietsleep.judge.subjects import QuerySubject
from quietsleep.review.queries import (
    NOT_FOUND,
    DataQuery,
    QueryList,
    causes_published,
    events_of_night,
    queries_frame,
)
from quietsleep.store.tables import in_contract
from quietsleep.study.history import History, Withdrawn
from quietsleep.study.register import Kind, RegisterEntry

HELD = QuerySubject("session_held", "larch", session="s1")
LATE = QuerySubject("delivery_late", "larch")
ALERT = QuerySubject("safety_alert", "larch", session="s1", item="session.saturation")
AT = datetime(2026, 3, 3, 2, tzinfo=UTC)


def cause(subject: QuerySubject, facts: str = "as it was") -> Cause:
    sessions = (subject.session,) if subject.session else ()
    return Cause(subject, "Something is wrong.", "Put it right.", facts, sessions)


class Book:
    """A register that is nothing but its entries, and the list that is read from it."""

    def __init__(self) -> None:
        self.entries: list[RegisterEntry] = []
        self.known = QueryList()
        self.n_nights = 0

    def write(self, kind: Kind, body: dict[str, Any]) -> None:
        entry = RegisterEntry(len(self.entries) + 1, kind, AT.isoformat(), body, "")
        self.entries.append(entry)
        self.known.read(entry)

    def night(self, *causes: Cause) -> list[str]:
        """Run a night that finds these causes; returns what it did, in order."""
        self.n_nights += 1
        name = f"n{self.n_nights:06d}"
        events = events_of_night(self.known, causes)
        if events:
            self.write("query", {"night": name, "events": events})
        self.write("published", {"night": name, "sha256": ""})
        return [event["what"] for event in events]

    def answer(self, number: int, *, close: bool = False) -> None:
        self.write("answer", {"query": number, "by": "r1", "words": "Seen.", "close": close})

    def again(self) -> QueryList:
        """Read everything anew, as after the loss of the work folder."""
        read = QueryList()
        for entry in self.entries:
            read.read(entry)
        return read

    def __getitem__(self, number: int) -> DataQuery:
        return self.known.queries[number]


@pytest.fixture
def book() -> Book:
    return Book()


def states(book: Book) -> list[str]:
    return [query.state for query in book.known.queries.values()]


def test_a_query_is_opened_once_and_closes_itself_when_its_cause_is_gone(book: Book) -> None:
    assert book.night(cause(HELD)) == ["opened"]
    assert book.night(cause(HELD)) == []
    assert (book[1].state, book[1].opened_in) == ("open", "n000001")
    assert book.night() == ["closed"]
    assert (book[1].state, book[1].closed_in, book[1].closed_why) == (
        "closed", "n000003", NOT_FOUND)  # fmt: skip
    assert book.night() == []


def test_what_is_found_again_has_its_old_number(book: Book) -> None:
    book.night(cause(HELD))
    book.night()
    book.night(cause(LATE))
    assert book.night(cause(HELD), cause(LATE)) == ["reopened"]
    assert book.known.number_of(HELD) == 1 and book.known.number_of(LATE) == 2
    assert (book[1].state, book[1].closed_in, book[1].opened_in) == ("open", "", "n000001")


def test_the_reason_of_closing_is_that_of_the_night(book: Book) -> None:
    book.night(cause(HELD))
    (event,) = events_of_night(book.known, [], lambda query: f"cured by {query.subject.session}")
    assert event == {"query": 1, "what": "closed", "why": "cured by s1"}


def test_an_answered_query_stays_answered_until_the_facts_change(book: Book) -> None:
    book.night(cause(HELD))
    book.answer(1)
    assert book.night(cause(HELD)) == []
    assert (book[1].state, book[1].answered_by, book[1].answer) == ("answered", "r1", "Seen.")
    assert book.night(cause(HELD, "another row")) == ["reopened"]
    assert book[1].state == "open" and book[1].answer == "Seen."


def test_an_answer_is_about_the_facts_of_its_own_night(book: Book) -> None:
    book.night(cause(HELD, "first"))
    assert book.night(cause(HELD, "second")) == ["changed"]
    book.answer(1)
    assert book.night(cause(HELD, "second")) == []
    assert book.night(cause(HELD, "first")) == ["reopened"]


def test_what_a_person_closed_stays_closed_while_it_is_as_it_was(book: Book) -> None:
    book.night(cause(HELD))
    book.answer(1, close=True)
    assert (book[1].state, book[1].closed_why, book[1].closed_in) == ("closed", "by r1", "")
    assert book.night(cause(HELD)) == []
    assert book[1].closed_in == "n000002"
    assert book.night(cause(HELD, "another row")) == ["reopened"]
    assert (book[1].closed_in, book[1].closed_why) == ("", "")
    book.night(cause(HELD, "another row"))
    assert (book[1].closed_in, book[1].closed_why) == ("", "")
    book.answer(1, close=True)
    assert book.night() == ["vanished"]
    assert book.night(cause(HELD, "another row")) == ["reopened"]


def test_an_alert_waits_for_a_person_whatever_becomes_of_its_cause(book: Book) -> None:
    book.night(cause(ALERT))
    assert book.night() == ["vanished"]
    assert book.night() == []
    assert states(book) == ["open"] and not book[1].stands
    book.answer(1, close=True)
    assert book.night() == []
    assert states(book) == ["closed"]
    assert book.night(cause(ALERT)) == ["reopened"]


def test_an_answer_that_came_too_late_changes_nothing(book: Book) -> None:
    book.night(cause(HELD))
    book.night()
    book.answer(1)
    book.answer(7)
    assert book[1].state == "closed" and not book[1].answer


def test_a_renamed_centre_keeps_the_numbers_of_its_queries(book: Book) -> None:
    refused = QuerySubject("delivery_refused", "larch", "d1")
    book.night(cause(HELD), cause(refused))
    book.write("renamed", {"was": "larch", "centre": "birch", "apart": ["d1"]})
    now = [HELD._replace(centre="birch"), QuerySubject("delivery_refused", "birch", "larch.d1")]
    assert book.night(*map(cause, now)) == []
    assert [book.known.number_of(subject) for subject in now] == [1, 2]


SUBJECTS = [
    HELD,
    LATE,
    ALERT,
    QuerySubject("safety_alert", "larch", session="s2", item="session.saturation"),
    QuerySubject("column_unread", "larch", item="Vdot2"),
]
NIGHTS = st.tuples(
    st.dictionaries(st.sampled_from(SUBJECTS), st.sampled_from("ab"), max_size=len(SUBJECTS)),
    st.lists(st.tuples(st.integers(1, len(SUBJECTS)), st.booleans()), max_size=3),
)


@dataclass
class Said:
    """What a person said last of a query, and the facts that have stood ever since."""

    closed: bool
    facts: str | None


@given(st.lists(NIGHTS, max_size=12))
def test_over_any_history_numbers_are_for_life_and_no_cause_is_without_its_query(
    history: list[tuple[dict[QuerySubject, str], list[tuple[int, bool]]]],
) -> None:
    book = Book()
    numbers: dict[QuerySubject, int] = {}
    said: dict[int, Said] = {}
    for found, answers in history:
        book.night(*(cause(subject, facts) for subject, facts in found.items()))
        for number, query in book.known.queries.items():
            assert numbers.setdefault(query.subject, number) == number
            facts, last = found.get(query.subject), said.get(number)
            if facts is not None:
                if last is not None and last.facts != facts:
                    del said[number]
                    last = None
                assert query.state == (
                    "open" if last is None else "closed" if last.closed else "answered"
                )
                continue
            if last is not None:
                last.facts = None
            if query.closes_itself:
                assert query.state == "closed"
            elif last is None:
                assert query.state == "open"
            else:
                assert query.state == ("closed" if last.closed else "answered")
        assert sorted(numbers.values()) == [*range(1, len(numbers) + 1)]
        assert set(found) <= set(numbers)
        for number, close in answers:
            asked = book.known.queries.get(number)
            if asked is not None and asked.state != "closed":
                said[number] = Said(close, asked.facts if asked.stands else None)
                book.answer(number, close=close)
        assert book.again() == book.known


def by_hand(book: Book, *causes: Cause, history: History | None = None) -> Any:
    frame = queries_frame(book.known, causes, history or History(), night="n000009")
    return in_contract(frame, "queries")


def test_the_table_says_what_is_wrong_also_when_the_cause_is_gone(book: Book) -> None:
    book.night(cause(HELD), cause(ALERT))
    book.night(cause(ALERT))
    table = by_hand(book, cause(ALERT)).set_index("query")
    assert table.loc[2, "sentence"] == "Something is wrong." and table.loc[2, "cause_stands"]
    assert table.loc[1, "sentence"] == default_sentence(HELD) == "Session s1 was held."
    assert table.loc[1, "closed_in"] == "n000002" and not table.loc[1, "cause_stands"]


def test_a_query_closed_by_a_person_names_the_night_that_publishes_it(book: Book) -> None:
    book.night(cause(HELD))
    book.answer(1, close=True)
    (row,) = by_hand(book, cause(HELD)).to_dict("records")
    assert (row["closed_in"], row["closed_why"], row["cause_stands"]) == ("n000009", "by r1", True)


def test_causes_are_read_back_from_the_table_as_they_were(book: Book) -> None:
    causes = [cause(HELD), cause(LATE), replace(cause(ALERT), sentence="Low.", remedy="Look.")]
    book.night(*causes)
    read = causes_published(by_hand(book, *causes))
    assert [replace(each, sessions=()) for each in causes] == read
    assert events_of_night(book.known, read) == []
    book.night(cause(HELD))
    assert causes_published(by_hand(book, cause(HELD))) == [replace(cause(HELD), sessions=())]


@pytest.mark.parametrize(
    "withdrawn",
    [Withdrawn(sessions=frozenset({"s1"})), Withdrawn(infants={"i1": 3})],
)
def test_what_was_withdrawn_is_not_in_the_table(book: Book, withdrawn: Withdrawn) -> None:
    visit = QuerySubject("visit_missing", "larch", item="i1/second")
    of_infant = replace(cause(visit), infant="i1", sessions=("s1",))
    book.night(of_infant, cause(LATE))
    history = History(withdrawn={"larch": withdrawn})
    assert [*by_hand(book, of_infant, cause(LATE), history=history)["query"]] == [2]
    elsewhere = History(withdrawn={"birch": withdrawn})
    assert [*by_hand(book, history=elsewhere)["query"]] == [1, 2]


@pytest.mark.parametrize("facts", ["as it was", "of two"])
def test_what_stands_without_the_withdrawn_session_is_asked_on(book: Book, facts: str) -> None:
    """The answer may speak of the session that was withdrawn, so its words are left out."""
    sex = QuerySubject("infant_differs", "larch", item="infant i1 (sex)")
    among = replace(cause(sex), infant="i1", sessions=("s1", "s2", "s3"))
    book.night(among)
    book.answer(1)
    history = History(withdrawn={"larch": Withdrawn(sessions=frozenset({"s2"}))})
    assert by_hand(book, among, history=history).empty
    without = replace(among, sessions=("s1", "s3"), facts=facts)
    book.night(without)
    (row,) = by_hand(book, without, history=history).to_dict("records")
    assert row["state"] == ("answered" if facts == among.facts else "open")
    assert pd.isna(row["answer"]) and row["answered_by"] == "r1"
    assert book.again() == book.known
    assert by_hand(book, without)["answer"].tolist() == ["Seen."]


def test_every_kind_has_a_sentence_for_every_subject() -> None:
    def filled(kind: str) -> Iterable[QuerySubject]:
        yield QuerySubject(kind, "larch", "d1", "s1", "item")
        yield QuerySubject(kind)

    for kind in contract.QUERIES.kinds:
        for subject in filled(kind):
            said = default_sentence(subject)
            assert said.endswith(".") and "  " not in said and " ." not in said


def test_only_alerts_wait_for_a_person() -> None:
    waiting = {k.name for k in contract.QUERIES.kinds.values() if not k.closes_itself}
    assert waiting == {"safety_alert"}


def test_the_page_on_queries_says_every_kind_in_its_order() -> None:
    page = Path(__file__).parents[2] / "docs" / "data_queries.md"
    rows = [line for line in page.read_text(encoding="utf-8").splitlines() if line[:3] == "| `"]
    assert rows == [
        f"| `{kind.name}` | {kind.one} | {kind.remedy} |"
        for kind in contract.QUERIES.kinds.values()
    ]
