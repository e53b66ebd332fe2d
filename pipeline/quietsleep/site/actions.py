"""Action items, the most pressing first: alerts, held deliveries, checks, rescuable tests.

A test can be rescued when it hangs on something missing: a delivery that is held, a value or a
check that was not delivered, a weight or length that looks mistyped.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from typing import NamedTuple

from quietsleep.site import words
from quietsleep.site.folder import slug, test_file
from quietsleep.site.read import CentreData, Row, grouped
from quietsleep.site.words import Sign, count, faults_of, technique_title

MOST_ROWS = 25
MOST_LINKS = 40
# Rules of the session that catch a mistyped number rather than an unsuitable session.
TYPING_QUANTITIES = ("weight_z", "length_z")
# How long an alert stays on top: it cannot be undone, only learnt from.
ALERT_DAYS = 31


# What of the schedule is shown: what it is, in which states, its headline and what to do.
OUTSTANDING = (
    ("delivery", ("overdue",), "The next delivery is late",
     "Deliver what was recorded; if there is nothing, tell the coordinating centre."),
    ("visit", ("missing", "overdue"), "Visits that have not come",
     "Deliver them if they were done; if a family cannot come, tell the coordinating centre."),
    ("followup_call", ("overdue",), "Follow-up calls not recorded",
     "Call the family, note how the infant is, and deliver the session's row again."),
    ("technique", ("missing",), "Planned techniques without a recording",
     "Deliver the recording if it was made; if not, note why, and plan it for the next visit."),
    ("visit", ("unplanned",), "Sessions of a visit that the schedule does not know",
     "Write the visit as the study plan calls it, and deliver the session's row again."),
)  # fmt: skip


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


class Group(NamedTuple):
    """Action items of one kind; `earlier` ones are kept for learning."""

    key: str
    summary: str
    items: tuple[ActionItem, ...]
    earlier: tuple[ActionItem, ...] = ()


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
    """Return what needs action at one centre; groups without any item are left out.

    `root` goes before every link, for pages outside the folder of the centre.
    """
    groups = [
        alerts(data, root),
        held_deliveries(data),
        contradictions(data),
        outstanding(data),
        checks_out(data, root),
        rescuable(data, root),
    ]
    return [group for group in groups if group.items or group.earlier]


def alerts(data: CentreData, root: str = "") -> Group:
    """Return failed alert rules, one item a rule with its sessions, the newest first."""
    recent: dict[str, list[Row]] = {}
    earlier: dict[str, list[Row]] = {}
    failed = [
        row
        for rows in data.faults.values()
        for row in rows
        if row["severity"] == "alert" and row["state"] == "fail"
    ]
    for row in sorted(failed, key=lambda r: _tested(data, r["session"]), reverse=True):
        side = recent if _is_recent(data, row["session"]) else earlier
        side.setdefault(row["rule"], []).append(row)
    n = sum(len({row["session"] for row in rows}) for rows in recent.values())
    title = f"{count(n, 'recent safety alert')}" if n else "Earlier safety alerts"
    return Group(
        "alerts",
        title,
        tuple(_alert(data, rule, rows, root) for rule, rows in recent.items()),
        tuple(_alert(data, rule, rows, root) for rule, rows in earlier.items()),
    )


def _is_recent(data: CentreData, session: str | None) -> bool:
    """Say whether a session was tested within the last month or is new in this night."""
    since = data.night.night["started_at"] - timedelta(days=ALERT_DAYS)
    delivery = (data.sessions.get(session or "") or {}).get("delivery")
    new = {d["delivery"] for d in data.deliveries if d["first_night"] == data.night.night["night"]}
    return delivery in new or _tested(data, session) >= since


def _tested(data: CentreData, session: str | None) -> datetime:
    row = data.sessions.get(session or "")
    at: datetime | None = row["tested_at"] if row else None
    return at or data.night.night["started_at"]


def _alert(data: CentreData, rule: str, rows: Sequence[Row], root: str) -> ActionItem:
    remedy = words.remedy_of(data.rule_behind(rows[0]), rows[0])
    by_session: dict[str, list[Row]] = {}
    for row in rows:
        by_session.setdefault(row["session"] or row["item"], []).append(row)
    lines = tuple(
        (
            _alert_link(data, own[0], root),
            words.day((data.sessions.get(own[0]["session"]) or {}).get("tested_on")),
            (own[0]["sentence"] or "") + (f" ({len(own)} trials)" if len(own) > 1 else ""),
        )
        for own in by_session.values()
    )
    return ActionItem(
        headline=f"“{words.rule_name(rule)}” was not met in {count(len(lines), 'session')}",
        sign=words.sign("alert"),
        note="",
        columns=("Session", "Tested", "What happened"),
        rows=lines[:MOST_ROWS],
        more=max(0, len(lines) - MOST_ROWS),
        todo=(remedy,) if remedy else (),
        links=(),
    )


def _alert_link(data: CentreData, row: Row, root: str) -> Link | str:
    """Link to the test that an alert is about; any test of the session for one on the session."""
    tests = [t for t in data.tests if t["session"] == row["session"]]
    own = [t for t in tests if t["technique"] == row["technique"]] or tests
    name = row["session"] or row["item"]
    return Link(name, root + test_file(own[0]["test"])) if own else str(name)


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
    items = tuple(
        _held(name, problems, whole=state.get(name) == "quarantined")
        for name, problems in by_delivery.items()
    )
    n = len(items)
    return Group("deliveries", f"{count(n, 'delivery', 'deliveries')} to put right", items)


def contradictions(data: CentreData) -> Group:
    """Return what sessions say against each other, one item a kind."""
    items = tuple(
        ActionItem(
            headline=kind.replace("_", " ").capitalize(),
            sign=Sign("◆", "Contradiction", "act"),
            note="",
            columns=("What", "What is wrong"),
            rows=tuple((p["where_found"], p["sentence"]) for p in rows[:MOST_ROWS]),
            more=max(0, len(rows) - MOST_ROWS),
            todo=tuple(dict.fromkeys(p["remedy"] for p in rows)),
            links=(),
        )
        for kind, rows in grouped(data.contradictions, "kind").items()
    )
    n = len(data.contradictions)
    return Group("contradictions", f"{count(n, 'contradiction')} between sessions", items)


def outstanding(data: CentreData) -> Group:
    """Return what the schedule expects and what has not come, one item a kind."""
    items = []
    for what, states, headline, todo in OUTSTANDING:
        rows = [r for r in data.expected if r["what"] == what and r["state"] in states]
        if rows:
            items.append(_outstanding(rows, headline, todo))
    n = sum(len(item.rows) + item.more for item in items)
    return Group("schedule", f"{count(n, 'thing')} that the schedule expects", tuple(items))


def _outstanding(rows: Sequence[Row], headline: str, todo: str) -> ActionItem:
    return ActionItem(
        headline=headline,
        sign=Sign("◆", "Expected", "watch"),
        note="",
        columns=(
            "Infant",
            "Visit",
            "Session",
            "Technique",
            "State",
            "Planned for",
            "In time until",
        ),
        rows=tuple(
            (
                row["infant"] or "",
                row["visit"] or "",
                row["session"] or "",
                technique_title(row["technique"]) if row["technique"] else "",
                row["state"].replace("_", " "),
                words.day(row["due_on"]) if row["due_on"] else "",
                words.day(row["latest_on"]) if row["latest_on"] else "",
            )
            for row in rows[:MOST_ROWS]
        ),
        more=max(0, len(rows) - MOST_ROWS),
        todo=(todo,),
        links=(),
    )


def _held(delivery: str, problems: Sequence[Row], *, whole: bool) -> ActionItem:
    note = "The whole delivery is held; nothing of it is in the study yet."
    if not whole:
        note = f"{_held_parts(problems)} of it held; the rest was taken in."
    shown = problems[:MOST_ROWS]
    return ActionItem(
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


def _held_parts(problems: Sequence[Row]) -> str:
    """Say how many sessions and single recordings of a delivery are held."""
    sessions = {p["session"] for p in problems if p["session"] and not p["recording"]}
    recordings = {p["recording"] for p in problems if p["recording"]}
    parts = [
        count(len(found), name)
        for found, name in ((sessions, "session"), (recordings, "recording"))
        if found
    ]
    return " and ".join(parts) or "A part"


def checks_out(data: CentreData, root: str = "") -> Group:
    """Return rejected or unreadable checks with the sessions that hang on them.

    A check is settled once a later check of its kind on its device was accepted; the sessions
    that hang on it stay lost, so it is kept below among the earlier ones.
    """
    open_now: list[ActionItem] = []
    earlier: list[ActionItem] = []
    for rows in data.checks_of.values():
        last_good = max((i for i, r in enumerate(rows) if r["status"] == "accepted"), default=-1)
        for i, row in enumerate(rows):
            if row["status"] != "accepted":
                (open_now if i > last_good else earlier).append(_check_out(data, row, root))
    open_now.reverse()
    earlier.reverse()
    n = len(open_now)
    title = f"{count(n, 'check')} out of tolerance, not settled since" if n else "Earlier checks"
    return Group("checks", title, tuple(open_now), tuple(earlier))


def _check_out(data: CentreData, check: Row, root: str) -> ActionItem:
    sessions = data.hanging.get(check["check_id"], [])
    faults = [f for f in faults_of(data, "check", check["check_id"]) if f.rejects]
    kind = technique_title(check["kind"])
    tests = tests_of(data, set(sessions))
    note = " ".join(f.sentence for f in faults) or check["why"] or ""
    links = [Link("Control chart", f"{root}equipment.html#{slug(check['device'], check['kind'])}")]
    links += test_links(tests[:MOST_LINKS], root)
    hang = count(len(sessions), "session") + (
        " hangs on it." if len(sessions) == 1 else " hang on it."
    )
    return ActionItem(
        headline=f"{kind} on {check['device']}, {words.day(check['done_on'])}",
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
    items = tuple(
        _rescue_item(reason, tests, remedies[reason], root)
        for reason, tests in sorted(by_reason.items(), key=lambda item: -len(item[1]))
    )
    n = sum(len(tests) for tests in by_reason.values())
    title = f"{count(n, 'test')} that a new delivery could rescue"
    return Group("rescue", title, items)


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
