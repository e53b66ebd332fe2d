"""What one delivery brought."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from quietsleep.intake.find import Found
from quietsleep.intake.store import Address
from quietsleep.records import Problem

if TYPE_CHECKING:
    import pandas as pd

DeliveredState = Literal["accepted", "quarantined", "arriving"]


@dataclass(slots=True)
class Delivered:
    """What one delivery brought.

    `tables` (sessions, recordings, checks, reported) hold the clean typed rows, `held` the rows
    held back, bad cells missing; both have the columns of the contract, `row`, and `local_day`,
    the day by the centre's own clock. A recording or check that is in `held_recordings` or
    `held_checks` because of its file keeps its clean row. `root` is the folder that `files` lie
    in; `stamps` are their (bytes, mtime_ns, sha256), to be handed in again the next night.
    """

    centre: str
    delivery: str
    state: DeliveredState
    root: Path | Address
    created: datetime | None = None
    sha256: str = ""
    tables: dict[str, pd.DataFrame] = field(default_factory=dict)
    held: dict[str, pd.DataFrame] = field(default_factory=dict)
    files: dict[str, tuple[int, str]] = field(default_factory=dict)
    stamps: dict[str, tuple[int, int, str]] = field(default_factory=dict)
    held_sessions: dict[str, list[Problem]] = field(default_factory=dict)
    held_recordings: dict[str, list[Problem]] = field(default_factory=dict)
    held_checks: dict[str, list[Problem]] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)
    counts: dict[str, int] = field(default_factory=dict)


def without_rows(
    found: Found, root: Path | Address, state: DeliveredState, problems: Iterable[Problem]
) -> Delivered:
    """Return a delivery of which nothing is taken in but its problems."""
    return Delivered(found.centre, found.delivery, state, root, problems=list(problems))
