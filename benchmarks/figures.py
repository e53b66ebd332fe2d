"""Errors against the truth, and shares accepted and caught, as rows of the tables."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from benchmarks.infants import Visit
from benchmarks.judgement import Case, failed
from quietsleep import contract
from quietsleep.judge.rules import status_of_items, within
from quietsleep.records import MeasuredTrial
from quietsleep.simulation.faults import FAULTS
from quietsleep.techniques.interface import technique_of as module_of

# Outcome -> (largest error, "%" of the truth or the unit of an absolute error).
TARGETS: Mapping[str, tuple[float, str]] = {
    "rr_per_min": (0.5, "/min"),
    "vt_ml": (1.0, "%"),
    "vt_ml_kg": (1.0, "%"),
    "minute_ventilation_ml_min": (1.0, "%"),
    "tptef_te": (0.02, "1"),
    "ptef_ml_s": (1.0, "%"),
    "crs_single_ml_kpa": (2.0, "%"),
    "crs_single_ml_kpa_kg": (2.0, "%"),
    "rrs_single_kpa_s_l": (4.0, "%"),
    "tau_single_s": (3.0, "%"),
    "crs_double_ml_kpa": (2.0, "%"),
    "rrs_double_kpa_s_l": (5.0, "%"),
    "frc_pleth_ml": (2.0, "%"),
    "frc_pleth_ml_kg": (2.0, "%"),
    "vmaxfrc_ml_s": (3.0, "%"),
    "fvc_ml": (1.0, "%"),
    "fev0_4_ml": (1.0, "%"),
    "fev0_5_ml": (1.0, "%"),
    "fef50_ml_s": (3.0, "%"),
    "fef75_ml_s": (3.0, "%"),
    "half_life_s": (2.0, "%"),
    "box_factor_ml_kpa": (1.0, "%"),
    "error_inspired_pct": (0.2, "points"),
    "error_expired_pct": (0.2, "points"),
}
CLEAN_SHARE, CAUGHT_SHARE = 99.0, 98.0
# Faults whose plant is too weak for some infants: the truth says on which items they stand.
STANDS_BY_TRUTH = ("tfe_late_peak", "tfe_not_limited")
CHECK_FIGURES = ("half_life_s", "box_factor_ml_kpa", "error_inspired_pct", "error_expired_pct")


@dataclass(frozen=True, slots=True)
class Accuracy:
    """Errors of one outcome over the grid; `errors` (n,) in `unit`, `cases` the infants (n,)."""

    name: str
    technique: str
    unit: str
    target: float | None
    errors: np.ndarray
    cases: tuple[str, ...]

    @property
    def bias(self) -> float:
        """Mean error."""
        return float(self.errors.mean())

    @property
    def p95(self) -> float:
        """95th percentile of the size of the error."""
        return float(np.percentile(np.abs(self.errors), 95.0))

    @property
    def worst(self) -> float:
        """Largest size of the error."""
        return float(np.abs(self.errors).max())

    @property
    def worst_case(self) -> str:
        """The infant with the largest error."""
        return self.cases[int(np.abs(self.errors).argmax())]

    @property
    def outside(self) -> int:
        """How many infants lie outside the target."""
        return 0 if self.target is None else int((np.abs(self.errors) > self.target).sum())

    @property
    def reached(self) -> str:
        """Whether every infant, only 95 % of them, or fewer lie within the target."""
        if self.target is None:
            return "none set"
        if self.worst <= self.target:
            return "yes"
        return "not in the worst case" if self.p95 <= self.target else "no"


@dataclass(frozen=True, slots=True)
class Share:
    """How many of the items of one name came out as they should."""

    name: str
    what: str
    n: int
    right: int
    target: float
    missed: tuple[str, ...] = ()
    left_out: int = 0

    @property
    def pct(self) -> float:
        """Share that came out right, %."""
        return 100.0 * self.right / self.n if self.n else float("nan")

    @property
    def reached(self) -> bool:
        """Whether the share reaches its target."""
        return self.pct >= self.target


def outcome_accuracy(case: Case) -> list[Accuracy]:
    """Errors of what accepted clean tests report, against the truth of the trials it rests on."""
    outcomes = case.judged.outcomes
    clean = outcomes["session"].str.startswith("clean-") & outcomes["value"].notna()
    found = []
    for name, outcome in contract.OUTCOMES.items():
        rows = outcomes[clean & (outcomes["outcome"] == name)]
        pairs = []
        for session, value, trials in zip(
            rows["session"], rows["value"], rows["trials"], strict=True
        ):
            truths = [case.known.truth.get(t, {}) for t in trials.split(",")]
            values = [t.get(outcome.quantity, np.nan) for t in truths]
            pairs.append((float(value), float(np.mean(values)), _label(case, session)))
        found.append(_accuracy(name, outcome.technique, pairs))
    return [each for each in found if each.errors.size]


def trial_accuracy(case: Case) -> list[Accuracy]:
    """Errors of single accepted clean trials, for the quantities behind the outcomes."""
    trials = case.judged.trials
    accepted = set(trials.loc[trials["status"] == "accepted", "trial"])
    found = []
    for name, outcome in contract.OUTCOMES.items():
        if outcome.technique == "tidal":
            continue
        pairs = [
            (values[outcome.quantity], truth[outcome.quantity], visit.case.label)
            for visit, code, values, truth in clean_trials(case)
            if code in accepted and code.split("-r")[0] == visit.name
            if outcome.quantity in values and outcome.quantity in truth
            if technique_of(visit, code) == outcome.technique
        ]
        found.append(_accuracy(name, outcome.technique, pairs))
    return [each for each in found if each.errors.size]


def check_accuracy(case: Case) -> list[Accuracy]:
    """Errors of the clean equipment checks."""
    found = []
    for name in CHECK_FIGURES:
        rows = [
            (c.technique, c.test_values[name], c.test_truth[name], v.case.label)
            for v in case.known.visits.values()
            for c in v.checks
            if not v.fault and name in c.test_truth and name in c.test_values
        ]
        found.append(_accuracy(name, rows[0][0], [row[1:] for row in rows]))
    return found


def clean_trials(
    case: Case,
) -> Iterator[tuple[Visit, str, Mapping[str, float], Mapping[str, float]]]:
    """Every trial of the clean visits with its code, its measures and its truth."""
    for visit in case.known.visits.values():
        if visit.fault:
            continue
        for number, sent in enumerate(visit.sent, start=1):
            for trial, truth in zip(sent.trials, sent.truth, strict=True):
                if truth is not None:
                    yield visit, f"{visit.name}-r{number}#{trial.index}", trial.values, truth


def technique_of(visit: Visit, trial: str) -> str:
    """Technique of a trial by its code."""
    return visit.sent[int(trial.rsplit("-r", 1)[1].split("#", maxsplit=1)[0]) - 1].technique


def _label(case: Case, session: str) -> str:
    return case.known.visits[session].case.label


def _accuracy(name: str, technique: str, pairs: Sequence[tuple[float, float, str]]) -> Accuracy:
    target, unit = TARGETS.get(name, (None, "%"))
    kept = [(v, t, c) for v, t, c in pairs if np.isfinite(v) and np.isfinite(t)]
    value = np.array([v for v, _, _ in kept])
    truth = np.array([t for _, t, _ in kept])
    errors = 100.0 * (value / truth - 1.0) if unit == "%" else value - truth
    return Accuracy(name, technique, unit, target, errors, tuple(c for _, _, c in kept))


def clean_shares(case: Case) -> list[Share]:
    """Per technique, how many simulated clean manoeuvres and tests are accepted; and checks."""
    trials, tests, checks = case.judged.trials, case.judged.tests, case.judged.checks
    trials = trials[trials["trial"].isin(list(case.known.truth))]
    sent = [s for v in case.known.visits.values() if not v.fault for s in v.sent]
    shares = []
    for technique in contract.TECHNIQUES:
        simulated = sum(s.n_simulated for s in sent if s.technique == technique)
        shares.append(_clean_share(trials, "trial", technique, simulated=simulated))
        shares.append(_clean_share(tests, "test", technique))
    checks = checks.assign(technique=checks["kind"], session=checks["check_id"])
    return shares + [_clean_share(checks, "check_id", kind) for kind in contract.CHECKS]


def _clean_share(
    items: pd.DataFrame, name: str, owner: str, *, simulated: int | None = None
) -> Share:
    """Share of the clean items of one technique or check that are accepted."""
    rows = items[items["session"].str.startswith("clean-") & (items["technique"] == owner)]
    good = rows["status"] == "accepted"
    bad = rows[~good]
    missed = tuple(f"{code}: {why}" for code, why in zip(bad[name], bad["why"], strict=True))
    what = {"trial": "trials", "test": "tests", "check_id": "checks"}[name]
    n = len(rows) if simulated is None else simulated
    return Share(owner, what, n, int(good.sum()), CLEAN_SHARE, missed)


def fault_shares(case: Case) -> list[Share]:
    """Per planted fault, how many items fail the rule that names it.

    Manoeuvres that were simulated and not found count as missed. A fault that should break no
    rule counts as right where its trials are accepted and not flagged. Items whose truth keeps the
    rule, because the plant was too weak for the infant, are left out and counted.
    """
    by_fault: dict[str, list[Visit]] = {}
    for visit in case.known.visits.values():
        if visit.fault:
            by_fault.setdefault(visit.fault, []).append(visit)
    status = status_of_items(case.judged.verdicts)
    sound = status.index[(status["status"] == "accepted") & ~status["flagged"]]
    unspoiled = set(sound.get_level_values("item"))
    shares = []
    for key, visits in by_fault.items():
        rule = FAULTS[key].expected_rule
        hit = failed(case.judged.verdicts, rule) if rule else unspoiled
        items, unfound = planted_items(case, key, visits)
        standing = [item for item in items if stands(key, items[item])]
        missed = tuple(item for item in standing if item not in hit)
        shares.append(
            Share(
                key,
                rule or "no rule",
                len(standing) + unfound,
                len(standing) - len(missed),
                CAUGHT_SHARE,
                missed + ("not found",) * unfound,
                len(items) - len(standing),
            )
        )
    return shares


def planted_items(
    case: Case, key: str, visits: Sequence[Visit]
) -> tuple[dict[str, Mapping[str, float]], int]:
    """Items on which a fault was planted, each with its truth, and manoeuvres that were not found.

    The truth of a test is what its technique makes of the true trials.
    """
    level = FAULTS[key].level
    if level == "trial":
        names = {visit.name for visit in visits}
        truth = case.known.truth
        items = {code: truth[code] for code in truth if code.rsplit("-r", 1)[0] in names}
        return items, sum(s.n_simulated for v in visits for s in v.sent) - len(items)
    if level == "check":
        return {f"{v.name}-{c.technique}": c.test_truth for v in visits for c in v.checks}, 0
    return {
        f"{visit.name}/{technique}": true_test(visit, technique)
        for visit in visits
        for technique in sorted({sent.technique for sent in visit.sent})
    }, 0


def true_test(visit: Visit, technique: str) -> Mapping[str, float]:
    """What a technique makes of the true values of the trials of one test."""
    truths = [t for s in visit.sent if s.technique == technique for t in s.truth if t is not None]
    trials = [MeasuredTrial(i, 0.0, 0.0, truth, {}) for i, truth in enumerate(truths, start=1)]
    return module_of(technique).measure_test(trials)


def stands(key: str, truth: Mapping[str, float]) -> bool:
    """Whether a planted fault truly breaks its rule on an item."""
    if key not in STANDS_BY_TRUTH:
        return True
    rule = contract.RULES[FAULTS[key].expected_rule]
    value = np.array([truth[rule.quantity]])
    return not bool(within(value, rule.low, rule.high)[0])
