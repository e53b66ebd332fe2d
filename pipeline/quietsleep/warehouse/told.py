"""What changed of a session, in one sentence, from the cells that changed."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from typing import Any

import pandas as pd

from quietsleep import contract

MOST_VALUES = 3
# Tables whose changes are told of the session that they are of.
OF_A_SESSION = ("sessions", "tests", "outcomes", "trials")


@dataclass(frozen=True, slots=True)
class SessionChange:
    """What would change of one session, in one sentence, and the causes that the night found."""

    centre: str
    session: str
    sentence: str
    causes: tuple[str, ...]


def session_changes(changes: pd.DataFrame) -> Iterator[SessionChange]:
    """Tell what changes session by session; what is of no session is only counted."""
    rows = with_sessions(changes)
    for (centre, session), own in rows.groupby(["centre", "session"]):
        causes = tuple(dict.fromkeys(own["cause"].dropna().astype("str")))
        yield SessionChange(str(centre), str(session), _told(own), causes)


def with_sessions(changes: pd.DataFrame, tables: Collection[str] = OF_A_SESSION) -> pd.DataFrame:
    """Return the changes of sessions with the columns centre, session and what else is named."""
    rows = changes[changes["table_name"].isin(list(tables))]
    keys = [_session_of(t, k) for t, k in zip(rows["table_name"], rows["key"], strict=True)]
    return rows.assign(
        centre=[centre for centre, _, _ in keys],
        session=[session for _, session, _ in keys],
        what=[what for _, _, what in keys],
    )


def _session_of(table: str, key: str) -> tuple[str, str, str]:
    """Return centre, session, and what else a key of `changes` names."""
    held = dict(zip(contract.TABLES[table].key, key.split("|"), strict=False))
    item = held.get("test") or held.get("trial") or held.get("item") or ""
    session, _, rest = item.partition("/")
    what = held.get("outcome") or rest
    return held.get("centre", ""), held.get("session") or session, what


def _told(rows: pd.DataFrame) -> str:
    """Say what becomes of one session: itself, its tests, its outcomes, its trials."""
    said = [f"the session is {_rows_in_words(row)}" for row in _whole(rows, "sessions")]
    said += [f"{row['what']} {_rows_in_words(row)}" for row in _whole(rows, "tests")]
    said += [_from_to(_plain(row["what"]), row) for row in _cells(rows, "tests", "status")]
    cells = [*_cells(rows, "outcomes", "value"), *_whole(rows, "outcomes")]
    values = [row for row in cells if pd.notna(row["before"]) and pd.notna(row["after"])]
    said += [_from_to(row["what"], row) for row in values[:MOST_VALUES]]
    more = len(values) - MOST_VALUES
    gained = sum(pd.isna(row["before"]) for row in cells)
    lost = sum(pd.isna(row["after"]) for row in cells)
    judged = len(_cells(rows, "trials", "status"))
    said += [f"{_count(more, 'more outcome')} changed"] if more > 0 else []
    said += [f"{_count(gained, 'outcome')} gained"] if gained else []
    said += [f"{_count(lost, 'outcome')} lost"] if lost else []
    said += [f"{_count(judged, 'trial')} judged otherwise"] if judged else []
    return "; ".join(said or [f"{_count(len(rows), 'particular')} that no result depends on"])


def _whole(rows: pd.DataFrame, table: str) -> list[dict[str, Any]]:
    return _records(rows[(rows["table_name"] == table) & (rows["column_name"] == "")])


def _cells(rows: pd.DataFrame, table: str, column: str) -> list[dict[str, Any]]:
    return _records(rows[(rows["table_name"] == table) & (rows["column_name"] == column)])


def _records(rows: pd.DataFrame) -> list[dict[str, Any]]:
    return [{str(k): v for k, v in row.items()} for row in rows.to_dict("records")]


def _rows_in_words(row: dict[str, Any]) -> str:
    return "added" if pd.isna(row["before"]) else "removed"


def _from_to(what: str, row: dict[str, Any]) -> str:
    return f"{what} from {_shown(row['before'])} to {_shown(row['after'])}"


def _shown(value: Any) -> str:
    if pd.isna(value):
        return "nothing"
    try:
        return f"{float(value):.5g}"
    except ValueError:
        return _plain(str(value))


def _plain(name: str) -> str:
    return name.replace("_", " ")


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
