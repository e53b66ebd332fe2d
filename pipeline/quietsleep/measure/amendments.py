"""What a delivery changes of what was there before, in words."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping

import pandas as pd

from quietsleep import contract
from quietsleep.contract.model import Column
from quietsleep.contract.wording import count, listed, spaced

MOST_NAMED = 20
Rows = Mapping[str, pd.DataFrame]


def amendments_of(rows: Rows, centre: str, delivery: str) -> list[str]:
    """Return a sentence for each session, and one for the checks, that a delivery changes.

    `rows` are those of `roster.rows_of_centre`. What is new altogether is not told.
    """
    own = {name: frame[_is_of(frame, centre, delivery)] for name, frame in rows.items()}
    replaced = {
        name: frame[(frame["centre"] == centre) & (frame["by_delivery"] == delivery)]
        for name, frame in rows.items()
    }
    turn = min((frame["turn"].min() for frame in own.values() if len(frame)), default=None)
    if turn is None:
        return []
    before = {
        name: frame[
            (frame["centre"] == centre) & (frame["turn"] < turn) & ~(frame["by_turn"] < turn)
        ]
        for name, frame in rows.items()
    }
    there = {s for name in ("sessions", "recordings") for s in before[name]["session"].dropna()}
    named = {
        s
        for frames in (own, replaced)
        for name in ("sessions", "recordings", "reported")
        for s in frames[name]["session"].dropna()
    }
    whole = f"Delivery {delivery} of {centre}"
    sessions = sorted(there & named)
    said = [
        f"{whole} {_of_session(session, own, replaced, before)}."
        for session in sessions[:MOST_NAMED]
    ]
    if len(sessions) > MOST_NAMED:
        said.append(f"{whole} changes {len(sessions) - MOST_NAMED} more sessions.")
    checks = _checks(own["checks"], replaced["checks"])
    return [*said, *([f"{whole} {checks}."] if checks else [])]


def _is_of(frame: pd.DataFrame, centre: str, delivery: str) -> pd.Series[bool]:
    return (frame["centre"] == centre) & (frame["delivery"] == delivery) & ~frame["gone"]


def _of_session(session: str, own: Rows, replaced: Rows, before: Rows) -> str:
    def of(rows: Rows, name: str) -> pd.DataFrame:
        return rows[name][rows[name]["session"] == session]

    old, new = of(before, "recordings"), of(own, "recordings")
    again = set(new["item"]) & set(old["item"])
    out = set(of(replaced, "recordings")["item"]) - set(new["item"])
    parts = [*_row_of_session(session, of(own, "sessions"), of(replaced, "sessions"))]
    for verb, word, n in (
        ("replaces", "of", len(again)),
        ("adds", "to", len(set(new["item"]) - again)),
        ("takes out", "of", len(out)),
    ):
        if n:
            # The session is named once, where it first comes up.
            parts.append(f"{verb} {count(n, 'recording')}{'' if parts else f' {word} {session}'}")
    if len(of(own, "reported")):
        parts.append(f"brings reported results{'' if parts else f' of {session}'}")
    kept = len(set(old["item"]) - again - out)
    if kept:
        parts.append(f"keeps its {count(kept, 'recording')}")
    return "; ".join(parts)


def _row_of_session(session: str, own: pd.DataFrame, old: pd.DataFrame) -> Iterator[str]:
    if own.empty:
        return
    if own["faulty"].any():
        yield f"changes {session}, but its row is held"
        return
    columns = [c for c in contract.TABLES["delivery_sessions"].columns if c.name != "session"]
    changed = [c for c in columns if len(old) and _differs(own, old, c.name)]
    if changed:
        yield f"changes the {listed([_plain(c) for c in changed])} of {session}"
    else:
        yield f"delivers {session} again, its row unchanged"


def _differs(own: pd.DataFrame, old: pd.DataFrame, name: str) -> bool:
    new, before = own[name].iloc[-1], old[name].iloc[-1]
    if pd.isna(new) or pd.isna(before):
        return bool(pd.isna(new) != pd.isna(before))
    return bool(new != before)


def _checks(own: pd.DataFrame, replaced: pd.DataFrame) -> str:
    again = sorted(set(own["item"]) & set(replaced["item"]))
    if not again:
        return ""
    more = f" and {len(again) - MOST_NAMED} more" if len(again) > MOST_NAMED else ""
    word = "check" if len(again) == 1 else "checks"
    return f"replaces {word} {', '.join(again[:MOST_NAMED])}{more}"


def _plain(column: Column) -> str:
    """Return a column's name as people say it, without its unit."""
    unit = re.sub(r"[^a-z]+", "_", (column.unit or "").lower()).strip("_")
    name = column.name
    for suffix in (unit, unit.replace("_", "_per_"), "pct" if column.unit == "%" else ""):
        if suffix and name.endswith(f"_{suffix}"):
            name = name.removesuffix(f"_{suffix}")
    return spaced(name)
