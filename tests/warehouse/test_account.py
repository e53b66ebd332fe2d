"""Where sessions and tests went: on studies that are drawn with a known end for every test."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import duckdb
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom

from quietsleep.contract import OUTCOMES, TABLES
from quietsleep.contract.schemas import duckdb_ddl
from quietsleep.errors import WarehouseError
from quietsleep.night.night import NightReport
from quietsleep.site.report.write import write_report
from quietsleep.warehouse.account import (
    GROUPS,
    NO_TRIAL,
    NOT_COMPUTABLE,
    QUARANTINED,
    STEPS,
    Account,
    Flow,
    account_of,
)
from quietsleep.warehouse.current import current_night
from quietsleep.warehouse.database import open_night
from quietsleep.warehouse.release import make_release
from quietsleep.warehouse.statistics import share_interval
from quietsleep.warehouse.views import definitions

TECHNIQUES = tuple(dict.fromkeys(outcome.technique for outcome in OUTCOMES.values()))
# What a test can end as, with its status, its trials, and the rule that stopped it.
ENDS = ("analysed", "empty", "held", "no_trial", "unjudged", "few", "check", "other")
RULES = {"few": "enough_trials", "check": "syringe_check", "other": "repeatable"}
QUANTITIES = {"few": "n_accepted", "check": "syringe_check_accepted", "other": "frc_cv_pct"}
GROUP = dict(GROUPS)


@pytest.fixture(scope="module")
def empty() -> Iterator[duckdb.DuckDBPyConnection]:
    with duckdb.connect() as connection:
        for table in TABLES.values():
            if table.group == "warehouse":
                connection.execute(duckdb_ddl(table).partition(";")[0])
        connection.execute(definitions())
        yield connection


def filled(connection: duckdb.DuckDBPyConnection, study: Any) -> duckdb.DuckDBPyConnection:
    for name, frame in study.frames().items():
        connection.execute(f"DELETE FROM {name}")
        if len(frame):
            connection.register("held", frame)
            connection.execute(f"INSERT INTO {name} BY NAME SELECT * FROM held")
            connection.unregister("held")
    return connection


class Drawn:
    """A study drawn by a number, and the ends that were drawn for it."""

    def __init__(self, number: int, study: Any) -> None:
        self.random, self.study = random.Random(number), study
        self.tests: Counter[str] = Counter()
        self.sessions: Counter[str] = Counter()
        self.n_not_come = 0
        for rows in study.rows.values():
            rows.clear()
        for technique in TECHNIQUES:
            for end, rule in RULES.items():
                study.add("rules", rule=f"{technique}.{rule}", quantity=QUANTITIES[end])
        study.add("nights", night="n1", state="green")
        for centre in ("larch", "maple"):
            study.add("devices", centre=centre, device="set")
            for at in range(self.random.randrange(8)):
                self.session(centre, f"S{at}")

    def session(self, centre: str, code: str) -> None:
        status = self.random.choice(("accepted", "accepted", "rejected", "quarantined"))
        self.study.add("sessions", centre=centre, session=code, device="set", status=status)
        if status == "rejected":
            self.study.add("verdicts", centre=centre, session=code, item=code, state="fail",
                           item_kind="session", severity="reject", rule="session.age")  # fmt: skip
        before = self.tests["analysed"]
        for technique in TECHNIQUES:
            planned = self.random.random() < 0.5
            done = self.random.random() < 0.7
            if planned:
                self.study.add("expected", centre=centre, what="technique", session=code,
                               technique=technique, item=f"{code}/{technique}",
                               state="received" if done else "missing")  # fmt: skip
            if done:
                self.test(centre, code, technique, status)
            self.n_not_come += planned and not done
        if status == "accepted":
            status = "analysed" if self.tests["analysed"] > before else "nothing"
        self.sessions[status] += 1

    def test(self, centre: str, code: str, technique: str, session: str) -> None:
        end = "session" if session == "rejected" else self.random.choice(ENDS)
        end = "held" if session == "quarantined" else end
        status = {"analysed": "accepted", "empty": "accepted", "held": "quarantined",
                  "unjudged": "not_judgeable"}.get(end, "rejected")  # fmt: skip
        values = dict.fromkeys(OUTCOMES, 1.0) if end == "analysed" else {}
        self.study.test(centre, code, technique, status, **values)
        if end in ("no_trial", "held"):
            self.study.rows["tests"][-1]["n_trials"] = 0
        rules = {**RULES, "no_trial": RULES["few"], "unjudged": RULES["other"]}
        if end in rules:
            self.study.add("verdicts", centre=centre, session=code, technique=technique,
                           item=f"{code}/{technique}", item_kind="test", severity="reject",
                           state="not_judged" if end == "unjudged" else "fail",
                           rule=f"{technique}.{rules[end]}")  # fmt: skip
        self.tests[end] += 1


def adds_up(flow: Flow) -> bool:
    """Whether each box is the one before it less its losses, and none of them is empty."""
    left = flow.steps[0].n
    for step in flow.steps[1:]:
        assert all(n > 0 for _, n in step.losses)
        left -= sum(n for _, n in step.losses)
        if step.n != left:
            return False
    return tuple(step.key for step in flow.steps) == STEPS


def losses(flow: Flow, key: str) -> dict[str, int]:
    return dict(next(step.losses for step in flow.steps if step.key == key))


def there(**counts: int) -> dict[str, int]:
    return {name: n for name, n in counts.items() if n}


@pytest.mark.parametrize("number", range(40))
def test_every_test_ends_where_it_was_drawn_to_end(
    number: int, empty: duckdb.DuckDBPyConnection, new_study: Callable[[], Any]
) -> None:
    drawn = Drawn(number, new_study())
    found = account_of(filled(empty, drawn.study))
    ends, flow = drawn.tests, found.tests
    assert adds_up(flow) and adds_up(found.sessions)
    assert flow.n("attempted") == ends.total() + drawn.n_not_come
    assert flow.n("delivered") == ends.total()
    assert flow.n("analysed") == ends["analysed"]
    assert losses(flow, "readable") == there(**{QUARANTINED: ends["held"],
                                                NO_TRIAL: ends["no_trial"]})  # fmt: skip
    assert losses(flow, "judged") == there(**{GROUP["test"]: ends["unjudged"]})
    assert losses(flow, "accepted") == there(
        **{GROUP[end]: ends[end] for end in ("session", "check", "few")},
        **{GROUP["test"]: ends["other"]},
    )
    assert losses(flow, "analysed") == there(**{NOT_COMPUTABLE: ends["empty"]})
    assert found.sessions.n("delivered") == drawn.sessions.total()
    assert found.sessions.n("accepted") == drawn.sessions["analysed"] + drawn.sessions["nothing"]
    assert found.sessions.n("analysed") == drawn.sessions["analysed"]
    for step in STEPS:
        assert flow.n(step) == sum(own.n(step) for own in found.by_technique.values())


def test_visits_that_did_not_come_are_told_by_their_state(
    empty: duckdb.DuckDBPyConnection, study: Any
) -> None:
    for number, (state, code) in enumerate((
        ("not_yet", None), ("missing", None), ("missing", None), ("overdue", None),
        ("late", "S1"), ("unplanned", "S2"), ("received", "S9"),
    )):  # fmt: skip
        study.add("expected", centre="larch", what="visit", item=f"i{number}/v1", state=state,
                  session=code)  # fmt: skip
    flow = account_of(filled(empty, study)).sessions
    assert flow.is_planned and adds_up(flow)
    # Two of the four sessions are of visits that the plan names; one of a visit is not here.
    assert flow.n("attempted") == 4 + 5 and flow.n("delivered") == 4
    assert losses(flow, "delivered") == {
        "nothing came": 2, "not due yet": 1, "overdue": 1, "not in this release": 1,
    }  # fmt: skip


def test_tables_that_contradict_each_other_are_no_account(
    empty: duckdb.DuckDBPyConnection, study: Any
) -> None:
    study.test("larch", "S2", "raised_volume", "accepted", fvc_ml=200.0)
    with pytest.raises(WarehouseError, match="do not add up: 7 with 3 accepted in acceptance"):
        account_of(filled(empty, study))


def test_a_release_without_a_test_has_an_account(
    empty: duckdb.DuckDBPyConnection, study: Any
) -> None:
    for rows in study.rows.values():
        rows.clear()
    found = account_of(filled(empty, study))
    assert [step.n for step in found.tests.steps] == [0] * 6
    assert (found.shares, found.spreads) == ((), ())


@given(n=st.integers(1, 400), share=st.floats(0, 1))
def test_the_interval_of_a_share_is_exact(n: int, share: float) -> None:
    """At each end what was seen, or further, has a chance of 2.5 % (Clopper, Pearson 1934)."""
    k = round(n * share)
    low, high = share_interval(k, n)
    assert 0 <= low <= k / n <= high <= 1
    if k:
        assert binom.sf(k - 1, n, low) == pytest.approx(0.025, rel=1e-6)
    if k < n:
        assert binom.cdf(k, n, high) == pytest.approx(0.025, rel=1e-6)


def test_no_test_leaves_every_share_open() -> None:
    assert share_interval(0, 0) == (0.0, 1.0)
    # All of ten: the lower end is 0.025 to the tenth root of it.
    low, high = share_interval(10, 10)
    assert low == pytest.approx(0.025**0.1)
    assert high == 1.0


def account_of_demo(demo_night: tuple[Path, NightReport]) -> Account:
    with open_night(current_night(demo_night[0])) as connection:
        return account_of(connection)


def test_the_demo_night_adds_up(demo_night: tuple[Path, NightReport]) -> None:
    found = account_of_demo(demo_night)
    for flow in (found.sessions, found.tests, *found.by_technique.values()):
        assert adds_up(flow)
    with open_night(current_night(demo_night[0])) as connection:
        told = dict(connection.execute("SELECT status, count(*) FROM tests GROUP BY 1").fetchall())
        wide = connection.execute("SELECT count(*) FROM clean_sessions").fetchall()[0][0]
    assert found.tests.n("delivered") == sum(told.values())
    assert found.tests.n("accepted") == told["accepted"]
    assert found.sessions.n("delivered") == wide == 48
    whole = found.shares[-1]
    assert (whole.technique, whole.centre, whole.n_accepted) == ("all", "all", told["accepted"])
    assert sum(s.n_tests for s in found.shares if "all" not in (s.technique, s.centre)) == sum(
        told.values()
    )


def report_of(study: Any, path: Path) -> str:
    study.publish(path, "n1")
    return write_report(make_release(path, "r1"), path / "out").read_text(encoding="utf-8")


def test_a_report_of_a_study_with_a_plan_says_what_did_not_come(study: Any, tmp_path: Path) -> None:
    hostile = '<script>alert(1)</script>\u202e"'
    study.rows["waivers"][0]["reason"] = hostile
    study.add("expected", centre="larch", what="technique", item="S1/double_occlusion",
              session="S1", technique="double_occlusion", state="missing")  # fmt: skip
    for state in ("not_yet", "due", "overdue", "missing"):
        study.add("expected", centre="larch", what="visit", item=f"i{state}/v1", state=state)
    made = report_of(study, tmp_path)
    assert made.count("Planned or done") == 4
    for said in ("not due yet", "due now, not here yet", "overdue", "planned for the visit"):
        assert made.count(said) >= 2, said
    assert "The study has no schedule" not in made
    assert "1 planned test did not come" in made
    assert "<script" not in made and "\u202e" not in made and "alert(1)" in made


def test_a_report_of_a_release_of_nothing_stands(study: Any, tmp_path: Path) -> None:
    for name in study.rows.keys() - {"nights"}:
        study.rows[name].clear()
    made = report_of(study, tmp_path)
    assert "The release holds no test." in made and made.count("0 tests") == 6
