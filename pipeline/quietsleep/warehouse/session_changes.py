"""What changed of each session between two nights, counted and told, from the table `changes`.

The one home of the sentence for a session: the table `session_changes`, a dry run and a comparison
of two nights or releases all say it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING, Any

import pandas as pd

from quietsleep.contract.wording import count, spaced

if TYPE_CHECKING:
    import duckdb

TABLE = "session_changes"
COLUMNS = ("table_name", "key", "column_name", "before", "after", "cause")
# Tables whose changes are told in words; the others are only counted.
TOLD = ("sessions", "tests", "outcomes", "trials")
MOST_VALUES = 3
NOTHING = "details that no result depends on"

# Which session a changed row is of: keys begin with the centre, and name the session next or as the
# first part of an item. Checks, devices and rules are of no session.
PLACED = """
SELECT *, part[1] AS centre, CASE
    WHEN table_name IN ('sessions', 'outcomes', 'reported') THEN part[2]
    WHEN table_name IN ('tests', 'recordings', 'trials') THEN split_part(part[2], '/', 1)
    WHEN table_name = 'verdicts' AND part[2] IN ('trial', 'test', 'session')
        THEN split_part(part[3], '/', 1)
    END AS session, CASE
    WHEN table_name = 'outcomes' THEN part[4]
    WHEN table_name = 'tests' THEN split_part(part[2], '/', 2)
    ELSE '' END AS thing
FROM (SELECT *, string_split(key, '|') AS part FROM changes)
"""
COUNTED = f"""
WITH placed AS ({PLACED}),
causes AS (
    SELECT centre, session, string_agg(DISTINCT one, ', ' ORDER BY one) AS cause FROM (
        SELECT centre, session, unnest(string_split(cause, ', ')) AS one FROM placed
        WHERE session IS NOT NULL AND cause IS NOT NULL)
    GROUP BY ALL
)
SELECT p.centre, p.session,
    CASE WHEN bool_or(table_name = 'sessions' AND column_name = '' AND before IS NULL) THEN 'new'
        WHEN bool_or(table_name = 'sessions' AND column_name = '' AND after IS NULL) THEN 'gone'
        ELSE 'changed' END AS what,
    count(*) FILTER (table_name = 'tests' AND column_name = '' AND before IS NULL) AS n_tests_new,
    count(*) FILTER (table_name = 'tests' AND column_name = 'status' AND after = 'accepted')
        AS n_tests_gained,
    count(*) FILTER (table_name = 'tests' AND column_name = 'status' AND before = 'accepted')
        AS n_tests_lost,
    count(*) FILTER (table_name = 'outcomes' AND column_name = 'value') AS n_outcomes_changed,
    count(*) AS n_cells, any_value(c.cause) AS cause
FROM placed AS p
LEFT JOIN causes AS c ON c.centre = p.centre AND c.session = p.session
WHERE p.session IS NOT NULL AND p.session <> ''
GROUP BY ALL ORDER BY p.centre, p.session
"""
TO_TELL = f"""
SELECT centre, session, table_name, thing, column_name, before, after FROM ({PLACED})
WHERE table_name IN {TOLD} AND session <> '' AND column_name IN ('', 'status', 'value')
ORDER BY centre, session, table_name, key, column_name
"""


@dataclass(frozen=True, slots=True)
class SessionChange:
    """What changes of one session, without its name and a stop, and the causes that were found."""

    centre: str
    session: str
    sentence: str
    causes: tuple[str, ...]


def session_changes_frame(connection: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Return one row for each session that a database with the table `changes` tells of."""
    found = connection.execute(COUNTED).df()
    told = _told_by_session(connection)
    sentences = [
        _sentence(*key, told.get(key, NOTHING))
        for key in zip(found["centre"], found["session"], strict=True)
    ]
    return found.assign(sentence=pd.Series(sentences, index=found.index, dtype="object"))


def session_changes(changes: pd.DataFrame) -> Iterator[SessionChange]:
    """Tell what changes session by session; what is of no session is left out."""
    with _as_table(changes) as connection:
        found = connection.execute(COUNTED).fetchall()
        told = _told_by_session(connection)
    for centre, session, *_, cause in found:
        causes = tuple(cause.split(", ")) if cause else ()
        yield SessionChange(centre, session, told.get((centre, session), NOTHING), causes)


def with_sessions(changes: pd.DataFrame) -> pd.DataFrame:
    """Return changes with the columns centre and session; of no session, session is missing."""
    with _as_table(changes) as connection:
        placed = connection.execute(f"SELECT centre, session FROM ({PLACED})").df()
    return changes.assign(centre=placed["centre"].to_numpy(), session=placed["session"].to_numpy())


@contextmanager
def _as_table(changes: pd.DataFrame) -> Iterator[duckdb.DuckDBPyConnection]:
    import duckdb

    with duckdb.connect() as connection:
        # As text: a column without any value would have no type.
        connection.register("changes", changes[list(COLUMNS)].astype("string"))
        yield connection


def _told_by_session(connection: duckdb.DuckDBPyConnection) -> dict[tuple[str, str], str]:
    rows = connection.execute(TO_TELL).fetchall()
    return {
        key: _told([tuple(row[2:]) for row in own])
        for key, own in groupby(rows, key=lambda row: (row[0], row[1]))
    }


def _told(rows: Sequence[Any]) -> str:
    """Say what becomes of one session: itself, or its tests, its outcomes, its trials."""
    by: dict[tuple[str, str], list[Any]] = {}
    for table, *row, column, before, after in rows:
        by.setdefault((table, column), []).append((*row, before, after))
    whole = {table: by.get((table, ""), []) for table in TOLD}
    if whole["sessions"]:
        return _came_or_went(whole)
    said = [f"{spaced(thing)} {_added(before)}" for thing, before, _ in whole["tests"]]
    said += [_from_to(spaced(row[0]), row) for row in by.get(("tests", "status"), ())]
    return "; ".join([*said, *_outcomes(by, whole), *_trials(by)] or [NOTHING])


def _came_or_went(whole: Mapping[str, Sequence[Any]]) -> str:
    how = "new" if whole["sessions"][0][1] is None else "gone"
    parts = [count(len(whole[f"{one}s"]), one) for one in ("test", "outcome") if whole[f"{one}s"]]
    return f"the session is {how}{', with ' if parts else ''}{' and '.join(parts)}"


def _outcomes(by: Mapping[Any, Sequence[Any]], whole: Mapping[str, Sequence[Any]]) -> list[str]:
    cells = [*by.get(("outcomes", "value"), ()), *whole["outcomes"]]
    moved = [row for row in cells if row[1] is not None and row[2] is not None]
    gained, lost = (sum(row[side] is None for row in cells) for side in (1, 2))
    more = len(moved) - MOST_VALUES
    said = [_from_to(row[0], row) for row in moved[:MOST_VALUES]]
    said += [f"{count(more, 'more outcome')} changed"] if more > 0 else []
    said += [f"{count(gained, 'outcome')} gained"] if gained else []
    return said + ([f"{count(lost, 'outcome')} lost"] if lost else [])


def _trials(by: Mapping[Any, Sequence[Any]]) -> list[str]:
    judged = len(by.get(("trials", "status"), ()))
    return [f"{count(judged, 'trial')} judged otherwise"] if judged else []


def _sentence(centre: str, session: str, told: str) -> str:
    own = told.removeprefix("the session ")
    return f"Session {session} of {centre}{':' if own == told else ''} {own}."


def _added(before: str | None) -> str:
    return "added" if before is None else "removed"


def _from_to(what: str, row: Sequence[Any]) -> str:
    return f"{what} from {_shown(row[1])} to {_shown(row[2])}"


def _shown(value: str | None) -> str:
    if value is None:
        return "nothing"
    try:
        return f"{float(value):.5g}"
    except ValueError:
        return spaced(value)
