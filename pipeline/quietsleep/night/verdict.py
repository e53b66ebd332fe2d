"""Whether a night is green, amber or red, read from what happened to the items, and in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import pandas as pd

from quietsleep import contract
from quietsleep.contract.wording import count, listed_in_short
from quietsleep.judge.study import JudgedStudy
from quietsleep.judge.subjects import text

NightState = Literal["green", "amber", "red"]


@dataclass(frozen=True, slots=True)
class NightVerdict:
    """The state of a night and the sentences behind it, the worst first."""

    state: NightState
    sentences: tuple[str, ...]


def verdict_of_night(
    judged: JudgedStudy | None,
    failures: Sequence[str],
    queries: pd.DataFrame | None,
    told: Sequence[str] = (),
) -> NightVerdict:
    """Return red when ours failed or counts do not add up, amber when a query is open.

    `queries` is the table of the night, None where it came to none. What is `told` is said and
    asks for nothing.
    """
    failed = list(dict.fromkeys(failures))
    if queries is None and not failed:
        failed.append("Nothing was judged in this night.")
    waiting = [] if queries is None else open_in_words(queries)
    if judged is not None and len(judged.conservation):
        failed += _failed(judged)
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


def open_in_words(queries: pd.DataFrame) -> list[str]:
    """Say what is open, kind by kind and centre by centre, the most urgent first.

    A query that is the only one of its kind at its centre is said in full.
    """
    waiting: dict[tuple[str, str], list[dict[Any, Any]]] = {}
    for row in queries[queries["state"] == "open"].to_dict("records"):
        waiting.setdefault((row["kind"], text(row["centre"])), []).append(row)
    order = {kind: place for place, kind in enumerate(contract.QUERIES.kinds)}
    return [
        _said(centre, contract.QUERIES.kinds[kind].many, waiting[kind, centre])
        for kind, centre in sorted(waiting, key=lambda group: (order[group[0]], group[1]))
    ]


def _said(centre: str, many: str, rows: Sequence[Mapping[Any, Any]]) -> str:
    numbers = listed_in_short([str(row["query"]) for row in rows])
    if len(rows) == 1:
        sentence = str(rows[0]["sentence"])
        place = f"{centre}: " if centre and centre not in sentence else ""
        return f"{place}{sentence} (query {numbers})"
    names = list(dict.fromkeys(filter(None, map(_name, rows))))
    place = f" at {centre}" if centre else ""
    about = f": {listed_in_short(names)}" if names else ""
    return f"{len(rows)} {many}{place}{about} (queries {numbers})."


def _name(row: Mapping[Any, Any]) -> str:
    """Return the code that tells one query from others of its kind and centre."""
    return text(row["session"]) or text(row["delivery"]) or text(row["item"])
