"""What sessions of a study say against each other: each is sound by itself, both cannot be.

The same signal bytes under two names, one infant on one day under two sessions, an infant whose
sex, gestation or birth weight change, ages that do not fit the days between its sessions. Nothing
is judged here: which side is right is for the centre to say.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import groupby, pairwise
from operator import itemgetter
from typing import Any

import pandas as pd

from quietsleep.contract import Rule
from quietsleep.contract.wording import listed_in_short
from quietsleep.judge.rules import breaks
from quietsleep.measure.roster import Roster

SAME_BYTES = "same_bytes"
SAME_DAY = "same_infant_and_day"
DIFFERS = "infant_differs"
AGES = "ages_and_days_differ"
AGE_RULE = "session.age_plausible"
KINDS = (SAME_BYTES, SAME_DAY, DIFFERS, AGES)
# What is true of an infant for life.
FOR_LIFE = {"sex": "", "gestation_weeks": " weeks", "birth_weight_kg": " kg"}


@dataclass(frozen=True, slots=True)
class Contradiction:
    """Two or more sides that cannot all be right.

    `kind`, `centre` and `about` are the same in every night while it stands: `about` names what
    the sides share. `centre` is empty where the sides are of several centres. `sessions` are the
    sessions of all sides, in order; an equipment check has none.
    """

    kind: str
    centre: str
    about: str
    sessions: tuple[str, ...]
    sentence: str
    expected: str
    remedy: str

    @property
    def key(self) -> str:
        """The name of the contradiction for as long as it stands."""
        return f"{self.kind}|{self.centre}|{self.about}"

    @property
    def row(self) -> dict[str, str | None]:
        """The contradiction as a row of the table of problems."""
        return {
            "centre": self.centre or None,
            "kind": self.kind,
            "where_found": self.about,
            "expected": self.expected,
            "sentence": self.sentence,
            "remedy": self.remedy,
        }


def contradictions_of(roster: Roster, rules: Sequence[Rule]) -> list[Contradiction]:
    """Return every contradiction among the rows that count, in order of kind, centre and name.

    Ages contradict each other where a session breaks the rule on it; sessions need their histories.
    """
    sessions = roster.sessions[~roster.sessions["held"]]
    found = [
        *_same_bytes(roster),
        *_same_day(sessions),
        *_differing(sessions),
        *_ages(sessions, rules),
    ]
    return sorted(found, key=lambda c: (KINDS.index(c.kind), c.centre, c.about))


def _same_bytes(roster: Roster) -> Iterator[Contradiction]:
    """Yield one for each content that several recordings or checks have."""
    recordings = roster.recordings[["centre", "session", "recording", "file_sha256"]]
    checks = roster.checks.assign(recording=roster.checks["check_id"], session=None)
    rows = pd.concat([recordings, checks[list(recordings.columns)]], ignore_index=True)
    rows = rows.dropna(subset=["file_sha256"])
    rows = rows[rows.duplicated("file_sha256", keep=False)]
    rows = rows.sort_values(["file_sha256", "centre", "recording", "session"])
    for sha256, group in groupby(rows.to_dict("records"), itemgetter("file_sha256")):
        sides = list(group)
        centres = sorted({side["centre"] for side in sides})
        many = len(centres) > 1
        names = [_side(side, with_centre=many) for side in sides]
        sessions = tuple(sorted({s["session"] for s in sides if isinstance(s["session"], str)}))
        of_sessions = f", in {len(sessions)} sessions" if len(sessions) > 1 else ""
        yield Contradiction(
            kind=SAME_BYTES,
            centre="" if many else centres[0],
            about=f"signal {str(sha256)[:12]}",
            sessions=sessions,
            sentence=f"The same signal, byte for byte, was delivered {len(names)} times"
            f"{of_sessions}: {listed_in_short(names)}.",
            expected="each signal once, as what it was recorded as",
            remedy="Find out which it is, and deliver the right signal of the others; until then "
            "the same recording may count more than once.",
        )


def _side(row: dict[Any, Any], *, with_centre: bool) -> str:
    session = row["session"]
    of_session = f" of {session}" if isinstance(session, str) else ""
    of_centre = f" at {row['centre']}" if with_centre else ""
    return f"{row['recording']}{of_session}{of_centre}"


def _same_day(sessions: pd.DataFrame) -> Iterator[Contradiction]:
    """Yield one for each infant and local day with several sessions."""
    by = ["centre", "infant", "on"]
    known = sessions.dropna(subset=by)
    again = known[known.duplicated(by, keep=False)]
    for (centre, infant, _), group in again.groupby(by, sort=True):
        codes = _sessions(group)
        yield Contradiction(
            kind=SAME_DAY,
            centre=str(centre),
            about=f"infant {infant} ({codes[0]})",
            sessions=codes,
            sentence=f"Sessions {listed_in_short(codes)} are of the same infant, {infant}, on the "
            "same day.",
            expected="one session for an infant and day",
            remedy="Say whether one visit was delivered under two codes, or an infant's code is "
            "mistyped, and deliver the sessions that are wrong again.",
        )


def _differing(sessions: pd.DataFrame) -> Iterator[Contradiction]:
    """Yield one for each infant and thing that is true for life and changes between sessions."""
    for column, unit in FOR_LIFE.items():
        known = sessions.dropna(subset=["infant", column])
        n_values = known.groupby(["centre", "infant"])[column].transform("nunique")
        for (centre, infant), group in known[n_values > 1].groupby(["centre", "infant"], sort=True):
            parts = [
                f"{_value(value)}{unit} in {listed_in_short(_sessions(own))}"
                for value, own in group.groupby(column, sort=True)
            ]
            title = column.removesuffix("_weeks").removesuffix("_kg").replace("_", " ")
            yield Contradiction(
                kind=DIFFERS,
                centre=str(centre),
                about=f"infant {infant} ({column})",
                sessions=_sessions(group),
                sentence=f"Infant {infant}: {title} is {' and '.join(parts)}.",
                expected=f"one {title} in all sessions of an infant",
                remedy="Compare with the paper record, and deliver the sessions that are wrong "
                "again; if these are two infants, give each its own code.",
            )


def _ages(sessions: pd.DataFrame, rules: Sequence[Rule]) -> Iterator[Contradiction]:
    """Yield one for each infant with sessions that the rule on ages refuses."""
    wrong = breaks(rules, AGE_RULE, sessions["age_contradiction_days"], sessions["on"])
    for (centre, infant), group in sessions[wrong].groupby(["centre", "infant"], sort=True):
        codes = {*_sessions(group)}
        of_infant = (sessions["centre"] == centre) & (sessions["infant"] == infant)
        rows = sessions[of_infant & sessions["age_days"].notna()].sort_values(["on", "session"])
        said = zip(rows["session"], rows["on"], rows["age_days"], strict=True)
        steps = [step for step in _steps(list(said)) if codes & {*step[:2]}]
        first, second, days, grown = max(steps, key=lambda step: abs(step[3] - step[2]))
        yield Contradiction(
            kind=AGES,
            centre=str(centre),
            about=f"infant {infant} (age_days)",
            sessions=tuple(sorted({code for step in steps for code in step[:2]})),
            sentence=f"Infant {infant}: from session {first} to {second} {days:g} days passed, but "
            f"the age {_grew(grown)}. In doubt: {listed_in_short(_sessions(group))}.",
            expected="ages that grow by the days between the sessions",
            remedy="Compare the dates and ages of both sessions with the paper record, and deliver "
            "the one that is wrong again; if these are two infants, give each its own code.",
        )


def _steps(
    sessions: Sequence[tuple[str, date, float]],
) -> Iterator[tuple[str, str, float, float]]:
    """Yield (session, next session, days passed, days by which the age grew)."""
    for (code, on, age), (next_code, next_on, next_age) in pairwise(sessions):
        yield code, next_code, float((next_on - on).days), float(next_age - age)


def _grew(days: float) -> str:
    return f"grew by {days:g}" if days >= 0 else f"fell by {-days:g}"


def _value(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def _sessions(rows: pd.DataFrame) -> tuple[str, ...]:
    return tuple(sorted(set(rows["session"].dropna())))
