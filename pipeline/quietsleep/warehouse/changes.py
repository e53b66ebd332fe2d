"""What changed between two nights or releases, cell by cell, and why.

The causes are evidence, not guesses: `file` (another file, delivery or row of one), `first
measured` (the night before had no measures of the same file), `code` (measured by other code in
both, and nothing that the contract says of the technique differs), `formula` (measured by other
code in both, and the contract defines a number of the technique anew, or is of another version,
which is named: `formula (contract 1 to 2)`), `device` (measured anew, and its registration
differs), `rule` (another limit in the contract), `limit` (a limit that the study changed),
`confirmation` (a limit that was compared with print), `waiver` or `review` (what a reader decided).
Several may hold; where none does, the cause is `not known`.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from string import Template
from typing import TYPE_CHECKING, Any

import pyarrow as pa
import pyarrow.parquet as pq

from quietsleep.contract import TABLES
from quietsleep.contract.model import Table
from quietsleep.contract.schemas import DUCKDB_TYPES
from quietsleep.contract.sql import exact_paths, identifier, literal
from quietsleep.errors import WarehouseError
from quietsleep.store.engine import frugal_engine
from quietsleep.warehouse.current import night_facts
from quietsleep.warehouse.parquet import Part, part_rows
from quietsleep.warehouse.proof import RELEASE

if TYPE_CHECKING:
    import duckdb
    import pandas as pd

CHANGES_TABLE = "changes"
NO_EVIDENCE = "not known"
# Tables whose rows are delivered ones, with what became of them.
DELIVERED = ("sessions", "recordings", "checks")
COLUMNS = ("night", "table_name", "key", "column_name", "before", "after", "cause")

# Tables whose rows added and removed are told, with the cells of the rows that stayed. What only
# says which code ran is a cause, not a change.
WHOLE_TABLES = (
    "deliveries", "sessions", "recordings", "checks", "tests", "outcomes", "reported", "waivers",
    "rules", "reviews", "devices", "quantities",
)  # fmt: skip
# Tables of many rows, where only these columns of rows that stayed are told.
STATUS_COLUMNS = {"trials": ("status", "flagged"), "verdicts": ("state",)}
COMPARED = (*WHOLE_TABLES, *STATUS_COLUMNS)
LINKS = "session_checks"
# Small tables whose rows tell the causes of changes elsewhere.
NEEDED_WHOLE = frozenset(
    {"deliveries", "sessions", "checks", "rules", "reviews", "devices", "quantities", LINKS}
)
NOT_TOLD = frozenset({"code_fingerprint", "content_key"})
NEEDED_FOR_CAUSE = frozenset(
    {"centre", "session", "technique", "check_id", "item_kind", "item", "rule", "waiver", "owner"}
)
# The day since when an entry of a device or rule holds; a release has its number instead.
ENTRY = "valid_from"
FIXED_CAUSE = {
    "deliveries": "'file'",
    "reported": "'file'",
    "waivers": "CASE WHEN starts_with(d.waiver, 'rv-') THEN 'review' ELSE 'waiver' END",
    "rules": "CASE WHEN d.column_name IN ('confirmed_by', 'confirmed_on', 'printed_in', "
    "'confirmation_note') THEN 'confirmation' "
    "WHEN d.rule IN (SELECT rule FROM changed_limits) THEN 'limit' ELSE 'rule' END",
    "reviews": "'review'",
    "devices": "'device'",
    "quantities": "$formula",
}


@dataclass(frozen=True, slots=True)
class Side:
    """One of the two nights: folder, parts by table and path with a digest each, contract."""

    folder: Path
    parts: Mapping[str, Mapping[str, str]]
    contract: str

    def differs(self, other: Side, name: str) -> bool:
        """Say whether a table has other rows than on the other side."""
        return self.parts.get(name) != other.parts.get(name)

    def files(self, other: Side, name: str) -> list[str]:
        """Return the files of a table that have to be read: equal parts hold no difference."""
        own, its = self.parts.get(name, {}), other.parts.get(name, {})
        return [
            str(self.folder / path)
            for path, digest in own.items()
            if name in NEEDED_WHOLE or its.get(path) != digest
        ]

    def columns(self, name: str) -> Mapping[str, pa.DataType]:
        """Return the columns of a table and what they hold.

        An older contract lacked some, or the whole table.
        """
        first = next(iter(self.parts.get(name, {})), None)
        if first is None:
            return {}
        schema = pq.read_schema(self.folder / first)
        return dict(zip(schema.names, schema.types, strict=True))

    @property
    def tells_entries(self) -> bool:
        """Whether entries of devices and rules have numbers instead of their first day."""
        return bool(self.columns("rules").get(ENTRY) == pa.int64())


def _side(folder: Path, parts: Sequence[Mapping[str, Any]], contract: str) -> Side:
    found: dict[str, dict[str, str]] = {}
    for part in parts:
        if part["table"] in (*COMPARED, LINKS):
            found.setdefault(part["table"], {})[part["path"]] = part["rows_sha256"]
    return Side(folder, found, contract)


def _published(folder: Path) -> Side:
    """Return a published night or release as one side, by its NIGHT.json."""
    facts = night_facts(folder)
    return _side(folder, facts["parts"], str(facts["contract_version"]))


def changes_since(
    before: Path | None,
    after: Path,
    parts: Sequence[Part],
    night: str,
    *,
    contract: str,
    renamed: Mapping[str, str] | None = None,
    out: Collection[tuple[str, str]] = (),
) -> pd.DataFrame:
    """Return the keyed difference of the parts in `after` to the night folder `before`.

    One row for each cell that changed, and one with an empty `column_name` for each row added or
    removed. No rows when there is no night before. `contract` is the version that `after` keeps.
    `renamed` are codes that centres had before, each with the code of its centre now: another code
    alone changes nothing. Nothing is told of the sessions that are `out`.
    """
    if before is None:
        return _empty()
    now = _side(after, part_rows(parts), contract)
    return _difference(_published(before), now, night, renamed=renamed or {}, out=out)


def difference(before: Path, after: Path, *, left_out: list[str] | None = None) -> pd.DataFrame:
    """Return the keyed difference between two night or release folders.

    Columns that only one of the two has, or that a release holds empty, are not compared; they are
    added to `left_out`, as table.column. WarehouseError where one knew its rows by other keys.
    """
    sides = _published(before), _published(after)
    for side in sides:
        if _has_other_keys(side):
            raise WarehouseError(
                f"{side.folder.name} is of a version that knew its rows by other keys, so it "
                "cannot be compared cell by cell."
            )
    night = str(night_facts(after)["night"])
    return _difference(*sides, night, left_out=[] if left_out is None else left_out)


def _rows(
    name: str,
    files: Sequence[str],
    columns: Collection[str],
    *,
    renamed: Mapping[str, str],
    numbered: bool,
) -> str:
    """Return the contract's columns of a table, null where an older contract lacked them.

    Entries are `numbered` in the order of their days, as a release on the other side has them.
    """
    told = {c.name: identifier(c.name) for c in TABLES[name].columns if c.name in columns}
    if renamed and "centre" in told:
        told["centre"] = _code_now(renamed)
    if numbered and ENTRY in told:
        of = ", ".join(c for c in TABLES[name].key if c != ENTRY)
        told[ENTRY] = f"dense_rank() OVER (PARTITION BY {of} ORDER BY {ENTRY}) AS {ENTRY}"
    chosen = ", ".join(
        told.get(c.name, f"CAST(NULL AS {DUCKDB_TYPES[c.type]}) AS {identifier(c.name)}")
        for c in TABLES[name].columns
    )
    if not files:
        return f"SELECT {chosen} WHERE false"
    return f"SELECT {chosen} FROM read_parquet({exact_paths(files)}, hive_partitioning = false)"


def _code_now(renamed: Mapping[str, str]) -> str:
    """Return the SQL expression for the code that the centre of a row has now."""
    cases = " ".join(f"WHEN {literal(old)} THEN {literal(new)}" for old, new in renamed.items())
    return f"CASE centre {cases} ELSE centre END AS centre"


def _empty() -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame({name: pd.Series(dtype="object") for name in COLUMNS})


def _difference(
    before: Side,
    after: Side,
    night: str,
    *,
    renamed: Mapping[str, str] | None = None,
    out: Collection[tuple[str, str]] = (),
    left_out: list[str] | None = None,
) -> pd.DataFrame:
    renamed = renamed or {}
    differing = [name for name in COMPARED if before.differs(after, name)]
    if not differing or _has_other_keys(before):
        return _empty()
    template = resources.files("quietsleep.warehouse").joinpath("changes.sql").read_text("utf-8")
    formula = literal(_formula(before, after))
    statements = Template(template).substitute(
        {f"{name}_as_delivered": _as_delivered(name, before) for name in DELIVERED},
        formula=formula,
        other_contract="true" if before.contract != after.contract else "false",
    )
    with frugal_engine(after.folder.parent) as connection:
        for name in (*COMPARED, LINKS):
            for word, side, other in (("before", before, after), ("after", after, before)):
                files, codes = side.files(other, name), renamed if side is before else {}
                numbered = other.tells_entries and not side.tells_entries
                columns = side.columns(name) if files else {}
                rows = _rows(name, files, columns, renamed=codes, numbered=numbered)
                connection.execute(f"CREATE TEMP TABLE {word}_{name} AS {rows}")
        _leave_out(connection, out)
        connection.execute(statements)
        described = ", ".join(f"{column} VARCHAR" for column in COLUMNS[1:])
        connection.execute(f"CREATE TEMP TABLE found ({described})")
        for name in differing:
            skipped = [] if left_out is None else _on_one_side(connection, name, before, after)
            if left_out is not None:
                left_out += [f"{name}.{column}" for column in skipped]
            there = before.columns(name)
            moved = _moved(connection, name, there, skipped)
            for query in _queries(name, moved, there):
                connection.execute(f"INSERT INTO found {query.replace('$formula', formula)}")
        return connection.execute(
            "SELECT ? AS night, * FROM found ORDER BY table_name, key, column_name", [night]
        ).df()


def _formula(before: Side, after: Side) -> str:
    """Return the cause of what another formula moved, with the versions where they differ."""
    if before.contract == after.contract:
        return "formula"
    return f"formula (contract {before.contract} to {after.contract})"


def _on_one_side(
    connection: duckdb.DuckDBPyConnection, name: str, before: Side, after: Side
) -> list[str]:
    """Return the columns of a table that one side lacks, or holds empty or otherwise as a release.

    A table that one side lacks whole is one whose rows were added or removed.
    """
    here, there = before.columns(name), after.columns(name)
    if not here or not there:
        return []
    key = TABLES[name].key
    columns = [c.name for c in TABLES[name].columns if c.name not in key]
    lacking = [c for c in columns if here.get(c) != there.get(c)]
    both = [c for c in columns if c in here and c not in lacking]
    counts = ", ".join(f"count({identifier(column)})" for column in both)
    for word, other, side in (("before", "after", before), ("after", "before", after)):
        if not both or not (side.folder / RELEASE).is_file():
            continue
        own, its = (
            connection.execute(f"SELECT {counts} FROM {each}_{name}").fetchall()[0]
            for each in (word, other)
        )
        lacking += [c for c, n, m in zip(both, own, its, strict=True) if m and not n]
    return list(dict.fromkeys(lacking))


def _leave_out(connection: duckdb.DuckDBPyConnection, out: Collection[tuple[str, str]]) -> None:
    """Forget what the night before said of sessions that were withdrawn since."""
    for name in (*COMPARED, LINKS):
        columns = {column.name for column in TABLES[name].columns}
        for centre, session in out:
            given = {"centre": centre, "session": session}
            if "session" in columns:
                sql = f"DELETE FROM before_{name} WHERE centre = $centre AND session = $session"
                connection.execute(sql, given)
            elif name == "waivers":
                sql = "centre = $centre AND split_part(item, '/', 1) = $session"
                connection.execute(f"DELETE FROM before_waivers WHERE {sql}", given)


def _has_other_keys(before: Side) -> bool:
    """Say whether a night knew its rows by other keys: then nothing can be said cell by cell."""
    parts = ((name, before.columns(name)) for name in DELIVERED if before.parts.get(name))
    return any(not {*TABLES[name].key} <= {*columns} for name, columns in parts)


def _as_delivered(name: str, before: Side) -> str:
    """Return the SQL condition that a row `a` and the row `b` before it say the same as delivered.

    Columns that an older contract lacked say nothing.
    """
    own = {column.name for column in TABLES[name].columns} & {*before.columns(name)}
    said = [c.name for c in TABLES[f"delivery_{name}"].columns if c.name in own - {"file"}]
    listed = ["delivery", "file_sha256"] if name != "sessions" else ["delivery"]
    return " AND ".join(f"a.{c} IS NOT DISTINCT FROM b.{c}" for c in (*listed, *said)) or "true"


def _told(name: str) -> Sequence[str]:
    """Return the columns of a table whose changed cells are told."""
    table = TABLES[name]
    return STATUS_COLUMNS.get(name) or [
        c.name for c in table.columns if c.name not in NOT_TOLD and c.name not in table.key
    ]


def _same_row(name: str, columns_before: Collection[str]) -> str:
    """Return the SQL condition that `d` and `b` are one row, by keys that both contracts know."""
    key = [c for c in TABLES[name].key if c in columns_before or not columns_before]
    return " AND ".join(f"d.{c} = b.{c}" for c in key)


def _moved(
    connection: duckdb.DuckDBPyConnection,
    name: str,
    columns_before: Collection[str],
    skipped: Collection[str],
) -> list[str]:
    """Return the columns that differ in any row that stayed: in most nights a few of many."""
    compared = [c for c in _told(name) if c in columns_before and c not in skipped]
    if not compared:
        return []
    differ = ", ".join(f"bool_or(d.{c} IS DISTINCT FROM b.{c})" for c in compared)
    same = _same_row(name, columns_before)
    query = f"SELECT {differ} FROM after_{name} AS d JOIN before_{name} AS b ON {same}"
    found = connection.execute(query).fetchall()[0]
    return [column for column, moved in zip(compared, found, strict=True) if moved]


def _queries(name: str, moved: Sequence[str], columns_before: Collection[str]) -> Iterator[str]:
    """Yield the queries for one table: for each column that moved its cells, rows added, removed.

    One after the other: as one statement they would all want their memory at once.
    """
    same = _same_row(name, columns_before)
    table = TABLES[name]
    names = [c.name for c in table.columns if c.name in NEEDED_FOR_CAUSE]
    head = f"SELECT {_key_text(table)} AS key, {', '.join(f'd.{n}' for n in names)}"
    found = [
        f"""{head}, '{column}' AS column_name, CAST(b.{column} AS VARCHAR) AS before,
    CAST(d.{column} AS VARCHAR) AS after
FROM after_{name} AS d JOIN before_{name} AS b ON {same}
WHERE d.{column} IS DISTINCT FROM b.{column}"""
        for column in moved
    ]
    if name in WHOLE_TABLES:
        for here, there, words in (
            ("after", "before", "NULL AS before, 'row added' AS after"),
            ("before", "after", "'row removed' AS before, NULL AS after"),
        ):
            lacking = f"{here}_{name} AS d ANTI JOIN {there}_{name} AS b ON {same}"
            found.append(f"{head}, '' AS column_name, {words} FROM {lacking}")
    for cells in found:
        yield (
            f"SELECT '{name}' AS table_name, key, column_name, before, after, "
            f"{_cause(name)} AS cause FROM ({cells}) AS d"
        )


def _key_text(table: Table) -> str:
    """Return the SQL expression for the key of a row, its parts joined by a vertical bar."""
    return " || '|' || ".join(f"CAST(d.{column} AS VARCHAR)" for column in table.key)


def _cause(name: str) -> str:
    """Return the SQL expression for the cause of a changed row `d` of that table."""
    if name in FIXED_CAUSE:
        return FIXED_CAUSE[name]
    if name == "checks":
        return _listed("check_causes", "c.centre = d.centre AND c.check_id = d.check_id")
    in_session = "c.centre = d.centre AND c.session = d.session"
    if name == "sessions":
        return _listed("causes", in_session)
    in_test = f"{in_session} AND (c.technique IS NULL OR c.technique = d.technique)"
    if name != "verdicts":
        return _listed("causes", in_test)
    of_check = _listed("check_causes", "c.centre = d.centre AND c.check_id = d.item")
    of_session = _listed("causes", in_session)
    return (
        f"CASE d.item_kind WHEN 'check' THEN {of_check} WHEN 'session' THEN {of_session} "
        f"ELSE {_listed('causes', in_test)} END"
    )


def _listed(causes: str, where: str) -> str:
    return (
        "coalesce((SELECT string_agg(DISTINCT c.cause, ', ' ORDER BY c.cause) "
        f"FROM {causes} AS c WHERE {where}), '{NO_EVIDENCE}')"
    )
