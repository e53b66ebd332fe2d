"""Contracts and code agree both ways: what is declared is produced, what is produced declared."""

from __future__ import annotations

from pathlib import Path

import duckdb
import pytest

from quietsleep import contract
from quietsleep.night.night import NightReport
from quietsleep.techniques.interface import technique_of
from quietsleep.warehouse.database import open_current

Night = tuple[Path, NightReport]
NAMES = ("find_trials", "measure_trial", "measure_test", "mark_trial")


@pytest.mark.parametrize("key", [*contract.TECHNIQUES, *contract.CHECKS])
def test_every_technique_and_check_keeps_the_interface(key: str) -> None:
    module = technique_of(key)
    assert module.SPEC.key == key
    assert all(callable(getattr(module, name)) for name in NAMES)


@pytest.fixture(scope="module")
def produced(demo_night: Night) -> set[tuple[str, str, str]]:
    """(owner, level, quantity) of every value in the warehouse of the demo night."""
    sql = (
        "SELECT DISTINCT technique, 'trial', quantity FROM trial_values UNION "
        "SELECT DISTINCT technique, 'test', quantity FROM test_values UNION "
        "SELECT DISTINCT kind, level, quantity FROM check_values UNION "
        "SELECT DISTINCT 'session', 'session', quantity FROM session_values"
    )
    with open_current(demo_night[0]) as warehouse:
        return set(warehouse.execute(sql).fetchall())


def test_every_declared_quantity_is_produced_and_the_reverse(
    produced: set[tuple[str, str, str]],
) -> None:
    declared = set(contract.QUANTITIES)
    assert declared - produced == set()
    assert produced - declared == set()


def test_every_declared_rule_is_judged_and_the_reverse(demo_night: Night) -> None:
    with open_current(demo_night[0]) as warehouse:
        judged = {r for (r,) in warehouse.execute("SELECT DISTINCT rule FROM verdicts").fetchall()}
    assert judged == set(contract.RULES)


def test_every_declared_outcome_is_reported_and_the_reverse(demo_night: Night) -> None:
    with open_current(demo_night[0]) as warehouse:
        rows = warehouse.execute("SELECT DISTINCT outcome FROM outcomes WHERE value IS NOT NULL")
        assert {name for (name,) in rows.fetchall()} == set(contract.OUTCOMES)


def test_every_column_of_the_warehouse_is_in_the_dictionary_and_the_reverse(
    demo_night: Night,
) -> None:
    with open_current(demo_night[0]) as warehouse:
        columns = (
            "SELECT table_name, column_name, comment FROM duckdb_columns() "
            "WHERE schema_name = 'main' AND NOT internal"
        )
        found = {(table, column): comment for table, column, comment in
                 warehouse.execute(columns).fetchall()}  # fmt: skip
    dictionary = demo_night[0] / "warehouse" / "current" / "dictionary.csv"
    told = duckdb.connect().execute(
        'SELECT "table", "column" FROM read_csv(?, all_varchar = true)', [str(dictionary)]
    )
    assert set(told.fetchall()) == set(found)
    assert all(found.values()), [name for name, comment in found.items() if not comment]
