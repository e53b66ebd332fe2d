"""Frames to parquet parts: the contract's schema always, one order of rows, the same bytes.

A part holds one table, or one centre of it. A part whose rows are those of the night before is a
hard link to that night's file.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pyarrow as pa
import pyarrow.parquet as pq

from quietsleep.contract.model import Table
from quietsleep.contract.schemas import arrow_schema
from quietsleep.store.engine import frugal_engine
from quietsleep.store.rows_digest import RowsDigest
from quietsleep.store.tables import Rows
from quietsleep.warehouse.contents import ContentsDigest, digest_of_rows
from quietsleep.warehouse.current import sha256_of

if TYPE_CHECKING:
    import duckdb


@dataclass(frozen=True, slots=True)
class Part:
    """One parquet file of a night: where it is, how many rows, digests of its rows and bytes.

    `rows_sha256` is of rows as this library lays them out, with what the schema says of them;
    `contents_sha256` of the values alone (`warehouse.contents`). Older nights lack it.
    """

    path: str
    table: str
    rows: int
    rows_sha256: str
    file_sha256: str
    bytes: int
    contents_sha256: str = ""


def write_parts(
    rows_of: Mapping[str, Rows],
    night_path: Path,
    *,
    before: Path | None,
    parts_before: Mapping[str, Part],
) -> list[Part]:
    """Write every table below `night_path`; link what the night at `before` already holds."""
    # One engine for all tables: on a small study, opening one for each was a tenth of a night.
    with frugal_engine(night_path.parent) as engine:
        return [
            _link_or_keep(part, night_path, before=before, same=parts_before.get(part.path))
            for name in sorted(rows_of)
            for part in _write_table(night_path, rows_of[name], engine)
        ]


def _write_table(night_path: Path, rows: Rows, engine: duckdb.DuckDBPyConnection) -> Iterator[Part]:
    for folder, batches in rows.by_centre(engine):
        path = "/".join(filter(None, ("tables", rows.table.name, folder, "part.parquet")))
        yield _write_part(night_path, path, rows.table, batches)


def _link_or_keep(part: Part, night_path: Path, *, before: Path | None, same: Part | None) -> Part:
    """Put the file of the night before in the place of a part that holds the same rows."""
    if before is None or same is None or same.rows_sha256 != part.rows_sha256:
        return part
    if not _link(before / part.path, night_path / part.path):
        return part
    return replace(part, file_sha256=same.file_sha256, bytes=same.bytes)


def _write_part(
    night_path: Path, path: str, table: Table, batches: Iterator[pa.RecordBatch]
) -> Part:
    """Write the rows of one part and digest them on the way."""
    target, schema = night_path / path, arrow_schema(table)
    target.parent.mkdir(parents=True, exist_ok=True)
    n_rows, digest, contents = 0, RowsDigest(schema), ContentsDigest(schema)
    with pq.ParquetWriter(target, schema, compression="zstd", version="2.6") as writer:
        for batch in batches:
            n_rows += batch.num_rows
            digest.add(batch)
            contents.add(batch)
            writer.write_batch(batch)
    sha256, size = sha256_of(target), target.stat().st_size
    return Part(path, table.name, n_rows, digest.close(), sha256, size, contents.close())


def with_contents(part: Part, night_path: Path) -> Part:
    """Return a part with the digest of its contents, read where an older night lacks it."""
    if part.contents_sha256:
        return part
    file = pq.ParquetFile(night_path / part.path)
    digest = digest_of_rows(file.schema_arrow, file.iter_batches())
    return replace(part, contents_sha256=digest)


def _link(source: Path, target: Path) -> bool:
    """Put a hard link to a file in the place of `target`; False where that cannot be."""
    linked = target.with_suffix(".linked")
    try:
        os.link(source, linked)
    except OSError:
        return False
    linked.replace(target)
    return True


def link_or_copy(source: Path, target: Path) -> None:
    """Put a file in another place as well: as a hard link, or as a copy where that cannot be."""
    target.parent.mkdir(parents=True, exist_ok=True)
    if not _link(source, target):
        shutil.copyfile(source, target)


def part_rows(parts: Sequence[Part]) -> list[dict[str, Any]]:
    """Return the parts as plain rows for NIGHT.json."""
    return [asdict(part) for part in parts]
