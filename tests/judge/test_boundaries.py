"""Boundary tests generated from the rule tables: at the limit, next to it, and missing."""

from __future__ import annotations

import math
from datetime import date, timedelta

import numpy as np
import pandas as pd
import pytest

from quietsleep import contract
from quietsleep.contract import Rule
from quietsleep.judge.rules import judge

RULES = list(contract.RULES.values())


def judged(rule: Rule, value: float, *, on: date | None = None, other: float = math.nan) -> str:
    """State of the verdict of one rule on one item with this value (and its alternative's)."""
    numbers = {rule.quantity: value}
    if rule.alternative is not None:
        numbers[rule.alternative.quantity] = other
    rows = pd.DataFrame(
        [
            {"centre": "c", "session": "s", "technique": rule.owner, "item": "i"}
            | {"on": on or rule.valid_from, "quantity": name, "value": number}
            for name, number in numbers.items()
        ]
    )
    verdicts = judge(rows, [rule], (), level=rule.level)
    assert len(verdicts) == 1
    return str(verdicts["state"][0])


def limits(rule: Rule) -> list[tuple[float, float]]:
    """Return (limit, direction that leaves it) of each side of a rule."""
    sides = [] if rule.low is None else [(rule.low, -math.inf)]
    return sides if rule.high is None else [*sides, (rule.high, math.inf)]


@pytest.mark.parametrize("rule", RULES, ids=lambda r: r.key)
def test_limit_itself_passes_and_the_next_number_beyond_fails(rule: Rule) -> None:
    assert limits(rule)
    for limit, outward in limits(rule):
        assert judged(rule, limit) == "pass"
        assert judged(rule, float(np.nextafter(limit, outward))) == "fail"
        inside = float(np.nextafter(limit, -outward))
        assert judged(rule, inside) == ("fail" if rule.operator == "equals" else "pass")


@pytest.mark.parametrize("rule", RULES, ids=lambda r: r.key)
def test_missing_number_follows_the_policy_of_the_rule(rule: Rule) -> None:
    assert judged(rule, math.nan) == rule.missing


@pytest.mark.parametrize("rule", RULES, ids=lambda r: r.key)
def test_rule_is_silent_before_its_first_day(rule: Rule) -> None:
    rows = pd.DataFrame(
        [
            {"centre": "c", "session": "s", "technique": rule.owner, "item": "i", "value": 0.0}
            | {"on": rule.valid_from - timedelta(days=1), "quantity": rule.quantity}
        ]
    )
    assert judge(rows, [rule], (), level=rule.level).empty


@pytest.mark.parametrize("rule", [r for r in RULES if r.alternative], ids=lambda r: r.key)
def test_alternative_rescues_only_inside_its_own_limit(rule: Rule) -> None:
    assert rule.alternative is not None and rule.high is not None
    beyond = rule.high * 2.0
    limit = rule.alternative.high
    assert limit is not None
    assert judged(rule, beyond, other=limit) == "pass"
    assert judged(rule, beyond, other=float(np.nextafter(limit, math.inf))) == "fail"


@pytest.mark.parametrize("rule", RULES, ids=lambda r: r.key)
def test_sentence_of_a_failure_names_value_and_limit(rule: Rule) -> None:
    quantity = contract.QUANTITIES[(rule.owner, rule.level, rule.quantity)]
    for limit, outward in limits(rule):
        beyond = limit + math.copysign(max(abs(limit), 1.0) * 0.02, outward)
        rows = pd.DataFrame(
            [
                {"centre": "c", "session": "s", "technique": rule.owner, "item": "i"}
                | {"on": rule.valid_from, "quantity": rule.quantity, "value": beyond}
            ]
        )
        sentence = str(judge(rows, [rule], (), level=rule.level)["sentence"][0])
        assert "{" not in sentence
        if "{observed}" in rule.sentence and not quantity.labels:
            assert f"{beyond:.3g}" in sentence
        if "{limit}" in rule.sentence and not quantity.labels:
            assert f"{limit:g}" in sentence
