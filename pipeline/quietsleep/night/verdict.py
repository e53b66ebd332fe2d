"""Whether a night is green, amber or red, read from what happened to the items, and in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from quietsleep.intake.find import CLOSED
from quietsleep.judge.border import standing_sentences
from quietsleep.judge.study import JudgedStudy

NightState = Literal["green", "amber", "red"]


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
    absent = sorted(set(judged.study.centres) - set(deliveries["centre"]))
    said = [*judged.problems.loc[judged.problems["kind"] == CLOSED, "sentence"]]
    said += standing_sentences(judged.problems)
    said += [f"{centre} has delivered nothing." for centre in absent]
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


def count(number: int, noun: str) -> str:
    """Return a number with its noun: "1 check", "2 checks"."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
