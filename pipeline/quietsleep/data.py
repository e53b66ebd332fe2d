"""Where the data lie that the program ships: contracts and the invented study."""

from __future__ import annotations

from pathlib import Path

_PACKAGE = Path(__file__).parent


def data_folder(name: str) -> Path:
    """Return the folder `name` of data: inside an installed package, or beside it in a checkout."""
    inside = _PACKAGE / name
    return inside if inside.is_dir() else _PACKAGE.parents[1] / name
