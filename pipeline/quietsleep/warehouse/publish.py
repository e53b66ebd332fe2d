"""Publish a night: build it aside, check it, then swap one pointer.

Killed at any moment, a publication leaves the last good night as it was: nothing below
`warehouse/nights` is ever written in place, and `current` moves in one step at the end.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from quietsleep.store.tables import Held, Rows, Spool
from quietsleep.warehouse.changes import CHANGES_TABLE, changes_since
from quietsleep.warehouse.contents import describe_tables, warehouse_contract, write_tables
from quietsleep.warehouse.current import (
    FEWEST_NIGHTS_KEPT,
    WarehouseError,
    current_night,
    nights_folder,
    point_at,
    published_nights,
    remove_old_nights,
    sync_folder,
    sync_tree,
)
from quietsleep.warehouse.integrity import damage
from quietsleep.warehouse.parquet import PLAIN_CODE, Part, to_arrow

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["NightFacts", "WarehouseError", "current_night", "publish"]


@dataclass(frozen=True, slots=True)
class NightFacts:
    """What NIGHT.json says of a night besides its counts."""

    study: str
    started_at: datetime
    ended_at: datetime
    state: str
    code_fingerprint: str
    rules_version: str
    contract_version: str
    known_answers: Sequence[Mapping[str, Any]] = ()
    stages: Mapping[str, float] = field(default_factory=dict)


def publish(
    study_path: Path,
    night: str,
    frames: Mapping[str, pd.DataFrame | Spool],
    facts: NightFacts,
    *,
    keep: int = FEWEST_NIGHTS_KEPT,
) -> Path:
    """Publish the frames or spools (by warehouse table name) as one night; return its folder.

    Every warehouse table must be there; `changes` may be left out and is then found by comparing
    with the night before. WarehouseError, with nothing changed, when a frame does not fit its
    contract or the night is already published. `keep` is at least 7: that many nights stay for
    readers that still hold an older one.
    """
    if keep < FEWEST_NIGHTS_KEPT:
        raise WarehouseError(f"At least {FEWEST_NIGHTS_KEPT} nights are kept, not {keep}.")
    before = _night_before(study_path, night)
    # A night that was damaged since can be named, but neither compared with nor linked to.
    readable = before if before and not damage(before) else None
    tables = _tables(frames)
    final = nights_folder(study_path) / night
    final.parent.mkdir(parents=True, exist_ok=True)
    with _building(study_path, night) as building:
        parts = write_tables(building, tables, before=readable)
        parts = _with_changes(building, tables, parts, readable, night)
        describe_tables(building, tables, parts, _night_json(night, before, facts))
        sync_tree(building)
        building.replace(final)
    sync_folder(final.parent)
    point_at(study_path, final)
    remove_old_nights(study_path, keep=keep)
    return final.resolve()


@contextmanager
def _building(study_path: Path, night: str) -> Iterator[Path]:
    """Make a folder to build a night in; whatever is left of it at the end takes no space."""
    aside = study_path / "warehouse" / ".aside"
    shutil.rmtree(aside, ignore_errors=True)
    building = aside / night
    building.mkdir(parents=True)
    try:
        yield building
    finally:
        shutil.rmtree(aside, ignore_errors=True)


def _night_before(study_path: Path, night: str) -> Path | None:
    """Return the published night, after clearing what a killed publication left of this one."""
    if not PLAIN_CODE.fullmatch(night):
        raise WarehouseError(f"{night!r} cannot be the name of a night's folder.")
    nights = published_nights(study_path)
    folder = nights_folder(study_path) / night
    if folder.resolve() in nights:
        raise WarehouseError(f"Night {night} is published already; a night is never changed.")
    shutil.rmtree(folder, ignore_errors=True)
    return nights[0] if nights else None


def _tables(frames: Mapping[str, pd.DataFrame | Spool]) -> dict[str, Rows]:
    """Bring every frame to its contract; the rows of a spool are brought to it already."""
    contract = warehouse_contract()
    wrong = sorted(set(contract) ^ (set(frames) | {CHANGES_TABLE}))
    if wrong:
        raise WarehouseError(f"Tables missing or unknown: {', '.join(wrong)}.")
    return {
        name: frame
        if isinstance(frame, Spool)
        else Held(contract[name], to_arrow(contract[name], frame))
        for name, frame in frames.items()
    }


def _with_changes(
    building: Path, tables: dict[str, Rows], parts: list[Part], before: Path | None, night: str
) -> list[Part]:
    """Add the table of changes, unless it was handed over, and return all parts."""
    if CHANGES_TABLE in tables:
        return parts
    changes = changes_since(before, building, parts, night)
    table = warehouse_contract()[CHANGES_TABLE]
    tables[CHANGES_TABLE] = Held(table, to_arrow(table, changes))
    return parts + write_tables(building, {CHANGES_TABLE: tables[CHANGES_TABLE]}, before=before)


def _night_json(night: str, before: Path | None, facts: NightFacts) -> dict[str, Any]:
    return {
        "night": night,
        "study": facts.study,
        "previous": before.name if before else None,
        "state": facts.state,
        "started_at": facts.started_at.isoformat(),
        "ended_at": facts.ended_at.isoformat(),
        "code_fingerprint": facts.code_fingerprint,
        "rules_version": facts.rules_version,
        "contract_version": facts.contract_version,
        "known_answers": list(facts.known_answers),
        "stages": dict(facts.stages),
    }
