"""Accepted trials become tests, and accepted tests become outcomes.

The order is: checks are judged, trials are judged, the accepted trials of a test are measured
together, tests are judged with the checks and the visit they rest on, and what an accepted test
reports is summarised as its contract says. No signal is read here, so new rules cost seconds.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

import contracts
from contracts import Outcome, Rule
from pipeline.acceptance import judge, status_of_items
from pipeline.records import MeasuredTrial
from pipeline.study import Waiver
from pipeline.techniques.interface import technique_of


@dataclass(frozen=True, slots=True)
class Evidence:
    """What judging starts from; every frame carries `centre`, and `on` is the local day.

    `sessions`: session, on, held, why. `recordings`: recording, session, technique, on, state.
    `trials`: trial, recording, session, technique, on. `trial_values`: trial, quantity, value.
    `checks`: check_id, kind, on, state. `check_values`: check_id, quantity, value.
    `session_values`: session, quantity, value. `session_checks`: session, kind, check_id.
    """

    sessions: pd.DataFrame
    recordings: pd.DataFrame
    trials: pd.DataFrame
    trial_values: pd.DataFrame
    checks: pd.DataFrame
    check_values: pd.DataFrame
    session_values: pd.DataFrame
    session_checks: pd.DataFrame


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


def judge_study(
    evidence: Evidence, *, rules: Sequence[Rule], waivers: Sequence[Waiver]
) -> Judged:
    """Judge checks, trials, visits and tests, and summarise the outcomes of accepted tests."""
    check_verdicts = judge(_check_values(evidence), rules, waivers, level="check")
    checks = _with_status(evidence.checks, "check_id", check_verdicts)
    trial_verdicts = judge(_trial_values(evidence), rules, waivers, level="trial")
    trials = _with_status(evidence.trials, "trial", trial_verdicts)
    session_verdicts = judge(_session_values(evidence), rules, waivers, level="session")
    sessions = _with_status(evidence.sessions, "session", session_verdicts)
    sessions.loc[sessions["held"], "status"] = "quarantined"
    accepted = _accepted_trials(trials, evidence.trial_values)
    tests = _list_tests(evidence.recordings, trials)
    test_values = _measure_tests(tests, accepted, _check_marks(evidence, checks))
    test_verdicts = judge(test_values, rules, waivers, level="test")
    tests = _status_of_tests(tests, test_verdicts, sessions)
    return Judged(
        verdicts=_stack([check_verdicts, trial_verdicts, session_verdicts, test_verdicts]),
        trials=trials,
        checks=checks,
        sessions=sessions,
        tests=tests,
        test_values=test_values,
        outcomes=_summarise_tests(tests, accepted),
    )


def _stack(frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    filled = [frame for frame in frames if len(frame)]
    return pd.concat(filled, ignore_index=True) if filled else frames[0]


def _every_item(values: pd.DataFrame, items: pd.DataFrame, name: str) -> pd.DataFrame:
    """Give every item a row, so that an item on which nothing was measured is judged as well."""
    bare = items.assign(quantity="", value=np.nan)
    joined = items.merge(values, on=name, how="inner")
    return pd.concat([joined, bare], ignore_index=True).rename(columns={name: "item"})


def _check_values(evidence: Evidence) -> pd.DataFrame:
    readable = evidence.checks[evidence.checks["state"].isin(["measured", "no_trial"])]
    items = readable[["centre", "check_id", "kind", "on"]].rename(columns={"kind": "technique"})
    return _every_item(evidence.check_values, items.assign(session=None), "check_id")


def _trial_values(evidence: Evidence) -> pd.DataFrame:
    items = evidence.trials[["centre", "session", "technique", "trial", "on"]]
    return _every_item(evidence.trial_values[["trial", "quantity", "value"]], items, "trial")


def _session_values(evidence: Evidence) -> pd.DataFrame:
    items = evidence.sessions.loc[~evidence.sessions["held"], ["centre", "session", "on"]]
    values = _every_item(
        evidence.session_values, items.assign(technique=contracts.SESSION.key), "session"
    )
    return values.assign(session=values["item"])


def _with_status(items: pd.DataFrame, name: str, verdicts: pd.DataFrame) -> pd.DataFrame:
    """Join the derived status; an item without any verdict keeps its recorded state as status."""
    status = status_of_items(verdicts)
    given = items.drop(columns=["status", "why"], errors="ignore")
    joined = given.merge(status, left_on=name, right_index=True, how="left")
    fallback = items["state"] if "state" in items else pd.Series("accepted", index=items.index)
    joined["status"] = joined["status"].fillna(pd.Series(fallback.to_numpy(), index=joined.index))
    joined["flagged"] = joined["flagged"].eq(True)
    joined["n_alerts"] = joined["n_alerts"].fillna(0).astype("int64")
    why = items["why"] if "why" in items else pd.Series("", index=items.index)
    joined["why"] = joined["why"].fillna(pd.Series(why.to_numpy(), index=joined.index))
    return joined


def _accepted_trials(
    trials: pd.DataFrame, values: pd.DataFrame
) -> dict[tuple[str, str], list[tuple[str, MeasuredTrial]]]:
    """Return (trial, measures) of the accepted trials of each (session, technique)."""
    accepted = trials[trials["status"] == "accepted"]
    rows = values[values["trial"].isin(accepted["trial"])]
    by_trial: dict[str, dict[str, float]] = {}
    for trial, quantity, value in zip(
        rows["trial"], rows["quantity"], rows["value"], strict=True
    ):
        by_trial.setdefault(trial, {})[quantity] = value
    found: dict[tuple[str, str], list[tuple[str, MeasuredTrial]]] = {}
    for row in accepted.itertuples():
        measured = MeasuredTrial(
            row.trial_index, row.start_s, row.end_s, by_trial.get(row.trial, {}), {}
        )
        found.setdefault((row.session, row.technique), []).append((row.trial, measured))
    return found


def _list_tests(recordings: pd.DataFrame, trials: pd.DataFrame) -> pd.DataFrame:
    """Return one row per session and technique with the counts of its recordings and trials."""
    by = ["session", "technique"]
    grouped = recordings.groupby(by, sort=True)
    tests = grouped.agg(
        centre=("centre", "first"),
        on=("on", "first"),
        n_recordings=("recording", "size"),
        n_quarantined=("state", lambda s: int((s == "quarantined").sum())),
        n_crashed=("state", lambda s: int((s == "crashed").sum())),
    ).reset_index()
    counted = trials.assign(
        n_trials=1,
        n_accepted=(trials["status"] == "accepted").astype(int),
        n_rejected=(trials["status"] == "rejected").astype(int),
        n_not_judgeable=(trials["status"] == "not_judgeable").astype(int),
        n_flagged=(trials["flagged"] & (trials["status"] == "accepted")).astype(int),
    )
    names = ["n_trials", "n_accepted", "n_rejected", "n_not_judgeable", "n_flagged"]
    counts = counted.groupby(by)[names].sum()
    tests = tests.merge(counts, on=by, how="left")
    tests[names] = tests[names].fillna(0).astype("int64")
    tests["test"] = tests["session"] + "/" + tests["technique"]
    return tests


def _check_marks(evidence: Evidence, checks: pd.DataFrame) -> dict[tuple[str, str], float]:
    """Return 1 or 0 for each (session, kind) whose check was accepted or rejected."""
    status = dict(zip(checks["check_id"], checks["status"], strict=True))
    marks = {"accepted": 1.0, "rejected": 0.0, "not_judgeable": 0.0}
    linked = evidence.session_checks
    return {
        (session, kind): marks.get(status.get(check, ""), np.nan)
        for session, kind, check in zip(
            linked["session"], linked["kind"], linked["check_id"], strict=True
        )
    }


def _measure_tests(
    tests: pd.DataFrame,
    accepted: Mapping[tuple[str, str], Sequence[tuple[str, MeasuredTrial]]],
    check_marks: Mapping[tuple[str, str], float],
) -> pd.DataFrame:
    """Return the test quantities, one row each, in the form that `judge` takes."""
    rows: list[dict[str, Any]] = []
    for test in tests.itertuples():
        trials = [measured for _, measured in accepted.get((test.session, test.technique), [])]
        measures = technique_of(test.technique).measure_test(trials)
        for kind in contracts.TECHNIQUES[test.technique].needs_checks:
            name = f"{kind}_check_accepted"
            measures[name] = check_marks.get((test.session, kind), np.nan)
            if np.isnan(measures[name]):
                measures.reasons[name] = "no readable check before the test on its day"
        rows.extend(
            {
                "item": test.test,
                "centre": test.centre,
                "session": test.session,
                "technique": test.technique,
                "on": test.on,
                "quantity": quantity,
                "value": value,
                "reason": measures.reasons.get(quantity),
            }
            for quantity, value in measures.items()
        )
    names = ["item", "centre", "session", "technique", "on", "quantity", "value", "reason"]
    return pd.DataFrame(rows, columns=names)


def _status_of_tests(
    tests: pd.DataFrame, verdicts: pd.DataFrame, sessions: pd.DataFrame
) -> pd.DataFrame:
    """Join verdicts on the test and the visit: what the visit is refused for, refuses its tests."""
    judged = _with_status(tests, "test", verdicts)
    visit = sessions.set_index("session")[["status", "why"]]
    visit_status = judged["session"].map(visit["status"])
    visit_why = judged["session"].map(visit["why"]).fillna("")
    lost = judged["n_quarantined"] + judged["n_crashed"] == judged["n_recordings"]
    judged["status"] = np.select(
        [
            (visit_status == "quarantined") | lost,
            (visit_status == "rejected") | (judged["status"] == "rejected"),
            (visit_status == "not_judgeable") | (judged["status"] == "not_judgeable"),
        ],
        ["quarantined", "rejected", "not_judgeable"],
        "accepted",
    )
    judged["flagged"] |= (judged["status"] == "accepted") & (judged["n_flagged"] > 0)
    own = judged["why"].where(~lost, "No recording of this test could be read.")
    refused = visit_status.isin(["rejected", "quarantined", "not_judgeable"])
    judged["why"] = (visit_why.where(refused, "") + " " + own).str.strip()
    return judged


def _summarise_tests(
    tests: pd.DataFrame,
    accepted: Mapping[tuple[str, str], Sequence[tuple[str, MeasuredTrial]]],
) -> pd.DataFrame:
    """Return one row per test and outcome; the value is missing unless the test is accepted."""
    by_technique: dict[str, list[Outcome]] = {}
    for outcome in contracts.OUTCOMES.values():
        by_technique.setdefault(outcome.technique, []).append(outcome)
    rows = []
    for test in tests.itertuples():
        trials = accepted.get((test.session, test.technique), [])
        for outcome in by_technique.get(test.technique, []):
            row = {
                "session": test.session,
                "centre": test.centre,
                "technique": test.technique,
                "outcome": outcome.name,
                "unit": outcome.unit,
                "status": test.status,
                "flagged": test.flagged,
            }
            if test.status == "accepted":
                row |= summarise(outcome, trials)
            else:
                row |= {"value": np.nan, "n_trials": 0, "trials": "", "why": test.why}
            rows.append(row)
    names = ["session", "centre", "technique", "outcome", "value", "unit", "n_trials", "trials",
             "sd", "cv_pct", "status", "flagged", "why"]  # fmt: skip
    return pd.DataFrame(rows, columns=names)


def summarise(outcome: Outcome, trials: Sequence[tuple[str, MeasuredTrial]]) -> dict[str, Any]:
    """Summarise one outcome over accepted trials as the contract says.

    Mean, best and highest mean are described with `contracts.model.Outcome`. `sd` (n - 1) and
    `cv_pct` are over all accepted trials that have the number, missing below two of them.
    """
    values = np.array([t.values.get(outcome.quantity, np.nan) for _, t in trials])
    chosen = _choose(outcome, trials, values)
    usable = values[~np.isnan(values)]
    sd = float(np.std(usable, ddof=1)) if usable.size > 1 else np.nan
    mean = float(np.mean(usable)) if usable.size else np.nan
    summary: dict[str, Any] = {
        "value": float(np.mean(values[chosen])) if chosen.size else np.nan,
        "n_trials": int(chosen.size),
        "trials": ",".join(trials[i][0] for i in chosen),
        "sd": sd,
        "cv_pct": 100.0 * sd / mean if usable.size > 1 and mean > 0 else np.nan,
        "why": "",
    }
    if np.isnan(summary["value"]):
        summary |= {"n_trials": 0, "trials": "", "why": _no_value(outcome, usable.size)}
    return summary


def _choose(
    outcome: Outcome, trials: Sequence[tuple[str, MeasuredTrial]], values: np.ndarray
) -> np.ndarray:
    """Return the positions of the trials that the outcome rests on."""
    usable = np.flatnonzero(~np.isnan(values))
    if outcome.summary == "best":
        return _best(outcome.score, trials)
    if outcome.summary == "highest_mean":
        if usable.size < outcome.least:
            return usable[:0]
        return np.sort(usable[np.argsort(-values[usable], kind="stable")][: outcome.most])
    return usable


def _best(scores: Sequence[str], trials: Sequence[tuple[str, MeasuredTrial]]) -> np.ndarray:
    for score in scores:
        values = np.array([t.values.get(score, np.nan) for _, t in trials])
        if values.size and not np.isnan(values).any():
            return np.array([int(np.argmax(values))])
    return np.array([], dtype=np.int64)


def _no_value(outcome: Outcome, n_usable: int) -> str:
    if outcome.summary == "highest_mean" and n_usable:
        return f"Only {n_usable} accepted trials have this number; {outcome.least} are needed."
    return "This number could not be computed in the accepted trials that it rests on."
