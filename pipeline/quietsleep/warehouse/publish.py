"""Publish a night: build it aside, check it, then swap one pointer.

Killed at any moment, a publication leaves the last good night as it was: nothing below
`warehouse/nights` is ever written in place, and `current` moves in one step at the end.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from quietsleep.errors import WarehouseError
from quietsleep.judge.guard import Guard, unguarded
from quietsleep.store.engine import frugal_engine
from quietsleep.store.tables import (
    PLAIN_CODE,
    HeldTable,
    Rows,
    TableOnDisk,
    in_contract,
    show_files,
    to_arrow,
)
from quietsleep.study.closed import FOLDER_MODE, close_to_others
from quietsleep.study.register_file import sync_folder
from quietsleep.warehouse.briefing import BEHIND, briefing_frame
from quietsleep.warehouse.briefing import TABLE as BRIEFING
from quietsleep.warehouse.changes import CHANGES_TABLE, changes_since
from quietsleep.warehouse.current import (
    FEWEST_NIGHTS_KEPT,
    digest_of_lines,
    nights_folder,
    point_at,
    published_nights,
    remove_old_nights,
    sha256_of,
    sync_tree,
)
from quietsleep.warehouse.integrity import damage
from quietsleep.warehouse.parquet import Part, link_or_copy, with_contents
from quietsleep.warehouse.session_changes import TABLE as SESSION_CHANGES
from quietsleep.warehouse.session_changes import session_changes_frame
from quietsleep.warehouse.stamps import keep_stamps

if TYPE_CHECKING:
    import duckdb
    import pandas as pd
import json
from collections.abc import Iterable

import pyarrow as pa
import pyarrow.parquet as pq

from quietsleep.contract.model import Table
from quietsleep.contract.schemas import arrow_schema
from quietsleep.warehouse.current import night_facts
from quietsleep.warehouse.database import write_database
from quietsleep.warehouse.described import warehouse_contract, write_datapackage, write_dictionary
from quietsleep.warehouse.parquet import part_rows, write_parts
from quietsleep.warehouse.views import stored_view_sql, view_sql, views

# Tables that tell of other tables of the same night.
TOLD = (SESSION_CHANGES, BRIEFING)


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
    code: Mapping[str, Any] = field(default_factory=dict)
    register: Mapping[str, Any] = field(default_factory=dict)
    known_answers: Sequence[Mapping[str, Any]] = ()
    stages: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class TakenOut:
    """What was ever withdrawn, as (centre, session), and the nights that were published since."""

    sessions: frozenset[tuple[str, str]]
    nights: frozenset[str]


def publish(
    study_path: Path,
    night: str,
    frames: Mapping[str, pd.DataFrame | TableOnDisk],
    facts: NightFacts,
    *,
    keep: int = FEWEST_NIGHTS_KEPT,
    renamed: Mapping[str, str] | None = None,
    withdrawn: TakenOut | None = None,
    untold: Collection[tuple[str, str]] = (),
    guard: Guard = unguarded,
) -> Path:
    """Publish the frames or spools (by warehouse table name) as one night; return its folder.

    Every warehouse table must be there; `changes` may be left out and is then found by comparing
    with the night before, in which centres may have had other codes (`renamed`), and what is said
    of it with it: `session_changes` and `briefing`; `guard` keeps one question of it away from the
    others. WarehouseError, with nothing changed, when a frame does not fit its contract or the
    night is already published.
    `keep` is at least 7: that many nights stay for readers that still hold an older one, but for
    nights that hold what was `withdrawn` since. Of it, and of the sessions that are `untold` (by
    centre and code), no change is told.
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
        parts = _with_changes(
            building,
            tables,
            parts,
            before=readable,
            night=night,
            contract=facts.contract_version,
            renamed=renamed,
            out={*untold, *(withdrawn.sessions if withdrawn else ())},
        )
        parts = _with_briefing(
            building, tables, parts, before=readable, compared=readable is not None, guard=guard
        )
        describe_tables(building, tables, parts, _night_json(night, before, facts))
        close_to_others(building)
        sync_tree(building)
        building.replace(final)
    return _swap(study_path, night, keep, withdrawn)


def publish_again(
    study_path: Path,
    night: str,
    frames: Mapping[str, pd.DataFrame],
    facts: NightFacts,
    *,
    keep: int = FEWEST_NIGHTS_KEPT,
    withdrawn: TakenOut | None = None,
    guard: Guard = unguarded,
) -> Path:
    """Publish the night before as another night, with frames in the place of some of its tables.

    All other tables are links to its files; nothing is compared, so `changes` is empty.
    WarehouseError where there is no night before.
    """
    before = _night_before(study_path, night)
    if before is None:
        raise WarehouseError("There is no published night whose tables could stand.")
    said, contract = night_facts(before), warehouse_contract()
    no_changes = arrow_schema(contract[CHANGES_TABLE]).empty_table()
    held: dict[str, Rows] = {CHANGES_TABLE: HeldTable(contract[CHANGES_TABLE], no_changes)}
    for name, frame in frames.items():
        held[name] = HeldTable(contract[name], to_arrow(contract[name], frame))
    kept = {
        name: TableInNight(contract[name], n_rows)
        for name, n_rows in said["counts"].items()
        if name not in held and name not in TOLD
    }
    final = nights_folder(study_path) / night
    with _building(study_path, night) as building:
        kept_parts = (Part(**part) for part in said["parts"] if part["table"] in kept)
        parts = [with_contents(part, before) for part in kept_parts]
        for part in parts:
            link_or_copy(before / part.path, building / part.path)
        parts += write_tables(building, held, before=before)
        parts = _with_briefing(
            building, held, parts, before=before, compared=True, judged=False, guard=guard
        )
        describe_tables(building, {**held, **kept}, parts, _night_json(night, before, facts))
        close_to_others(building)
        sync_tree(building)
        building.replace(final)
    return _swap(study_path, night, keep, withdrawn)


def _swap(study_path: Path, night: str, keep: int, withdrawn: TakenOut | None) -> Path:
    """Let people read a night that stands in its place; the oldest nights go."""
    final = nights_folder(study_path) / night
    final.parent.chmod(FOLDER_MODE)
    sync_folder(final.parent)
    point_at(study_path, final)
    may_stay = None if withdrawn is None else {*withdrawn.nights, night}
    remove_old_nights(study_path, keep=keep, may_stay=may_stay)
    keep_stamps(study_path, final)  # last: a link that goes with an old night is a change, too
    return final.resolve()


@contextmanager
def _building(study_path: Path, night: str) -> Iterator[Path]:
    """Make a folder to build a night in; whatever is left of it at the end takes no space."""
    aside = study_path / "warehouse" / ".aside"
    shutil.rmtree(aside, ignore_errors=True)
    building = aside / night
    building.mkdir(parents=True)
    aside.chmod(FOLDER_MODE)
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


def _tables(frames: Mapping[str, pd.DataFrame | TableOnDisk]) -> dict[str, Rows]:
    """Bring every frame to its contract; the rows of a spool are brought to it already."""
    contract = warehouse_contract()
    told = {CHANGES_TABLE, *TOLD} & set(contract)
    wrong = sorted(set(contract) ^ (set(frames) | told))
    if wrong:
        raise WarehouseError(f"Tables missing or unknown: {', '.join(wrong)}.")
    return {
        name: frame
        if isinstance(frame, TableOnDisk)
        else HeldTable(contract[name], to_arrow(contract[name], frame))
        for name, frame in frames.items()
    }


def _with_changes(
    building: Path,
    tables: dict[str, Rows],
    parts: list[Part],
    *,
    before: Path | None,
    night: str,
    contract: str,
    renamed: Mapping[str, str] | None,
    out: Collection[tuple[str, str]],
) -> list[Part]:
    """Add the table of changes, unless it was handed over, and return all parts."""
    if CHANGES_TABLE in tables:
        return parts
    changes = changes_since(
        before, building, parts, night, contract=contract, renamed=renamed, out=out
    )
    table = warehouse_contract()[CHANGES_TABLE]
    tables[CHANGES_TABLE] = HeldTable(table, to_arrow(table, changes))
    return parts + write_tables(building, {CHANGES_TABLE: tables[CHANGES_TABLE]}, before=before)


def _with_briefing(
    building: Path,
    tables: dict[str, Rows],
    parts: list[Part],
    *,
    before: Path | None,
    compared: bool,
    judged: bool = True,
    guard: Guard,
) -> list[Part]:
    """Add what is told of the other tables, unless it was handed over, and return all parts."""
    contract = warehouse_contract()
    make: dict[str, Callable[[duckdb.DuckDBPyConnection], pd.DataFrame]] = {
        SESSION_CHANGES: session_changes_frame,
        BRIEFING: partial(briefing_frame, compared=compared, judged=judged, guard=guard),
    }
    told = [name for name in TOLD if name in contract and name not in tables]
    if not told:
        return parts

    def files(name: str) -> list[Path]:
        return [building / part.path for part in parts if part.table == name]

    with frugal_engine(building.parent) as engine:
        for name in (*BEHIND, CHANGES_TABLE):
            show_files(engine, contract[name], files(name))
        for name in told:
            frame = in_contract(make[name](engine), name)
            tables[name] = HeldTable(contract[name], to_arrow(contract[name], frame))
            parts = parts + write_tables(building, {name: tables[name]}, before=before)
            show_files(engine, contract[name], files(name))
    return parts


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
        "code": dict(facts.code),
        "register": dict(facts.register),
        "known_answers": list(facts.known_answers),
        "stages": dict(facts.stages),
    }


Tables = Mapping[str, Rows]


@dataclass(frozen=True, slots=True)
class TableInNight:
    """A table whose parts stand in a night already."""

    table: Table
    n_rows: int


@dataclass(frozen=True, slots=True)
class ShownViews:
    """The views of a database: described, the statements that lay them out, and a text of them."""

    views: Sequence[Table]
    statements: Sequence[str]
    text: str


class Counted(Protocol):
    """A table and how many rows it has."""

    @property
    def table(self) -> Table:
        """The table by its contract."""

    @property
    def n_rows(self) -> int:
        """How many rows there are."""


def write_tables(folder: Path, tables: Tables, *, before: Path | None) -> list[Part]:
    """Write tables below an empty folder and return their parts.

    Parts that the night at `before` holds already become links to its files.
    """
    known = {row["path"]: Part(**row) for row in night_facts(before)["parts"]} if before else {}
    return write_parts(tables, folder, before=before, parts_before=known)


def describe_tables(
    folder: Path,
    tables: Mapping[str, Counted],
    parts: Sequence[Part],
    facts: Mapping[str, Any],
    *,
    shown: ShownViews | None = None,
) -> None:
    """Write the database and all that describes the parts in a folder, and count what is there.

    `facts` becomes NIGHT.json, with the counts, the digests of contents by table and of all, the
    other files and the parts added. `shown` are the views where they are not worked out from these
    tables. WarehouseError when a count is wrong.
    """
    shown = shown or ShownViews(views(), stored_view_sql(), view_sql())
    parts = sorted(parts, key=lambda part: part.path)
    contract = [rows.table for _, rows in sorted(tables.items())]
    counts = {name: rows.n_rows for name, rows in sorted(tables.items())}
    _check_counts(folder, counts, parts)
    write_database(folder, contract, parts, shown.statements)
    (folder / "views.sql").write_text(shown.text + "\n", encoding="utf-8")
    write_datapackage(
        folder / "datapackage.json",
        contract,
        parts,
        study=str(facts["study"]),
        night=str(facts["night"]),
    )
    write_dictionary(folder / "dictionary.csv", contract, shown.views)
    contents = contents_of(parts)
    held = {
        "counts": counts,
        "contents_sha256": digest_of_lines(contents),
        "contents": contents,
        "files": _files_beside(folder),
        "parts": part_rows(parts),
    }
    write_json(folder / "NIGHT.json", {**facts, **held})


def contents_of(parts: Iterable[Part]) -> dict[str, str]:
    """Return the digest of each table's contents, from those of its parts."""
    by_table: dict[str, dict[str, str]] = {}
    for part in parts:
        by_table.setdefault(part.table, {})[part.path] = part.contents_sha256
    return {name: digest_of_lines(digests) for name, digests in sorted(by_table.items())}


def _files_beside(folder: Path) -> dict[str, dict[str, Any]]:
    """Return size and digest of the files beside the tables, the database among them."""
    return {
        path.name: {"bytes": path.stat().st_size, "sha256": sha256_of(path)}
        for path in sorted(path for path in folder.iterdir() if path.is_file())
    }


def _check_counts(folder: Path, counts: Mapping[str, int], parts: Sequence[Part]) -> None:
    """Count the rows in the files, and compare with what was handed over."""
    held = dict.fromkeys(counts, 0)
    for part in parts:
        held[part.table] += pq.read_metadata(folder / part.path).num_rows
    for name, expected in counts.items():
        if held[name] != expected:
            raise WarehouseError(
                f"Table {name} holds {held[name]} rows in its files, not {expected}."
            )


def read_table(folder: Path, name: str) -> pa.Table:
    """Read one table of a night or release from its parquet parts, in their order."""
    paths = [part["path"] for part in night_facts(folder)["parts"] if part["table"] == name]
    if not paths:
        raise WarehouseError(
            f"{folder.name} has no table {name}: an older version published it. Run a night first."
        )
    return pa.concat_tables([pq.ParquetFile(folder / path).read() for path in paths])


def write_json(path: Path, content: Mapping[str, Any]) -> None:
    """Write a JSON file that a person can read too."""
    path.write_text(
        json.dumps(content, indent=2, ensure_ascii=False, default=str) + "\n", encoding="utf-8"
    )
