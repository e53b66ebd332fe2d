"""Plays one history against the oracle, and makes a failing one small."""

from __future__ import annotations

import shutil
from dataclasses import dataclass, fields, is_dataclass, replace
from pathlib import Path

from tests.weeks.driver import StudyOfWeeks
from tests.weeks.history import CENTRES, History, without
from tests.weeks.oracle import Oracle
from tests.weeks.queries import differences_of_queries
from tests.weeks.standing import Published, differences, parts, values_of


@dataclass(frozen=True, slots=True)
class Failure:
    """The first night on which something was not as it should be."""

    night: int
    said: tuple[str, ...]

    @property
    def about(self) -> str:
        """What was not as it should be, without the particulars."""
        return self.said[-1].split(":", maxsplit=1)[0]

    def __str__(self) -> str:
        return "\n".join((f"after night {self.night}:", *self.said))


def play(history: History, folder: Path, *, rebuild: bool = True) -> Failure | None:
    """Play a history in an empty folder; what is wrong after the first night that is wrong."""
    study = StudyOfWeeks(folder / "study", CENTRES[: history.n_centres])
    oracle = Oracle(study.centres)
    study.begin()
    seen: dict[str, object] = {}
    last = 0
    for night, actions in enumerate(history.nights):
        for action in actions:
            study.happens(night, action)
            oracle.happens(night, action)
        report = study.night(night)
        if not report.idle:
            last = night  # days in the tables are counted from here
        if report.state == "red":
            return Failure(night, ("the night is red", *report.sentences))
        expected = oracle.stands(night)
        with Published(study.path) as ask:
            said = differences(ask, expected)
            said += differences_of_queries(ask, expected)
            outcomes = values_of(ask)
        for key, values in outcomes.items():
            if key not in expected.rests_on:
                continue
            earlier = seen.setdefault(repr((key[1], expected.rests_on[key])), values)
            if earlier != values:
                said.append(f"values of {key}: were {earlier}, are {values}")
        if said:
            return Failure(night, tuple(said))
    if rebuild and oracle.can_be_rebuilt:
        other = study.rebuilt(folder / "rebuilt" / "study", last)
        first, again = parts(study.path), parts(other.path)
        said = [
            f"rebuilt otherwise: {k}"
            for k in sorted({*first, *again})
            if first.get(k) != again.get(k)
        ]
        if said:
            return Failure(last, tuple(said))
    return None


def shrunk(history: History, folder: Path, failure: Failure) -> tuple[History, Failure]:
    """Leave things out while it still fails; nights after the failure go first."""
    history = replace(history, nights=history.nights[: failure.night + 1])
    size = sum(map(len, history.nights))
    while size := size // 2:
        at = 0
        while part := places(history)[at : at + size]:
            smaller = without(history, part)
            found = tried(smaller, folder)
            if found is None or found.about != failure.about:
                at += size
            else:
                history = replace(smaller, nights=smaller.nights[: found.night + 1])
                failure = found
    return history, failure


def places(history: History) -> list[tuple[int, int]]:
    """Night and number of each action."""
    return [(night, n) for night, actions in enumerate(history.nights) for n in range(len(actions))]


def tried(history: History, folder: Path) -> Failure | None:
    """Whether a history that may make no sense any more still fails for its own sake."""
    shutil.rmtree(folder, ignore_errors=True)
    try:
        return play(history, folder, rebuild=False)
    except (StopIteration, KeyError, FileNotFoundError, AssertionError):
        return None


def told(history: History) -> str:
    """A history in lines, for a person."""
    lines = [f"seed {history.seed}"]
    for night, actions in enumerate(history.nights):
        lines += [f"night {night}: {one(action)}" for action in actions]
    return "\n".join(lines)


def one(what: object) -> str:
    """One action, in the words of its class; what is as usual is left out."""
    if isinstance(what, tuple):
        return "[" + ", ".join(one(part) for part in what) + "]"
    if not is_dataclass(what):
        return repr(what)
    said = [
        f"{field.name}={one(value)}"
        for field in fields(what)
        if (value := getattr(what, field.name)) != field.default
    ]
    return f"{type(what).__name__}({', '.join(said)})"
