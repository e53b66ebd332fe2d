"""When the known answers are asked: whenever anything changed that they rest on, and once a week.

They cost more than a small night, and what they rest on is the same from night to night: the
program, its libraries as they are installed, the machine, and the study with known answers itself.
That they stood is remembered on this machine, for all its studies.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from quietsleep.night.known_answers import (
    KnownAnswersFailed,
    answers_rest_on,
    in_short,
    known_answers,
    moved,
    told,
)
from quietsleep.night.night import LOG, Night
from quietsleep.study.register_witness import remember_answers, remembered_answers

# What no digest tells of, such as a disk that returns other bytes, is found after so long.
STAND_FOR = timedelta(days=7)
Told = Sequence[Mapping[str, Any]]


def answers_that_stand(night: Night, run: Callable[[Path], Path]) -> Told | None:
    """Return what NIGHT.json is told of the known answers; None, and why, where they do not stand.

    `run` publishes the study with known answers aside. A night that looks at everything again asks.
    """
    rests_on = answers_rest_on()
    if not night.full and (stood := stood_before(rests_on, datetime.now(UTC))) is not None:
        return stood
    remember_answers({})
    try:
        answers = known_answers(run, night.study.work_path / "known_answers")
    except KnownAnswersFailed as error:
        night.failures.append(f"Nothing is published: of the study with known answers {error}")
        night.machine_failed |= error.machine_failed
        return None
    if wrong := moved(answers):
        for sentence in wrong:
            LOG.error(sentence)
        night.failures += in_short(wrong, log=f"work/logs/{night.name}.log")
        return None
    asked_at = datetime.now(UTC).isoformat(timespec="seconds")
    said = [{**each, "asked_at": asked_at} for each in told(answers)]
    remember_answers({"rests_on": rests_on, "asked_at": asked_at, "answers": said})
    return said


def stood_before(rests_on: str, now: datetime) -> Told | None:
    """Return what was told of the known answers if they stood lately, on the same ground."""
    said = remembered_answers()
    if said.get("rests_on") != rests_on:
        return None
    try:
        age = now - datetime.fromisoformat(said["asked_at"])
        answers = [dict(each) for each in said["answers"]]
    except (KeyError, TypeError, ValueError):
        return None
    return answers if timedelta(0) <= age < STAND_FOR and answers else None
