"""What needs action, the most pressing first: alerts, held deliveries, checks, rescuable tests."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from quietsleep.site import words
from quietsleep.site.lost_tests import checks_out, rescuable
from quietsleep.site.matters import MOST_ROWS, ActionItem, Group, Link
from quietsleep.site.pages.test import test_file
from quietsleep.site.read import CentreData, Row
from quietsleep.site.words import Sign, count

# How long an alert stays on top: it cannot be undone, only learnt from.
ALERT_DAYS = 31


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
        "Safety",
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
    remedy = data.night.rule(rule).get("remedy")
    by_session: dict[str, list[Row]] = {}
    for row in rows:
        by_session.setdefault(row["session"] or row["item"], []).append(row)
    lines = tuple(
        (
            _alert_link(data, own[0], root),
            words.day(_tested(data, own[0]["session"])),
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
    """Link to the test that an alert is about; any test of the session for one on the visit."""
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
    matters = tuple(
        _held(name, problems, whole=state.get(name) == "quarantined")
        for name, problems in by_delivery.items()
    )
    n = len(matters)
    return Group(
        "deliveries", "Deliveries", f"{count(n, 'delivery', 'deliveries')} to put right", matters
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
