"""Whether a published night is as it was published: its files by their digests, its database.

NIGHT.json holds the digest of every file and of every table's contents; the study register, which
is sealed, holds the digest of NIGHT.json. Every night looks at sizes and times; the bytes are read
by the doctor, and where those are not the ones that were kept. Who asks the database passes here,
so what reads parquet is imported where it is used.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Any

from quietsleep.contract.sql import identifier
from quietsleep.errors import WarehouseError
from quietsleep.study.register import Register
from quietsleep.warehouse.current import current_night, night_facts, sha256_of
from quietsleep.warehouse.database import QueryLimits, open_night
from quietsleep.warehouse.registered import facts_digest, facts_said
from quietsleep.warehouse.stamps import are_kept, keep_stamps

if TYPE_CHECKING:
    import duckdb
    import pyarrow as pa

DATABASE = "study.duckdb"
UNREADABLE = (OSError, ValueError, KeyError, TypeError)


def is_complete(night_path: Path) -> bool:
    """Say whether a night holds all its files at their sizes; their bytes are not read."""
    try:
        facts = night_facts(night_path)
        listed = {part["path"]: part["bytes"] for part in facts["parts"]}
        listed |= {name: file["bytes"] for name, file in facts.get("files", {}).items()}
        sizes = [(night_path / path).stat().st_size == size for path, size in listed.items()]
        return all(sizes) and (night_path / DATABASE).stat().st_size > 0
    except UNREADABLE:
        return False


def damage(night_path: Path) -> list[str]:
    """Name what of a night's parquet files is not as it was published; empty when all is."""
    try:
        digests = {part["path"]: part["file_sha256"] for part in night_facts(night_path)["parts"]}
    except UNREADABLE:
        return [f"{night_path.name}: NIGHT.json is missing or cannot be read."]
    return [
        f"{night_path.name}: {path} is missing or was changed."
        for path, sha256 in digests.items()
        if not _is_same(night_path / path, sha256)
    ]


def _is_same(file: Path, sha256: str) -> bool:
    try:
        return sha256_of(file) == sha256
    except OSError:
        return False


def database_damage(night_path: Path) -> list[str]:
    """Name what of a night's database and the files beside it is not as it was published.

    A database with other bytes is read table by table, to say which of them holds other rows. An
    older night knows no digest of its database; then its rows are counted.
    """
    import duckdb

    try:
        facts = night_facts(night_path)
        files: Mapping[str, Any] = facts.get("files", {})
        found = [
            f"{night_path.name}: {name} is missing or was changed."
            for name, file in files.items()
            if name != DATABASE and not _is_same(night_path / name, file["sha256"])
        ]
        if DATABASE in files and _is_same(night_path / DATABASE, files[DATABASE]["sha256"]):
            return found
        with closing(open_night(night_path)) as database:
            wrong = _tables_unlike(database, night_path, facts) or (["no table"] if files else [])
    except (*UNREADABLE, WarehouseError, duckdb.Error):
        return [f"{night_path.name}: {DATABASE} is missing or damaged."]
    if wrong == ["no table"]:
        found.append(
            f"{night_path.name}: {DATABASE} was changed; its tables hold what was published, its "
            "views may not."
        )
    elif wrong:
        listed = ", ".join(wrong)
        found.append(f"{night_path.name}: {DATABASE} holds other rows than published in {listed}.")
    return found


def _tables_unlike(
    database: duckdb.DuckDBPyConnection, night_path: Path, facts: Mapping[str, Any]
) -> list[str]:
    """Name the tables whose rows are not those of the parts, by count and contents."""
    parts: dict[str, list[Mapping[str, Any]]] = {}
    for part in facts["parts"]:
        parts.setdefault(part["table"], []).append(part)
    return [
        name
        for name, n_rows in facts["counts"].items()
        if not _holds(database, night_path, name, n_rows, parts.get(name, []))
    ]


def _holds(
    database: duckdb.DuckDBPyConnection,
    night_path: Path,
    name: str,
    n_rows: int,
    parts: Sequence[Mapping[str, Any]],
) -> bool:
    import pyarrow.parquet as pq

    # Every block is read, so that damage inside the file comes out.
    sql = f"SELECT count(*), bit_xor(hash(t)) FROM {identifier(name)} AS t"
    if database.execute(sql).fetchall()[0][0] != n_rows:
        return False
    digests = [part.get("contents_sha256") for part in parts]
    if not digests or not all(digests):
        return True
    # A night of an older contract has the columns that it was written with.
    schema = pq.read_schema(night_path / parts[0]["path"])
    return _part_digests(database, name, schema, [part["rows"] for part in parts]) == digests


def _part_digests(
    database: duckdb.DuckDBPyConnection,
    name: str,
    schema: pa.Schema,
    rows_of_parts: Sequence[int],
) -> list[str]:
    """Return the digests of the rows of a table, cut into parts as they were laid into it."""
    from quietsleep.store.tables import ROWS_A_BATCH
    from quietsleep.warehouse.contents import ContentsDigest

    names = ", ".join(map(identifier, schema.names))
    answer = database.sql(f"SELECT {names} FROM {identifier(name)}").to_arrow_reader(ROWS_A_BATCH)
    pieces = _cut((batch.cast(schema) for batch in answer), rows_of_parts)
    found = []
    for _ in rows_of_parts:
        digest = ContentsDigest(schema)
        for batch in next(pieces):
            digest.add(batch)
        found.append(digest.close())
    return found


def _cut(
    batches: Iterable[pa.RecordBatch], sizes: Sequence[int]
) -> Iterator[Iterator[pa.RecordBatch]]:
    """Yield rows in pieces of these sizes, each as batches to be taken before the next."""
    waiting = iter(batches)
    rest: pa.RecordBatch | None = None

    def piece(n_rows: int) -> Iterator[pa.RecordBatch]:
        nonlocal rest
        left = n_rows
        while left:
            batch = next(waiting) if rest is None else rest
            yield batch.slice(0, left)
            rest = batch.slice(left) if batch.num_rows > left else None
            left -= min(left, batch.num_rows)

    for size in sizes:
        yield piece(size)


def unlike_published(study_path: Path, register: Register) -> list[str]:
    """Name what of the night that people read is not as it was published; empty when all is.

    Cheap where its files have the sizes and times that they had when it was last found whole;
    else every byte is read. The digest that the study register keeps is compared in any case.
    """
    night = current_night(study_path)
    if unknown := unlike_register(night, register):
        return unknown
    if are_kept(study_path, night):
        return []
    wrong = [*damage(night), *database_damage(night)]
    if not wrong:
        keep_stamps(study_path, night)
    return wrong


def unlike_register(night: Path, register: Register) -> list[str]:
    """Say that a night's NIGHT.json is not the one that was written down when it was published."""
    known = [e.body["sha256"] for e in register.of("published") if e.body["night"] == night.name]
    if not known or known[-1] == _facts_digest(night):
        return []
    return [f"{night.name}: NIGHT.json is not the one that the study register knows."]


def _facts_digest(night: Path) -> str:
    try:
        return facts_digest(night)
    except OSError:
        return ""


def open_as_published(
    study_path: Path, limits: QueryLimits | None = None
) -> duckdb.DuckDBPyConnection:
    """Resolve `current` once and open that night; WarehouseError where its database was changed.

    Sizes and times are looked at; where they are others, every byte of the database is read.
    """
    night = current_night(study_path)
    if not are_kept(study_path, night, DATABASE, "NIGHT.json"):
        said = facts_said(study_path, night.name)
        wrong = [] if said in (None, _facts_digest(night)) else ["NIGHT.json"]
        wrong += [] if _is_database_published(night) else [DATABASE]
        if wrong:
            raise WarehouseError(
                f"{' and '.join(wrong)} of night {night.name} was changed since it was published, "
                "so it answers nothing. Run 'quietsleep doctor STUDY'."
            )
    return open_night(night, limits)


def _is_database_published(night: Path) -> bool:
    """Say whether the database has the bytes that were published; older nights do not know."""
    try:
        file = night_facts(night).get("files", {}).get(DATABASE)
        return file is None or _is_same(night / DATABASE, file["sha256"])
    except UNREADABLE:
        return False
