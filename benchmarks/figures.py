"""A night's warehouse beside the truth of its study: errors, and shares accepted and caught."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from benchmarks.grid import CLASSES, STANDS_BY_FACT, STANDS_BY_TRUTH
from quietsleep import contract
from quietsleep.judge.limits import within
from quietsleep.records import FloatArray, MeasuredTrial
from quietsleep.simulation.faults import FAULTS
from quietsleep.techniques.interface import technique_of
from quietsleep.warehouse.database import open_current

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
    "fef25_ml_s": (3.0, "%"),
    "fef50_ml_s": (3.0, "%"),
    "fef75_ml_s": (3.0, "%"),
    "fef85_ml_s": (3.0, "%"),
    "fef25_75_ml_s": (3.0, "%"),
    "half_life_s": (2.0, "%"),
    "box_factor_ml_kpa": (1.0, "%"),
    "error_inspired_pct": (0.2, "points"),
    "error_expired_pct": (0.2, "points"),
}
CLEAN_SHARE, CAUGHT_SHARE = 99.0, 98.0
STRAIGHT = 0.03  # a passive limb whose time constant changes by less is straight
CURVED_TAU_PCT = 10.0  # largest error of tau on a curved limb that is not said to be curved
CURVED_RULES = (
    "single_occlusion.straight_expiration",
    "single_occlusion.long_fit",
    "single_occlusion.no_curvature",
)
CHECK_FIGURES = ("half_life_s", "box_factor_ml_kpa", "error_inspired_pct", "error_expired_pct")
MOST_BEFORE_S = 0.1  # a manoeuvre may begin so long before the trial that holds it


@dataclass(frozen=True, slots=True)
class Accuracy:
    """Errors of one outcome over the grid; `errors` (n,) in `unit`, `cases` the infants (n,).

    `classes` has a row for each with its class in each of CLASSES.
    """

    name: str
    technique: str
    unit: str
    target: float | None
    errors: FloatArray
    cases: tuple[str, ...]
    classes: pd.DataFrame

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


class Joined:
    """What a night published, and what is true of it.

    `cases` has label and fault (empty: clean) by session; `days` the same by day of checks.
    `truth` has a row for each quantity of each manoeuvre that was simulated (`number` 0: of the
    whole recording or check), `known` one for each quantity of each trial found.
    """

    def __init__(self, study: Path) -> None:
        with open_current(study) as warehouse:
            names = [row[0] for row in warehouse.execute("SHOW TABLES").fetchall()]
            self.tables: dict[str, pd.DataFrame] = {n: warehouse.table(n).df() for n in names}
        self._call_checks_by_their_codes()
        folder = study / "truth"
        cases = pd.read_csv(folder / "cases.csv", keep_default_na=False)
        self.cases, self.days = cases.set_index("session"), cases.set_index("day")
        self.planted = pd.read_csv(folder / "faults.csv", keep_default_na=False)
        truth = pd.read_csv(folder / "trials.csv").rename(columns={"trial": "number"})
        truth["session"] = truth["recording"].str.rpartition("-")[0]
        self.truth = truth.rename(columns={"value": "true"})
        breaths = pd.read_csv(folder / "breaths.csv")
        facts = pd.read_csv(folder / "facts.csv").rename(columns={"trial": "number"})
        self.held = self._held()
        pairs = self.held.drop_duplicates("trial", keep=False)  # one manoeuvre only
        true = self.truth[["recording", "number", "quantity", "true"]]
        found = pairs.merge(true, on=["recording", "number"])[["trial", "quantity", "true"]]
        self.known = pd.concat([found, self._of_breaths(breaths)])
        told = pairs.merge(facts, on=["recording", "number"])
        self.facts = told.pivot_table(index="trial", columns="fact", values="value")

    def _call_checks_by_their_codes(self) -> None:
        """The grid has each code once: truth and plan know a check by it alone."""
        checks = self.tables["checks"]
        codes = dict(zip(checks["check_id"], checks["check_code"], strict=True))
        assert checks["check_code"].is_unique
        for name in ("checks", "check_values"):
            rows = self.tables[name]
            self.tables[name] = rows.assign(check_id=rows["check_id"].map(codes))
        verdicts = self.tables["verdicts"]
        of_checks = verdicts["item_kind"] == "check"
        named = verdicts["item"].where(~of_checks, verdicts["item"].map(codes))
        self.tables["verdicts"] = verdicts.assign(item=named)

    def _held(self) -> pd.DataFrame:
        """The manoeuvres that begin inside each trial."""
        begun = self.truth.loc[self.truth["at_s"].notna(), ["recording", "number", "at_s"]]
        pairs = self.tables["trials"].merge(begun.drop_duplicates(), on="recording")
        after = pairs["at_s"] >= pairs["start_s"] - MOST_BEFORE_S
        pairs = pairs[after & (pairs["at_s"] <= pairs["end_s"])]
        return pairs[["trial", "recording", "number"]]

    def curved(self) -> set[str]:
        """Trials whose passive limb, as it truly was, is not straight."""
        bend = self.facts["limb_bend"]
        return set(self.facts.index[(bend - 1.0).abs() > STRAIGHT])

    def _of_breaths(self, breaths: pd.DataFrame) -> pd.DataFrame:
        """What is true of each run of tidal breaths: means over those that lie in it."""
        trials = self.tables["trials"][["trial", "recording", "start_s", "end_s"]]
        pairs = trials.merge(breaths, on="recording", suffixes=("", "_true"))
        slack_s = 0.25 * 60.0 / pairs["rr_per_min"]
        inside = pairs["start_s_true"] >= pairs["start_s"] - slack_s
        inside &= pairs["end_s_true"] <= pairs["end_s"] + slack_s
        quantities = list(breaths.columns[3:])
        means = pairs[inside].groupby("trial")[quantities].mean()
        means["minute_ventilation_ml_min"] = means["vt_ml"] * means["rr_per_min"]
        return means.reset_index().melt("trial", var_name="quantity", value_name="true")

    def of_cases(self, name: str, *, clean: bool) -> pd.DataFrame:
        """Rows of a table whose session, or day of checks, is clean or has a planted fault."""
        rows = self.tables[name]
        if "session" in rows:
            rows = rows.join(self.cases[["label", "fault", *CLASSES]], on="session")
        else:
            rows = rows.assign(day=rows["check_id"].str.rpartition("-")[0])
            rows = rows.join(self.days[["label", "fault", *CLASSES]], on="day")
        return rows[(rows["fault"] == "") == clean]


def outcome_accuracy(joined: Joined) -> list[Accuracy]:
    """Errors of what accepted clean tests report, against the truth of the trials it rests on.

    Single occlusions on curved limbs are told apart (`curved_limbs`).
    """
    outcomes = joined.of_cases("outcomes", clean=True)
    outcomes = outcomes[outcomes["value"].notna()]
    outcomes = outcomes.assign(trial=outcomes["trials"].str.split(",")).explode("trial")
    bent = set(outcomes.loc[outcomes["trial"].isin(joined.curved()), "session"])
    found = []
    for name, outcome in contract.OUTCOMES.items():
        known = joined.known[joined.known["quantity"] == outcome.quantity]
        rows = outcomes[outcomes["outcome"] == name].merge(known, on="trial", how="left")
        if outcome.technique == "single_occlusion":
            rows = rows[~rows["session"].isin(bent)]
        same = {column: (column, "first") for column in ("value", "label", *CLASSES)}
        tests = rows.groupby("session", as_index=False).agg(
            **same, true=("true", lambda values: values.mean(skipna=False))
        )
        found.append(_accuracy(name, outcome.technique, tests))
    return [each for each in found if each.errors.size]


def trial_accuracy(joined: Joined) -> list[Accuracy]:
    """Errors of single accepted clean trials, for the quantities behind the outcomes."""
    trials = joined.of_cases("trials", clean=True)
    trials = trials[(trials["status"] == "accepted") & ~trials["trial"].isin(joined.curved())]
    trials = trials[["trial", "label", *CLASSES]]
    rows = joined.tables["trial_values"].merge(trials, on="trial")
    rows = rows.merge(joined.known, on=["trial", "quantity"])
    return [
        _accuracy(name, o.technique, own)
        for name, o in contract.OUTCOMES.items()
        if o.technique != "tidal"
        and len(own := rows[(rows["technique"] == o.technique) & (rows["quantity"] == o.quantity)])
    ]


def check_accuracy(joined: Joined) -> list[Accuracy]:
    """Errors of the clean equipment checks."""
    values = joined.of_cases("check_values", clean=True)
    values = values[values["level"] == "check"]
    whole = joined.truth[joined.truth["number"] == 0]
    rows = values.merge(
        whole[["recording", "quantity", "true"]],
        left_on=["check_id", "quantity"],
        right_on=["recording", "quantity"],
    )
    of_name = dict(list(rows.groupby("quantity")))
    return [_accuracy(name, of_name[name]["kind"].iloc[0], of_name[name]) for name in CHECK_FIGURES]


def _accuracy(name: str, technique: str, rows: pd.DataFrame) -> Accuracy:
    """Errors of rows of value, true and label."""
    target, unit = TARGETS.get(name, (None, "%"))
    rows = rows[np.isfinite(rows["value"].astype(float)) & np.isfinite(rows["true"].astype(float))]
    value, true = rows["value"].to_numpy(float), rows["true"].to_numpy(float)
    errors = 100.0 * (value / true - 1.0) if unit == "%" else value - true
    classes = rows[list(CLASSES)].reset_index(drop=True)
    return Accuracy(name, technique, unit, target, errors, tuple(rows["label"]), classes)


def by_class(row: Accuracy, kind: str) -> list[tuple[str, Accuracy]]:
    """The errors of an outcome in each class of one kind, in the order of their names."""
    found = []
    for name in sorted(set(row.classes[kind]), key=in_order):
        here = np.flatnonzero(row.classes[kind] == name)
        cases = tuple(row.cases[i] for i in here)
        found.append((name, replace(row, errors=row.errors[here], cases=cases)))
    return found


def in_order(name: str) -> tuple[float, str]:
    """Classes by their first number; "below" comes first."""
    numbers = [float(word) for word in name.split() if word.replace(".", "").isdigit()]
    if name.startswith("below"):
        return -1.0, name
    return (numbers[0] if numbers and name[0].isdigit() else 0.0), name


def clean_shares(joined: Joined) -> list[Share]:
    """Per technique, how many simulated clean manoeuvres and tests are accepted; and checks."""
    trials, tests, checks = (
        joined.of_cases(name, clean=True) for name in ("trials", "tests", "checks")
    )
    bent = set(trials.loc[trials["trial"].isin(joined.curved()), "session"])
    shares = []
    for technique in contract.TECHNIQUES:
        shares.append(_of_manoeuvres(joined, technique))
        own = tests[tests["technique"] == technique].rename(columns={"test": "item"})
        if technique == "single_occlusion":
            own = own[~own["session"].isin(bent)]
        shares.append(_clean_share(own, technique, "tests", len(own)))
    for kind in contract.CHECKS:
        own = checks[checks["kind"] == kind].rename(columns={"check_id": "item"})
        shares.append(_clean_share(own, kind, "checks", len(own)))
    return shares


def clean_by_class(joined: Joined, kind: str) -> list[tuple[str, list[Share]]]:
    """Per class of one kind, the shares of clean manoeuvres that are accepted."""
    clean = joined.cases[joined.cases["fault"] == ""]
    return [
        (
            name,
            [
                _of_manoeuvres(joined, technique, clean.index[clean[kind] == name])
                for technique in contract.TECHNIQUES
            ],
        )
        for name in sorted(set(clean[kind]), key=in_order)
    ]


def _of_manoeuvres(joined: Joined, technique: str, sessions: Iterable[str] | None = None) -> Share:
    """How many clean manoeuvres of a technique are accepted, in all clean sessions or in some.

    Left out and counted: those whose truth breaks a rule (the flow of a very small infant that
    peaks late is not clean), and single occlusions on curved limbs, which are told apart.
    """
    cases = joined.cases
    chosen = list(cases.index[cases["fault"] == ""] if sessions is None else sessions)
    trials = joined.of_cases("trials", clean=True)
    trials = trials[trials["session"].isin(chosen) & (trials["technique"] == technique)]
    trials = trials[trials["trial"].isin(joined.known["trial"])]
    unclean = truly_broken(joined, technique)
    if technique == "single_occlusion":
        unclean |= joined.curved()
    left_out = int(trials["trial"].isin(unclean).sum())
    own = trials[~trials["trial"].isin(unclean)].rename(columns={"trial": "item"})
    n = len(simulated(joined, chosen, technique)) - left_out
    return replace(_clean_share(own, technique, "trials", n), left_out=left_out)


def truly_broken(joined: Joined, technique: str) -> set[str]:
    """Trials whose truth breaks a rule that rejects."""
    trials, broken = joined.tables["trials"], set()
    known = joined.known[
        joined.known["trial"].isin(trials.loc[trials["technique"] == technique, "trial"])
    ]
    for rule in contract.RULES.values():
        if rule.owner != technique or rule.severity != "reject":
            continue
        rows = known[(known["quantity"] == rule.quantity) & np.isfinite(known["true"])]
        kept = within(rows["true"].to_numpy(float), rule.low, rule.high)
        broken |= set(rows["trial"][~np.asarray(kept, dtype=bool)])
    return broken


def curved_limbs(joined: Joined) -> Share:
    """Clean single occlusions on curved limbs: said to be curved, or tau near the slow constant."""
    trials = joined.of_cases("trials", clean=True)
    trials = trials[trials["trial"].isin(joined.curved())]
    trials = trials[trials["technique"] == "single_occlusion"]
    values = joined.tables["trial_values"]
    rows = values[(values["quantity"] == "tau_s") & values["trial"].isin(trials["trial"])]
    rows = rows.merge(joined.known, on=["trial", "quantity"])
    near = (100.0 * (rows["value"] / rows["true"] - 1.0)).abs() <= CURVED_TAU_PCT
    right = set(rows.loc[near, "trial"]).union(*(said_of(joined, rule) for rule in CURVED_RULES))
    missed = tuple(code for code in trials["trial"] if code not in right)
    n = len(trials)
    return Share("single_occlusion", "curved limbs", n, n - len(missed), CAUGHT_SHARE, missed)


def simulated(joined: Joined, sessions: Iterable[str], technique: str) -> pd.DataFrame:
    """The manoeuvres of a technique in sessions; a recording of tidal breathing is one."""
    rows = joined.truth[joined.truth["session"].isin(list(sessions))]
    rows = rows[(rows["technique"] == technique) & ((rows["number"] > 0) | (technique == "tidal"))]
    return rows[["session", "recording", "number"]].drop_duplicates()


def _clean_share(items: pd.DataFrame, owner: str, what: str, n: int) -> Share:
    bad = items[items["status"] != "accepted"]
    missed = tuple(f"{code}: {why}" for code, why in zip(bad["item"], bad["why"], strict=True))
    return Share(owner, what, n, len(items) - len(bad), CLEAN_SHARE, missed)


def fault_shares(joined: Joined) -> list[Share]:
    """Per planted fault, of how many items the night says what it should."""
    planted = dict(list(joined.planted.groupby("fault")))
    return [_fault_share(joined, key, planted[key]) for key in FAULTS if key in planted]


def _fault_share(joined: Joined, key: str, planted: pd.DataFrame) -> Share:
    """The share of one fault.

    Manoeuvres that were simulated and not found count as missed. A fault that should break no
    rule counts as right where its trials are accepted. Left out and counted are items whose truth
    keeps the rule, because the plant was too weak for the infant (or, where none should break,
    breaks another), and recordings that are shorter than their technique asks: the night says that
    of them.
    """
    rule = FAULTS[key].expected_rule
    short = too_short(joined, planted)
    items, unfound = planted_items(joined, key, planted[~planted["item"].isin(short)])
    standing = standing_items(joined, key, items)
    said = said_of(joined, rule)
    missed = tuple(item for item in standing if item not in said)
    return Share(
        key,
        rule or "no rule",
        len(standing) + unfound,
        len(standing) - len(missed),
        CAUGHT_SHARE,
        missed + ("not found",) * unfound,
        len(items) - len(standing) + len(short),
    )


def too_short(joined: Joined, planted: pd.DataFrame) -> list[str]:
    """Faulty recordings that are shorter than their technique asks."""
    rows = joined.tables["recordings"]
    rows = rows[rows["recording"].isin(planted["item"]) & (rows["state"] == "no_trial")]
    shortest = {key: technique.shortest_s for key, technique in contract.TECHNIQUES.items()}
    shortest_s = rows["technique"].map(shortest).astype(float)
    return list(rows.loc[rows["duration_s"] < shortest_s, "recording"])


def planted_items(joined: Joined, key: str, planted: pd.DataFrame) -> tuple[list[str], int]:
    """Items on which a fault was planted, and how many manoeuvres were not found."""
    fault = FAULTS[key]
    if fault.level == "trial":
        trials = joined.tables["trials"]
        own = trials["recording"].isin(planted["item"]) & trials["trial"].isin(
            joined.known["trial"]
        )
        found = list(trials.loc[own, "trial"])
        # A recording of which nothing is known is one trial: it stands for each of its manoeuvres.
        held = joined.held
        several = held[
            held["recording"].isin(planted["item"]) & held.duplicated("trial", keep=False)
        ]
        found += list(several.loc[~several["trial"].isin(found), "trial"])
        return found, len(simulated(joined, planted["session"], fault.owner)) - len(found)
    if fault.level == "test":
        tests = joined.tables["tests"]
        return list(tests.loc[tests["session"].isin(planted["session"]), "test"]), 0
    return list(planted["item"]), 0


def said_of(joined: Joined, rule: str) -> set[str]:
    """Items on which a rule fails or that have a problem of this kind.

    No rule: trials and checks that are accepted, flagged or not: a flag of the usual spread of
    infants is no verdict on what was planted.
    """
    if not rule:
        trials, checks = joined.tables["trials"], joined.tables["checks"]
        sound = set(trials.loc[trials["status"] == "accepted", "trial"])
        return sound | set(checks.loc[checks["status"] == "accepted", "check_id"])
    verdicts, problems = joined.tables["verdicts"], joined.tables["problems"]
    failed = verdicts.loc[(verdicts["rule"] == rule) & (verdicts["state"] == "fail"), "item"]
    named, recordings = problems[problems["kind"] == rule], joined.tables["recordings"]
    # What is found only when a signal is read names its file and not its recording.
    of_file = recordings.loc[recordings["file"].isin(named["where_found"]), "recording"]
    return {*failed, *named["session"].dropna(), *named["recording"].dropna(), *of_file}


def standing_items(joined: Joined, key: str, items: list[str]) -> list[str]:
    """Items, trials or tests, on which a planted fault truly breaks its rule.

    The truth of a test is what its technique makes of the true trials.
    """
    if not FAULTS[key].expected_rule and FAULTS[key].level == "trial":
        broken = truly_broken(joined, FAULTS[key].owner)
        return [item for item in items if item not in broken]
    if key in STANDS_BY_FACT:
        fact, least = STANDS_BY_FACT[key]
        told = joined.facts[fact].abs()
        return [item for item in items if item in told.index and told[item] >= least]
    if key not in STANDS_BY_TRUTH:
        return items
    rule, known = contract.RULES[FAULTS[key].expected_rule], joined.known
    if FAULTS[key].level == "trial":
        of_trial = known[known["quantity"] == rule.quantity].set_index("trial")["true"]
        true = of_trial[items].to_numpy(float)
    else:
        true = np.array([true_test(joined, *item.split("/"))[rule.quantity] for item in items])
    keeps = within(true, rule.low, rule.high)
    return [item for item, kept in zip(items, keeps, strict=True) if not kept]


def true_test(joined: Joined, session: str, technique: str) -> Mapping[str, Any]:
    """What a technique makes of the true values of the trials of one test."""
    rows = joined.truth[(joined.truth["session"] == session) & (joined.truth["number"] > 0)]
    rows = rows[rows["technique"] == technique]
    wide = rows.pivot_table(index=["recording", "number"], columns="quantity", values="true")
    trials = [
        MeasuredTrial(i, 0.0, 0.0, {str(k): float(v) for k, v in values.items()}, {})
        for i, values in enumerate(wide.to_dict("records"), start=1)
    ]
    return technique_of(technique).measure_test(trials)
