"""What is planted in a study is named by the right sentence, and nothing where nothing is."""

from __future__ import annotations

from datetime import date, timedelta

import pandas as pd
import pytest

from tests.warehouse.planted import FIRST, Planted, briefing_of, connect, tables_of

CASES = {
    "slipping": (Planted(slips="hazel"), "hazel", "hazel slips"),
    "drifting": (Planted(drifts="cedar"), "cedar-set", "cedar-set of cedar drifts: syringe error"),
    "missing": (Planted(silent="birch"), "birch", "birch is silent"),
    "comparable": (Planted(wrong_unit="maple"), "maple", "times that of the other centres"),
}


@pytest.mark.parametrize("question", CASES)
def test_what_is_planted_is_named_and_nothing_else(question: str) -> None:
    planted, named, words = CASES[question]
    answers = briefing_of(tables_of(3, planted))
    assert answers.loc[question, "named"] == named
    assert words in str(answers.loc[question, "sentence"])
    assert answers.loc[question, "tone"] == "act"
    others = answers.drop(index=question)
    assert others["named"].isna().all(), others["sentence"].tolist()


@pytest.mark.parametrize("seed", range(20))
def test_nothing_is_named_on_a_quiet_study(seed: int) -> None:
    answers = briefing_of(tables_of(100 + seed))
    assert answers["named"].isna().all(), answers["sentence"].tolist()
    assert set(answers["tone"]) == {"good"}


def test_a_slip_is_dated_and_held_against_the_own_past() -> None:
    standing = tables_of(3, Planted(slips="hazel"))["standing"]
    row = standing[(standing["centre"] == "hazel") & (standing["technique"] == "all")].iloc[0]
    began = FIRST + timedelta(days=91)
    assert abs((row["since"] - began).days) <= 42
    assert row["n_past"] + row["n_recent"] == row["n_tests"]
    assert row["past_share_pct"] - row["recent_share_pct"] == pytest.approx(25.0 * 0.96, abs=5.0)


def test_a_device_that_drifts_shows_although_checks_fail() -> None:
    """Failed checks made the usual range so wide that no drift could show."""
    drifts = tables_of(5, Planted(drifts="cedar", checks_fail=True))["drifts"]
    own = drifts[drifts["quantity"] == "error_inspired_pct"].set_index("device")
    assert own.loc["cedar-set", "drifting"]
    assert own.loc["cedar-set", "slope_per_week"] == pytest.approx(0.3, abs=0.12)
    others = own.drop(index="cedar-set")
    assert not others["drifting"].any()
    assert (others["n_in_tolerance"] < others["n_checks"]).all()
    # The scatter is 0.3 %: a range of three SD on either side, whatever the failed ones were.
    widths = others["usual_high"] - others["usual_low"]
    assert ((widths > 1.2) & (widths < 2.6)).all()


def test_every_number_is_what_its_query_gives() -> None:
    tables = tables_of(3, Planted(slips="hazel", drifts="cedar", silent="birch"))
    answers = briefing_of(tables)
    with connect(tables) as connection:
        for answer in answers.to_dict("records"):
            value, of_value = connection.execute(str(answer["sql"])).fetchall()[0]
            assert value == answer["value"]
            assert of_value == answer["of_value"] or pd.isna(answer["of_value"])


def test_counts_are_those_of_the_tests() -> None:
    tables = tables_of(7)
    with connect(tables) as connection:
        rows = connection.execute(
            "SELECT any_value(s.n_tests), any_value(s.n_accepted), count(*), "
            "count(*) FILTER (status = 'accepted'), any_value(s.n_recent), "
            "count(*) FILTER (tested_on >= s.recent_from), any_value(s.n_past) "
            "FROM standing AS s JOIN tests AS t ON t.centre = s.centre "
            "AND (s.technique = 'all' OR t.technique = s.technique) "
            "GROUP BY s.centre, s.technique"
        ).fetchall()
        weeks = connection.execute(
            "SELECT w.n_tests, w.n_accepted, count(test), "
            "count(test) FILTER (status = 'accepted') FROM acceptance_weeks AS w "
            "LEFT JOIN tests AS t ON t.centre = w.centre "
            "AND (w.technique = 'all' OR t.technique = w.technique) "
            "AND t.tested_on BETWEEN w.week AND w.week + 6 "
            "GROUP BY w.centre, w.technique, w.week, w.n_tests, w.n_accepted"
        ).fetchall()
    assert rows and all(
        n == all_n and a == all_a and recent == all_recent and recent + past == n
        for n, a, all_n, all_a, recent, all_recent, past in rows
    )
    assert len(weeks) == 5 * 7 * 12
    assert all(row[:2] == row[2:] for row in weeks)


def test_the_first_night_has_nothing_to_compare_with() -> None:
    answers = briefing_of(tables_of(1, Planted(until_day=30)), compared=False)
    assert answers.loc["changed", "tone"] == "none"
    assert answers.loc["slipping", "tone"] in ("none", "good")
    assert isinstance(FIRST, date)
