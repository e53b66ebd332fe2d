"""Does a reference equation fit the infants of this study? Mean and SD of z with their intervals.

An equation that fits has z-scores of mean 0 and SD 1 in healthy infants. What is said of it rests
on the intervals, not on a test of significance, which calls everything sound that is small.

Source: Quanjer PH, Stocks J, Cole TJ, Hall GL, Stanojevic S. Influence of secular trends and sample
size on reference equations for lung function tests. Eur Respir J 2011;37:658-664 (at least 150
controls of each sex; from memory).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from itertools import combinations
from math import ceil, nan, sqrt
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from quietsleep.contract.reference import Reference
from quietsleep.contract.wording import count
from quietsleep.judge.guard import Guard, apart, unguarded
from quietsleep.judge.numbers import only_finite, usable, usable_or_nan
from quietsleep.judge.scores import FAILED, References, Subject, score_by
from quietsleep.warehouse.comparability import ALL_CLASSES
from quietsleep.warehouse.spread import (
    ALL_CENTRES,
    FEWEST,
    NOWHERE,
    Columns,
    Interval,
    all_equal,
    centres_and_all,
    columns_of,
    first_of_each_infant,
    is_slipped,
    mean_interval,
    normal_quantile,
    of_centre,
    places_of,
    rows_of,
    said,
    said_interval,
    sd_interval,
)

BOTH, SEXES = "both", ("female", "male")
NO_OUTCOME = "none"
ADVISED_A_SEX = 150
# Definitions of this study: a shift of half a z, or an SD a quarter off, matters to a comparison.
MATTERS_Z = 0.5
MATTERS_SD = Interval(0.8, 1.25)
POWER_PCT, TWO_SIDED_PCT = 80.0, 5.0
TOO_FEW = f"Fewer than {FEWEST} infants have a z-score by it."
NO_VARIATION = "The z-scores of these infants do not differ."
FOR_COMPARISON = "It stands for comparison only and scores no outcome."
NO_CONTROLS = (
    "Nothing in the study marks healthy controls: these are all infants with an accepted value, "
    "not a control group."
)
VERDICTS: Mapping[str, str] = {
    "fits": "The equation fits: a shift of half a z, or an SD a quarter off, can be ruled out.",
    "does_not_fit": "The equation does not fit these infants.",
    "differs": "The infants differ from the equation; whether by so much that it matters is open.",
    "cannot_say": "So few infants cannot say whether the equation fits.",
}


def equation_check_frame(
    values: pd.DataFrame,
    references: References,
    slipped: frozenset[tuple[str, str]] = frozenset(),
    *,
    guard: Guard = unguarded,
) -> pd.DataFrame:
    """Return how each equation fits, by outcome, class of equipment, sex and centre.

    `values` are the `clean_values` of a study. Every equation is asked of every value of its
    outcomes, whichever scores them otherwise. What fails in one part has no row.
    """
    measures = ("length_cm", "weight_kg", "age_days", "corrected_age_days")
    others = ("centre", "infant", "equipment_class", "sex", *measures)
    columns = columns_of(values, numbers=("value",), others=others)
    of_outcome = {
        outcome: rows_of(columns, places)
        for outcome, places in places_of(values["outcome"]).items()
    } | {NO_OUTCOME: rows_of(columns, NOWHERE)}
    rows: list[dict[str, Any]] = []
    for reference in (*references.published.values(), *references.own.values()):
        rows += _of_equation(reference, of_outcome, slipped, guard=guard)
    return pd.DataFrame(rows)


def _of_equation(
    reference: Reference,
    values: Mapping[str, Columns],
    slipped: frozenset[tuple[str, str]],
    *,
    guard: Guard,
) -> Iterator[dict[str, Any]]:
    if not reference.outcomes:
        named = {
            "outcome": NO_OUTCOME,
            "equipment_class": ALL_CLASSES,
            "sex": BOTH,
            "centre": ALL_CENTRES,
        }
        why = reference.note or FOR_COMPARISON
        nothing = _row(reference, _scored(reference, NO_OUTCOME, values[NO_OUTCOME]), named)
        yield nothing | named | {"why": why, "sentence": f"{reference.key}: {why}"}
    for outcome in reference.outcomes:
        own = values.get(outcome, values[NO_OUTCOME])
        suspected = is_slipped(own, outcome, slipped)
        left_out = rows_of(own, suspected)
        scored = _scored(reference, outcome, rows_of(own, ~suspected), guard=guard)
        for part, rows, named in _parts(scored):
            row = None
            with apart(guard, f"check of {reference.key} in {_who(named)}", outcome):
                row = _row(reference, part, named) | named | {
                    "outcome": outcome,
                    "n_suspected": _n_of(left_out, named),
                    "warning": " ".join(_warnings(scored, rows, named)),
                }  # fmt: skip
            if row is not None:
                yield row


def _scored(
    reference: Reference, outcome: str, values: Columns, *, guard: Guard = unguarded
) -> Columns:
    """Add z-score, percent predicted and reason of one equation to every value of an outcome."""
    found = []
    for place, value in enumerate(values["value"]):
        sex = values["sex"][place]
        subject = Subject(
            sex=sex if isinstance(sex, str) else None,
            length_cm=_number(values["length_cm"][place]),
            weight_kg=_number(values["weight_kg"][place]),
            age_days=_number(values["age_days"][place]),
            corrected_age_days=_number(values["corrected_age_days"][place]),
            equipment_class=str(values["equipment_class"][place]),
        )
        score = FAILED
        with apart(guard, f"z-score by {reference.key}", outcome, values["centre"][place]):
            score = score_by(reference, float(value), subject)
        found.append((score.z, score.percent_predicted, score.why))
    columns = zip(*found, strict=True) if found else ((), (), ())
    z, percent, why = (list(column) for column in columns)
    return values | {
        "z": np.array(z, dtype=np.float64),
        "percent_predicted": np.array(percent, dtype=np.float64),
        "z_why": np.array(why, dtype=object),
    }


def _number(value: Any) -> float:
    return nan if pd.isna(value) else usable_or_nan(value)


def _parts(
    scored: Columns,
) -> Iterator[tuple[Columns, Columns, dict[str, str]]]:
    """Yield (values, all values of the class, what they are of): by sex over all, then centres."""
    of_class = places_of(scored["equipment_class"])
    classes = sorted(of_class)
    for name in [ALL_CLASSES, *classes] if len(classes) != 1 else classes:
        rows = scored if name == ALL_CLASSES else rows_of(scored, of_class[name])
        for centre in centres_and_all(rows):
            of = {"equipment_class": str(name), "centre": centre or ALL_CENTRES}
            own = of_centre(rows, centre)
            yield own, rows, of | {"sex": BOTH}
            for sex in SEXES if centre is None else ():
                yield rows_of(own, own["sex"] == sex), rows, of | {"sex": sex}


def _n_of(rows: Columns, named: Mapping[str, str]) -> int:
    found = np.ones(len(rows["centre"]), dtype=bool)
    for column, everything in (
        ("equipment_class", ALL_CLASSES), ("sex", BOTH), ("centre", ALL_CENTRES),
    ):  # fmt: skip
        if named[column] != everything:
            found &= rows[column] == named[column]
    return int(found.sum())


def _row(reference: Reference, values: Columns, named: Mapping[str, str]) -> dict[str, Any]:
    has_z = usable(values["z"])
    scores = first_of_each_infant(rows_of(values, has_z))["z"]
    row: dict[str, Any] = {
        "equation": reference.key,
        "n_values": has_z.size,
        "n_refused": int((~has_z).sum()),
        "n_suspected": 0,
        "n_infants": scores.size,
        "n_for_half_z": infants_to_see(MATTERS_Z),
        "n_needed": ADVISED_A_SEX * (len(SEXES) if named["sex"] == BOTH else 1),
        **_percent(values),
    }
    refused = _most_common(values["z_why"][~has_z])
    few = "" if refused and not scores.size else TOO_FEW
    few = few if scores.size < FEWEST else NO_VARIATION
    if scores.size < FEWEST or all_equal(scores):
        why = f"{few} {refused}".strip()
        sentence = (
            f"Whether {reference.key} fits {_who(named)} cannot be said. {why}{_of_percent(row)}"
        )
        return only_finite(row | {"verdict": "not_computable", "why": why, "sentence": sentence})
    mean, of_mean = mean_interval(scores)
    sd = float(scores.std(ddof=1))
    of_sd = sd_interval(sd, scores.size - 1)
    row |= {
        "mean_z": mean, "mean_low": of_mean.low, "mean_high": of_mean.high,
        "sd_z": sd, "sd_low": of_sd.low, "sd_high": of_sd.high,
        "seen_z": _quantiles() / sqrt(scores.size),
        "verdict": verdict_of(of_mean, of_sd),
        "why": f"{count(row['n_refused'], 'value')} without z-score: {refused}"
        if row["n_refused"] else None,
    }  # fmt: skip
    return only_finite(row | {"sentence": _told(reference, row, named)})


def _most_common(reasons: NDArray[np.object_]) -> str:
    """Return the reason that is given most, of several the first by its letters."""
    told = Counter(reason for reason in reasons if reason)
    return min(told, key=lambda reason: (-told[reason], reason), default="")


def _percent(values: Columns) -> dict[str, float]:
    has = usable(values["percent_predicted"])
    first = first_of_each_infant(rows_of(values, has))["percent_predicted"]
    if first.size < FEWEST:
        return {}
    mean, interval = mean_interval(first)
    return {
        "percent_predicted": mean,
        "percent_low": interval.low,
        "percent_high": interval.high,
    }


def _of_percent(row: Mapping[str, Any]) -> str:
    if "percent_predicted" not in row:
        return ""
    ends = said_interval((row["percent_low"], row["percent_high"]))
    return f" The infants have {said(row['percent_predicted'])} % of what it predicts{ends}."


def _quantiles() -> float:
    """Return the sum of the normal quantiles of two-sided 5 % and of 80 % power, 2.80."""
    return sum(normal_quantile(p) for p in (1 - TWO_SIDED_PCT / 200, POWER_PCT / 100))


def infants_to_see(shift_z: float) -> int:
    """Return how many infants see a shift of the mean z, of SD 1: ((u + v) / shift)^2, rounded up.

    u and v are the normal quantiles of two-sided 5 % and of 80 % power; 32 infants see half a z.
    """
    return ceil((_quantiles() / shift_z) ** 2)


def verdict_of(mean: Interval, sd: Interval) -> str:
    """Say what the intervals of mean and SD of z come to; see the column of the table."""
    shift = Interval(-MATTERS_Z, MATTERS_Z)
    for found, allowed in ((mean, shift), (sd, MATTERS_SD)):
        if found.low > allowed.high or found.high < allowed.low:
            return "does_not_fit"
    if _inside(mean, shift) and _inside(sd, MATTERS_SD):
        return "fits"
    if mean.low > 0 or mean.high < 0 or sd.low > 1 or sd.high < 1:
        return "differs"
    return "cannot_say"


def _inside(found: Interval, allowed: Interval) -> bool:
    return allowed.low <= found.low and found.high <= allowed.high


def _who(named: Mapping[str, str]) -> str:
    """Say which infants a row is of: female infants of larch with pneumotachograph-a."""
    sex, centre, equipment = (named[name] for name in ("sex", "centre", "equipment_class"))
    return (
        f"{'' if sex == BOTH else f'{sex} '}infants"
        f"{'' if centre == ALL_CENTRES else f' of {centre}'}"
        f"{'' if equipment == ALL_CLASSES else f' with {equipment}'}"
    )


def _told(reference: Reference, row: Mapping[str, Any], named: Mapping[str, str]) -> str:
    missing = row["n_infants"] < row["n_needed"]
    advice = (
        f"{row['n_needed']} are advised to check an equation with"
        f"{'' if missing else ', so there are enough'}, and {row['n_for_half_z']} see half a z at "
        "80 % power"
    )
    return (
        f"By {reference.key} {row['n_infants']} {_who(named)} have a mean z of "
        f"{said(row['mean_z'])}{said_interval((row['mean_low'], row['mean_high']))}, expected 0, "
        f"and an SD of {said(row['sd_z'])}{said_interval((row['sd_low'], row['sd_high']))}, "
        f"expected 1. {VERDICTS[row['verdict']]} {advice}."
    )


def _warnings(scored: Columns, of_class: Columns, named: Mapping[str, str]) -> Iterator[str]:
    """Yield what else the numbers may come from: no controls, unlike equipment, unlike centres."""
    yield NO_CONTROLS
    classes = _means(scored, "equipment_class")
    n_classes = len(set(scored["equipment_class"]))
    if named["equipment_class"] == ALL_CLASSES and n_classes > 1:
        yield f"{n_classes} classes of equipment are pooled here."
    if apart := _furthest(classes):
        yield f"Mean z differs between classes of equipment: {apart}."
    if named["centre"] == ALL_CENTRES and (apart := _furthest(_means(of_class, "centre"))):
        yield f"Mean z differs between centres: {apart}."


def _means(scored: Columns, by: str) -> dict[str, tuple[float, Interval]]:
    """Return the mean z of the infants of each class or centre, with its interval."""
    known = rows_of(scored, usable(scored["z"]))
    found = {}
    for name, places in sorted(places_of(known[by]).items()):
        scores = first_of_each_infant(rows_of(known, places))["z"]
        if scores.size >= FEWEST:
            found[str(name)] = mean_interval(scores)
    return found


def _furthest(means: Mapping[str, tuple[float, Interval]]) -> str:
    """Name the two whose means are furthest apart of those whose intervals do not meet."""
    apart = [
        (abs(means[a][0] - means[b][0]), a, b)
        for a, b in combinations(means, 2)
        if means[a][1].low > means[b][1].high or means[b][1].low > means[a][1].high
    ]
    if not apart:
        return ""
    _, *two = max(apart)
    return " and ".join(f"{n} {said(means[n][0])}{said_interval(means[n][1])}" for n in two)
