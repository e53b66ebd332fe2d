"""Rows of infants and sessions that were withdrawn are left out of a delivery when it is read."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from quietsleep.intake.delivery import ReadDelivery
from quietsleep.study.history import Withdrawn


def leave_out(
    delivered: ReadDelivery, withdrawn: Withdrawn, *, name: str, since: int
) -> tuple[ReadDelivery, set[str]]:
    """Return a delivery without what was withdrawn, and the sessions of it that were left out.

    A session is left out by its code, or because its row names an infant that had been withdrawn
    before the delivery of that `name` came to say so, in the entry `since` of the register. In an
    older delivery such a row is left out alone: it had been replaced.
    """
    if delivered.state != "accepted" or not (withdrawn.infants or withdrawn.sessions):
        return delivered, set()
    gone = _named(delivered, withdrawn, withdrawn.infants_in(name, since))
    delivered = _without_infants(delivered, frozenset(withdrawn.infants))
    if not gone:
        return delivered, gone
    files = {
        path
        for frames in (delivered.tables, delivered.held)
        for path in frames["recordings"].loc[_of(frames["recordings"], gone), "file"].dropna()
    }
    lines = {
        (name, int(row))
        for frames in (delivered.tables, delivered.held)
        for name in ("sessions", "recordings", "reported")
        for row in frames[name].loc[_of(frames[name], gone), "row"]
    }
    return replace(
        delivered,
        tables={name: _without(name, frame, gone) for name, frame in delivered.tables.items()},
        held={name: _without(name, frame, gone) for name, frame in delivered.held.items()},
        files={path: said for path, said in delivered.files.items() if path not in files},
        stamps={path: said for path, said in delivered.stamps.items() if path not in files},
        held_sessions={s: why for s, why in delivered.held_sessions.items() if s not in gone},
        held_rows={key: why for key, why in delivered.held_rows.items() if key not in lines},
        problems=[
            problem
            for problem in delivered.problems
            if problem.session not in gone
            and problem.where not in files
            and (problem.where.removesuffix(".csv"), problem.row) not in lines
        ],
        leans_on={s: said for s, said in delivered.leans_on.items() if s not in gone},
    ), gone


def _without_infants(delivered: ReadDelivery, infants: frozenset[str]) -> ReadDelivery:
    """Leave out the rows of sessions that name a withdrawn infant."""

    def rid(frames: dict[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
        sessions = frames["sessions"]
        kept = sessions[~sessions["infant"].isin(list(infants))].reset_index(drop=True)
        return {**frames, "sessions": kept}

    return replace(delivered, tables=rid(delivered.tables), held=rid(delivered.held))


def _named(delivered: ReadDelivery, withdrawn: Withdrawn, infants: frozenset[str]) -> set[str]:
    """Return the sessions of a delivery that were withdrawn, or are of a withdrawn infant."""
    found: set[str] = set()
    for frames in (delivered.tables, delivered.held):
        sessions = frames["sessions"]
        of_infant = sessions["infant"].isin(list(infants))
        found |= {str(s) for s in sessions.loc[of_infant, "session"].dropna()}
        for name in ("sessions", "recordings", "reported"):
            named = frames[name]["session"].dropna()
            found |= {str(s) for s in named if s in withdrawn.sessions}
    return found


def _of(frame: pd.DataFrame, sessions: set[str]) -> pd.Series[bool]:
    return frame["session"].isin(list(sessions))


def _without(name: str, frame: pd.DataFrame, gone: set[str]) -> pd.DataFrame:
    return frame if name == "checks" else frame[~_of(frame, gone)].reset_index(drop=True)
