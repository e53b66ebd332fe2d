"""The page of one session: one infant, one morning, with all techniques and what they rest on."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

from quietsleep import contract
from quietsleep.site import words
from quietsleep.site.actions import ActionItem, queries_shown
from quietsleep.site.folder import PageFolder, session_file, test_file
from quietsleep.site.pages.equipment import CheckBehind, checks_behind
from quietsleep.site.pages.lists import reasons_of
from quietsleep.site.read import CentreData, Row, grouped
from quietsleep.site.words import Fault, Sign, faults_of, technique_title


class TechniqueLine(NamedTuple):
    """One technique of the session: what became of its test, and why."""

    title: str
    href: str
    sign: Sign
    flagged: bool
    counts: str
    reasons: tuple[str, ...]


class OutcomeLine(NamedTuple):
    """One outcome of the session, beside the centre's own figure."""

    meaning: str
    name: str
    value: str
    z: str
    trials: str
    cv: str
    own: str


class SessionPage(NamedTuple):
    """Everything that the page of one session says."""

    session: str
    infant: str
    visit: str
    when: str
    sign: Sign
    flagged: bool
    why: str
    facts: tuple[tuple[str, str], ...]
    techniques: tuple[TechniqueLine, ...]
    alerts: tuple[str, ...]
    faults: tuple[Fault, ...]
    outcomes: tuple[OutcomeLine, ...]
    n_without: int
    checks: tuple[CheckBehind, ...]
    queries: tuple[ActionItem, ...]
    deliveries: tuple[tuple[str, str, Sign, str], ...]
    others: tuple[tuple[str, str, str], ...]


def write_session_pages(folder: PageFolder, data: CentreData) -> None:
    """Write the page of every session."""
    tests = grouped(data.tests, "session")
    infants = grouped((s for s in data.sessions.values() if s["infant"]), "infant")
    asked = _queries_by_session(data)
    for name, session in data.sessions.items():
        family = [s for s in infants.get(session["infant"], []) if s["session"] != name]
        view = _view(data, session, tests.get(name, []), asked.get(name, []), family)
        folder.put_page(session_file(name), "session.html.jinja", {"s": view})


def _view(
    data: CentreData,
    session: Row,
    tests: Sequence[Row],
    queries: Sequence[Row],
    family: Sequence[Row],
) -> SessionPage:
    name = session["session"]
    ordered = sorted(tests, key=lambda t: _place(t["technique"]))
    kinds = dict.fromkeys(
        kind
        for test in ordered
        if (spec := contract.TECHNIQUES.get(test["technique"]))
        for kind in spec.needs_checks
    )
    outcomes = [*_outcomes(data, name, ordered)]
    told = tuple(line for line in outcomes if (line.value, line.own) != ("–", "–"))
    return SessionPage(
        session=name,
        infant=session["infant"] or "",
        visit=session["visit"] or "",
        when=words.moment(session["tested_at"]),
        sign=words.sign(session["status"]),
        flagged=bool(session["flagged"]),
        why=session["why"] or "",
        facts=_facts(session),
        techniques=tuple(_technique(data, test) for test in ordered),
        alerts=tuple(_alerts(data, name, ordered)),
        faults=faults_of(data, "session", name),
        outcomes=told,
        n_without=len(outcomes) - len(told),
        checks=tuple(checks_behind(data, session, kinds)),
        queries=queries_shown(data, queries, "../", besides=name),
        deliveries=tuple(_deliveries(data, session)),
        others=tuple(
            (other["session"], session_file(other["session"]),
             ", ".join(filter(None, (other["visit"], words.day(other["tested_on"])))))
            for other in family
        ),
    )  # fmt: skip


def _place(technique: str) -> tuple[int, str]:
    order = [*contract.TECHNIQUES]
    return (order.index(technique) if technique in order else len(order), technique)


def _facts(session: Row) -> tuple[tuple[str, str], ...]:
    """Return what was written down of the session, with z where there is one."""

    def shown(name: str, unit: str, z: str = "") -> str | None:
        if words.missing(session[name]):
            return None
        said = words.with_unit(words.number(session[name]), unit)
        value = session[z] if z else None
        return said if words.missing(value) else f"{said} (z\u00a0{value:+.2f})"

    found = [
        ("Operator", session["operator"]),
        ("Device", session["device"]),
        ("Age", shown("age_days", "d")),
        ("Sex", session["sex"]),
        ("Weight", shown("weight_kg", "kg", "weight_z")),
        ("Length", shown("length_cm", "cm", "length_z")),
        ("Room", shown("room_temperature_c", "Cel")),
        ("Humidity", shown("room_humidity_pct", "%")),
        ("Pressure of the air", shown("barometric_pressure_kpa", "kPa")),
        ("Lowest saturation", shown("spo2_min_pct", "%")),
        ("Staff present", shown("staff_present", "1")),
        ("Follow-up call", session["followup_call_done"]),
    ]
    return tuple((name, str(value)) for name, value in found if value not in (None, ""))


def _technique(data: CentreData, test: Row) -> TechniqueLine:
    if test["status"] == "quarantined":
        counts = f"{words.count(test['n_recordings'], 'recording')}, not read"
    else:
        counts = f"{test['n_accepted']} of {words.count(test['n_trials'], 'trial')} accepted"
    return TechniqueLine(
        technique_title(test["technique"]),
        test_file(test["test"]),
        words.sign(test["status"]),
        bool(test["flagged"]),
        counts,
        tuple(reasons_of(data, test)),
    )


def _alerts(data: CentreData, session: str, tests: Iterable[Row]) -> Iterable[str]:
    items = [("session", session)]
    for test in tests:
        items.append(("test", test["test"]))
        trials = data.trials.get((session, test["technique"]), [])
        items += [("trial", trial["trial"]) for trial in trials]
    said = [
        fault.sentence
        for kind, item in items
        for fault in faults_of(data, kind, item)
        if fault.severity == "alert" and fault.state == "fail"
    ]
    return dict.fromkeys(said)


def _outcomes(data: CentreData, session: str, tests: Sequence[Row]) -> Iterable[OutcomeLine]:
    own = {(row["session"], row["outcome"]): row for row in data.agreement}
    for test in tests:
        for row in data.outcomes.get((session, test["technique"]), []):
            found = contract.OUTCOMES.get(row["outcome"])
            reported: Any = own.get((session, row["outcome"]), {})
            yield OutcomeLine(
                str(found.meaning) if found else words.plain(row["outcome"]),
                row["outcome"],
                words.measured(row["value"], row["unit"]),
                words.z_score(row),
                str(row["n_trials"] or 0),
                words.spread(row),
                words.measured(reported.get("reported_value"), reported.get("reported_unit")),
            )


def _queries_by_session(data: CentreData) -> dict[str, list[Row]]:
    """Return the queries about each session, a check that it rests on, or its infant."""
    infants: dict[str, list[str]] = {}
    for row in data.sessions.values():
        if row["infant"]:
            infants.setdefault(f"infant {row['infant']}", []).append(row["session"])
    found: dict[str, list[Row]] = {}
    for query in data.queries:
        about = {query["session"]} if query["session"] else set()
        about |= {*data.hanging.get(query["item"] or "", [])}
        about |= {*infants.get((query["item"] or "").partition(" (")[0], [])}
        for session in about:
            found.setdefault(session, []).append(query)
    return found


def _deliveries(data: CentreData, session: Row) -> Iterable[tuple[str, str, Sign, str]]:
    """Return name, arrival, state and what each delivery brought of the session."""
    brought: dict[str, list[str]] = {}
    if session["delivery"]:
        brought.setdefault(session["delivery"], []).append("the session's row")
    counted: dict[str, int] = {}
    for technique in contract.TECHNIQUES:
        for row in data.recordings.get((session["session"], technique), []):
            if row["delivery"]:
                counted[row["delivery"]] = counted.get(row["delivery"], 0) + 1
    for delivery, n in counted.items():
        brought.setdefault(delivery, []).append(words.count(n, "recording"))
    known = {row["delivery"]: row for row in data.deliveries}
    for delivery, parts in brought.items():
        row = known.get(delivery, {})
        yield (
            delivery,
            words.moment(row.get("arrived_at")),
            words.sign(row.get("state")),
            " and ".join(parts),
        )
