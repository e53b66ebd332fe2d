"""Data queries at the desk: which are asked of whom, and what a person says to one.

Who may say what, and what becomes of it, is said in `review.answers` alone.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from quietsleep import contract
from quietsleep.errors import QuietsleepError, WarehouseError
from quietsleep.review.answers import answer_query, list_queries
from quietsleep.study.study import Study

# The desk of the coordinating centre, called as its pages are.
ALL = "overview"
MOST_CLOSED = 50


def questions(study: Study, centre: str, *, only: str = "") -> dict[str, Any]:
    """Return the queries of a centre by state, the most urgent first, of `ALL` those of everybody.

    `only` is the number of a query that is asked for alone. `note` says why none can be listed.
    """
    asked: dict[str, Any] = {"open": [], "answered": [], "closed": [], "note": ""}
    try:
        rows = list_queries(study, None if centre == ALL else centre)
    except WarehouseError:
        return asked | {"note": "No night has run yet, so nothing is asked."}
    except QuietsleepError:
        return asked | {"note": "Queries cannot be shown now. The coordinating centre sees why."}
    for row in rows.astype("object").where(rows.notna(), None).to_dict("records"):
        if only and str(row["query"]) != only:
            continue
        kind = contract.QUERIES.kinds[row["kind"]]
        asked[row["state"]].append(row | {"title": kind.one, "is_signed": not kind.closes_itself})
    asked["closed"] = asked["closed"][:MOST_CLOSED]
    return asked


def answer(study: Study, centre: str, number: str, form: Mapping[str, str]) -> str | None:
    """Write down what a person says; return why it is refused, empty when it is kept.

    None where there is no such query, or it is another centre's.
    """
    asked = questions(study, centre)
    known = {str(row["query"]) for state in ("open", "answered", "closed") for row in asked[state]}
    if number not in known:
        return None
    try:
        answer_query(
            study,
            int(number),
            " ".join(form.get("words", "").split()),
            by=form.get("by", "").strip(),
            close=form.get("close") == "yes",
            new_reader=form.get("new_reader") == "yes",
        )
    except QuietsleepError as error:
        # What the command line would type is ticked here.
        said = str(error).replace("say so with --new-reader", 'tick "This code is new"')
        return said.replace("signs it with --close", 'signs it with "Sign and close"')
    return ""
