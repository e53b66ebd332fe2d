"""Judge simulated visits by the rules of the contract, with the judge of the night."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import pandas as pd

from benchmarks.infants import Visit
from quietsleep import contract
from quietsleep.judge.tests import Evidence, Judged, judge_study
from quietsleep.simulation.faults import FAULTS

DAY = date(2026, 3, 2)
CENTRE = "grid"
HERE = {"centre": CENTRE, "on": DAY}
# Columns of each frame of evidence.
COLUMNS = {
    "sessions": "centre session on held why",
    "recordings": "centre session on recording technique state",
    "trials": "centre session on recording technique trial_index start_s end_s trial",
    "trial_values": "centre trial quantity value",
    "checks": "centre on check_id kind state why",
    "check_values": "centre check_id level quantity value",
    "session_values": "centre session quantity value",
    "session_checks": "centre session kind check_id",
}
# A visit that keeps every rule: faults of the visit itself are not planted here.
SOUND_VISIT = {
    "days_since_respiratory_infection": 60.0,
    "noisy_breathing": 0.0,
    "consent": 1.0,
    "staff_present": 2.0,
    "resuscitation_equipment_checked": 1.0,
    "room_temperature_c": 23.0,
    "sedation_to_sleep_min": 30.0,
    "spo2_min_pct": 96.0,
    "weight_z": 0.0,
    "length_z": 0.0,
    "followup_call_done": 1.0,
}


@dataclass(frozen=True, slots=True)
class Known:
    """Truth by item: of each trial found, and of each manoeuvre simulated by visit."""

    truth: Mapping[str, Mapping[str, float]]
    visits: Mapping[str, Visit]


@dataclass(frozen=True, slots=True)
class Case:
    """Verdicts on all visits, and what is true of them."""

    judged: Judged
    known: Known


def judge_visits(visits: Sequence[Visit]) -> Case:
    """Judge every trial, check, visit and test; summarise accepted tests to outcomes."""
    rows = _Rows()
    for visit in visits:
        rows.add(visit)
    judged = judge_study(rows.evidence(), rules=tuple(contract.RULES.values()), waivers=())
    return Case(judged, Known(rows.truth, {visit.name: visit for visit in visits}))


class _Rows:
    """Rows of evidence in the making."""

    def __init__(self) -> None:
        self.sessions: list[dict[str, Any]] = []
        self.recordings: list[dict[str, Any]] = []
        self.trials: list[dict[str, Any]] = []
        self.trial_values: list[dict[str, Any]] = []
        self.checks: list[dict[str, Any]] = []
        self.check_values: list[dict[str, Any]] = []
        self.session_values: list[dict[str, Any]] = []
        self.session_checks: list[dict[str, Any]] = []
        self.truth: dict[str, Mapping[str, float]] = {}

    def add(self, visit: Visit) -> None:
        """Add one visit with its recordings and the checks of its day."""
        session = {"session": visit.name, **HERE}
        self.sessions.append(session | {"held": False, "why": ""})
        self.session_values += [
            session | {"quantity": name, "value": value} for name, value in SOUND_VISIT.items()
        ]
        self._add_recordings(visit, session)
        for check in visit.checks:
            name = f"{visit.name}-{check.technique}"
            item = {"check_id": name, "kind": check.technique, **HERE}
            self.checks.append(item | {"state": "measured", "why": ""})
            self.session_checks.append(session | {"kind": check.technique, "check_id": name})
            self.check_values += [
                item | {"level": "check", "quantity": quantity, "value": value}
                for quantity, value in check.test_values.items()
            ]

    def _add_recordings(self, visit: Visit, session: Mapping[str, Any]) -> None:
        noted = notes_of(visit.fault)
        for number, sent in enumerate(visit.sent, start=1):
            name = f"{visit.name}-r{number}"
            item = {**session, "recording": name, "technique": sent.technique}
            self.recordings.append(item | {"state": "measured" if sent.trials else "no_trial"})
            for trial, truth in zip(sent.trials, sent.truth, strict=True):
                code = f"{name}#{trial.index}"
                place = {"trial_index": trial.index, "start_s": trial.start_s, "end_s": trial.end_s}
                self.trials.append(item | place | {"trial": code})
                self.trial_values += [
                    {**HERE, "trial": code, "quantity": quantity, "value": value}
                    for quantity, value in (trial.values | noted).items()
                ]
                if truth is not None:
                    self.truth[code] = truth

    def evidence(self) -> Evidence:
        """The frames that judging starts from."""
        return Evidence(**{name: _frame(name, getattr(self, name)) for name in COLUMNS})


def _frame(name: str, rows: list[dict[str, Any]]) -> pd.DataFrame:
    """Rows as the frame of evidence of that name, also without any row."""
    return pd.DataFrame(rows, columns=COLUMNS[name].split())


def notes_of(fault: str) -> dict[str, float]:
    """What the operator noted of a recording, as the night makes numbers of it."""
    cells = FAULTS[fault].cells if fault else {}
    return {
        "quiet_sleep": float(cells.get("sleep_state", "quiet") == "quiet"),
        "operator_accepts": float(cells.get("operator_accepts", "yes") == "yes"),
    }


def failed(verdicts: pd.DataFrame, rule: str) -> set[str]:
    """Items on which a rule fails."""
    hit = (verdicts["rule"] == rule) & (verdicts["state"] == "fail")
    return set(verdicts.loc[hit, "item"])
