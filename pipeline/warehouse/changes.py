"""What changed between two nights or releases, cell by cell, and why.

The causes are evidence, not guesses: `file` (another file or delivery), `code` (another code
fingerprint), `device` (measured anew from the same of both, so its registration changed), `rule`
(another limit in the contract), `decision` (a dated decision of the study), `waiver` or `review`
(what a reader decided). Several may hold; where none does, the cause is `not known`.
"""

from __future__ import annotations

from collections.abc import Mapping
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb
import pyarrow as pa

from contracts import TABLES
from contracts.model import Table
from contracts.schemas import arrow_schema
from pipeline.warehouse.contents import read_table
from pipeline.warehouse.current import night_facts

if TYPE_CHECKING:
    import pandas as pd

CHANGES_TABLE = "changes"
NO_EVIDENCE = "not known"
COLUMNS = ("night", "table_name", "key", "column_name", "before", "after", "cause")

# Tables whose rows added and removed are told, with the cells of the rows that stayed. What only
# says which code ran is a cause, not a change.
WHOLE_TABLES = (
    "deliveries", "sessions", "recordings", "checks", "tests", "outcomes", "reported", "waivers",
    "rules", "reviews",
)  # fmt: skip
# Tables of many rows, where only these columns of rows that stayed are told.
STATUS_COLUMNS = {"trials": ("status", "flagged"), "verdicts": ("state",)}
COMPARED = (*WHOLE_TABLES, *STATUS_COLUMNS)
NOT_TOLD = frozenset({"code_fingerprint", "content_key"})
NEEDED_FOR_CAUSE = frozenset(
    {"centre", "session", "technique", "check_id", "item_kind", "item", "rule", "waiver"}
)
FIXED_CAUSE = {
    "deliveries": "'file'",
    "reported": "'file'",
    "waivers": "CASE WHEN starts_with(d.waiver, 'rv-') THEN 'review' ELSE 'waiver' END",
    "rules": "CASE WHEN d.rule IN (SELECT rule FROM decided) THEN 'decision' ELSE 'rule' END",
    "reviews": "'review'",
}


def changes_since(before: Path | None, after: Mapping[str, pa.Table], night: str) -> pd.DataFrame:
    """Return the keyed difference of the tables `after` to the night folder `before`.

    One row for each cell that changed, and one with an empty `column_name` for each row added or
    removed. No rows when there is no night before.
    """
    if before is None:
        return _empty()
    return _difference(read_night(before), after, night)


def difference(before: Path, after: Path) -> pd.DataFrame:
    """Return the keyed difference between two night or release folders."""
    tables = read_night(after)
    return _difference(read_night(before), tables, str(night_facts(after)["night"]))


def read_night(folder: Path) -> dict[str, pa.Table]:
    """Read the compared tables of a night or release; one it lacks comes without columns."""
    held = {part["table"] for part in night_facts(folder)["parts"]}
    return {name: read_table(folder, name) if name in held else pa.table({}) for name in COMPARED}


def _in_contract(name: str, data: pa.Table) -> pa.Table:
    """Return the contract's columns, null where an older version of the contract lacked them."""
    columns = {
        field.name: (
            data[field.name]
            if field.name in data.column_names
            else pa.nulls(data.num_rows, field.type)
        )
        for field in arrow_schema(TABLES[name])
    }
    return pa.table(columns)


def _empty() -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame({name: pd.Series(dtype="object") for name in COLUMNS})


def _difference(
    before: Mapping[str, pa.Table], after: Mapping[str, pa.Table], night: str
) -> pd.DataFrame:
    differing = [name for name in COMPARED if not before[name].equals(after[name])]
    if not differing:
        return _empty()
    statements = resources.files("pipeline.warehouse").joinpath("changes.sql").read_text("utf-8")
    with duckdb.connect(config={"autoinstall_known_extensions": "false"}) as connection:
        for name in COMPARED:
            connection.register(f"before_{name}", _in_contract(name, before[name]))
            connection.register(f"after_{name}", _in_contract(name, after[name]))
        connection.execute(statements)
        union = "\nUNION ALL\n".join(
            _query(name, set(before[name].column_names)) for name in differing
        )
        return connection.execute(
            f"SELECT ? AS night, * FROM ({union}) ORDER BY table_name, key, column_name", [night]
        ).df()


def _query(name: str, columns_before: set[str]) -> str:
    """Return the query for one table: cells that differ, rows added and removed, and causes."""
    table = TABLES[name]
    same = " AND ".join(f"d.{column} = b.{column}" for column in table.key)
    told = STATUS_COLUMNS.get(name) or tuple(
        c.name for c in table.columns if c.name not in NOT_TOLD and c.name not in table.key
    )
    names = [c.name for c in table.columns if c.name in NEEDED_FOR_CAUSE]
    head = f"SELECT {_key_text(table)} AS key, {', '.join(f'd.{n}' for n in names)}"
    found = [
        f"""{head}, '{column}' AS column_name, CAST(b.{column} AS VARCHAR) AS before,
    CAST(d.{column} AS VARCHAR) AS after
FROM after_{name} AS d JOIN before_{name} AS b ON {same}
WHERE d.{column} IS DISTINCT FROM b.{column}"""
        for column in told
        if column in columns_before
    ]
    if name in WHOLE_TABLES:
        for here, there, words in (
            ("after", "before", "NULL AS before, 'row added' AS after"),
            ("before", "after", "'row removed' AS before, NULL AS after"),
        ):
            lacking = f"{here}_{name} AS d ANTI JOIN {there}_{name} AS b ON {same}"
            found.append(f"{head}, '' AS column_name, {words} FROM {lacking}")
    cells = "\nUNION ALL\n".join(found)
    return (
        f"SELECT '{name}' AS table_name, key, column_name, before, after, {_cause(name)} AS cause "
        f"FROM ({cells}) AS d"
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
    of_visit = _listed("causes", in_session)
    return (
        f"CASE d.item_kind WHEN 'check' THEN {of_check} WHEN 'session' THEN {of_visit} "
        f"ELSE {_listed('causes', in_test)} END"
    )


def _listed(causes: str, where: str) -> str:
    return (
        "coalesce((SELECT string_agg(DISTINCT c.cause, ', ' ORDER BY c.cause) "
        f"FROM {causes} AS c WHERE {where}), '{NO_EVIDENCE}')"
    )
