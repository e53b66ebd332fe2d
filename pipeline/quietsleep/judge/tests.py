"""Judge a study: checks, trials, sessions and tests, and what accepted tests report.

The order is: checks are judged, trials are judged, the accepted trials of a test are measured
together, tests are judged with the checks and the session they rest on, and what an accepted test
reports is summarised as its contract says. No signal is read here, so new rules cost seconds.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from quietsleep import contract
from quietsleep.contract import Rule
from quietsleep.contract.model import check_verdict_name
from quietsleep.judge.outcomes import Accepted, summarise_tests
from quietsleep.judge.rules import judge, status_of_items
from quietsleep.judge.slips import Registered
from quietsleep.records import MeasuredTrial
from quietsleep.store.items import keys_of
from quietsleep.study.study import Waiver
from quietsleep.techniques.interface import technique_of

TEST = ["centre", "session", "technique"]


@dataclass(frozen=True, slots=True)
class Evidence:
    """What judging starts from; every frame carries `centre`, and `on` is the local day.

    Codes are a centre's own: an item is known by its centre and its code.

    `sessions`: session, on, held, why, and gas_state of its device.
    `recordings`: recording, session, technique, on, state.
    `trials`: trial, recording, session, technique, on. `trial_values`: trial, quantity, value.
    `checks`: check_id, kind, on, state. `check_values`: check_id, level, quantity, value.
    `session_values`: session, quantity, value. `session_checks`: session, kind, check_id.
    `registered` holds what is registered of the device of each (centre, session).
    """

    sessions: pd.DataFrame
    recordings: pd.DataFrame
    trials: pd.DataFrame
    trial_values: pd.DataFrame
    checks: pd.DataFrame
    check_values: pd.DataFrame
    session_values: pd.DataFrame
    session_checks: pd.DataFrame
    registered: Mapping[tuple[str, str], Registered] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Judged:
    """What judging ends in: verdicts of every level, and the status of every item."""

    verdicts: pd.DataFrame
    trials: pd.DataFrame
    checks: pd.DataFrame
    sessions: pd.DataFrame
    tests: pd.DataFrame
    test_values: pd.DataFrame
    outcomes: pd.DataFrame


def judge_study(evidence: Evidence, *, rules: Sequence[Rule], waivers: Sequence[Waiver]) -> Judged:
    """Judge checks, trials, sessions and tests, and summarise the outcomes of accepted tests."""
    check_verdicts = judge(_check_values(evidence), rules, waivers, level="check")
    checks = _with_status(evidence.checks, "check_id", check_verdicts)
    trial_verdicts = judge(
        _trial_values(evidence), rules, waivers, level="trial", registered=evidence.registered
    )
    trials = _with_status(evidence.trials, "trial", trial_verdicts)
    session_verdicts = judge(_session_values(evidence), rules, waivers, level="session")
    sessions, doubted = _status_of_sessions(evidence.sessions, session_verdicts, rules)
    accepted = _accepted_trials(trials, evidence.trial_values)
    tests = _list_tests(evidence.recordings, trials)
    test_values = _measure_tests(tests[~tests["unread"]], accepted, _check_marks(evidence, checks))
    test_verdicts = judge(test_values, rules, waivers, level="test")
    tests = _refuse_doubted(_status_of_tests(tests, test_verdicts, sessions), doubted)
    return Judged(
        verdicts=_stack([check_verdicts, trial_verdicts, session_verdicts, test_verdicts]),
        trials=trials,
        checks=checks,
        sessions=sessions,
        tests=tests,
        test_values=test_values,
        outcomes=summarise_tests(tests, accepted),
    )


def _stack(frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    filled = [frame for frame in frames if len(frame)]
    return pd.concat(filled, ignore_index=True) if filled else frames[0]


def _every_item(values: pd.DataFrame, items: pd.DataFrame, name: str) -> pd.DataFrame:
    """Give every item a row, so that an item on which nothing was measured is judged as well."""
    bare = items.assign(quantity="", value=np.nan)
    joined = items.merge(values[["centre", name, "quantity", "value"]], on=["centre", name])
    return pd.concat([joined, bare], ignore_index=True).rename(columns={name: "item"})


def _check_values(evidence: Evidence) -> pd.DataFrame:
    readable = evidence.checks[evidence.checks["state"].isin(["measured", "no_trial"])]
    items = readable[["centre", "check_id", "kind", "on"]].rename(columns={"kind": "technique"})
    of_check = evidence.check_values[evidence.check_values["level"] == "check"]
    return _every_item(of_check, items.assign(session=None), "check_id")


def _trial_values(evidence: Evidence) -> pd.DataFrame:
    items = evidence.trials[["centre", "session", "technique", "trial", "on"]]
    return _every_item(evidence.trial_values, items, "trial")


def _session_values(evidence: Evidence) -> pd.DataFrame:
    items = evidence.sessions.loc[~evidence.sessions["held"], ["centre", "session", "on"]]
    values = _every_item(
        evidence.session_values, items.assign(technique=contract.SESSION.key), "session"
    )
    return values.assign(session=values["item"])


def _with_status(items: pd.DataFrame, name: str, verdicts: pd.DataFrame) -> pd.DataFrame:
    """Join the derived status; an item without any verdict keeps its recorded state as status."""
    given = items.rename(columns={"state": "recorded", "why": "recorded_why"})
    derived = status_of_items(verdicts)
    row_of = {key: row for row, key in enumerate(derived.index)}
    row = np.array([row_of.get(key, -1) for key in keys_of(items, name)], np.int64)

    def said(what: str, without: Any) -> NDArray[np.object_]:
        found = np.array([*derived[what], None], dtype=object)  # an item without a verdict is -1
        return np.where(row < 0, without, found[row])

    return given.assign(
        status=said("status", given.get("recorded", "accepted")),
        flagged=said("flagged", False).astype(bool),
        n_alerts=said("n_alerts", 0).astype(np.int64),
        why=said("why", given.get("recorded_why", "")),
    )


def _status_of_sessions(
    sessions: pd.DataFrame, verdicts: pd.DataFrame, rules: Sequence[Rule]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Join the status of each session; return what refuses only a part of its tests as well.

    A rule that doubts one column of the session (`Rule.touches`) refuses the whole session where
    the device measures at the flow head, for then every number rests on the gas of the room. On a
    device that exports BTPS it refuses the tests that need the column themselves.
    """
    touches = {rule.key: rule.touches for rule in rules if rule.touches is not None}
    at_btps = sessions.loc[sessions["gas_state"] == "btps", ["centre", "session"]]
    of_btps = {*at_btps.itertuples(index=False, name=None)}
    columns = (verdicts[name].tolist() for name in ("centre", "session", "rule"))
    apart = np.array(
        [rule in touches and (c, s) in of_btps for c, s, rule in zip(*columns, strict=True)], bool
    )
    judged = _with_status(sessions, "session", verdicts[~apart])
    refuses = verdicts["state"].isin(["fail", "not_judged"]) & (verdicts["severity"] == "reject")
    doubted = verdicts[apart & refuses].assign(column=lambda rows: rows["rule"].map(touches))
    row: Any
    for row in doubted.itertuples():
        its = (judged["centre"] == row.centre) & (judged["session"] == row.session)
        judged.loc[its, "flagged"] = True
        judged.loc[its, "why"] = (judged.loc[its, "why"] + " " + row.sentence).str.strip()
    judged.loc[judged["held"], "status"] = "quarantined"
    return judged, doubted


def _refuse_doubted(tests: pd.DataFrame, doubted: pd.DataFrame) -> pd.DataFrame:
    """Refuse the tests that need a column of their session which is in doubt."""
    row: Any
    for row in doubted.itertuples():
        need = [key for key, spec in contract.TECHNIQUES.items() if row.column in spec.own_needs]
        its = (tests["centre"] == row.centre) & (tests["session"] == row.session)
        its &= tests["technique"].isin(need) & tests["status"].ne("quarantined")
        worst = "rejected" if row.state == "fail" else "not_judgeable"
        tests.loc[its & tests["status"].ne("rejected"), "status"] = worst
        its &= ~tests["why"].str.contains(row.sentence, regex=False)
        tests.loc[its, "why"] = (row.sentence + " " + tests.loc[its, "why"]).str.strip()
    return tests


def _accepted_trials(trials: pd.DataFrame, values: pd.DataFrame) -> Accepted:
    """Return (trial, measures) of the accepted trials of each (centre, session, technique)."""
    rows = trials[trials["status"] == "accepted"]
    known = values.merge(rows[["centre", "trial"]], on=["centre", "trial"])
    columns = [known[name].tolist() for name in ("centre", "trial", "quantity", "value")]
    measures: dict[tuple[Any, Any], dict[Any, Any]] = {
        code: {} for code in zip(rows["centre"].tolist(), rows["trial"].tolist(), strict=True)
    }
    for centre, trial, quantity, value in zip(*columns, strict=True):
        measures[centre, trial][quantity] = value
    found: dict[tuple[str, str, str], list[tuple[str, MeasuredTrial]]] = {}
    row: Any
    for row in rows.itertuples():
        numbers = measures[row.centre, row.trial]
        measured = MeasuredTrial(row.trial_index, row.start_s, row.end_s, numbers, {})
        found.setdefault((row.centre, row.session, row.technique), []).append((row.trial, measured))
    return found


def _list_tests(recordings: pd.DataFrame, trials: pd.DataFrame) -> pd.DataFrame:
    """Return one row per session and technique with the counts of its recordings and trials."""
    counted = recordings.assign(
        n_recordings=1,
        n_unread=recordings["state"].isin(["quarantined", "crashed"]).astype(int),
    )
    tests = counted.groupby(TEST, sort=True)[["n_recordings", "n_unread"]].sum().reset_index()
    days = recordings.drop_duplicates(TEST)[[*TEST, "on"]]
    status = trials["status"]
    counts = trials[TEST].assign(
        n_trials=1,
        n_accepted=(status == "accepted").astype(int),
        n_rejected=(status == "rejected").astype(int),
        n_not_judgeable=(status == "not_judgeable").astype(int),
        n_flagged=(trials["flagged"] & (status == "accepted")).astype(int),
    )
    names = ["n_trials", "n_accepted", "n_rejected", "n_not_judgeable", "n_flagged"]
    sums = counts.groupby(TEST)[names].sum().reset_index()
    tests = tests.merge(days, on=TEST).merge(sums, on=TEST, how="left")
    tests[names] = tests[names].fillna(0).astype("int64")
    tests["test"] = tests["session"] + "/" + tests["technique"]
    tests["unread"] = tests["n_unread"] == tests["n_recordings"]
    return tests


def _check_marks(evidence: Evidence, checks: pd.DataFrame) -> dict[tuple[str, str, str], float]:
    """Return 1 or 0 for each (centre, session, kind) whose check was accepted or not."""
    marks = {"accepted": 1.0, "rejected": 0.0, "not_judgeable": 0.0}
    linked = evidence.session_checks.merge(checks, on=["centre", "check_id", "kind"])
    row: Any
    found: dict[tuple[str, str, str], float] = {}
    for row in linked.itertuples():
        found[row.centre, row.session, row.kind] = marks.get(row.status, np.nan)
    return found


def _measure_tests(
    tests: pd.DataFrame, accepted: Accepted, check_marks: Mapping[tuple[str, str, str], float]
) -> pd.DataFrame:
    """Return the test quantities, one row each, in the form that `judge` takes."""
    rows: list[dict[str, Any]] = []
    test: Any
    for test in tests.itertuples():
        key = (test.centre, test.session, test.technique)
        technique = technique_of(test.technique)
        measures = technique.measure_test([measured for _, measured in accepted.get(key, [])])
        for kind in technique.SPEC.needs_checks:
            name = check_verdict_name(kind)
            measures[name] = check_marks.get((test.centre, test.session, kind), np.nan)
            if np.isnan(measures[name]):
                measures.reasons[name] = "no readable check before the test on its day"
        of_test = {
            "item": test.test,
            "centre": test.centre,
            "session": test.session,
            "technique": test.technique,
            "on": test.on,
        }
        rows.extend(
            of_test | {"quantity": name, "value": value, "reason": measures.reasons.get(name)}
            for name, value in measures.items()
        )
    names = ["item", "centre", "session", "technique", "on", "quantity", "value", "reason"]
    return pd.DataFrame(rows, columns=names)


def _status_of_tests(
    tests: pd.DataFrame, verdicts: pd.DataFrame, sessions: pd.DataFrame
) -> pd.DataFrame:
    """Join verdicts on the test and the session, which refuses its tests for what it is refused."""
    of_session = sessions.rename(columns={"status": "session_status", "why": "session_why"})
    of_session = of_session[["centre", "session", "session_status", "session_why"]]
    judged = _with_status(tests, "test", verdicts).merge(of_session, on=["centre", "session"])
    own, whole = judged["status"], judged["session_status"]
    unread = judged["unread"]
    judged["status"] = np.select(
        [
            (whole == "quarantined") | unread,
            (whole == "rejected") | (own == "rejected"),
            (whole == "not_judgeable") | (own == "not_judgeable"),
        ],
        ["quarantined", "rejected", "not_judgeable"],
        "accepted",
    )
    judged["flagged"] |= (judged["status"] == "accepted") & (judged["n_flagged"] > 0)
    none_read = unread & (whole != "quarantined")
    own_why = judged["why"].where(~none_read, "No recording of this test could be read.")
    session_why = judged["session_why"].where(whole != "accepted", "")
    judged["why"] = (session_why + " " + own_why).str.strip()
    return judged
