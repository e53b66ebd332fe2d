"""Judging: status from verdicts, waivers, dated changes of limits, numbers put into words."""

from __future__ import annotations

from datetime import date

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietsleep import contract
from quietsleep.judge.limits import show_beyond
from quietsleep.judge.rules import judge, rules_in_study, rules_version, status_of_items
from quietsleep.study.study import LimitChange, Waiver

DAY = date(2026, 3, 1)
LEAK = contract.RULES["tidal.no_leak"]
BREATHS = contract.RULES["tidal.enough_breaths"]
RULES = (LEAK, BREATHS)


def values(**numbers: float) -> pd.DataFrame:
    return pd.DataFrame(
        [
            {"centre": centre, "session": "s1", "technique": "tidal", "item": "r1#1", "on": DAY}
            | {"quantity": name, "value": value}
            for centre in ("larch", "willow")
            for name, value in numbers.items()
        ]
    )


def decision(limit: float, day: date) -> LimitChange:
    return LimitChange("tidal.no_leak", (limit,), day, "leak of the new masks", "lead-1", day)


def test_all_rules_are_evaluated_and_every_failure_is_named() -> None:
    verdicts = judge(values(volume_imbalance_pct=7.0, n_breaths=8), RULES, (), level="trial")
    assert set(verdicts["state"]) == {"fail"}
    why = str(status_of_items(verdicts).loc[("larch", "r1#1"), "why"])
    assert "7 %" in why and "8 regular breaths" in why


def test_same_code_at_two_centres_is_two_items() -> None:
    rows = values(volume_imbalance_pct=1.0, n_breaths=20)
    rows.loc[(rows["centre"] == "willow") & (rows["quantity"] == "n_breaths"), "value"] = 5
    status = status_of_items(judge(rows, RULES, (), level="trial"))["status"]
    assert status["larch", "r1#1"] == "accepted"
    assert status["willow", "r1#1"] == "rejected"


def test_waiver_counts_for_its_own_centre_and_rule_only() -> None:
    waiver = Waiver("w1", "larch", "trial", "r1#1", LEAK.key, "agreed", "lead-1", DAY)
    rows = values(volume_imbalance_pct=7.0, n_breaths=20)
    verdicts = judge(rows, RULES, [waiver], level="trial")
    waived = verdicts[verdicts["state"] == "waived"]
    assert list(waived[["centre", "rule", "waiver"]].itertuples(index=False, name=None)) == [
        ("larch", LEAK.key, "w1")
    ]
    status = status_of_items(verdicts)["status"]
    assert (status["larch", "r1#1"], status["willow", "r1#1"]) == ("accepted", "rejected")


@pytest.mark.parametrize(
    ("day", "state"), [(date(2026, 2, 28), "fail"), (date(2026, 3, 1), "pass")]
)
def test_decision_holds_from_its_day_on(day: date, state: str) -> None:
    rules = rules_in_study([LEAK], [decision(8.0, date(2026, 3, 1))])
    verdicts = judge(values(volume_imbalance_pct=7.0).assign(on=day), rules, (), level="trial")
    assert set(verdicts["state"]) == {state}


def test_two_changes_of_a_limit_follow_each_other() -> None:
    rules = rules_in_study(
        [LEAK], [decision(9.0, date(2026, 6, 1)), decision(8.0, date(2026, 3, 1))]
    )
    assert [(r.high, r.valid_from, r.valid_until) for r in rules] == [
        (5.0, LEAK.valid_from, date(2026, 2, 28)),
        (8.0, date(2026, 3, 1), date(2026, 5, 31)),
        (9.0, date(2026, 6, 1), None),
    ]


def test_version_of_rules_moves_with_any_limit() -> None:
    plain = rules_version(contract.RULES.values())
    changed = rules_version(rules_in_study(contract.RULES.values(), [decision(5.5, DAY)]))
    assert plain == rules_version(contract.RULES.values()) != changed


@pytest.mark.parametrize(
    ("value", "limit", "text"),
    [
        (10.04, 10.0, "10.04"),
        (10.4, 10.0, "10.4"),
        (10.0, 10.0, "10"),
        (0.00996, 0.01, "0.00996"),
        (1234.5678, 900.0, "1230"),
        (2.0000001, 2.0, "2.0000001"),
        (0.000010000000001, 0.00001, "0.000010000000001"),
        (123456.0, 900.0, "123000"),
    ],
)
def test_number_is_shown_so_that_its_failure_can_be_seen(
    value: float, limit: float, text: str
) -> None:
    assert show_beyond(value, limit) == text


@settings(max_examples=500)
@given(
    limit=st.floats(-1e6, 1e6).filter(lambda x: abs(x) > 1e-6),
    share=st.floats(1e-9, 0.5),
)
def test_failing_number_never_reads_like_its_limit(limit: float, share: float) -> None:
    value = limit * (1.0 + share)
    if value != limit:
        assert float(show_beyond(value, limit)) != limit
