"""A study cut into blocks of sessions, which are judged one by one: memory stays that of a few.

Where a block ends hangs on the codes of its sessions and not on how many came before them, so that
a session more or less leaves all but the blocks around it as they were.
"""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from quietsleep.measure.roster import Roster
from quietsleep.records import IntArray
from quietsleep.store.items import keys_of

# So few recordings are judged in about the time that a block costs by itself.
WORTH_A_BLOCK = 250
# So many more come before a block ends, on average, and never more than a block may hold.
MORE_A_BLOCK = 350
MOST_A_BLOCK = 1_000
# Stands for the sessions of a centre of which none counts: its checks and held rows are judged.
NO_SESSION = ""
OF_A_SESSION = ("sessions", "recordings", "reported", "session_checks")
# What judging does not ask for.
OF_NO_BLOCK = ("superseded", "delivered", "withdrawn", "sessions_without_consent")


@dataclass(frozen=True, slots=True)
class Block:
    """Sessions of one centre or of several with all that belongs to them.

    The checks of a centre are judged with its first block (`checks_of` names those centres); the
    later blocks hold those that their sessions rest on.
    """

    number: int
    roster: Roster
    checks_of: frozenset[str]

    @property
    def content_keys(self) -> pd.Series[str]:
        """The keys of what was measured of its recordings and checks, each once, in order."""
        rows = (self.roster.recordings["content_key"], self.roster.checks["content_key"])
        keys: pd.Series[str] = pd.concat(rows).dropna().drop_duplicates()
        return keys.sort_values(ignore_index=True)


def blocks_of(roster: Roster) -> Iterator[Block]:
    """Cut a roster into blocks; every row is in one block, but for checks.

    A roster without any row is one block without any. Codes of sessions and checks are a centre's
    own, so both are known by their centre and code.
    """
    of_session, first_of = _number_blocks(roster)
    checks = keys_of(roster.checks, "check_id")

    def numbers(rows: pd.DataFrame) -> IntArray:
        # What belongs to no session that counts is taken with the first of its centre.
        found = (of_session.get(key, first_of[key[0]]) for key in keys_of(rows, "session"))
        return np.fromiter(found, np.int64, len(rows))

    block_of = {name: numbers(getattr(roster, name)) for name in OF_A_SESSION}
    for number in range(1, max(of_session.values(), default=1) + 1):
        own = {name: getattr(roster, name)[of == number] for name, of in block_of.items()}
        centres = frozenset(centre for centre, first in first_of.items() if first == number)
        linked = set(keys_of(own["session_checks"], "check_id"))
        needed = np.array([key[0] in centres or key in linked for key in checks], bool)
        nothing = {name: getattr(roster, name).iloc[:0] for name in OF_NO_BLOCK}
        yield Block(number, Roster(**own, **nothing, checks=roster.checks[needed]), centres)


def _number_blocks(roster: Roster) -> tuple[dict[tuple[str, str], int], dict[str, int]]:
    """Return the block of each session, by centre and code, and the first block of each centre.

    Sessions are taken centre by centre, in order of their codes.
    """
    n_recordings = Counter(keys_of(roster.recordings, "session"))
    n_checks = Counter(roster.checks["centre"].tolist())
    sessions: dict[str, list[str]] = {centre: [] for centre in sorted(_centres(roster))}
    for centre, session in sorted(keys_of(roster.sessions, "session")):
        sessions[centre].append(session)
    of_session: dict[tuple[str, str], int] = {}
    first_of: dict[str, int] = {}
    number, n_held = 1, 0
    for centre, codes in sessions.items():
        coming = n_checks[centre]
        for code in codes or [NO_SESSION]:
            coming += n_recordings[centre, code]
            if n_held and begins_a_block(centre, code, n_coming=coming, n_held=n_held):
                number, n_held = number + 1, 0
            of_session[centre, code] = number
            first_of.setdefault(centre, number)
            n_held, coming = n_held + coming, 0
    return of_session, first_of


def begins_a_block(centre: str, code: str, *, n_coming: int, n_held: int) -> bool:
    """Say whether a session is the first of a block.

    `n_held` recordings and checks are in the block before by now, and `n_coming` come with it. The
    code of the session draws, so that most blocks end where they did in the night before.
    """
    if n_held + n_coming > MOST_A_BLOCK:
        return True
    if n_held < WORTH_A_BLOCK:
        return False
    name = f"{centre}/{code}".encode("utf-8", "surrogatepass")
    drawn = int.from_bytes(hashlib.blake2b(name, digest_size=8).digest())
    return drawn * MORE_A_BLOCK < n_coming << 64


def _centres(roster: Roster) -> set[str]:
    frames = (roster.sessions, roster.recordings, roster.checks, roster.reported)
    return {str(centre) for frame in frames for centre in frame["centre"].unique()}
