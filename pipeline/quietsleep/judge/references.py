"""z-score and percent predicted of one outcome by the reference equation that applies to it.

A study's own equations, in `<study>/references/*.toml`, stand before the published ones. Every
score names its equation; where there is none it says why, in words.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from quietsleep import contract
from quietsleep.contract.equations import linear_value, read_references
from quietsleep.contract.model import LinearEquation, LmsTable, Predictor, Reference, Transform

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
    own = read_references(study_folder / "references", outcomes=contract.OUTCOMES)
    if clash := sorted(set(own) & set(published)):
        raise contract.ContractError(
            f"{clash[0]}.toml: {clash[0]}: a published equation has the same key; choose another"
        )
    return References(own, published)


def score(outcome: str, value: float, subject: Subject, references: References) -> Score:
    """Score one value, in the unit of the outcome, by the first equation that applies.

    An equation that does not hold for the infant's sex, equipment class or size is passed over;
    when none is left, the reason of the first is given.
    """
    if not math.isfinite(value):
        return Score(why="There is no value to score.")
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
    scored = partial(Score, equation=reference.key)
    predicted = predict(equation, subject.values())
    percent = 100.0 * value / predicted
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
