"""Every cell of the data set that is recommended is a value or a reason, over random studies.

No night is run: the tables are drawn at random, as no night would write them, and the views are
asked. What a night never should write is drawn as well.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import duckdb
import pyarrow as pa
import pytest

from quietsleep.contract import OUTCOMES, TABLES
from quietsleep.contract.model import Column
from quietsleep.contract.schemas import arrow_schema, duckdb_ddl
from quietsleep.night.night import NightReport
from quietsleep.warehouse.database import open_current
from quietsleep.warehouse.views import definitions, views

N_STUDIES = 200
(WIDE,) = (view for view in views() if view.name == "clean_sessions")
COVARIATES = [c.name for c in WIDE.columns[: [c.name for c in WIDE.columns].index("status")]]
SESSIONS = ("s1", "s2", "s3", "s4")
TECHNIQUES = tuple(dict.fromkeys(outcome.technique for outcome in OUTCOMES.values()))


class Draw:
    """Random rows of a study, reproducible by its number, in which its centres are told apart."""

    def __init__(self, number: int) -> None:
        self.centres = (f"larch{number}", f"maple{number}")
        self.random = random.Random(number)
        self.share_empty = self.random.choice((0.0, 0.1, 0.5, 0.9))

    def cell(self, column: Column) -> Any:
        """Draw a cell that fits its column; one that may be empty often is, or says nothing."""
        one = self.random
        if column.nullable and one.random() < self.share_empty:
            return None
        drawn: dict[str, Any] = {
            "text": one.choice(("", "words", "a: b; c")),
            "choice": one.choice(column.choices or ("x",)),
            "number": one.choice((0.0, -1.5, 1e9)),
            "integer": one.randrange(3),
            "yes_no": one.random() < 0.5,
            "date": one.choice((date(2000, 1, 1), date(2026, 1, 1))),
            "datetime": datetime(2026, 3, 1, tzinfo=UTC),
        }
        return drawn[column.type]

    def row(self, table: str, **given: Any) -> dict[str, Any]:
        columns = TABLES[table].columns
        return {c.name: given[c.name] if c.name in given else self.cell(c) for c in columns}

    def rows(self) -> Iterator[tuple[str, dict[str, Any]]]:
        """Draw a study: sessions, some of their tests, most of their outcomes, verdicts on any."""
        one = self.random
        for centre in self.centres:
            yield "devices", self.row("devices", centre=centre, device="words",
                                      valid_from=date(2000, 1, 1))  # fmt: skip
            for session in SESSIONS[: one.randrange(len(SESSIONS) + 1)]:
                of_it = {"centre": centre, "session": session}
                yield "sessions", self.row("sessions", **of_it)
                yield from self.verdicts("session", session, technique="session", **of_it)
                for technique in TECHNIQUES:
                    if one.random() < 0.7:
                        yield from self.test(technique=technique, **of_it)

    def test(self, **of_it: str) -> Iterator[tuple[str, dict[str, Any]]]:
        test = f"{of_it['session']}/{of_it['technique']}"
        trial = f"{test}/r#1"
        yield "tests", self.row("tests", test=test, **of_it)
        yield "trials", self.row("trials", trial=trial, **of_it)
        yield from self.verdicts("test", test, **of_it)
        yield from self.verdicts("trial", trial, **of_it)
        for outcome in OUTCOMES.values():
            if outcome.technique == of_it["technique"] and self.random.random() < 0.95:
                yield "outcomes", self.row("outcomes", outcome=outcome.name, **of_it)

    def verdicts(self, kind: str, item: str, **of_it: str) -> Iterator[tuple[str, dict[str, Any]]]:
        for number in range(self.random.randrange(3)):
            yield "verdicts", self.row("verdicts", item_kind=kind, item=item,
                                       rule=f"rule{number}", **of_it)  # fmt: skip


@pytest.fixture(scope="module")
def warehouse() -> Iterator[duckdb.DuckDBPyConnection]:
    """All random studies beside each other, as centres of one: every view joins on the centre."""
    drawn: dict[str, list[dict[str, Any]]] = {}
    for number in range(N_STUDIES):
        for name, row in Draw(number).rows():
            drawn.setdefault(name, []).append(row)
    with duckdb.connect() as connection:
        for table in TABLES.values():
            if table.group == "warehouse":
                connection.execute(duckdb_ddl(table).partition(";")[0])
        for name, rows in drawn.items():
            held = pa.Table.from_pylist(rows, schema=arrow_schema(TABLES[name]))
            connection.register("held", held)
            connection.execute(f"INSERT INTO {name} BY NAME SELECT * FROM held")
        connection.execute(definitions())
        connection.execute("CREATE TABLE wide AS SELECT * FROM clean_sessions")
        connection.execute("CREATE TABLE long AS SELECT * FROM clean_outcomes")
        yield connection


def gaps(warehouse: duckdb.DuckDBPyConnection, wide: str) -> dict[str, int]:
    """Count, by column of clean_sessions, the cells that are neither a value nor a reason.

    And those that are both, which is as bad: a value that somebody is told not to trust.
    """
    whole = "{0} IS NOT NULL AND {0} <> '' AND NOT ends_with({0}, ': ')"
    sound = {}
    for name in OUTCOMES:
        there = f"({name} IS NOT NULL)"
        for column, why in ((name, f"{name}_why"), (f"{name}_z", f"{name}_z_why")):
            sound[column] = f"(({column} IS NOT NULL) <> ({why} IS NOT NULL))"
            sound[why] = f"({why} IS NULL OR {whole.format(why)})"
        sound[f"{name}_flag"] = f"(({name}_flag IS NOT NULL) = {there})"
    for name in COVARIATES:
        named = f"contains('; ' || coalesce(empty_why, ''), '; {name}: ')"
        sound[name] = f"(({name} IS NULL) = {named})"
    sound["status"] = "(status IS NOT NULL)"
    counts = ", ".join(f"count(*) FILTER (NOT coalesce({s}, false))" for s in sound.values())
    row = warehouse.execute(f"SELECT {counts} FROM {wide}").fetchall()[0]
    return {name: n for name, n in zip(sound, row, strict=True) if n}


def unlike_the_long_view(warehouse: duckdb.DuckDBPyConnection, wide: str, long: str) -> int:
    """Count cells in which the wide view says something else than the long one."""
    n_wrong = 0
    for name in OUTCOMES:
        sql = f"""SELECT count(*) FROM {wide} AS s
        LEFT JOIN {long} AS o
            ON o.centre = s.centre AND o.session = s.session AND o.outcome = '{name}'
        WHERE (s.{name}, s.{name}_z, s.{name}_flag) IS DISTINCT FROM (o.value, o.z, o.flagged)"""
        n_wrong += warehouse.execute(sql).fetchall()[0][0]
    return n_wrong


def test_every_cell_is_a_value_or_a_reason_in_random_studies(
    warehouse: duckdb.DuckDBPyConnection,
) -> None:
    assert gaps(warehouse, "wide") == {}
    counts = "SELECT count(DISTINCT (centre, session)), count(*), count(*) FILTER (flagged)"
    n_sessions, n_values, n_flagged = warehouse.execute(f"{counts} FROM long").fetchall()[0]
    assert n_sessions > 50 and n_values > 400 and 0 < n_flagged < n_values


def test_the_wide_view_says_what_the_long_one_says(warehouse: duckdb.DuckDBPyConnection) -> None:
    assert unlike_the_long_view(warehouse, "wide", "long") == 0


def test_every_cell_is_a_value_or_a_reason_in_the_demo_study(
    demo_night: tuple[Path, NightReport],
) -> None:
    with open_current(demo_night[0]) as night:
        assert gaps(night, "clean_sessions") == {}
        assert unlike_the_long_view(night, "clean_sessions", "clean_outcomes") == 0
