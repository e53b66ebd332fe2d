"""How far readers agree with each other and with the rules: Cohen's kappa."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import combinations
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from quietsleep import contract
from quietsleep.judge.machine import machine_status
from quietsleep.judge.readers import Reviewed

MACHINE = "machine"
ALL = "all"


def kappa(table: ArrayLike) -> float:
    """Return Cohen's kappa of a square table of counts, NaN where chance leaves nothing to agree.

    `table` (k, k): rows are the first one's answers, columns the second one's.
    kappa = (po - pe) / (1 - pe), po the share on the diagonal, pe the sum over the answers of the
    product of both margins' shares. Cohen J. A coefficient of agreement for nominal scales.
    Educ Psychol Meas 1960;20:37-46.
    """
    counts = np.asarray(table, dtype=np.float64)
    total = counts.sum()
    if total == 0:
        return float("nan")
    shares = counts / total
    observed = float(np.trace(shares))
    by_chance = float(shares.sum(axis=1) @ shares.sum(axis=0))
    return (observed - by_chance) / (1 - by_chance) if by_chance < 1 else float("nan")


class Answer(NamedTuple):
    """What a reader, or the machine, says of one trial."""

    who: str
    technique: str
    centre: str
    trial: str
    accepts: bool


def agreement_frame(
    reviewed: Reviewed, trials: pd.DataFrame, verdicts: pd.DataFrame
) -> pd.DataFrame:
    """Return the agreement of each pair of readers, and of each reader with the machine.

    Only trials on which both decided count; one row a technique, and one for all together.
    """
    names = [column.name for column in contract.TABLES["review_agreement"].columns]
    answers = [
        Answer(p.review.reader, p.review.technique, p.review.centre, p.trial, accepts)
        for p in reviewed.standing
        if p.trial
        for accepts in (p.review.decision == "accept",)
    ]
    read = {(a.centre, a.trial) for a in answers}
    keys = zip(trials["centre"], trials["trial"], strict=True)
    own = trials[pd.Series([key in read for key in keys], index=trials.index, dtype=bool)]
    status = machine_status(own, verdicts)
    names_of = zip(own["technique"], own["centre"], own["trial"], status, strict=True)
    machine = [
        Answer(MACHINE, technique, centre, trial, said == "accepted")
        for technique, centre, trial, said in names_of
    ]
    return pd.DataFrame(list(_rows([*answers, *machine])), columns=names)


def _rows(answers: Sequence[Answer]) -> Iterable[Mapping[str, object]]:
    for technique in [ALL, *sorted({a.technique for a in answers})]:
        by_reader: dict[str, dict[tuple[str, str], bool]] = {}
        for a in answers:
            if technique in (ALL, a.technique):
                by_reader.setdefault(a.who, {})[a.centre, a.trial] = a.accepts
        readers = sorted(set(by_reader) - {MACHINE})
        pairs = [*combinations(readers, 2), *((reader, MACHINE) for reader in readers)]
        for first, second in pairs:
            row = _compare(by_reader[first], by_reader[second])
            if row:
                yield {"technique": technique, "first": first, "second": second} | row


def _compare(
    first: Mapping[tuple[str, str], bool], second: Mapping[tuple[str, str], bool]
) -> dict[str, object]:
    both = [(first[key], second[key]) for key in first.keys() & second.keys()]
    if not both:
        return {}
    table = [[both.count((a, b)) for b in (True, False)] for a in (True, False)]
    return {
        "n_trials": len(both),
        "n_both_accept": table[0][0],
        "n_first_only": table[0][1],
        "n_second_only": table[1][0],
        "n_both_reject": table[1][1],
        "agreement_pct": 100.0 * (table[0][0] + table[1][1]) / len(both),
        "kappa": kappa(table),
    }
