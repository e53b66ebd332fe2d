"""Tests that are lost but not for good: to a check out of tolerance, or to something missing."""

from __future__ import annotations

from quietsleep.site import words
from quietsleep.site.faults import faults_of, technique_title
from quietsleep.site.folder import slug
from quietsleep.site.matters import MOST_LINKS, ActionItem, Group, Link, test_links, tests_of
from quietsleep.site.read import CentreData, Row, check_before
from quietsleep.site.words import Sign, count

# Rules of the visit that catch a mistyped number rather than an unsuitable visit.
TYPING_QUANTITIES = ("weight_z", "length_z")


def checks_out(data: CentreData, root: str = "") -> Group:
    """Return rejected or unreadable checks with the sessions that hang on them.

    A check is settled once a later check of its kind on its device was accepted; the sessions
    that hang on it stay lost, so it is kept below among the earlier ones.
    """
    open_now: list[ActionItem] = []
    earlier: list[ActionItem] = []
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


def _check_out(data: CentreData, check: Row, sessions: list[str], root: str) -> ActionItem:
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
