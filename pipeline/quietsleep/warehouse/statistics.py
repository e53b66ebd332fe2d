"""Agreement of two methods: limits of agreement and intraclass correlation.

Sources: Bland JM, Altman DG. Lancet 1986;1:307-310. Shrout PE, Fleiss JL. Psychol Bull
1979;86:420-428.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from quietsleep import contract
from quietsleep.judge.agreement import NO_CAUSE
from quietsleep.judge.guard import Guard, apart, unguarded
from quietsleep.judge.numbers import only_finite, only_usable, quotient, usable
from quietsleep.judge.readers import ALL, MACHINE, ReviewEffects, machine_status
from quietsleep.warehouse.comparability import Comparability, compare_centres
from quietsleep.warehouse.spread import t_quantile

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Limits:
    """Bias and limits of agreement of `n` paired differences, each with its 95 % interval."""

    n: int
    bias: float
    sd: float
    lower: float
    upper: float
    bias_interval: tuple[float, float]
    lower_interval: tuple[float, float]
    upper_interval: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Intraclass:
    """The six coefficients of Shrout and Fleiss for `n` targets and `k` judges, and one interval.

    `single_1`, `single_2`, `single_3` are ICC(1,1), ICC(2,1), ICC(3,1); `mean_*` are those of the
    mean of the k judges. `single_2_interval` is the 95 % interval of ICC(2,1).
    """

    n: int
    k: int
    single_1: float
    single_2: float
    single_3: float
    mean_1: float
    mean_2: float
    mean_3: float
    single_2_interval: tuple[float, float]


def limits_of_agreement(first: ArrayLike, second: ArrayLike, *, width_sd: float = 1.96) -> Limits:
    """Bland and Altman's limits of `first - second`, in the unit of the values.

    Shapes (n,) and (n,), pairs without two usable numbers left out; ValueError for fewer than 3.
    limits = bias +/- width_sd * SD; standard error of the bias SD/sqrt(n), of a limit
    SD*sqrt(3/n); intervals with Student's t of n - 1 degrees of freedom. The worked example of
    1986 uses width_sd = 2.
    """
    difference = _differences(first, second)
    n = difference.size
    if n < 3:
        raise ValueError(f"limits of agreement need at least 3 pairs, here are {n}")
    bias, sd = float(difference.mean()), float(difference.std(ddof=1))
    t = t_quantile(0.975, n - 1)
    of_bias, of_limit = t * sd / n**0.5, t * sd * (3 / n) ** 0.5
    lower, upper = bias - width_sd * sd, bias + width_sd * sd
    return Limits(
        n, bias, sd, lower, upper,
        (bias - of_bias, bias + of_bias),
        (lower - of_limit, lower + of_limit),
        (upper - of_limit, upper + of_limit),
    )  # fmt: skip


def share_interval(n_accepted: int, n_tests: int) -> tuple[float, float]:
    """Return the exact 95 % interval of a share, from 0 to 1; all of it where there is no test.

    Quantiles of the beta distribution (Clopper CJ, Pearson ES. Biometrika 1934;26:404-413). It
    takes tests as independent of each other, and is too narrow where those of a session are alike.
    """
    from scipy.stats import beta

    if not 0 <= n_accepted <= n_tests or n_tests == 0:
        return 0.0, 1.0
    n_lost = n_tests - n_accepted
    low = float(beta.ppf(0.025, n_accepted, n_lost + 1)) if n_accepted else 0.0
    high = float(beta.ppf(0.975, n_accepted + 1, n_lost)) if n_lost else 1.0
    return low, high


def repeatability(first: ArrayLike, second: ArrayLike) -> float:
    """Return Bland and Altman's coefficient of repeatability of duplicate readings, same unit.

    Twice the SD of the differences with their mean taken as zero: 2 * sqrt(sum(d^2) / n). Pairs
    without two usable numbers are left out; NaN where none is left.
    """
    difference = _differences(first, second)
    return float(2 * np.sqrt(np.mean(difference**2))) if difference.size else float("nan")


def _differences(first: ArrayLike, second: ArrayLike) -> FloatArray:
    """Return first - second of the pairs whose numbers can be computed with."""
    a, b = (only_usable(np.asarray(values, dtype=np.float64)) for values in (first, second))
    difference: FloatArray = a - b
    return difference[np.isfinite(difference)]


def intraclass(ratings: ArrayLike) -> Intraclass:
    """Shrout and Fleiss' coefficients of a complete table of shape (n targets, k judges).

    With the mean squares between targets BMS, within targets WMS, between judges JMS, residual
    EMS: ICC(1,1) = (BMS-WMS)/(BMS+(k-1)WMS); ICC(2,1) = (BMS-EMS)/(BMS+(k-1)EMS+k(JMS-EMS)/n);
    ICC(3,1) = (BMS-EMS)/(BMS+(k-1)EMS). NaN where the denominator is zero: nothing varies.
    ValueError for what cannot be computed with, or fewer than 2 rows or columns.
    """
    table = np.asarray(ratings, dtype=np.float64)
    if table.ndim != 2 or min(table.shape) < 2 or not usable(table).all():
        raise ValueError("intraclass correlation needs a complete table of 2 by 2 or more")
    n, k = table.shape
    between, within, judges, residual = _mean_squares(table)
    judge_part = (judges - residual) / n
    return Intraclass(
        n=n,
        k=k,
        single_1=quotient(between - within, between + (k - 1) * within),
        single_2=quotient(between - residual, between + (k - 1) * residual + k * judge_part),
        single_3=quotient(between - residual, between + (k - 1) * residual),
        mean_1=quotient(between - within, between),
        mean_2=quotient(between - residual, between + judge_part),
        mean_3=quotient(between - residual, between),
        single_2_interval=_single_2_interval(n, k, between, judges, residual),
    )


def _mean_squares(table: FloatArray) -> tuple[float, float, float, float]:
    """Return BMS, WMS, JMS and EMS of a table of shape (n, k)."""
    n, k = table.shape
    rows, columns, grand = table.mean(axis=1), table.mean(axis=0), table.mean()
    between = k * float(((rows - grand) ** 2).sum()) / (n - 1)
    within = float(((table - rows[:, None]) ** 2).sum()) / (n * (k - 1))
    judges = n * float(((columns - grand) ** 2).sum()) / (k - 1)
    rest = table - rows[:, None] - columns[None, :] + grand
    residual = float((rest**2).sum()) / ((n - 1) * (k - 1))
    return between, within, judges, residual


def _single_2_interval(
    n: int, k: int, between: float, judges: float, residual: float
) -> tuple[float, float]:
    """Return the 95 % interval of ICC(2,1), with Satterthwaite's degrees of freedom (p. 424)."""
    from scipy import stats

    coefficient = quotient(
        between - residual, between + (k - 1) * residual + k * (judges - residual) / n
    )
    ratio = quotient(judges, residual)
    inner = n * (1 + (k - 1) * coefficient) - k * coefficient
    freedom = quotient(
        (k - 1) * (n - 1) * (k * coefficient * ratio + inner) ** 2,
        (n - 1) * k**2 * coefficient**2 * ratio**2 + inner**2,
    )
    if not freedom > 0:  # NaN too: an interval of what does not vary is none
        return float("nan"), float("nan")
    above = float(stats.f.ppf(0.975, n - 1, freedom))
    below = float(stats.f.ppf(0.975, freedom, n - 1))
    mixed = k * judges + (k * n - k - n) * residual
    lower = quotient(n * (between - above * residual), above * mixed + n * between)
    upper = quotient(n * (below * between - residual), mixed + n * below * between)
    return lower, upper


FEWEST_PAIRS = 3
TOO_FEW = f"Fewer than {FEWEST_PAIRS} pairs."
NO_VARIATION = "The results of these pairs do not differ, so there is no correlation to compute."


def agreement_limits_frame(agreement: pd.DataFrame, *, guard: Guard = unguarded) -> pd.DataFrame:
    """Return bias, limits of agreement and ICC of each centre and outcome of `agreement`.

    Pairs with a suspected slip are counted and left out, so that one wrong unit does not hide how
    the rest agrees. `why` says why a number is missing. An outcome of a centre whose statistics
    fail has no row, and the others have theirs.
    """
    rows: list[dict[str, Any]] = []
    for (centre, outcome, unit), pairs in agreement.groupby(["centre", "outcome", "unit"]):
        with apart(guard, "agreement", outcome, centre):
            named = {"centre": centre, "outcome": outcome, "unit": unit}
            rows.append(only_finite(named | _agreement(pairs)))
    return pd.DataFrame(rows)


def _agreement(pairs: pd.DataFrame) -> dict[str, Any]:
    numbers = pairs[["reported_converted", "central_value"]].to_numpy(dtype="float64")
    paired = pairs[usable(numbers).all(axis=1)]
    sound = paired[paired["suspected_cause"] == NO_CAUSE]
    counts = {"n_pairs": len(sound), "n_suspected": len(paired) - len(sound)}
    if len(sound) < FEWEST_PAIRS:
        return counts | {"why": TOO_FEW}
    both = sound[["reported_converted", "central_value"]].to_numpy(dtype="float64")
    limits = limits_of_agreement(both[:, 0], both[:, 1])
    icc = intraclass(both).single_2
    return counts | {
        "bias": limits.bias,
        "lower_limit": limits.lower,
        "upper_limit": limits.upper,
        "icc": icc,
        "why": NO_VARIATION if np.isnan(icc) else None,
    }


def comparability_frame(
    outcomes: pd.DataFrame,
    sessions: pd.DataFrame,
    devices: pd.DataFrame,
    *,
    guard: Guard = unguarded,
) -> pd.DataFrame:
    """Return the centre means of every accepted outcome, by class of equipment.

    An outcome in a class whose statistics fail has no rows, and the others have theirs.
    """
    entry = ["centre", "device", "device_valid_from"]
    of_session = sessions[["session", "infant", "length_cm", *entry]]
    classes = devices.rename(columns={"valid_from": "device_valid_from"})
    clean = (
        outcomes[outcomes["status"] == "accepted"]
        .merge(of_session, on=["centre", "session"])
        .merge(classes[[*entry, "equipment_class"]], on=entry, how="left")
    )
    return pd.DataFrame([row for found in compare_centres(clean, guard=guard)
                         for row in _means(found)])  # fmt: skip


def _means(found: Comparability) -> list[dict[str, Any]]:
    low, high = found.between_share_interval
    return [
        {
            "outcome": found.outcome,
            "equipment_class": found.equipment_class,
            "centre": mean.centre,
            "measure": found.measure,
            "unit": found.unit,
            "n_infants": mean.n_infants,
            "mean": mean.mean,
            "lower": mean.lower,
            "upper": mean.upper,
            "between_share_pct": 100.0 * found.between_share,
            "between_share_low_pct": 100.0 * low,
            "between_share_high_pct": 100.0 * high,
            "warning": " ".join(found.warnings),
        }
        for mean in found.centres
    ]


def kappa(table: ArrayLike) -> float:
    """Return Cohen's kappa of a square table of counts, NaN where chance leaves nothing to agree.

    `table` (k, k): rows are the first one's answers, columns the second one's.
    kappa = (po - pe) / (1 - pe), po the share on the diagonal, pe the sum over the answers of the
    product of both margins' shares. Cohen J. A coefficient of agreement for nominal scales.
    Educ Psychol Meas 1960;20:37-46.
    """
    counts = np.asarray(table, dtype=np.float64)
    if not usable(counts).all() or not (total := counts.sum()) > 0:
        return float("nan")
    shares = counts / total
    observed = float(np.trace(shares))
    by_chance = float(shares.sum(axis=1) @ shares.sum(axis=0))
    return (observed - by_chance) / (1 - by_chance) if by_chance < 1 else float("nan")


class ReaderOpinion(NamedTuple):
    """What a reader, or the machine, says of one trial."""

    who: str
    technique: str
    centre: str
    trial: str
    accepts: bool
    seat: str = ""


def agreement_frame(
    effects: ReviewEffects, trials: pd.DataFrame, verdicts: pd.DataFrame
) -> pd.DataFrame:
    """Return the agreement of each pair of readers, and of each reader with the machine.

    Only trials on which both decided count; one row a technique, and one for all together.
    """
    names = [column.name for column in contract.TABLES["review_agreement"].columns]
    answers = [
        ReaderOpinion(
            p.review.reader,
            p.review.technique,
            p.review.centre,
            p.trial,
            p.review.decision == "accept",
            p.review.seat,
        )
        for p in effects.standing
        if p.trial
    ]
    read = {(a.centre, a.trial) for a in answers}
    keys = zip(trials["centre"], trials["trial"], strict=True)
    own = trials[pd.Series([key in read for key in keys], index=trials.index, dtype=bool)]
    status = machine_status(own, verdicts)
    names_of = zip(own["technique"], own["centre"], own["trial"], status, strict=True)
    machine = [
        ReaderOpinion(MACHINE, technique, centre, trial, said == "accepted")
        for technique, centre, trial, said in names_of
    ]
    return pd.DataFrame(list(_rows([*answers, *machine])), columns=names)


def _rows(answers: Sequence[ReaderOpinion]) -> Iterable[Mapping[str, object]]:
    for technique in [ALL, *sorted({a.technique for a in answers})]:
        by_reader: dict[str, dict[tuple[str, str], ReaderOpinion]] = {}
        for a in answers:
            if technique in (ALL, a.technique):
                by_reader.setdefault(a.who, {})[a.centre, a.trial] = a
        readers = sorted(set(by_reader) - {MACHINE})
        pairs = [*combinations(readers, 2), *((reader, MACHINE) for reader in readers)]
        for first, second in pairs:
            row = _compare(by_reader[first], by_reader[second])
            if row:
                yield {"technique": technique, "first": first, "second": second} | row


def _compare(
    first: Mapping[tuple[str, str], ReaderOpinion], second: Mapping[tuple[str, str], ReaderOpinion]
) -> dict[str, object]:
    pairs = [(first[key], second[key]) for key in first.keys() & second.keys()]
    if not pairs:
        return {}
    both = [(one.accepts, other.accepts) for one, other in pairs]
    table = [[both.count((a, b)) for b in (True, False)] for a in (True, False)]
    return {
        "n_trials": len(both),
        "n_both_accept": table[0][0],
        "n_first_only": table[0][1],
        "n_second_only": table[1][0],
        "n_both_reject": table[1][1],
        "agreement_pct": 100.0 * (table[0][0] + table[1][1]) / len(both),
        "kappa": kappa(table),
        "n_same_seat": sum(bool(one.seat) and one.seat == other.seat for one, other in pairs),
    }
