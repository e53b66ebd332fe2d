"""What needs action, the most pressing first: alerts, held deliveries, checks, rescuable tests."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import NamedTuple

from pipeline.pages import words
from pipeline.pages.faults import faults_of, technique_title
from pipeline.pages.folder import slug
from pipeline.pages.one_test import test_file
from pipeline.pages.source import CentreData, Row, check_before
from pipeline.pages.words import Sign, count

# How long an alert stays on top: it cannot be undone, only learnt from.
ALERT_DAYS = 31
MOST_ROWS = 25
MOST_LINKS = 40
# Rules of the visit that catch a mistyped number rather than an unsuitable visit.
TYPING_QUANTITIES = ("weight_z", "length_z")


class Link(NamedTuple):
    """A link with its words."""

    text: str
    href: str


class Matter(NamedTuple):
    """One thing to act on: a headline, its particulars as a table, what to do, where to look."""

    headline: str
    sign: Sign
    note: str
    columns: tuple[str, ...]
    rows: tuple[tuple[Link | str, ...], ...]
    more: int
    todo: tuple[str, ...]
    links: tuple[Link, ...]


class Group(NamedTuple):
    """Matters of one kind."""

    key: str
    title: str
    summary: str
    matters: tuple[Matter, ...]
    earlier: tuple[Matter, ...] = ()


def actions_of(data: CentreData, root: str = "") -> list[Group]:
    """Return what needs action at one centre; groups without any matter are left out.

    `root` goes before every link, for pages outside the folder of the centre.
    """
    groups = [
        alerts(data, root),
        held_deliveries(data),
        checks_out(data, root),
        rescuable(data, root),
    ]
    return [group for group in groups if group.matters or group.earlier]


def alerts(data: CentreData, root: str = "") -> Group:
    """Return failed alert rules, one matter a rule with its sessions, the newest first."""
    until = data.night.night["started_at"] - timedelta(days=ALERT_DAYS)
    recent: dict[str, list[Row]] = {}
    earlier: dict[str, list[Row]] = {}
    failed = [
        row
        for rows in data.faults.values()
        for row in rows
        if row["severity"] == "alert" and row["state"] == "fail"
    ]
    for row in sorted(failed, key=lambda r: _tested(data, r["session"]), reverse=True):
        side = recent if _tested(data, row["session"]) >= until else earlier
        side.setdefault(row["rule"], []).append(row)
    n = sum(len(rows) for rows in recent.values())
    title = f"{count(n, 'safety alert')} in the last month" if n else "Earlier safety alerts"
    return Group(
        "alerts",
        "Safety",
        title,
        tuple(_alert(data, rule, rows, root) for rule, rows in recent.items()),
        tuple(_alert(data, rule, rows, root) for rule, rows in earlier.items()),
    )


def _tested(data: CentreData, session: str | None) -> datetime:
    row = data.sessions.get(session or "")
    at: datetime | None = row["tested_at"] if row else None
    return at or data.night.night["started_at"]


def _alert(data: CentreData, rule: str, rows: Sequence[Row], root: str) -> Matter:
    remedy = data.night.rule(rule).get("remedy")
    lines = tuple(
        (
            _alert_link(data, row, root),
            words.day(_tested(data, row["session"])),
            row["sentence"] or "",
        )
        for row in rows
    )
    return Matter(
        headline=f"“{words.rule_name(rule)}” was not met in {count(len(rows), 'case')}",
        sign=words.sign("alert"),
        note="",
        columns=("Session", "Tested", "What happened"),
        rows=lines[:MOST_ROWS],
        more=max(0, len(lines) - MOST_ROWS),
        todo=(remedy,) if remedy else (),
        links=(),
    )


def _alert_link(data: CentreData, row: Row, root: str) -> Link | str:
    """Link to the test that an alert is about; any test of the session for one on the visit."""
    tests = [t for t in data.tests if t["session"] == row["session"]]
    own = [t for t in tests if t["technique"] == row["technique"]] or tests
    name = row["session"] or row["item"]
    return Link(name, root + test_file(own[0]["test"])) if own else str(name)


def _tests_of(data: CentreData, sessions: set[str]) -> list[Row]:
    return [test for test in data.tests if test["session"] in sessions]


def _test_links(tests: Iterable[Row], root: str) -> list[Link]:
    return [
        Link(
            f"{t['session']}, {technique_title(t['technique'])}",
            root + test_file(t["test"]),
        )
        for t in tests
    ]


def held_deliveries(data: CentreData) -> Group:
    """Return each delivery that is held, whole or in part, with every standing problem."""
    held = {s for s, row in data.sessions.items() if row["status"] == "quarantined"}
    state = {row["delivery"]: row["state"] for row in data.deliveries}
    by_delivery: dict[str, list[Row]] = {}
    for problem in data.problems:
        session = problem["session"]
        name = problem["delivery"] or ""
        whole = state.get(name) == "quarantined"
        settled = session in data.sessions and session not in held and not problem["recording"]
        if whole or not settled:
            by_delivery.setdefault(name, []).append(problem)
    for row in data.deliveries:
        if row["state"] == "quarantined":
            by_delivery.setdefault(row["delivery"], [])
    matters = tuple(
        _held(name, problems, whole=state.get(name) == "quarantined")
        for name, problems in by_delivery.items()
    )
    n = len(matters)
    return Group(
        "deliveries", "Deliveries", f"{count(n, 'delivery', 'deliveries')} to put right", matters
    )


def _held(delivery: str, problems: Sequence[Row], *, whole: bool) -> Matter:
    sessions = {p["session"] for p in problems if p["session"]}
    note = (
        "The whole delivery is held; nothing of it is in the study yet."
        if whole
        else f"{count(len(sessions), 'session')} of it held; the rest was taken in."
    )
    shown = problems[:MOST_ROWS]
    return Matter(
        headline=f"Delivery {delivery}" if delivery else "No delivery named",
        sign=words.sign("quarantined") if whole else Sign("■", "Held in part", "act"),
        note=note,
        columns=("Where", "Row", "Column", "Value", "Expected", "What is wrong"),
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
        more=len(problems) - len(shown),
        todo=tuple(dict.fromkeys(p["remedy"] for p in problems if p["remedy"])),
        links=(),
    )


def checks_out(data: CentreData, root: str = "") -> Group:
    """Return rejected or unreadable checks with the sessions that hang on them.

    A check is settled once a later check of its kind on its device was accepted; the sessions
    that hang on it stay lost, so it is kept below among the earlier ones.
    """
    open_now: list[Matter] = []
    earlier: list[Matter] = []
    hanging = sessions_by_check(data)
    for rows, _ in data.checks_of.values():
        last_good = max((i for i, r in enumerate(rows) if r["status"] == "accepted"), default=-1)
        for i, row in enumerate(rows):
            if row["status"] != "accepted":
                matter = _check_out(data, row, hanging.get(row["check_id"], []), root)
                (open_now if i > last_good else earlier).append(matter)
    open_now.reverse()
    earlier.reverse()
    n = len(open_now)
    title = f"{count(n, 'check')} out of tolerance, not settled since" if n else "Earlier checks"
    return Group("checks", "Equipment", title, tuple(open_now), tuple(earlier))


def sessions_by_check(data: CentreData) -> dict[str, list[str]]:
    """Return the sessions that rest on each check."""
    found: dict[str, list[str]] = {}
    kinds = {kind for kind, _ in data.checks_of}
    for name, session in data.sessions.items():
        for kind in kinds:
            check = check_before(data, session, kind)
            if check is not None:
                found.setdefault(check["check_id"], []).append(name)
    return found


def _check_out(data: CentreData, check: Row, sessions: list[str], root: str) -> Matter:
    faults = [f for f in faults_of(data, "check", check["check_id"]) if f.rejects]
    kind = technique_title(check["kind"])
    tests = _tests_of(data, set(sessions))
    note = " ".join(f.sentence for f in faults) or check["why"] or ""
    links = [Link("Control chart", f"{root}equipment.html#{slug(check['device'], check['kind'])}")]
    links += _test_links(tests[:MOST_LINKS], root)
    hang = count(len(sessions), "session") + (
        " hangs on it." if len(sessions) == 1 else " hang on it."
    )
    return Matter(
        headline=f"{kind} on {check['device']}, {words.day(check['done_at'])}",
        sign=words.sign(check["status"]),
        note=f"{note} {hang}".strip(),
        columns=(),
        rows=(),
        more=max(0, len(tests) - MOST_LINKS),
        todo=tuple(dict.fromkeys(f.remedy for f in faults if f.remedy)),
        links=tuple(links),
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
    matters = tuple(
        _rescue_matter(reason, tests, remedies[reason], root)
        for reason, tests in sorted(by_reason.items(), key=lambda item: -len(item[1]))
    )
    n = sum(len(tests) for tests in by_reason.values())
    title = f"{count(n, 'test')} that a new delivery could rescue"
    return Group("rescue", "Rescue", title, matters)


def _rescue(data: CentreData, test: Row) -> tuple[tuple[str, ...], tuple[str, ...]] | None:
    """Return the reasons that hold a test and what to do, None where it cannot be rescued."""
    if test["status"] == "accepted":
        return None
    if test["status"] == "quarantined":
        return ("Held with its delivery or recording.",), (
            "Put the delivery right as said above and send it again.",
        )
    faults = [
        *faults_of(data, "test", test["test"]),
        *faults_of(data, "session", test["session"]),
    ]
    holding = [f for f in faults if f.rejects]
    if not holding or not all(
        f.observed == "not measured" or f.quantity in TYPING_QUANTITIES for f in holding
    ):
        return None
    reasons = tuple(dict.fromkeys(f.sentence for f in holding))
    return reasons, tuple(dict.fromkeys(f.remedy for f in holding if f.remedy))


def _rescue_matter(
    reason: tuple[str, ...], tests: list[Row], todo: tuple[str, ...], root: str
) -> Matter:
    return Matter(
        headline=count(len(tests), "test"),
        sign=Sign("◇", "Rescuable", "watch"),
        note=" ".join(reason),
        columns=(),
        rows=(),
        more=max(0, len(tests) - MOST_LINKS),
        todo=todo,
        links=tuple(_test_links(tests[:MOST_LINKS], root)),
    )
