"""The data queries that should be open, against the table of queries."""

from __future__ import annotations

from tests.weeks.oracle import Expected
from tests.weeks.standing import Published


def differences_of_queries(ask: Published, expected: Expected) -> list[str]:
    """Open queries that should not be, and the other way."""
    return []
