"""The page of one test: why it stands as it does, trial by trial, and what to do next time."""

from __future__ import annotations

from collections.abc import Container, Mapping
from typing import Any, NamedTuple

from markupsafe import Markup

from quietsleep import contract
from quietsleep.site import words
from quietsleep.site.folder import PageFolder, slug, test_file, trace_file
from quietsleep.site.read import CentreData, Row
from quietsleep.site.words import Advice, Fault, Sign, advice, faults_of, technique_title

TESTS_AT_ONCE = 100


class TrialBlock(NamedTuple):
    """One trial on the page of its test."""

    number: int
    anchor: str
    trial: str
    recording: str
    when: str
    sign: Sign
    flagged: bool
    faults: tuple[Fault, ...]
    trace: str
    failed_quantities: str


class CheckLine(NamedTuple):
    """One equipment check that the test rests on."""

    title: str
    sign: Sign
    said: str
    href: str
    faults: tuple[Fault, ...]


class TestPage(NamedTuple):
    """Everything that the page of one test says."""

    test: str
    title: str
    facts: tuple[tuple[str, str], ...]
    sign: Sign
    flagged: bool
    why: str
    counts: str
    advice: tuple[Advice, ...]
    test_faults: tuple[Fault, ...]
    session_faults: tuple[Fault, ...]
    checks: tuple[CheckLine, ...]
    recordings: tuple[tuple[str, str, Sign, str], ...]
    trials: tuple[TrialBlock, ...]
    trials_first: bool
    values: tuple[tuple[str, str, Markup], ...]
    outcomes: tuple[tuple[str, ...], ...]
    others: tuple[tuple[str, str, Sign], ...]
    pictures: bool
    caution: str


def write_test_pages(folder: PageFolder, data: CentreData, traces: Container[str]) -> None:
    """Write the page of every test; `traces` are the names of the trace files that there are."""
    of_session: dict[str, list[Row]] = {}
    for test in data.tests:
        of_session.setdefault(test["session"], []).append(test)
    for first in range(0, len(data.tests), TESTS_AT_ONCE):
        tests = data.tests[first : first + TESTS_AT_ONCE]
        values = data.values_of(tests)
        for test in tests:
            view = view_of(data, test, of_session[test["session"]], traces, values)
            folder.put_page(test_file(test["test"]), "test.html.jinja", {"t": view})


def view_of(
    data: CentreData,
    test: Row,
    family: list[Row],
    traces: Container[str],
    values: Mapping[str, Mapping[str, float]],
) -> TestPage:
    """Gather what the page of one test says; `values` holds the quantities of its trials."""
    key = (test["session"], test["technique"])
    blocks = tuple(
        _block(data, i + 1, trial, traces) for i, trial in enumerate(data.trials.get(key, []))
    )
    test_faults = faults_of(data, "test", test["test"])
    session_faults = faults_of(data, "session", test["session"])
    # What is asked of the test as a whole mostly follows from its trials, so it comes last.
    groups = [*(b.faults for b in blocks), session_faults]
    spec = contract.TECHNIQUES.get(test["technique"])
    return TestPage(
        test=test["test"],
        title=technique_title(test["technique"]),
        facts=_facts(data, test),
        sign=words.sign(test["status"]),
        flagged=bool(test["flagged"]),
        why=test["why"] or "",
        counts=_counts(test),
        advice=(*advice(groups), *advice([test_faults])),
        test_faults=test_faults,
        session_faults=session_faults,
        checks=_check_lines(data, test),
        recordings=tuple(
            (r["recording"], r["file"] or "", words.sign(r["state"]), r["why"] or "")
            for r in data.recordings.get(key, [])
        ),
        trials=blocks,
        trials_first=any(b.sign.tone != "good" for b in blocks),
        values=_value_rows(data, key, values),
        outcomes=_outcomes(data, key),
        others=tuple(
            (technique_title(o["technique"]), test_file(o["test"]), words.sign(o["status"]))
            for o in family
            if o["test"] != test["test"]
        ),
        pictures=any(b.trace for b in blocks),
        caution=str(spec.caution) if spec else "",
    )


def _facts(data: CentreData, test: Row) -> tuple[tuple[str, str], ...]:
    session = data.sessions.get(test["session"], {})
    age = session.get("age_days")
    found = [
        ("Session", test["session"]),
        ("Infant", session.get("infant")),
        ("Visit", session.get("visit")),
        ("Tested", words.moment(test["tested_at"])),
        ("Operator", test["operator"]),
        ("Device", test["device"]),
        ("Age", None if words.missing(age) else f"{words.number(age)} days"),
        ("Weight", _measure(session.get("weight_kg"), "kg")),
        ("Length", _measure(session.get("length_cm"), "cm")),
        ("Delivery", session.get("delivery")),
    ]
    return tuple((name, str(value)) for name, value in found if value not in (None, ""))


def _measure(value: Any, unit: str) -> str | None:
    return None if words.missing(value) else f"{words.number(value)} {unit}"


def _counts(test: Row) -> str:
    if not test["n_trials"]:
        return f"No trial was found in {words.count(test['n_recordings'], 'recording')}."
    parts = [f"{test['n_accepted']} of {words.count(test['n_trials'], 'trial')} accepted"]
    if test["n_rejected"]:
        parts.append(f"{test['n_rejected']} rejected")
    if test["n_not_judgeable"]:
        parts.append(f"{test['n_not_judgeable']} not judgeable")
    if test["n_flagged"]:
        parts.append(f"{test['n_flagged']} of the accepted flagged")
    return ", ".join(parts) + "."


def _block(data: CentreData, number: int, trial: Row, traces: Container[str]) -> TrialBlock:
    faults = faults_of(data, "trial", trial["trial"])
    trace = trace_file(trial["trial"].rpartition("#")[0], trial["trial_index"])
    failed = dict.fromkeys(f.quantity for f in faults if f.state == "fail")
    return TrialBlock(
        number=number,
        anchor=f"trial-{number}",
        trial=trial["trial"],
        recording=trial["recording"],
        when=f"{trial['start_s']:.1f} to {trial['end_s']:.1f} s",
        sign=words.sign(trial["status"]),
        flagged=bool(trial["flagged"]),
        faults=faults,
        trace=trace if trace in traces else "",
        failed_quantities=" ".join(failed),
    )


def _value_rows(
    data: CentreData, key: tuple[str, str], values: Mapping[str, Mapping[str, float]]
) -> tuple[tuple[str, str, Markup], ...]:
    """Return name, unit and cells of every trial quantity, in the order of the contract.

    The cells are put together here, not in the template: they are by far the most there is on a
    page, and numbers need no escaping.
    """
    spec = contract.TECHNIQUES.get(key[1])
    trials = [values.get(t["trial"], {}) for t in data.trials.get(key, [])]
    if spec is None or not trials:
        return ()
    found = []
    for q in spec.quantities:
        if q.level == "trial":
            cells = "".join(f'<td class="n">{words.number(v.get(q.name))}' for v in trials)
            unit = words.with_unit("", q.unit).strip()
            found.append((words.quantity_name(q.name, q.unit), unit, Markup(cells)))
    return tuple(found)


def _check_lines(data: CentreData, test: Row) -> tuple[CheckLine, ...]:
    spec = contract.TECHNIQUES.get(test["technique"])
    if spec is None:
        return ()
    return tuple(_check_line(data, test["session"], kind) for kind in spec.needs_checks)


def _check_line(data: CentreData, session: str, kind: str) -> CheckLine:
    title = technique_title(kind)
    check = data.checks_behind.get((session, kind))
    if check is None:
        return CheckLine(title, words.VERDICT["fail"], "no check before the test that day", "", ())
    said = f"{check['check_code']}, {words.moment(check['done_at'])}"
    return CheckLine(
        title,
        words.sign(check["status"]),
        said,
        f"equipment.html#{slug(check['device'], kind)}",
        faults_of(data, "check", check["check_id"]),
    )


def _outcomes(data: CentreData, key: tuple[str, str]) -> tuple[tuple[str, ...], ...]:
    found = []
    for row in data.outcomes.get(key, []):
        outcome = contract.OUTCOMES.get(row["outcome"])
        z = "–" if words.missing(row["z"]) else f"{row['z']:+.2f}"
        found.append(
            (
                str(outcome.meaning) if outcome else words.plain(row["outcome"]),
                row["outcome"],
                "–"
                if words.missing(row["value"])
                else words.with_unit(words.number(row["value"]), row["unit"]),
                str(row["n_trials"] or 0),
                words.number(row["cv_pct"], 3),
                z,
                row["equation"] or row["z_why"] or "",
            )
        )
    return tuple(found)
