"""A query of a person takes no more memory and time than it may, and leaves nothing on the disk."""

from __future__ import annotations

from pathlib import Path
from time import monotonic

import pytest

from quietsleep.warehouse.current import current_night
from quietsleep.warehouse.database import (
    QueryError,
    QueryLimits,
    open_night,
    query_rows,
    run_query,
)

SORTED = "SELECT i FROM (SELECT i, hash(i) AS h FROM range(20000000) AS r(i)) ORDER BY h"
ENDLESS = "SELECT count(*) FROM range(100000000) AS a(i), range(100000000) AS b(j) WHERE i + j = 7"
MANY = "SELECT i, 'a text of some length' AS t FROM range(20000000) AS r(i)"


@pytest.mark.parametrize("ask", [run_query, query_rows])
@pytest.mark.parametrize("statement", [SORTED, MANY])
def test_a_query_beyond_its_memory_is_ended_in_a_sentence(
    published: Path, ask: object, statement: str
) -> None:
    assert callable(ask)
    night, limits = current_night(published), QueryLimits(memory_gb=0.1)
    before = sorted(night.rglob("*"))
    with (
        open_night(night, limits) as connection,
        pytest.raises(QueryError, match=r"needs more than 0\.1 GB of memory and was ended"),
    ):
        ask(connection, statement, limits)
    assert sorted(night.rglob("*")) == before


@pytest.mark.parametrize("ask", [run_query, query_rows])
def test_a_query_that_does_not_end_is_ended_in_a_sentence(published: Path, ask: object) -> None:
    assert callable(ask)
    limits, begun = QueryLimits(seconds=0.5), monotonic()
    with (
        open_night(current_night(published), limits) as connection,
        pytest.raises(QueryError, match=r"took longer than 0\.5 s and was ended"),
    ):
        ask(connection, ENDLESS, limits)
    assert monotonic() - begun < 60
    with open_night(current_night(published), limits) as connection:
        assert len(run_query(connection, "SELECT * FROM sessions", limits)) > 0


def test_a_query_cannot_lift_its_own_limits(published: Path) -> None:
    limits = QueryLimits(memory_gb=0.1)
    with open_night(current_night(published), limits) as connection:
        for setting in ("memory_limit = '9GB'", "temp_directory = '/tmp'", "threads = 9"):
            with pytest.raises(QueryError):
                run_query(connection, f"SET {setting}", limits)
