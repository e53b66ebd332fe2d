"""Invented nights for tests of the pages: every warehouse table with the contract's columns.

Nothing here is measured. Counts and statuses agree with each other, as those of a real night do.
"""

# Rows of tables read better as blocks than one field a line.
# fmt: off

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from quietsleep import contract
from quietsleep.contract.model import Rule
from quietsleep.judge.rules import say
from quietsleep.study.study import Centre, Device, Study
from quietsleep.warehouse.publish import NightFacts, publish

NIGHT_AT = datetime(2026, 3, 30, 2, 15, tzinfo=UTC)
Row = dict[str, Any]


@dataclass(frozen=True)
class Plan:
    """What an invented centre delivers. `text` rewrites every free text, to test escaping."""

    centre: str
    n_sessions: int = 12
    techniques: tuple[str, ...] = ("tidal", "single_occlusion", "raised_volume")
    n_trials: int = 4
    fail_share: float = 0.06
    held_sessions: int = 1
    late: bool = False
    text: Callable[[str], str] = str


@dataclass
class Invention:
    """Rows gathered table by table."""

    tables: dict[str, list[Row]] = field(default_factory=lambda: {
        name: [] for name, t in contract.TABLES.items() if t.group == "warehouse"})

    def add(self, table: str, **row: Any) -> None:
        self.tables[table].append(row)

    def frames(self) -> dict[str, pd.DataFrame]:
        found = {}
        for name, rows in self.tables.items():
            if name == "changes":
                continue
            columns = [c.name for c in contract.TABLES[name].columns]
            for row in rows:
                unknown = set(row) - set(columns)
                assert not unknown, f"{name} has no columns {unknown}"
            found[name] = pd.DataFrame(rows, columns=columns)
        return found


def invent(plans: Sequence[Plan], *, seed: int = 1, night: str = "2026-03-30") -> Invention:
    """Invent one night of these centres."""
    dice = random.Random(seed)
    made = Invention()
    made.add("nights", night=night, started_at=NIGHT_AT, ended_at=NIGHT_AT + timedelta(minutes=4),
             state="amber", code_fingerprint="c0de", rules_version="ru1e5",
             contract_version=contract.CONTRACT_VERSION)
    _contract_tables(made)
    for plan in plans:
        _Centre(made, plan, dice, night).invent()
    return made


def _contract_tables(made: Invention) -> None:
    for rule in contract.RULES.values():
        unit = contract.QUANTITIES[(rule.owner, rule.level, rule.quantity)].unit
        made.add("rules", rule=rule.key, owner=rule.owner, level=rule.level, quantity=rule.quantity,
                 operator=rule.operator, limit_low=rule.low, limit_high=rule.high, unit=unit,
                 severity=rule.severity, missing=rule.missing, sentence=rule.sentence,
                 remedy=rule.remedy, source=rule.source, obtained=rule.obtained,
                 valid_from=rule.valid_from, valid_until=rule.valid_until)
    for (owner, level, name), q in contract.QUANTITIES.items():
        made.add("quantities", owner=owner, level=level, quantity=name, unit=q.unit,
                 definition=q.definition, equation=q.equation, source=q.source)
    for key, source in contract.SOURCES.items():
        made.add("sources", source=key, citation=source.citation)


class _Centre:
    """Invents one centre."""

    def __init__(self, made: Invention, plan: Plan, dice: random.Random, night: str) -> None:
        self.made, self.plan, self.dice, self.night = made, plan, dice, night
        self.device = f"{plan.centre}-set-1"
        self.waiver = f"waiver-{plan.centre}"

    def invent(self) -> None:
        plan, text = self.plan, self.plan.text
        empty = plan.n_sessions == 0
        delivery = text(f"{plan.centre}-2026-03")
        self.made.add("centres", centre=plan.centre, title=f"Laboratory {plan.centre}",
                      altitude_m=120.0, n_deliveries=0 if empty else 2, n_sessions=plan.n_sessions,
                      last_delivery_at=None if empty else NIGHT_AT - timedelta(hours=9),
                      state="nothing" if empty else "late" if plan.late else "delivered")
        self.made.add("devices", device=self.device, centre=plan.centre,
                      equipment_class="set-a", file_format="csv", rate_hz=200.0,
                      gas_state="measured", box_volume_l=65.0)
        if empty:
            return
        self._deliveries(delivery)
        days = max(1, min(plan.n_sessions * 3, 540))
        for i in range(plan.n_sessions):
            at = NIGHT_AT - timedelta(days=days * (plan.n_sessions - i) / plan.n_sessions, hours=-7)
            self._session(i, at, delivery, held=i >= plan.n_sessions - plan.held_sessions)
        self._conservation()

    def _deliveries(self, delivery: str) -> None:
        plan, text = self.plan, self.plan.text
        common = {"centre": plan.centre, "first_night": self.night, "n_checks": 3,
                  "sha256": "0" * 64}
        self.made.add("deliveries", delivery=delivery, created_at=NIGHT_AT - timedelta(hours=9),
                      state="accepted", n_sessions=plan.n_sessions, n_recordings=9,
                      n_problems=plan.held_sessions, **common)
        if not plan.held_sessions:
            return
        bad = text(f"{plan.centre}-2026-03b")
        self.made.add("deliveries", delivery=bad, created_at=NIGHT_AT - timedelta(hours=8),
                      state="quarantined", n_sessions=2, n_recordings=6, n_problems=1, **common)
        self._problem(bad, None, where="delivery.json", row=None, column=None,
                      value=None, expected="recordings.csv beside delivery.json",
                      sentence="recordings.csv is named in delivery.json but is not there.",
                      remedy="Copy the whole folder again and write delivery.json last.")

    def _problem(self, delivery: str, session: str | None, *, where: str, row: int | None,
                 column: str | None, value: str | None, expected: str, sentence: str,
                 remedy: str) -> None:
        text = self.plan.text
        self.made.add("problems", problem=len(self.made.tables["problems"]) + 1, night=self.night,
                      centre=self.plan.centre, delivery=delivery, session=session, recording=None,
                      kind="bad_cell", where_found=text(where), row=row, column_name=column,
                      value=None if value is None else text(value), expected=expected,
                      sentence=text(sentence), remedy=remedy)

    def _session(self, i: int, at: datetime, delivery: str, *, held: bool) -> None:
        plan, text, dice = self.plan, self.plan.text, self.dice
        session = text(f"{plan.centre}-s{i:04d}")
        infant = text(f"{plan.centre}-i{i // 2:04d}")
        kinds = sorted({c for t in plan.techniques for c in contract.TECHNIQUES[t].needs_checks})
        checks = {kind: self._check(i, kind, at - timedelta(hours=1), delivery) for kind in kinds}
        values = {"session": session, "item_kind": "session", "technique": contract.SESSION.key}
        status, flagged, alerts, why = ("quarantined", False, 0, "Held: weight_kg is not a number.")
        if held:
            self._problem(delivery, session, where="sessions.csv", row=i + 2, column="weight_kg",
                          value="7,4 kg", expected="a number in kg, such as 7.4",
                          sentence="weight_kg is not a number.",
                          remedy="Write the weight as a plain number in kg and deliver again.")
        else:
            status, flagged, alerts, why = self._judge(
                session, "session", at, fail_share=0.012, **values)
        operator = text(f"op-{dice.choice('abc')}")
        if i % 2 == 0:
            self.made.add("infants", infant=infant, centre=plan.centre, sex="female",
                          gestation_weeks=39.0, birth_weight_kg=3.3, n_sessions=2)
        self.made.add("sessions", session=session, centre=plan.centre, infant=infant, visit="v1",
                      tested_at=at, device=self.device, delivery=delivery, sex="female",
                      gestation_weeks=39.0, birth_weight_kg=3.3, age_days=220 + i, weight_kg=7.4,
                      length_cm=66.5, weight_z=0.1, length_z=0.2, operator=operator, status=status,
                      flagged=flagged, n_alerts=alerts, why=text(why) if why else None)
        for technique in plan.techniques:
            self._test(session, technique, at, delivery=delivery, operator=operator, held=held,
                       visit_status=status, checks=checks)

    def _check(self, i: int, kind: str, at: datetime, delivery: str) -> bool:
        """Invent one check; returns whether it was accepted."""
        name = self.plan.text(f"{self.plan.centre}-{kind}-{i:04d}")
        status, flagged, _, why = self._judge(
            name, "check", at, fail_share=0.03, technique=kind, session=None, item_kind="check")
        self.made.add("checks", check_id=name, centre=self.plan.centre, device=self.device,
                      kind=kind, done_at=at, delivery=delivery, file=f"signals/{i}.csv",
                      state="measured", status=status, flagged=flagged, why=why)
        return status == "accepted"

    def _judge(self, item: str, level: str, at: datetime, *, fail_share: float, technique: str,
               session: str | None, item_kind: str, known: dict[str, float] | None = None
               ) -> tuple[str, bool, int, str]:
        """Write a verdict of every rule of one item and return its status."""
        status, flagged, alerts, why = "accepted", False, 0, []
        for rule in RULES_OF[(technique, level)]:
            fails = self.dice.random() < fail_share
            value = (known or {}).get(rule.quantity, self._value(rule, fails))
            state = _state(rule, value)
            sentence = "" if state == "pass" else self.plan.text(say(rule, value, unit=_unit(rule)))
            self.made.add("verdicts", item_kind=item_kind, item=item, centre=self.plan.centre,
                          session=session, technique=technique, rule=rule.key,
                          quantity=rule.quantity, observed=value,
                          limit_low=rule.low, limit_high=rule.high, unit=_unit(rule),
                          operator=rule.operator, severity=rule.severity, state=state,
                          sentence=sentence or None, waiver=None)
            if state == "fail" and rule.severity == "reject":
                status = "rejected"
                why.append(sentence)
            flagged |= state == "fail" and rule.severity == "flag"
            alerts += state == "fail" and rule.severity == "alert"
        return status, flagged, alerts, " ".join(why)

    def _value(self, rule: Rule, fails: bool) -> float:
        """Invent a value that keeps or misses the limit."""
        low, high = rule.low, rule.high
        span = abs(high if high is not None else low or 0.0) or 1.0
        near = self.dice.uniform(0.02, 0.4) * span
        if fails and self.dice.random() < 0.1:
            return float("nan")
        if rule.operator == "equals":
            return (1.0 - low if low in (0.0, 1.0) else low + 1) if fails else low  # type: ignore[operator,return-value]
        if low is not None and high is not None:
            inside = (low + high) / 2 + 0.1 * (high - low) * self.dice.uniform(-1, 1)
            return high + near if fails else inside
        if low is not None:
            return low - near if fails else low + near
        return high + near if fails else high - near  # type: ignore[operator]

    def _test(self, session: str, technique: str, at: datetime, *, delivery: str, operator: str,
              held: bool, visit_status: str, checks: dict[str, bool]) -> None:
        plan, text, centre = self.plan, self.plan.text, self.plan.centre
        test, recording = f"{session}/{technique}", text(f"{session}-{technique}")
        n = 0 if held else plan.n_trials
        self.made.add("recordings", recording=recording, session=session, centre=centre,
                      technique=technique, delivery=delivery, file=text(f"signals/{recording}.csv"),
                      file_sha256="0" * 64, started_at=at, sleep_state="quiet",
                      operator_accepts=True, state="quarantined" if held else "measured",
                      rate_hz=200.0, duration_s=60.0, n_trials=n, content_key="k" + recording,
                      code_fingerprint="c0de", why=None)
        statuses = [self._trial(recording, session, technique, k, at) for k in range(1, n + 1)]
        good = sum(s == "accepted" for s, _ in statuses)
        known = {f"{kind}_check_accepted": float(checks[kind])
                 for kind in contract.TECHNIQUES[technique].needs_checks}
        known["n_accepted"] = float(good)
        status, flagged, why = "quarantined", False, "Held with its session."
        if not held:
            status, flagged, _, why = self._judge(
                test, "test", at, fail_share=0.03, technique=technique, session=session,
                item_kind="test", known=known)
            status = "rejected" if visit_status == "rejected" else status
            for name, value in known.items():
                self.made.add("test_values", test=test, centre=centre, technique=technique,
                              quantity=name, value=value, reason=None)
        self.made.add("tests", test=test, session=session, centre=centre, technique=technique,
                      tested_at=at, operator=operator, device=self.device, status=status,
                      flagged=flagged, n_recordings=1, n_trials=n, n_accepted=good,
                      n_rejected=n - good, n_not_judgeable=0,
                      n_flagged=sum(f and s == "accepted" for s, f in statuses),
                      why=text(why) if why else None)
        self._outcomes(session, technique, status, recording, good)

    def _trial(self, recording: str, session: str, technique: str, k: int, at: datetime
               ) -> tuple[str, bool]:
        trial = f"{recording}#{k}"
        start = len(self.made.tables["verdicts"])
        status, flagged, _, why = self._judge(
            trial, "trial", at, fail_share=self.plan.fail_share, technique=technique,
            session=session, item_kind="trial")
        self.made.add("trials", trial=trial, recording=recording, session=session,
                      centre=self.plan.centre, technique=technique, trial_index=k,
                      start_s=6.0 * k, end_s=6.0 * k + 5.0, status=status, flagged=flagged,
                      why=why or None)
        judged = {v["quantity"]: v["observed"] for v in self.made.tables["verdicts"][start:]}
        for q in contract.TECHNIQUES[technique].quantities:
            if q.level == "trial":
                value = judged.get(q.name, self.dice.uniform(0.5, 90))
                self.made.add("trial_values", trial=trial, centre=self.plan.centre,
                              technique=technique, quantity=q.name, value=value,
                              reason="too short" if np.isnan(value) else None)
        return status, flagged

    def _outcomes(self, session: str, technique: str, status: str, recording: str, good: int
                  ) -> None:
        for outcome in contract.TECHNIQUES[technique].outcomes:
            value = self.dice.gauss(100, 12) if status == "accepted" else None
            self.made.add("outcomes", session=session, centre=self.plan.centre, technique=technique,
                          outcome=outcome.name, value=value, unit=outcome.unit, n_trials=good,
                          trials=f"{recording}#1", sd=3.0, cv_pct=3.0, z=None,
                          percent_predicted=None, equation=None, z_why="no equation",
                          status=status, flagged=False, why=None)
            if value is None or outcome is not contract.TECHNIQUES[technique].outcomes[0]:
                continue
            wrong = self.dice.random() < 0.08
            reported = value * (1.09 if wrong else self.dice.gauss(1.01, 0.02))
            common = {"session": session, "centre": self.plan.centre, "technique": technique,
                      "outcome": outcome.name}
            self.made.add("reported", **common, value=reported, unit=outcome.unit,
                          conditions="BTPS", delivery="d")
            self.made.add("agreement", **common, reported_value=reported,
                          reported_unit=outcome.unit,
                          conditions="BTPS", reported_converted=reported, central_value=value,
                          unit=outcome.unit, difference=reported - value,
                          difference_pct=100 * (reported - value) / value,
                          suspected_cause=self.plan.text("BTPS not applied") if wrong else "none")

    def _conservation(self) -> None:
        own = [t for t in self.made.tables["tests"] if t["centre"] == self.plan.centre]
        for technique in self.plan.techniques:
            tests = [t for t in own if t["technique"] == technique]
            held = sum(t["status"] == "quarantined" for t in tests)
            found = sum(t["n_trials"] for t in tests)
            self.made.add("conservation", night=self.night, centre=self.plan.centre,
                          technique=technique, delivered=len(tests), measured=len(tests) - held,
                          no_trial=0, quarantined=held, crashed=0, found=found,
                          accepted=sum(t["n_accepted"] for t in tests),
                          rejected=sum(t["n_rejected"] for t in tests), not_judgeable=0,
                          flagged=sum(t["n_flagged"] for t in tests), balances=True)


def _rules_of() -> dict[tuple[str, str], list[Rule]]:
    found: dict[tuple[str, str], list[Rule]] = {}
    owners = [*contract.TECHNIQUES, *contract.CHECKS, contract.SESSION.key]
    for owner in owners:
        for level in ("trial", "test", "check", "session"):
            found[(owner, level)] = [
                r for r in contract.RULES.values() if r.owner == owner and r.level == level
            ]
    return found


RULES_OF = _rules_of()


def _unit(rule: Rule) -> str:
    return contract.QUANTITIES[(rule.owner, rule.level, rule.quantity)].unit


def _state(rule: Rule, value: float) -> str:
    if np.isnan(value):
        return rule.missing
    above = rule.low is None or value >= rule.low
    below = rule.high is None or value <= rule.high
    return "pass" if above and below else "fail"


def study_at(path: Path, plans: Sequence[Plan]) -> Study:
    """Return a study object for invented centres, without reading a study folder."""
    centres = {}
    for plan in plans:
        device = Device(
            device=f"{plan.centre}-set-1", centre=plan.centre, equipment_class="set-a",
            file_format="csv", rate_hz=200.0, time_column="t", csv_delimiter=",", csv_decimal=".",
            gas_state="measured", expired_temperature_c=34.0, expired_humidity_pct=100.0,
            box_volume_l=65.0, box_calibrated_empty=True, channels=())
        centres[plan.centre] = Centre(
            plan.centre, f"Laboratory {plan.centre}", 120.0, {device.device: device})
    return Study(path=path, name="invented", title="An invented study", centres=centres)


def publish_invented(path: Path, made: Invention, *, night: str = "2026-03-30") -> Path:
    """Publish invented rows as a night and return its folder."""
    facts = NightFacts(
        study="invented", started_at=NIGHT_AT, ended_at=NIGHT_AT + timedelta(minutes=4),
        state="amber", code_fingerprint="c0de", rules_version="ru1e5",
        contract_version=contract.CONTRACT_VERSION)
    return publish(path, night, made.frames(), facts)
