"""What people do with data queries: list them, answer one, close one."""

from __future__ import annotations

import re
from contextlib import closing

import pandas as pd

from quietsleep import contract
from quietsleep.errors import QuietsleepError
from quietsleep.intake.identifiers import plain
from quietsleep.review.desk import check_note, check_reader, codes_of
from quietsleep.review.queries import DataQuery, causes_published, queries_frame, queries_of
from quietsleep.store.tables import in_contract
from quietsleep.study.history import history_of
from quietsleep.study.register import Register, RegisterError
from quietsleep.study.review_log import reviews_of
from quietsleep.study.study import Study
from quietsleep.warehouse.current import current_night
from quietsleep.warehouse.database import open_night
from quietsleep.warehouse.registered import open_register

PUBLISHED = "SELECT * FROM queries"


class AnswerError(QuietsleepError):
    """A query cannot be answered so; the message is one plain sentence."""


def list_queries(study: Study, centre: str | None = None) -> pd.DataFrame:
    """Return the queries of the last night with what was answered since, the most urgent first.

    The open ones come first, then the answered ones. WarehouseError where no night was published,
    RegisterError where the study register is not as it was written down, AnswerError for a centre
    that the study does not know.
    """
    rows = _by_now(study, _whole_register(study))
    if centre is not None:
        centre = study.code_now(centre)
        if centre not in study.centres and centre not in set(rows["centre"]):
            raise AnswerError(f"No centre {centre}. Centres: {', '.join(study.centres)}.")
        rows = rows[rows["centre"] == centre]
    states = contract.TABLES["queries"].column("state").choices
    order = rows.assign(
        by_state=rows["state"].map({state: place for place, state in enumerate(states)}),
        by_kind=rows["kind"].map({kind: n for n, kind in enumerate(contract.QUERIES.kinds)}),
    ).sort_values(["by_state", "by_kind", "centre", "query"], na_position="first")
    return order.drop(columns=["by_state", "by_kind"]).reset_index(drop=True)


def answer_query(
    study: Study, number: int, words: str, *, by: str, close: bool = False, new_reader: bool = False
) -> DataQuery:
    """Write down what a person says to a query, and return the query as it stands now.

    With `close` it is closed. AnswerError for an unknown or closed query, for an answer without
    words and for a safety alert that is answered and not closed; ReviewError for a reader who is
    not known and not said to be new, and for words that tell of a person.
    """
    register = _whole_register(study)
    rows = _by_now(study, register)
    row = rows[rows["query"] == number]
    if row.empty:
        raise AnswerError(
            f"There is no query {number}. 'quietsleep queries {study.path.name}' lists them."
        )
    query = queries_of(register).queries[number]
    if query.state == "closed":
        raise AnswerError(
            f"Query {number} is closed ({query.closed_why}). Should its cause be found again, it "
            "is opened again under this number."
        )
    check_reader(by, known=known_readers(register), new_reader=new_reader)
    said = check_note(words, words=codes_of(study) | _words_of(query), days=frozenset())
    if not said:
        raise AnswerError("Say in words what was found or done; they are kept with the query.")
    if not close and not query.closes_itself:
        raise AnswerError(
            f"Query {number} is a {contract.QUERIES.kinds[query.subject.kind].one}: it stays open "
            "until somebody has looked and signs it with --close."
        )
    register.append("answer", {"query": number, "by": by, "words": said, "close": close})
    return queries_of(register).queries[number]


def known_readers(register: Register) -> set[str]:
    """Return the codes of all who decided on a trial, answered a query or took something out."""
    signed = register.of("answer", "withdrawal", "meant")
    return {review.reader for review in reviews_of(register)} | {e.body["by"] for e in signed}


def _whole_register(study: Study) -> Register:
    current_night(study.path)  # without a night nothing was ever asked
    register = open_register(study)
    if register.broken:
        raise RegisterError(register.broken)
    return register


def _by_now(study: Study, register: Register) -> pd.DataFrame:
    """Return the published table with the answers since; what a night did since is not there."""
    with closing(open_night(current_night(study.path))) as warehouse:
        published = warehouse.execute(PUBLISHED).df()
    known = queries_of(register)
    frame = queries_frame(
        known, causes_published(published), history_of(register), night="next night"
    )
    return in_contract(frame, "queries")


def _words_of(query: DataQuery) -> frozenset[str]:
    """Return the words of what a query is about, which an answer may repeat."""
    return frozenset(
        plain(word) for part in query.subject for word in re.findall(r"[^\W\d_]+", part)
    )
