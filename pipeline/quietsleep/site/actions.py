"""What a person has to look at, as the pages say it: the open data queries, kind by kind.

The queries are those of the warehouse; nothing is found here. Each is shown with the problems that
are part of it and what hangs on it. Beside them stand the tests that a new delivery could rescue:
those hang on something missing, a delivery that is held, a value or check that was not delivered, a
weight or length that looks mistyped.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from quietsleep import contract
from quietsleep.contract.query_kinds import QueryKind
from quietsleep.site import words
from quietsleep.site.folder import session_file, slug, test_file
from quietsleep.site.read import CentreData, Row, grouped
from quietsleep.site.words import Sign, count, faults_of, technique_title

MOST_ROWS = 25
MOST_LINKS = 40
MOST_ITEMS = 100
SIGNS = {
    "safety_alert": words.sign("alert"),
    "session_held": words.sign("quarantined"),
    "recording_held": words.sign("quarantined"),
    "check_held": words.sign("quarantined"),
    "delivery_refused": words.sign("quarantined"),
    "identifier_refused": words.sign("quarantined"),
    "check_failed": words.sign("rejected"),
}
OPEN = Sign("◆", "Open", "watch")
ANSWERED = Sign("◇", "Answered", "quiet")
CLOSED = Sign("○", "Closed", "quiet")


class Link(NamedTuple):
    """A link with its words."""

    text: str
    href: str


class ActionItem(NamedTuple):
    """One thing to act on: a headline, its particulars as a table, what to do, where to look."""

    headline: str
    sign: Sign
    note: str
    columns: tuple[str, ...]
    rows: tuple[tuple[Link | str, ...], ...]
    more: int
    todo: tuple[str, ...]
    links: tuple[Link, ...]
    query: int | None = None


class Group(NamedTuple):
    """Action items of one kind; `n` counts them all, `folded` ones need no action."""

    key: str
    summary: str
    items: tuple[ActionItem, ...] = ()
    n: int = 0
    folded: tuple[ActionItem, ...] = ()
    folded_said: str = ""


def tests_of(data: CentreData, sessions: set[str]) -> list[Row]:
    """Return the tests of these sessions."""
    return [test for test in data.tests if test["session"] in sessions]


def test_links(tests: Iterable[Row], root: str) -> list[Link]:
    """Return a link to each test."""
    return [
        Link(
            f"{t['session']}, {technique_title(t['technique'])}",
            root + test_file(t["test"]),
        )
        for t in tests
    ]


def actions_of(data: CentreData, root: str = "") -> list[Group]:
    """Return the open queries of one centre, a group a kind, the most urgent first.

    Those answered and those closed follow, folded. `root` goes before every link, for pages
    outside the folder of the centre.
    """
    problems = grouped(data.problems, "query")
    by_kind = grouped((q for q in data.queries if q["state"] == "open"), "kind")
    groups = [
        _of_kind(data, kind, by_kind[kind.name], problems, root)
        for kind in contract.QUERIES.kinds.values()
        if kind.name in by_kind
    ]
    for state, said in (("answered", "answered; the cause stands"), ("closed", "closed")):
        rows = [q for q in data.queries if q["state"] == state]
        if rows:
            summary = f"{count(len(rows), 'query', 'queries')} {said}"
            shown = tuple(_said_of(query) for query in reversed(rows[-MOST_ITEMS:]))
            groups.append(Group(state, summary, folded=shown, folded_said=summary))
    return groups


def _of_kind(
    data: CentreData,
    kind: QueryKind,
    queries: Sequence[Row],
    problems: dict[int, list[Row]],
    root: str,
) -> Group:
    items = tuple(
        _item(data, query, problems.get(query["query"], []), root) for query in queries[:MOST_ITEMS]
    )
    return Group(kind.name, count(len(queries), kind.one, kind.many), items, len(queries))


def _item(data: CentreData, query: Row, problems: Sequence[Row], root: str) -> ActionItem:
    """Show one open query with its problems as a table, where they name rows of a delivery."""
    shown = [p for p in problems if p["delivery"] or len(problems) > 1][:MOST_ROWS]
    links, hang, todo = _beside(data, query, root)
    note = f"{_lead(query) if shown else query['sentence']} {hang}"
    todo = (*todo, *(p["remedy"] for p in problems if p["remedy"]))
    return ActionItem(
        headline=_headline(query),
        sign=SIGNS.get(query["kind"], OPEN),
        note=note.strip(),
        columns=("Where", "Row", "Column", "Value", "Expected", "What is wrong") if shown else (),
        rows=tuple(
            (
                p["where_found"] or "",
                "" if p["row"] is None else str(p["row"]),
                p["column_name"] or "",
                p["value"] or "",
                p["expected"] or "",
                p["sentence"] or "",
            )
            for p in shown
        ),
        more=(len(problems) - len(shown) if shown else 0) + max(0, len(links) - MOST_LINKS),
        todo=tuple(dict.fromkeys(todo)) or (query["remedy"],),
        links=tuple(links[:MOST_LINKS]),
        query=query["query"],
    )


def queries_shown(
    data: CentreData, queries: Sequence[Row], root: str, *, besides: str
) -> tuple[ActionItem, ...]:
    """Show queries of any state: open ones with what to do, the others with what was said.

    They stand on the page of the session `besides`, to which no link is needed there.
    """
    problems = grouped(data.problems, "query")
    here = root + session_file(besides)
    items = (
        _item(data, query, problems.get(query["query"], []), root)
        if query["state"] == "open"
        else _said_of(query)
        for query in queries
    )
    return tuple(
        item._replace(links=tuple(link for link in item.links if link.href != here))
        for item in items
    )


def _headline(query: Row) -> str:
    about = query["session"] or query["delivery"] or query["item"] or query["centre"] or ""
    rule = contract.RULES.get(query["item"] or "")
    if query["session"] and rule:
        about += f", {rule.fault}"
    elif query["session"] and query["item"]:
        item = query["item"].removeprefix(f"{query['session']}/").rpartition(".")[2]
        about += f", {words.quantity_name(item, _unit(item))}"
    return f"Query {query['query']}: {about}".rstrip(": ")


def _unit(quantity: str) -> str | None:
    for column in contract.TABLES["sessions"].columns:
        if column.name == quantity:
            return column.unit
    return None


def _lead(query: Row) -> str:
    """Return what is said before the table of problems, which says the rest."""
    lead = contract.QUERIES.kinds[query["kind"]].lead
    about = ("centre", "delivery", "session", "item")
    return lead.format(**{name: query[name] or "" for name in about}) if lead else ""


def _beside(data: CentreData, query: Row, root: str) -> tuple[list[Link], str, tuple[str, ...]]:
    """Return links to what a query is about, what hangs on it, and what its rules advise."""
    if query["kind"] in ("check_failed", "check_held"):
        return _of_check(data, query, root)
    session = query["session"]
    if session not in data.sessions:
        return [], "", ()
    technique = (query["item"] or "").partition(".")[0]
    own = [t for t in tests_of(data, {session}) if t["technique"] == technique]
    link = Link(f"Session {session}", root + session_file(session))
    return [link, *test_links(own, root)], "", ()


def _of_check(data: CentreData, query: Row, root: str) -> tuple[list[Link], str, tuple[str, ...]]:
    check = data.check_named.get(query["item"])
    if check is None:
        return [], "", ()
    sessions = data.hanging.get(check["check_id"], [])
    faults = [f for f in faults_of(data, "check", check["check_id"]) if f.rejects]
    links = []
    if check["device"] and check["kind"]:
        place = slug(check["device"], check["kind"])
        links = [Link("Control chart", f"{root}equipment.html#{place}")]
    links += test_links(tests_of(data, set(sessions)), root)
    verb = "hangs" if len(sessions) == 1 else "hang"
    hang = f"{count(len(sessions), 'session')} {verb} on it." if sessions else ""
    return links, hang, tuple(f.remedy for f in faults if f.remedy)


def _said_of(query: Row) -> ActionItem:
    """Show a query that needs no action: what was said of it, and why it is closed."""
    said = []
    if query["answer"]:
        said.append(f"{query['answered_by']}, {words.day(query['answered_at'])}: {query['answer']}")
    if query["state"] == "closed":
        said.append(f"Closed in {query['closed_in']}, {query['closed_why']}")
    return ActionItem(
        headline=_headline(query),
        sign=ANSWERED if query["state"] == "answered" else CLOSED,
        note=" ".join((query["sentence"], *said)),
        columns=(),
        rows=(),
        more=0,
        todo=(),
        links=(),
        query=query["query"] if query["state"] == "answered" else None,
    )


def rescuable(data: CentreData, root: str = "") -> Group:
    """Return tests that a new delivery could bring back, because only something missing holds them.

    That is: nothing that was measured speaks against the test; it is held by a delivery problem,
    by a value or check that was not delivered, or by a weight or length that looks mistyped.
    """
    by_reason: dict[tuple[str, ...], list[Row]] = {}
    remedies: dict[tuple[str, ...], tuple[str, ...]] = {}
    for test in data.tests:
        found = _rescue(data, test)
        if found is not None:
            by_reason.setdefault(found[0], []).append(test)
            remedies[found[0]] = found[1]
    items = tuple(
        _rescue_item(reason, tests, remedies[reason], root)
        for reason, tests in sorted(by_reason.items(), key=lambda item: -len(item[1]))
    )
    n = sum(len(tests) for tests in by_reason.values())
    return Group("rescue", f"{count(n, 'test')} that a new delivery could rescue", items, n)


def _rescue(data: CentreData, test: Row) -> tuple[tuple[str, ...], tuple[str, ...]] | None:
    """Return the reasons that hold a test and what to do, None where it cannot be rescued."""
    if test["status"] == "accepted":
        return None
    if test["status"] == "quarantined":
        return _not_read(data, test)
    faults = [
        *faults_of(data, "test", test["test"]),
        *faults_of(data, "session", test["session"]),
    ]
    holding = [f for f in faults if f.rejects]
    typed = contract.QUERIES.typed_quantities
    if not holding or not all(f.observed == "not measured" or f.quantity in typed for f in holding):
        return None
    reasons = tuple(dict.fromkeys(f.sentence for f in holding))
    return reasons, tuple(dict.fromkeys(f.remedy for f in holding if f.remedy))


def _not_read(data: CentreData, test: Row) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return why a test was not read and what to do: what its queries ask, one by one."""
    key = (test["session"], test["technique"])
    held = {r["item"] for r in data.recordings.get(key, []) if r["state"] == "quarantined"}
    asked = [
        query
        for query in data.queries
        if query["state"] != "closed"
        and query["kind"] in ("session_held", "recording_held")
        and (query["item"] in held or (not query["item"] and query["session"] == test["session"]))
    ]
    reasons = [f"Not read: query {query['query']}. {query['sentence']}" for query in asked]
    remedies = [query["remedy"] for query in asked]
    return (
        tuple(reasons) or (f"Not read. {test['why'] or ''}".strip(),),
        tuple(dict.fromkeys(remedies)) or (contract.QUERIES.kinds["recording_held"].remedy,),
    )


def _rescue_item(
    reason: tuple[str, ...], tests: list[Row], todo: tuple[str, ...], root: str
) -> ActionItem:
    return ActionItem(
        headline=count(len(tests), "test"),
        sign=Sign("◇", "Rescuable", "watch"),
        note=" ".join(reason),
        columns=(),
        rows=(),
        more=max(0, len(tests) - MOST_LINKS),
        todo=todo,
        links=tuple(test_links(tests[:MOST_LINKS], root)),
    )
