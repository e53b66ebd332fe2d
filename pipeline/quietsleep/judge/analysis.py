"""One recording analysed by itself: measured and judged as a night would, without a study.

What only a study knows cannot be judged here and is left out, named in `Analysis.left_out`: the
rules on the session, and those on the equipment checks that a test rests on.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

import pandas as pd

from quietsleep import contract
from quietsleep.contract import Rule
from quietsleep.judge.evidence import VALUES, with_quotients
from quietsleep.judge.plausible import predicted_frc_ml
from quietsleep.judge.rules import UNKNOWN, rules_in_study
from quietsleep.judge.slips import POLARITY, TURNED_FIRST, Registered
from quietsleep.judge.tests import Evidence, judge_study
from quietsleep.records import Measured
from quietsleep.study.study import LimitChange

_ITEM = {"centre": "", "session": "recording"}
_TEST = ["centre", "session", "technique"]


@dataclass(frozen=True, slots=True, eq=False)
class Analysis:
    """What one recording comes to.

    `state` is measured, no_trial, quarantined or crashed, `sentence` says why where it is not
    measured. `trials`: trial, start_s, end_s, status, flagged, why. `quantities`: item, quantity,
    value, unit, reason; the item is a trial, or "test" for what needs several. `verdicts`: item,
    rule, quantity, observed, limit_low, limit_high, unit, severity, state, sentence, remedy.
    `outcomes`: outcome, value, unit, n_trials, sd, cv_pct, why; empty values where the test is not
    accepted. `left_out` are the rules that a recording alone cannot answer.
    """

    technique: str
    state: str
    sentence: str
    trials: pd.DataFrame
    quantities: pd.DataFrame
    verdicts: pd.DataFrame
    outcomes: pd.DataFrame
    left_out: tuple[str, ...]

    def __str__(self) -> str:
        accepted = int((self.trials["status"] == "accepted").sum())
        counted = f"{accepted} of {len(self.trials)} trials accepted"
        said = [f"{contract.TECHNIQUES[self.technique].title}: {self.sentence or counted + '.'}"]
        known = self.outcomes.dropna(subset=["value"])
        said += [f"{row.outcome} {row.value:.4g} {row.unit}" for row in known.itertuples()]
        failed = self.verdicts[self.verdicts["state"] == "fail"]
        said += [f"{row.item}: {row.sentence}" for row in failed.itertuples()]
        return "\n".join(said)


def judge_recording(
    measured: Measured,
    *,
    technique: str,
    on: date,
    limit_changes: Sequence[LimitChange] = (),
    said: Mapping[str, float],
    registered: Registered = UNKNOWN,
) -> Analysis:
    """Judge the trials of one measured recording by the limits in force on a day.

    `registered` is what is known of the device, for slips to be named by.
    Of `said`, what no signal tells is used: ``quiet_sleep``, and the body for numbers per weight.
    """
    spec = contract.TECHNIQUES[technique]
    left_out = {f"{technique}.{check}_check" for check in spec.needs_checks}
    rules = rules_in_study(spec.rules, limit_changes)
    left_out |= {rule.key for rule in rules if _rests_on_body(rule) and "weight_kg" not in said}
    asked = [rule for rule in rules if rule.key not in left_out]
    evidence = replace(
        _evidence(measured, technique, on, said),
        registered={(_ITEM["centre"], _ITEM["session"]): registered},
    )
    judged = judge_study(evidence, rules=asked, waivers=())
    of_test = judged.test_values[["item", "quantity", "value", "reason"]].assign(item="test")
    of_trial = evidence.trial_values.rename(columns={"trial": "item"})
    quantities = pd.concat([of_trial[of_test.columns], of_test], ignore_index=True)
    units = {
        (level == "test", name): quantity.unit
        for (owner, level, name), quantity in contract.QUANTITIES.items()
        if owner == technique
    }
    keys = zip(quantities["item"] == "test", quantities["quantity"], strict=True)
    quantities["unit"] = [units.get(key, "1") for key in keys]
    return Analysis(
        technique=technique,
        state=measured.state,
        sentence=measured.sentence,
        trials=judged.trials[["trial", "start_s", "end_s", "status", "flagged", "why"]],
        quantities=quantities[["item", "quantity", "value", "unit", "reason"]],
        verdicts=_told(judged.verdicts, asked),
        outcomes=judged.outcomes[["outcome", "value", "unit", "n_trials", "sd", "cv_pct", "why"]],
        left_out=tuple(sorted({*left_out, *(r.key for r in contract.SESSION.rules)})),
    )


def _rests_on_body(rule: Rule) -> bool:
    """Say whether a rule asks a number per body weight before it accepts a trial."""
    unit = contract.QUANTITIES[(rule.owner, rule.level, rule.quantity)].unit
    return rule.missing == "not_judged" and rule.severity == "reject" and unit.endswith("/kg")


def _told(verdicts: pd.DataFrame, rules: Sequence[Rule]) -> pd.DataFrame:
    """Return the verdicts with the remedy of each rule; a test is called "test"."""
    by_key = {rule.key: rule for rule in rules}
    sign = next((rule.remedy for rule in rules if rule.quantity == POLARITY), "")
    said = zip(verdicts["rule"], verdicts["observed"], verdicts["sentence"], strict=True)
    remedies = [
        sign if sentence.endswith(TURNED_FIRST) else by_key[rule].remedy_for(observed)
        for rule, observed, sentence in said
    ]
    names = ["item", "rule", "quantity", "observed", "limit_low", "limit_high", "unit", "severity",
             "state", "sentence"]  # fmt: skip
    rows = verdicts[names].assign(remedy=remedies)
    return rows.assign(item=rows["item"].where(verdicts["item_kind"] != "test", "test"))


def _evidence(measured: Measured, technique: str, on: date, said: Mapping[str, float]) -> Evidence:
    """Lay out what judging starts from, for a session that holds this recording alone."""
    item = _ITEM | {"technique": technique, "on": on}
    spec = contract.TECHNIQUES[technique]
    of_trial = {name: said[name] for name in spec.names("trial") if name in said}
    trials = [
        item
        | {"recording": measured.item, "trial": f"trial {t.index}", "trial_index": t.index}
        | {"start_s": t.start_s, "end_s": t.end_s}
        for t in measured.trials
    ]
    values = [
        {
            "centre": "",
            "trial": f"trial {t.index}",
            "technique": technique,
            "quantity": name,
            "value": value,
            "reason": t.reasons.get(name),
        }
        for t in measured.trials
        for name, value in {**t.values, **of_trial}.items()
    ]
    recording = item | {"recording": measured.item, "state": measured.state}
    session = pd.DataFrame([_ITEM | {"on": on, "held": False, "why": "", "gas_state": None}])
    found = _frame(trials, [*item, "recording", "trial", "trial_index", "start_s", "end_s"])
    return Evidence(
        sessions=session,
        recordings=pd.DataFrame([recording]),
        trials=found,
        trial_values=with_quotients(
            _frame(values, VALUES),
            found[["centre", "session", "trial"]].assign(
                mask_dead_space_ml=said.get("mask_dead_space_ml", math.nan)
            ),
            session.assign(
                weight_kg=said.get("weight_kg", math.nan),
                predicted_frc_ml=predicted_frc_ml(said.get("length_cm", math.nan)),
            ),
        ),
        checks=_frame([], ["centre", "check_id", "kind", "on", "state"]),
        check_values=_frame([], ["centre", "check_id", "level", "quantity", "value"]),
        session_values=_frame([], ["centre", "session", "quantity", "value"]),
        session_checks=_frame([], ["centre", "session", "kind", "check_id"]),
    )


def _frame(rows: Sequence[Mapping[str, object]], names: Sequence[str]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=list(names))
