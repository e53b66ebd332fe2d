"""What a night says of what a person has to hear of, and the state that it gives the night."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from quietsleep import contract
from quietsleep.contract import Rule
from quietsleep.judge.rules import judge
from quietsleep.judge.study import alerts_among
from quietsleep.measure.pool import InProcess
from quietsleep.night.stages import run_night
from quietsleep.night.verdict import alerts_in_words, named
from tests.faults.nights import write_micro_study
from tests.handmade import deliveries_of

ALERTS = [r for r in contract.SESSION.rules if r.severity == "alert"]
CONSENT = next(r for r in contract.SESSION.rules if r.name == "consent")
DAY = pd.Timestamp("2026-03-03").date()


def verdicts_of(rule: Rule, observed: list[float]) -> pd.DataFrame:
    sessions = [f"larch-s{n:03d}" for n in range(1, len(observed) + 1)]
    values = pd.DataFrame({"item": sessions, "session": sessions, "value": observed})
    values = values.assign(centre="larch", technique="session", on=DAY, quantity=rule.quantity)
    return judge(values, [rule], (), level="session")


def beyond(rule: Rule) -> float:
    """A value that fails the rule."""
    return rule.low - 1 if rule.low is not None else (rule.high or 0.0) + 1


@pytest.mark.parametrize("rule", ALERTS, ids=lambda rule: rule.name)
def test_every_alert_is_a_sentence_that_names_its_centre_and_sessions(rule: Rule) -> None:
    good = rule.low if rule.low is not None else rule.high
    assert good is not None
    verdicts = verdicts_of(rule, [beyond(rule), good, beyond(rule), float("nan")])
    (said,) = alerts_in_words(alerts_among(verdicts))
    assert said.startswith("2 safety alerts at larch") and rule.name.replace("_", " ") in said
    assert "larch-s001, larch-s003" in said and "larch-s002" not in said
    waived = verdicts.assign(state="waived")
    assert alerts_in_words(alerts_among(waived)) == []


def test_consent_that_is_missing_or_refused_is_a_sentence() -> None:
    (said,) = alerts_in_words(alerts_among(verdicts_of(CONSENT, [0.0, 1.0, float("nan")])))
    assert "consent" in said and "larch-s001, larch-s003" in said


def test_many_codes_are_counted() -> None:
    codes = pd.Series([f"s{n:03d}" for n in range(40)])
    assert named(codes) == "sessions s000, s001, s002, s003, s004 and 35 more"
    assert named(codes[:1]) == "session s000"


def test_a_night_whose_only_trouble_are_two_alerts_is_amber_night_after_night(
    tmp_path: Path, pool: InProcess
) -> None:
    study = write_micro_study(tmp_path / "study")
    assert run_night(study).state == "green"
    (delivery,) = deliveries_of(study, "larch")
    delivery.change("sessions", staff_present="1", resuscitation_equipment_checked="no")
    (other,) = deliveries_of(study, "juniper")
    for _ in range(2):
        report = run_night(study)
        assert report.state == "amber"
        said, *others = report.sentences
        assert said.startswith("2 safety alerts at larch (enough staff, resuscitation equipment)")
        assert all("was edited since" in sentence for sentence in others), others
        other.seal(note="again")  # the next night has something to do, and says it again
