"""What changed since the night before, told session by session, from the table `changes`."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import pandas as pd

if TYPE_CHECKING:
    import duckdb

TABLE = "session_changes"

# Which session a changed row is of: keys begin with the centre, and name the session next or as the
# first part of an item. Checks, devices and rules are of no session.
OF_SESSION = """
WITH told AS (
    SELECT *, string_split(key, '|') AS part FROM changes
),
placed AS (
    SELECT *, part[1] AS centre, CASE
        WHEN table_name IN ('sessions', 'outcomes', 'reported') THEN part[2]
        WHEN table_name IN ('tests', 'recordings', 'trials') THEN split_part(part[2], '/', 1)
        WHEN table_name = 'verdicts' AND part[2] IN ('trial', 'test', 'session')
            THEN split_part(part[3], '/', 1)
        END AS session
    FROM told
),
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
    count(*) FILTER (table_name = 'tests' AND column_name = '' AND after IS NULL) AS n_tests_gone,
    count(*) FILTER (table_name = 'tests' AND column_name = 'status' AND after = 'accepted')
        AS n_tests_gained,
    count(*) FILTER (table_name = 'tests' AND column_name = 'status' AND before = 'accepted')
        AS n_tests_lost,
    count(*) FILTER (table_name = 'outcomes' AND column_name = 'value') AS n_outcomes_changed,
    count(*) AS n_cells, any_value(c.cause) AS cause
FROM placed AS p
LEFT JOIN causes AS c ON c.centre = p.centre AND c.session = p.session
WHERE p.session IS NOT NULL AND p.session <> ''
GROUP BY ALL ORDER BY ALL
"""


def session_changes_frame(connection: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Return one row for each session that a database with the table `changes` tells of."""
    found = connection.execute(OF_SESSION).df()
    sentences = [said_of(row) for row in found.to_dict("records")]
    return found.assign(sentence=pd.Series(sentences, index=found.index, dtype="object"))


def said_of(row: Mapping[Any, Any]) -> str:
    """Say in one sentence what changed of a session."""
    name = f"Session {row['session']} of {row['centre']}"
    numbers = (
        "n_tests_new",
        "n_tests_gone",
        "n_tests_gained",
        "n_tests_lost",
        "n_outcomes_changed",
    )
    new, gone, gained, lost, moved = (int(row[n]) for n in numbers)
    parts = [
        (new, f"{count(new, 'test')} came", row["what"] != "gone"),
        (gone, f"{count(gone, 'test')} went", row["what"] == "changed"),
        (gained, f"{count(gained, 'test')} became accepted", True),
        (lost, f"{count(lost, 'test')} lost acceptance", True),
        (moved, f"{count(moved, 'outcome')} changed", row["what"] == "changed"),
    ]
    said = ", ".join(words for n, words, tells in parts if n and tells)
    if row["what"] == "new":
        return f"{name} is new{f': {said}' if said else ''}."
    if row["what"] == "gone":
        with_it = f": {count(gone, 'test')} went with it" if gone else ""
        return f"{name} is not there any more{with_it}."
    return f"{name}: {said}." if said else f"{name}: details changed, no test and no outcome."


def count(n: int, one: str) -> str:
    """Say a number of things."""
    return f"{n} {one}" if n == 1 else f"{n} {one}s"
