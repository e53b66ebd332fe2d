"""Whether a night is green, amber or red, read from what happened to the items, and in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import pandas as pd

from quietsleep import contract
from quietsleep.intake.find import CLOSED
from quietsleep.judge.border import standing_sentences
from quietsleep.judge.contradictions import Contradiction
from quietsleep.judge.study import CONSENT_RULE, JudgedStudy
from quietsleep.study.schedule import Schedule

NightState = Literal["green", "amber", "red"]
# What of the schedule a person has to look at: what it is and its state, its noun, what is said.
OUTSTANDING = (
    (("visit", "missing"), "visit", "missing"),
    (("followup_call", "overdue"), "follow-up call", "overdue"),
    (("technique", "missing"), "planned technique", "not attempted"),
    (("visit", "unplanned"), "session", "of a visit that the schedule does not know"),
)
# So many codes stand in one sentence; the pages list them all.
MOST_NAMED = 5


@dataclass(frozen=True, slots=True)
class NightVerdict:
    """The state of a night and the sentences behind it, the worst first."""

    state: NightState
    sentences: tuple[str, ...]


def verdict_of_night(
    judged: JudgedStudy | None,
    failures: Sequence[str],
    notices: Sequence[str] = (),
    told: Sequence[str] = (),
) -> NightVerdict:
    """Return red when ours failed or counts do not add up, amber when a person must act.

    What is `told` is said and asks for nothing.
    """
    failed = list(dict.fromkeys(failures))
    if judged is None and not failed:
        failed.append("Nothing was judged in this night.")
    waiting = list(dict.fromkeys(notices))
    if judged is not None and len(judged.conservation):
        failed += _failed(judged)
        waiting += _waiting(judged)
    said = tuple(dict.fromkeys(told))
    if failed:
        return NightVerdict("red", (*failed, *waiting, *said))
    return NightVerdict("amber" if waiting else "green", (*waiting, *said))


def _failed(judged: JudgedStudy) -> list[str]:
    conservation = judged.conservation
    said = [
        f"{row.centre}, {row.technique}: the counts of recordings or trials do not add up."
        for row in conservation[~conservation["balances"]].itertuples()
    ]
    for crashed, kind in (
        (int(conservation["crashed"].sum()), "recording"),
        (int((judged.checks["recorded"] == "crashed").sum()), "check"),
    ):
        if crashed:
            said.append(
                f"The pipeline failed on {count(crashed, kind)}; tracebacks are in the state."
            )
    return said


def _waiting(judged: JudgedStudy) -> list[str]:
    deliveries, sessions = judged.deliveries, judged.sessions
    study = judged.study
    silent = set(study.centres) - set(deliveries["centre"])
    # Of these the schedule says when a delivery is due.
    awaited = set(judged.expected.loc[judged.expected["what"] == "delivery", "centre"])
    absent = sorted(c for c in silent - awaited if study.centres[c].retired_on is None)
    said = alerts_in_words(judged.alerts)
    said += [*judged.problems.loc[judged.problems["kind"] == CLOSED, "sentence"]]
    said += standing_sentences(judged.problems)
    said += contradictions_in_words(judged.contradictions)
    said += [vanished_in_words(centre) for centre in study.vanished]
    said += [f"{centre} has delivered nothing." for centre in absent]
    said += expected_in_words(judged.expected, study.schedule)
    for state, words in (("quarantined", "was refused as a whole"), ("arriving", "is incomplete")):
        rows = deliveries[deliveries["state"] == state]
        named = zip(rows["centre"], rows["delivery"], strict=True)
        said += [f"Delivery {delivery} of {centre} {words}." for centre, delivery in named]
    held = int((sessions["status"] == "quarantined").sum())
    unread = int(judged.conservation["quarantined"].sum())
    refused = int((judged.checks["status"] != "accepted").sum())
    for number, kind, words in (
        (held, "session", "held at the border"),
        (unread, "recording", "quarantined"),
        (refused, "check", "out of tolerance or not readable"),
    ):
        if number:
            said.append(f"{count(number, kind)} {words}; the pages say why.")
    return said


def alerts_in_words(alerts: pd.DataFrame) -> list[str]:
    """Say which sessions of each centre have safety alerts, and which have no consent.

    `alerts`: centre, session, rule, severity, of verdicts that failed.
    """
    said = []
    is_alert = alerts["severity"] == "alert"
    for centre, rows in alerts[is_alert].groupby("centre", sort=True):
        n = rows.groupby("session")["rule"].nunique().sum()
        titles = ", ".join(_rule_words(rule) for rule in sorted(rows["rule"].unique()))
        said.append(
            f"{count(int(n), 'safety alert')} at {centre} ({titles}) in {named(rows['session'])}: "
            "somebody has to look at each."
        )
    lacking = alerts[alerts["rule"] == CONSENT_RULE]
    for centre, rows in lacking.groupby("centre", sort=True):
        said.append(
            f"{centre}: consent was not given, or not recorded, for {named(rows['session'])}. "
            "Nothing of it may be used."
        )
    return said


def contradictions_in_words(found: Sequence[Contradiction]) -> list[str]:
    """Say each kind of contradiction of a centre once; the only one of its kind in full."""
    by_kind: dict[tuple[str, str], list[Contradiction]] = {}
    for each in found:
        by_kind.setdefault((each.centre, each.kind), []).append(each)
    said = []
    for (centre, kind), own in by_kind.items():
        place = f"{centre}: " if centre else ""
        if len(own) == 1:
            said.append(f"{place}{own[0].sentence}")
        else:
            about = ", ".join(each.about for each in own[:MOST_NAMED])
            more = f" and {len(own) - MOST_NAMED} more" if len(own) > MOST_NAMED else ""
            words = kind.replace("_", " ")
            said.append(
                f"{place}{count(len(own), 'contradiction')} between sessions ({words}): "
                f"{about}{more}; the pages say which sessions."
            )
    return said


def expected_in_words(expected: pd.DataFrame, schedule: Schedule | None) -> list[str]:
    """Say by centre what of the schedule has not come: deliveries, visits, techniques, calls."""
    said = []
    for centre, rows in expected.groupby("centre", sort=True):
        of_kind = {key: own["item"] for key, own in rows.groupby(["what", "state"])}
        late = rows[(rows["what"] == "delivery") & (rows["state"] == "overdue")]
        if schedule is not None and len(late):
            every = schedule.deliveries_every_days or 0
            n_days = int(late["days_off"].iloc[0]) + every
            said.append(
                f"{centre} is late: nothing has arrived for {count(n_days, 'day')}; "
                f"a delivery is expected every {count(every, 'day')}."
            )
        for key, noun, words in OUTSTANDING:
            if key in of_kind:
                items = of_kind[key]
                told = named(items, noun).partition(" ")[2]
                verb = "is" if len(items) == 1 else "are"
                said.append(f"{centre}: {count(len(items), noun)} {verb} {words}: {told}.")
    return said


def vanished_in_words(centre: str) -> str:
    """Say that a centre file is gone, what became of its data, and what to do."""
    return (
        f"The file centres/{centre}.toml is gone, but {centre} was not retired: what it delivered "
        f"stays as it was. Put the file back, with retired_on where {centre} has left, or name "
        f"{centre} under was in the file of the centre that it is now."
    )


def _rule_words(rule: str) -> str:
    return contract.RULES[rule].name.replace("_", " ")


def named(codes: pd.Series[str], noun: str = "session") -> str:
    """Name the first of some codes, each once and in order, and say how many more there are."""
    known = sorted(codes.unique())
    listed = ", ".join(known[:MOST_NAMED])
    more = f" and {len(known) - MOST_NAMED} more" if len(known) > MOST_NAMED else ""
    return f"{noun if len(known) == 1 else noun + 's'} {listed}{more}"


def count(number: int, noun: str) -> str:
    """Return a number with its noun: "1 check", "2 checks"."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
