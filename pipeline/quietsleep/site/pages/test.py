"""The page of one test: why it stands as it does, trial by trial, and what to do next time."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from markupsafe import Markup

from quietsleep import contract
from quietsleep.contract import Outcome
from quietsleep.site import words
from quietsleep.site.folder import PageFolder, session_file, slug, test_file
from quietsleep.site.packing import pieces_of, unpack
from quietsleep.site.pages.equipment import why_none
from quietsleep.site.read import CentreData, Row, grouped
from quietsleep.site.small import ShownTrial, draw_small
from quietsleep.site.traces import is_sound
from quietsleep.site.value_strips import Strip, strip_file
from quietsleep.site.words import Advice, Fault, Sign, advice, faults_of, technique_title

TESTS_AT_ONCE = 100
MOST_STRIPS = 3
NOT_READ = ("quarantined", "crashed")


class TrialBlock(NamedTuple):
    """One trial on the page of its test."""

    number: int
    anchor: str
    key: tuple[str, int]
    recording: str
    when: str
    sign: Sign
    flagged: bool
    faults: tuple[Fault, ...]
    reasons: tuple[str, ...]
    style: str
    failed_quantities: str


class CheckLine(NamedTuple):
    """One equipment check that the test rests on."""

    title: str
    sign: Sign
    said: str
    href: str
    faults: tuple[Fault, ...]
    todo: tuple[str, ...]


class NotRead(NamedTuple):
    """A recording that was not read: why, and what to do."""

    recording: str
    file: str
    why: str
    todo: tuple[str, ...]


class TestPage(NamedTuple):
    """Everything that the page of one test says; `z_why`: one reason why no outcome has a z."""

    test: str
    title: str
    facts: tuple[tuple[str, str], ...]
    session_href: str
    sign: Sign
    flagged: bool
    why: str
    counts: str
    advice: tuple[Advice, ...]
    test_faults: tuple[Fault, ...]
    session_faults: tuple[Fault, ...]
    checks: tuple[CheckLine, ...]
    recordings: tuple[tuple[str, str, Sign, str], ...]
    not_read: tuple[NotRead, ...]
    trials: tuple[TrialBlock, ...]
    first: int
    best: str
    values: tuple[tuple[str, str, Markup], ...]
    outcomes: tuple[tuple[str, ...], ...]
    z_why: str
    strips: tuple[Strip, ...]
    others: tuple[tuple[str, str, Sign], ...]
    before: tuple[str, str]
    after: tuple[str, str]
    trace: str
    n_panels: int
    n_loops: int
    caution: str


def write_test_pages(
    folder: PageFolder, data: CentreData, traces: Mapping[str, str]
) -> list[tuple[str, str]]:
    """Write the page of every test; return the strips that they show, by technique and quantity.

    `traces` are the trace files that there are, by test.
    """
    of_session, of_technique = grouped(data.tests, "session"), grouped(data.tests, "technique")
    places = {t["test"]: at for tests in of_technique.values() for at, t in enumerate(tests)}
    strips: set[tuple[str, str]] = set()
    for first in range(0, len(data.tests), TESTS_AT_ONCE):
        tests = data.tests[first : first + TESTS_AT_ONCE]
        values = data.values_of(tests)
        for test in tests:
            around = Around(of_session[test["session"]], of_technique[test["technique"]],
                            places[test["test"]])  # fmt: skip
            view = view_of(data, test, around, traces, values)
            strips |= {(test["technique"], s.key.partition("/")[2]) for s in view.strips}
            folder.put_page(
                test_file(test["test"]),
                "test.html.jinja",
                {"t": view},
                lambda view=view, test=test: _pictures(folder, view, test),  # type: ignore[misc]
                rests_on=view.trace,
            )
    return sorted(strips)


class Around(NamedTuple):
    """The other tests of a session, and those of the technique, the newest first, with the place
    of the test in them."""

    family: list[Row]
    line: list[Row]
    place: int


def _pictures(folder: PageFolder, view: TestPage, test: Row) -> dict[str, Any]:
    """Draw what a page shows of its traces: overlay, small multiples, and where each trial is."""
    if not view.trace:
        return {"overlay": Markup(""), "small": {}, "at": {}}
    common, pieces = pieces_of((folder.path / view.trace).read_text(encoding="ascii"))
    traces = [unpack(piece) for piece in pieces]
    shown = {
        b.key: ShownTrial(b.number, b.style, frozenset(b.failed_quantities.split()))
        for b in view.trials
    }
    drawn = draw_small(common, traces, shown, contract.TECHNIQUES[test["technique"]].glance)
    at = {(t.head["item"], t.head["index"]): place for place, t in enumerate(traces)}
    return {"overlay": drawn.overlay, "small": drawn.trials, "at": at}


def view_of(
    data: CentreData,
    test: Row,
    around: Around,
    traces: Mapping[str, str],
    values: Mapping[str, Mapping[str, float]],
) -> TestPage:
    """Gather what the page of one test says; `values` holds the quantities of its trials."""
    key = (test["session"], test["technique"])
    trials = data.trials.get(key, [])
    best, best_said = _best(data, key, values)
    blocks = tuple(_block(data, i + 1, trial, best) for i, trial in enumerate(trials))
    test_faults = faults_of(data, "test", test["test"])
    session_faults = faults_of(data, "session", test["session"])
    # What is asked of the test as a whole mostly follows from its trials, so it comes last.
    groups = [*(b.faults for b in blocks), session_faults]
    spec = contract.TECHNIQUES.get(test["technique"])
    return TestPage(
        test=test["test"],
        title=technique_title(test["technique"]),
        facts=_facts(data, test),
        session_href=session_file(test["session"]),
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
        not_read=_not_read(data, test),
        trials=blocks,
        first=_first(blocks),
        best=best_said,
        values=_value_rows(data, key, values),
        outcomes=_outcomes(data, key),
        z_why=_z_why(data, key),
        strips=_strips(data, test, values),
        others=tuple(
            (technique_title(o["technique"]), test_file(o["test"]), words.sign(o["status"]))
            for o in around.family
            if o["test"] != test["test"]
        ),
        before=_link(around.line, around.place + 1),
        after=_link(around.line, around.place - 1),
        trace=traces.get(test["test"], ""),
        n_panels=1 + len(spec.channels) if spec else 2,
        n_loops=len(spec.loops) if spec else 1,
        caution=str(spec.caution) if spec else "",
    )


def _link(line: list[Row], place: int) -> tuple[str, str]:
    """Return words and file of a test before or after; empty where there is none."""
    if not 0 <= place < len(line):
        return "", ""
    return f"{line[place]['session']}, {words.day(line[place]['tested_on'])}", test_file(
        line[place]["test"]
    )


def _first(blocks: tuple[TrialBlock, ...]) -> int:
    """Return the number of the trial that is shown first: one that was lost, or flagged."""
    lost = [b.number for b in blocks if b.sign.tone != "good"]
    odd = [b.number for b in blocks if b.flagged]
    return (lost or odd or [1])[0]


def _best(
    data: CentreData, key: tuple[str, str], values: Mapping[str, Mapping[str, float]]
) -> tuple[str, str]:
    """Return the trial that stands for the result of a test, and why it does; empty without one.

    It is the one that the result is read from, or the one whose value lies nearest to a mean.
    """
    for row in data.outcomes.get(key, []):
        outcome = contract.OUTCOMES.get(row["outcome"])
        trials = [code for code in (row["trials"] or "").split(",") if code]
        if outcome is None or words.missing(row["value"]) or not trials:
            continue
        if len(trials) == 1:
            return trials[0], "the result is read from it"
        known = {t: values.get(t, {}).get(outcome.quantity) for t in trials}
        measured = {t: v for t, v in known.items() if v is not None and not words.missing(v)}
        if measured:
            nearest = min(measured, key=lambda t: abs(measured[t] - row["value"]))
            return nearest, "its value lies nearest to the result, a mean"
    return "", ""


def _not_read(data: CentreData, test: Row) -> tuple[NotRead, ...]:
    """Return the recordings of a test that were not read, with what the open queries ask."""
    key, found = (test["session"], test["technique"]), []
    for recording in data.recordings.get(key, []):
        if recording["state"] not in NOT_READ:
            continue
        asked = [
            query["remedy"]
            for query in data.queries
            if query["session"] == test["session"]
            and (query["item"] == recording["item"] or query["kind"] == "session_held")
        ]
        asked += [
            problem["remedy"]
            for problem in data.problems
            if problem["session"] == test["session"]
            and problem["recording"] in (None, recording["recording"])
            and problem["sentence"] == recording["why"]
        ]
        if recording["state"] == "crashed":
            asked = ["Nothing at your centre: the coordinating centre has the particulars."]
        todo = tuple(dict.fromkeys(a for a in asked if a))
        found.append(
            NotRead(
                recording["recording"],
                recording["file"] or "",
                recording["why"] or "",
                todo or ("Mend what is said here and deliver it again, in a new delivery.",),
            )
        )
    return tuple(found)


def _strips(
    data: CentreData, test: Row, values: Mapping[str, Mapping[str, float]]
) -> tuple[Strip, ...]:
    """Return the strips of what was not met in trials; of the result where all was."""
    technique = test["technique"]
    trials = data.trials.get((test["session"], technique), [])
    limits: dict[str, Row | None] = {}
    row: Row | None
    for trial in trials:
        for row in data.faults.get(("trial", trial["trial"]), []):
            if row["state"] == "fail" and not words.missing(row["observed"]):
                limits.setdefault(row["quantity"], row)
    spec = contract.TECHNIQUES.get(technique)
    if spec and not limits and spec.outcomes:
        limits[spec.outcomes[0].quantity] = None
    found = []
    for name, row in limits.items():
        known = contract.QUANTITIES.get((technique, "trial", name))
        if known is None or known.labels:
            continue
        own = tuple(
            (number, float(f"{value:.5g}"))
            for number, trial in enumerate(trials, start=1)
            if not words.missing(value := values.get(trial["trial"], {}).get(name))
        )
        if own:
            title = words.with_unit(words.quantity_name(name, known.unit) + ",", known.unit)
            found.append(
                Strip(f"{technique}/{name}", strip_file(technique, name), title.rstrip(","), own,
                      _limit_lines(row))
            )  # fmt: skip
    return tuple(found[:MOST_STRIPS])


def _limit_lines(row: Row | None) -> tuple[tuple[float, str], ...]:
    if row is None:
        return ()
    said = {"limit_low": "at least ", "limit_high": "at most "}
    return tuple(
        (float(row[name]), f"{word}{words.number(row[name])}")
        for name, word in said.items()
        if not words.missing(row[name])
        and row["operator"] in ("between", "equals", f"at_{'least' if 'low' in name else 'most'}")
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
    recordings = words.count(test["n_recordings"], "recording")
    if test["status"] in NOT_READ:
        return f"Nothing of this test was read: {recordings} held."
    if not test["n_trials"]:
        return f"No trial was found in {recordings}."
    parts = [f"{test['n_accepted']} of {words.count(test['n_trials'], 'trial')} accepted"]
    if test["n_rejected"]:
        parts.append(f"{test['n_rejected']} rejected")
    if test["n_not_judgeable"]:
        parts.append(f"{test['n_not_judgeable']} not judgeable")
    if test["n_flagged"]:
        parts.append(f"{test['n_flagged']} of the accepted flagged")
    return ", ".join(parts) + "."


def _block(data: CentreData, number: int, trial: Row, best: str) -> TrialBlock:
    faults = faults_of(data, "trial", trial["trial"])
    failed = dict.fromkeys(f.quantity for f in faults if f.state == "fail")
    style = "best" if trial["trial"] == best else "sound" if is_sound(trial) else "fault"
    return TrialBlock(
        number=number,
        anchor=f"trial-{number}",
        key=(trial["trial"].rpartition("#")[0], trial["trial_index"]),
        recording=trial["recording"],
        when=f"{trial['start_s']:.1f} to {trial['end_s']:.1f} s",
        sign=words.sign(trial["status"]),
        flagged=bool(trial["flagged"]),
        faults=faults,
        reasons=_reasons(data, trial),
        style="fault" if trial["status"] != "accepted" else style,
        failed_quantities=" ".join(failed),
    )


def _reasons(data: CentreData, trial: Row) -> tuple[str, ...]:
    """Name what each rule found wrong with a trial, as lists and letters name it."""
    rows = words.faulty_verdicts(data, "trial", trial["trial"])
    return tuple(words.reason_of(data.rule_behind(row), [row]) for row in rows)


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
            cells = "".join(f"<td>{words.number(v.get(q.name))}" for v in trials)
            unit = words.with_unit("", q.unit).strip()
            found.append((words.quantity_name(q.name, q.unit), unit, Markup(cells)))
    return tuple(found)


def _check_lines(data: CentreData, test: Row) -> tuple[CheckLine, ...]:
    spec = contract.TECHNIQUES.get(test["technique"])
    if spec is None:
        return ()
    return tuple(_check_line(data, test, kind) for kind in spec.needs_checks)


def _check_line(data: CentreData, test: Row, kind: str) -> CheckLine:
    """Say which check a test rests on: one that failed wants something else than a missing one."""
    title, was_read = technique_title(kind), test["status"] not in NOT_READ
    check = data.checks_behind.get((test["session"], kind))
    if check is None and not was_read:
        check = _check_of_the_day(data, test, kind)
    if check is None:
        if not was_read:
            said = "not asked for, since nothing of the test was read"
            return CheckLine(title, words.VERDICT["not_applicable"], said, "", (), ())
        dependents = contract.CHECKS[kind].dependents
        todo = (dependents.remedy_missing,) if dependents else ()
        return CheckLine(title, words.VERDICT["fail"], why_none(data, test, kind), "", (), todo)
    said = f"{check['check_code']}, {words.moment(check['done_at'])}"
    if not was_read:
        said += "; nothing of the test rests on it, since nothing was read"
    faults = faults_of(data, "check", check["check_id"])
    remedies = tuple(dict.fromkeys(f.remedy for f in faults if f.rejects and f.remedy))
    href = f"equipment.html#{slug(check['device'], kind)}"
    return CheckLine(title, words.sign(check["status"]), said, href, faults, remedies)


def _check_of_the_day(data: CentreData, test: Row, kind: str) -> Row | None:
    """Return the last check of a device before a test that was not read, on its day."""
    own = data.checks_of.get((kind, test["device"]), [])
    return next(
        (
            check
            for check in reversed(own)
            if check["done_on"] == test["tested_on"]
            and (test["tested_at"] is None or check["done_at"] <= test["tested_at"])
        ),
        None,
    )


def _outcomes(data: CentreData, key: tuple[str, str]) -> tuple[tuple[str, ...], ...]:
    found = []
    for row in data.outcomes.get(key, []):
        outcome = contract.OUTCOMES.get(row["outcome"])
        found.append(
            (
                str(outcome.meaning) if outcome else words.plain(row["outcome"]),
                row["outcome"],
                words.measured(row["value"], row["unit"]),
                _trials_behind(row, outcome),
                words.spread(row),
                words.z_score(row),
                row["equation"] or row["z_why"] or "",
            )
        )
    return tuple(found)


def _z_why(data: CentreData, key: tuple[str, str]) -> str:
    """Return the one reason why no outcome of a test has a z-score; empty where there are more."""
    said = {row["equation"] or row["z_why"] or "" for row in data.outcomes.get(key, [])}
    has_z = any(not words.missing(row["z"]) for row in data.outcomes.get(key, []))
    return "" if has_z or len(said) != 1 else str(*said)


def _trials_behind(row: Row, outcome: Outcome | None) -> str:
    n = row["n_trials"] or 0
    return "the best one" if n == 1 and outcome and outcome.summary == "best" else str(n)
