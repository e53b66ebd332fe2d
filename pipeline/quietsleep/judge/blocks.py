"""A study cut into blocks of visits, so that judging a large one takes the memory of a block."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import pandas as pd

from quietsleep.measure.roster import Roster

RECORDINGS_A_BLOCK = 1_000


@dataclass(frozen=True, slots=True)
class Block:
    """Visits of one centre with all that belongs to them.

    The checks of a centre are judged with its first block (`has_checks`); the later blocks hold
    those that their visits rest on.
    """

    number: int
    roster: Roster
    has_checks: bool


def blocks_of(roster: Roster) -> Iterator[Block]:
    """Cut a roster into blocks, centre by centre; every row is in one block, but for checks.

    A roster without any row is one block without any.
    """
    number = 0
    centres = _centres(roster)
    if not centres:
        yield Block(1, roster, True)
    for centre in sorted(centres):
        own = _of_centre(roster, centre)
        for place, sessions in enumerate(_sessions(own)):
            number += 1
            yield Block(number, _of_sessions(own, sessions, first=place == 0), place == 0)


def _centres(roster: Roster) -> set[str]:
    frames = (roster.sessions, roster.recordings, roster.checks, roster.reported)
    return {str(centre) for frame in frames for centre in frame["centre"].unique()}


def _of_centre(roster: Roster, centre: str) -> Roster:
    return Roster(
        **{
            name: getattr(roster, name)[getattr(roster, name)["centre"] == centre]
            for name in Roster.__dataclass_fields__
        }
    )


def _sessions(roster: Roster) -> Iterator[pd.Series[str]]:
    """Yield the visits of each block, by their codes in order; one empty block without any."""
    counts = roster.recordings.groupby("session").size()
    codes = roster.sessions["session"].sort_values(ignore_index=True)
    sizes = codes.map(counts).fillna(0).cumsum()
    groups = (sizes // RECORDINGS_A_BLOCK).astype(int)
    if codes.empty:
        yield codes
    for _, block in codes.groupby(groups):
        yield block


def _of_sessions(roster: Roster, sessions: pd.Series[str], *, first: bool) -> Roster:
    """Take what belongs to some visits; what belongs to none is taken with the first ones."""
    known = set(roster.sessions["session"])

    def own(rows: pd.DataFrame) -> pd.DataFrame:
        inside = rows["session"].isin(sessions)
        return rows[inside | ~rows["session"].isin(known)] if first else rows[inside]

    linked = own(roster.session_checks)
    needed = roster.checks["check_id"].isin(linked["check_id"])
    return replace(
        roster,
        sessions=roster.sessions[roster.sessions["session"].isin(sessions)],
        recordings=own(roster.recordings),
        reported=own(roster.reported),
        session_checks=linked,
        checks=roster.checks if first else roster.checks[needed],
    )
