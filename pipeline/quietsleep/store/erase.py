"""Rid the state of a study of what was withdrawn, so that not even freed blocks hold it."""

from __future__ import annotations

import io
from collections.abc import Collection, Iterator

import pandas as pd

from quietsleep.store.state import State

OF_ITEMS = "item = ? OR starts_with(item, ? || '/') OR starts_with(item, ? || '#')"


def erase_sessions(
    state: State,
    centre: str,
    *,
    sessions: Collection[str],
    infants: Collection[str],
    others: Collection[str],
) -> None:
    """Take out all of some sessions, and rows that name some infants, of one centre.

    Measures are dropped by the names of their recordings, which another centre may have as well:
    those stay on which `others` rest, for their files may be gone.
    """
    erase_rows(state, centre, sessions=sessions, infants=infants)
    keys = state.frame("SELECT content_key, item FROM measured")
    gone = [
        key
        for key, item in zip(keys["content_key"], keys["item"], strict=True)
        if item.partition("/")[0] in sessions and key not in others
    ]
    state.forget_measured(gone)


def erase_rows(
    state: State, centre: str, *, sessions: Collection[str], infants: Collection[str]
) -> None:
    """Take out all rows of some sessions, and rows that name some infants; measures stay."""
    with state.transaction():
        for delivery, name, rows in _bodies(state, centre):
            _erase_rows(state, [centre, delivery, name], rows, sessions, infants)
        for session in sessions:
            for table in ("named_sessions", "problems"):
                sql = f"DELETE FROM {table} WHERE centre = ? AND session = ?"
                state.run(sql, [centre, session])
            state.run(
                f"DELETE FROM ledger WHERE centre = ? AND ({OF_ITEMS})",
                [centre, session, session, session],
            )
            # What a night said may name it.
            state.run("UPDATE nights SET sentences = '' WHERE contains(sentences, ?)", [session])


def _bodies(state: State, centre: str) -> Iterator[tuple[str, str, pd.DataFrame]]:
    rows = state.frame(
        "SELECT delivery, table_name, body FROM delivered WHERE centre = ?", [centre]
    )
    for delivery, name, body in rows.itertuples(index=False, name=None):
        yield delivery, name, pd.read_parquet(io.BytesIO(bytes(body)))


def _erase_rows(
    state: State,
    where: list[str],
    rows: pd.DataFrame,
    sessions: Collection[str],
    infants: Collection[str],
) -> None:
    """Write one table of a delivery anew without the rows, and forget their files."""
    if "session" not in rows:
        return
    gone = rows["session"].isin(list(sessions))
    if "infant" in rows:
        gone |= rows["infant"].isin(list(infants))
    if not gone.any():
        return
    body = io.BytesIO()
    rows[~gone].reset_index(drop=True).to_parquet(body, index=False)
    place = "centre = ? AND delivery = ?"
    state.run(f"DELETE FROM delivered WHERE {place} AND table_name = ?", where)
    state.run("INSERT INTO delivered VALUES (?, ?, ?, ?)", [*where, body.getvalue()])
    for path in rows.loc[gone, "file"].dropna() if "file" in rows else ():
        state.run(f"DELETE FROM stats WHERE {place} AND path = ?", [*where[:2], path])
