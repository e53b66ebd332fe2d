"""How texts, names and files are written into statements: the one place that quotes.

A value goes as a parameter where the database takes one; this is for the rest.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

# What the database takes for a pattern in the name of a file; inside brackets each is itself.
_OF_PATTERNS = "*?["


def literal(text: str) -> str:
    """Write a text as a literal."""
    return "'" + text.replace("'", "''") + "'"


def identifier(name: str) -> str:
    """Write the name of a table, view or column."""
    return '"' + name.replace('"', '""') + '"'


def exact_path(path: Path | str) -> str:
    """Return the pattern that means this one file and no other, for `read_parquet` as parameter.

    A folder called `study [2]` must not be read as one called `study 2`.
    """
    return "".join(f"[{sign}]" if sign in _OF_PATTERNS else sign for sign in str(path))


def exact_paths(paths: Iterable[Path | str]) -> str:
    """Write a list of files for `read_parquet`, each of which means itself."""
    return f"[{', '.join(literal(exact_path(path)) for path in paths)}]"
