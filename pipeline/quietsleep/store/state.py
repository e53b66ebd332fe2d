"""The ledger and the stored measures of a study: one private DuckDB file with one writer.

Everything that belongs together is written in one transaction, so that a night that is killed
leaves whole deliveries and whole chunks behind and the next night goes on from there. The lock is
held by the operating system and ends with the process: no stale lock is ever left.
"""

from __future__ import annotations

import io
import threading
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from importlib.resources import files
from itertools import count
from pathlib import Path
from time import monotonic, sleep
from types import TracebackType
from typing import Any

import duckdb
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
from filelock import FileLock, Timeout

from quietsleep.contract.sql import identifier, literal
from quietsleep.errors import ALREADY_RUNNING, QuietsleepError, is_damage
from quietsleep.records import Measured, Problem
from quietsleep.store.measured import measured_rows, trial_rows, value_rows
from quietsleep.store.state_witness import (
    changed_tables,
    digests_of,
    forget_witness,
    keep_witness,
    say_at_work,
    stamp_of,
)
from quietsleep.study.register import RegisterHead

PROBLEM_COLUMNS = (
    "night", "centre", "delivery", "content_key", "session", "recording", "kind", "where_found",
    "row_number", "column_name", "value", "expected", "sentence", "remedy",
)  # fmt: skip


# Problems that may be gone the next time: files that could not be opened or unpacked, and those
# that were not there, or not the same any more, when they were to be measured.
PASSING = (
    "(kind IN ('not_opened', 'not_unpacked') "
    "OR content_key IS NOT NULL AND kind IN ('missing_file', 'changed_file'))"
)


VECTORS_A_CHUNK = 40  # of 2,048 rows
# How long a night waits for those who look, and how the database says that somebody does.
SECONDS_FOR_READERS = 300.0
READ_BY_OTHERS = ("could not set lock", "different configuration than existing")
RECORDED = ("content_key", "state", "rate_hz", "duration_s", "sentence", "code")


@dataclass(frozen=True, slots=True)
class StoredMeasures:
    """What was measured of some recordings and checks: one row each, their trials and values."""

    measured: pd.DataFrame
    trials: pd.DataFrame
    values: pd.DataFrame


class NightRunning(QuietsleepError):
    """Another night of the same study is at work."""

    exit_code = ALREADY_RUNNING


def night_lock(work: Path) -> FileLock:
    """Take the lock of a study's nights and return it to be released; NightRunning if held."""
    work.mkdir(parents=True, exist_ok=True)
    lock = FileLock(work / "night.lock")
    try:
        lock.acquire(timeout=0)
    except Timeout as error:
        raise NightRunning(
            "Another night of this study is running. Wait until it has ended; nothing was changed."
        ) from error
    return lock


class State:
    """The open state of one study. Use as a context manager; holds the study's night lock.

    One that is only read (`read_only`) takes no lock and must be there; the database's error is
    raised where a night is at work on it. `changed` names the tables that are not as the last night
    left them: somebody wrote there by hand.
    """

    def __init__(self, work: Path, *, read_only: bool = False) -> None:
        self._lock = None if read_only else night_lock(work)
        self.changed: list[str] = []
        try:
            if read_only:
                self._con = duckdb.connect(work / NAME, read_only=True)
            else:
                stamp = stamp_of(work / NAME)
                self._con = open_state_file(work)
                if stamp is not None:
                    self.changed = changed_tables(work / NAME, self._con, stamp)
                if not self.changed:
                    say_at_work(work / NAME)
        except BaseException:
            self._unlock()
            raise
        self._work = work
        self._damaged = False
        self._turn = threading.RLock()

    def __enter__(self) -> State:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        try:
            digests = None
            if self._lock is not None and not self.changed:
                with suppress(duckdb.Error):
                    digests = digests_of(self._con)
            self._con.close()
            if self._damaged and self._lock is not None:
                set_aside(self._work)
            elif digests is not None:
                keep_witness(self._work / NAME, digests)
        finally:
            self._unlock()

    def _unlock(self) -> None:
        if self._lock is not None:
            self._lock.release()

    @contextmanager
    def transaction(self) -> Iterator[None]:
        """Write all of a block or none of it; one thread at a time."""
        with self._own_turn():
            self._con.begin()
            try:
                yield
                self._con.commit()
            except BaseException:
                # After a failed commit there may be nothing left to take back.
                with suppress(duckdb.Error):
                    self._con.rollback()
                raise

    @contextmanager
    def _own_turn(self) -> Iterator[None]:
        """Let one thread at the database; damage found is kept in mind for the end."""
        with self._turn:
            try:
                yield
            except duckdb.Error as error:
                self._damaged |= is_damage(error)
                raise

    def frame(self, sql: str, parameters: Sequence[Any] = ()) -> pd.DataFrame:
        """Run a query and return its rows as a frame."""
        with self._own_turn():
            return self._con.execute(sql, list(parameters)).df()

    def chunks(self, sql: str) -> Iterator[pd.DataFrame]:
        """Run a query and yield its rows some ten thousand at a time.

        Nothing else may be asked of the state until the last of them.
        """
        with self._own_turn():
            answer = self._con.execute(sql)
            while len(rows := answer.fetch_df_chunk(VECTORS_A_CHUNK)):
                yield rows

    def value(self, sql: str, parameters: Sequence[Any] = ()) -> Any:
        """Run a query and return the first value of its first row, or None."""
        with self._own_turn():
            # All rows are fetched: one left behind would block what comes next.
            rows = self._con.execute(sql, list(parameters)).fetchall()
        return rows[0][0] if rows else None

    def run(self, sql: str, parameters: Sequence[Any] = ()) -> None:
        """Run one statement."""
        with self._own_turn():
            self._con.execute(sql, list(parameters))

    def run_with(self, sql: str, parameters: Sequence[Any], **frames: pd.DataFrame) -> None:
        """Run one statement that reads frames by the names given."""
        with self._own_turn():
            for name, rows in frames.items():
                self._con.register(name, rows)
            self._con.execute(sql, list(parameters))
            for name in frames:
                self._con.unregister(name)

    def append(self, table: str, rows: pd.DataFrame) -> None:
        """Append the rows of a frame to a table, by column name."""
        if rows.empty:
            return
        names = ", ".join(rows.columns)
        self.run_with(
            f"INSERT INTO {table} ({names}) SELECT {names} FROM new_rows", [], new_rows=rows
        )

    def store_problems(
        self, problems: Iterable[Problem], *, night: str, content_key: str | None = None
    ) -> None:
        """Append problems of a delivery, or of the recording that has this content key."""
        rows = [
            {
                "night": night,
                "content_key": content_key,
                "where_found": p.where,
                "row_number": p.row,
                "column_name": p.column,
                **{
                    name: getattr(p, name)
                    for name in PROBLEM_COLUMNS
                    if name in Problem.__dataclass_fields__
                },
            }
            for p in problems
        ]
        if rows:
            frame = pd.DataFrame(rows, columns=list(PROBLEM_COLUMNS))
            self.append("problems", frame.astype({"row_number": "Int64"}))

    def store_tables(
        self, tables: Mapping[str, pd.DataFrame], *, centre: str, delivery: str
    ) -> None:
        """Keep the clean rows of one delivery."""
        for name, frame in tables.items():
            body = io.BytesIO()
            frame.to_parquet(body, index=False)
            self.run(
                "INSERT INTO delivered VALUES (?, ?, ?, ?)",
                [centre, delivery, name, body.getvalue()],
            )

    def delivered_rows(self, table: str, *, centre: str | None = None) -> pd.DataFrame:
        """Return the clean rows of one table over all deliveries, with centre and delivery.

        Of one centre where it is given.
        """
        with self._own_turn():
            bodies = self._con.execute(
                "SELECT centre, delivery, body FROM delivered WHERE table_name = ? "
                "AND (? IS NULL OR centre = ?) ORDER BY centre, delivery",
                [table, centre, centre],
            ).fetchall()
        rows = [_rows_of(body, centre, delivery) for centre, delivery, body in bodies]
        if not any(map(len, rows)):
            return pd.DataFrame()
        whole: pd.DataFrame = pa.concat_tables(rows, promote_options="permissive").to_pandas()
        return whole

    def store_measured(
        self, measured: Sequence[Measured], *, night: str, code: Mapping[str, str]
    ) -> None:
        """Keep what was measured on a chunk of recordings, in one transaction.

        `code` is the fingerprint of the code that measures each technique.
        """
        with self.transaction():
            self.append("measured", measured_rows(measured, night=night, code=code))
            self.append("trials", trial_rows(measured))
            self.append("trial_values", value_rows(measured))
            for item in measured:
                self.store_problems(item.problems, night=night, content_key=item.key)

    def lay_out(self, places: pd.DataFrame) -> None:
        """Copy what was measured, block by block, to where `stored` reads it.

        `places` (content_key, block) says what belongs to which block. Laid out once in the order
        of the blocks, a block is read at the cost of a block, however much was ever stored.
        """
        for table in ("measured", "trials", "trial_values"):
            self.run_with(
                f"CREATE OR REPLACE TEMP TABLE laid_{table} AS SELECT p.block, t.* "
                f"FROM {table} t JOIN places p USING (content_key) ORDER BY p.block",
                [],
                places=places,
            )

    def stored(self, block: int) -> StoredMeasures:
        """Return what was measured of one block; see `lay_out`."""
        return StoredMeasures(
            measured=self.frame(
                f"SELECT {', '.join(RECORDED)} FROM laid_measured WHERE block = ?", [block]
            ),
            trials=self.frame("SELECT * EXCLUDE block FROM laid_trials WHERE block = ?", [block]),
            values=self.frame(
                "SELECT * EXCLUDE block FROM laid_trial_values WHERE block = ?", [block]
            ),
        )

    def clear_layout(self) -> None:
        """Give back the space of what was laid out."""
        for table in ("measured", "trials", "trial_values"):
            self.run(f"DROP TABLE IF EXISTS temp.laid_{table}")

    def of_keys(self, table: str, keys: pd.Series[str]) -> pd.DataFrame:
        """Return the rows of a table of measures that belong to content keys."""
        wanted = pd.DataFrame({"content_key": keys.dropna().unique()})
        with self._own_turn():
            self._con.register("wanted", wanted)
            try:
                sql = f"SELECT t.* FROM {table} t SEMI JOIN wanted USING (content_key)"
                return self._con.execute(sql).df()
            finally:
                self._con.unregister("wanted")

    def write_anew(self) -> None:
        """Copy the state into a new file: blocks that were freed still hold what was deleted."""
        old, fresh = self._work / NAME, self._work / f"{NAME}.new"
        with self._own_turn():
            self._con.close()
            fresh.unlink(missing_ok=True)
            with duckdb.connect() as copier:
                copier.execute(f"ATTACH {literal(str(old))} AS old (READ_ONLY)")
                copier.execute(f"ATTACH {literal(str(fresh))} AS fresh")
                copier.execute("COPY FROM DATABASE old TO fresh")
            fresh.replace(old)
            self._con = _connect(old)

    def begin_anew(self) -> None:
        """Set this state aside and go on with an empty one: all is then taken in again."""
        with self._own_turn():
            self._con.close()
            set_aside(self._work)
            self._con = _connect(self._work / NAME)
        self.changed = []
        say_at_work(self._work / NAME)

    def register_heads(self) -> list[RegisterHead]:
        """Return how far the study register went when a night last ended."""
        rows = self.frame("SELECT entries, seal FROM register_head").to_dict("records")
        return [
            RegisterHead(int(row["entries"]), str(row["seal"]), "the last night") for row in rows
        ]

    def keep_register_head(self, head: RegisterHead) -> None:
        """Remember how far the study register goes."""
        with self.transaction():
            self.run("DELETE FROM register_head")
            self.run("INSERT INTO register_head VALUES (?, ?)", [head.entries, head.seal])

    def stored_keys(self) -> set[str]:
        """Return the content keys that need no measuring any more.

        Crashes, and files that could not be read at the time, are tried again every night.
        """
        rows = self.frame(
            "SELECT content_key FROM measured WHERE state <> 'crashed' AND content_key NOT IN ("
            f"SELECT content_key FROM problems WHERE content_key IS NOT NULL AND {PASSING})"
        )
        return set(rows["content_key"])

    def waits(self) -> bool:
        """Say whether something could not be read last time and is to be tried again."""
        return bool(self.value(f"SELECT count(*) FROM problems WHERE {PASSING}"))

    def keep_measured(self, keys: Iterable[str]) -> None:
        """Drop the stored measures that no content key in `keys` refers to any more."""
        kept = pd.DataFrame({"content_key": pd.Series(sorted(set(keys)), dtype="str")})
        sql = "SELECT content_key FROM measured ANTI JOIN kept USING (content_key)"
        with self._own_turn():
            self._con.register("kept", kept)
            gone = [row[0] for row in self._con.execute(sql).fetchall()]
            self._con.unregister("kept")
        self.forget_measured(gone)

    def forget_measured(self, keys: Iterable[str]) -> None:
        """Drop stored measures by content key, to measure them anew."""
        wanted = pd.DataFrame({"content_key": sorted(set(keys))})
        if wanted.empty:
            return
        with self.transaction():
            for table in ("measured", "trials", "trial_values", "problems"):
                sql = f"DELETE FROM {table} WHERE content_key IN (SELECT content_key FROM gone)"
                self.run_with(sql, [], gone=wanted)


NAME = "state.duckdb"
OWN_COLUMNS = "SELECT column_name FROM duckdb_columns() WHERE table_name = 'deliveries'"
ASIDE = "state.aside-"
# What does not fit is laid out on disk, beside the file.
MEMORY_LIMIT = "400MB"


def _rows_of(body: bytes, centre: str, delivery: str) -> pa.Table:
    """Return the rows kept of one delivery; the type of a column without values is left open."""
    kept = pq.read_table(pa.BufferReader(body))
    columns = {
        name: pa.nulls(len(kept)) if column.null_count == len(kept) else column
        for name, column in zip(kept.column_names, kept.columns, strict=True)
    }
    of_whom = {"centre": centre, "delivery": delivery}
    return pa.table(columns | {name: pa.repeat(said, len(kept)) for name, said in of_whom.items()})


def open_state_file(work: Path) -> duckdb.DuckDBPyConnection:
    """Open the state below `work`; one that is damaged or of another form is set aside.

    The night that begins an empty state takes everything in again. Any other error of the
    database (no space, open in another program) is raised as it is.
    """
    try:
        return _connect(work / NAME)
    except _OtherForm:
        pass
    except duckdb.Error as error:
        if not is_damage(error):
            raise
    set_aside(work)
    return _connect(work / NAME)


class _OtherForm(Exception):
    """A state whose tables an earlier version laid out."""


def _connect_after_readers(path: Path) -> duckdb.DuckDBPyConnection:
    """Connect once nobody reads any more: a delivery is being checked, here or in another process.

    There is one writer, who holds the night's lock: whoever else has the file open only looks.
    """
    until = monotonic() + SECONDS_FOR_READERS
    while True:
        try:
            return duckdb.connect(path, config={"memory_limit": MEMORY_LIMIT})
        except duckdb.Error as error:
            is_read = any(sign in str(error).lower() for sign in READ_BY_OTHERS)
            if not is_read or monotonic() > until:
                raise
        sleep(0.1)


def _connect(path: Path) -> duckdb.DuckDBPyConnection:
    connection = _connect_after_readers(path)
    try:
        forms = connection.execute(OWN_COLUMNS).fetchall()
        if forms and ("leans_on",) not in forms:
            raise _OtherForm
        connection.execute((files("quietsleep.store") / "state.sql").read_text(encoding="utf-8"))
    except BaseException:
        connection.close()
        raise
    return connection


def set_aside(work: Path) -> Path:
    """Rename a damaged state and its log of writes, so that a new one begins; returns its place."""
    names = (work / f"{ASIDE}{number}.duckdb" for number in count(1))
    aside = next(path for path in names if not path.exists())
    log = work / f"{NAME}.wal"
    if log.exists():
        log.replace(aside.with_name(f"{aside.name}.wal"))
    (work / NAME).replace(aside)
    forget_witness(work / NAME)
    return aside


def read_whole(work: Path) -> list[str]:
    """Read every block of the state and name the tables that are not as the last night left them.

    Raises the database's error where a block is damaged.
    """
    with duckdb.connect(work / NAME, read_only=True) as connection:
        for (table,) in connection.execute("SELECT table_name FROM duckdb_tables()").fetchall():
            connection.execute(f"SELECT bit_xor(hash(t)) FROM {identifier(table)} AS t").fetchall()
        return changed_tables(work / NAME, connection, None)
