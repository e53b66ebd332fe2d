"""The data queries that should be open, against the table of queries."""

from __future__ import annotations

from pathlib import Path

from tests.weeks.oracle import Expected


def differences_of_queries(path: Path, expected: Expected) -> list[str]:
    """Open queries that should not be, and the other way."""
    return []
