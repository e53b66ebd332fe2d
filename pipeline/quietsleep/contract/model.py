"""The frozen objects that the contract files are loaded into."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Literal

ColumnType = Literal["text", "number", "integer", "yes_no", "choice", "date", "datetime"]
Level = Literal["trial", "test", "check", "session"]
Operator = Literal["at_least", "at_most", "between", "equals"]
Severity = Literal["reject", "flag", "alert"]
Missing = Literal["fail", "not_judged", "not_applicable"]
Obtained = Literal["printed", "from memory", "common practice", "study proposal"]
Summary = Literal["mean", "best", "highest_mean"]
Sex = Literal["female", "male"]
Transform = Literal["identity", "sqrt", "ln"]
Predictor = Literal["length_cm", "age_days", "corrected_age_days", "weight_kg"]


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table; `low` and `high` are inclusive.

    `unit` is a UCUM code and stands for numbers only. A number whose unit differs from row to row
    has `unit_from` instead: the column that holds it, of this table or as ``table.column``.
    """

    name: str
    type: ColumnType
    meaning: str
    unit: str | None = None
    low: float | None = None
    high: float | None = None
    choices: tuple[str, ...] = ()
    pattern: str | None = None
    nullable: bool = False
    publishable: bool = True
    unit_from: str | None = None


@dataclass(frozen=True, slots=True)
class Table:
    """One table of the delivery or of the warehouse."""

    name: str
    group: Literal["delivery", "warehouse"]
    one_row_is: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]

    def column(self, name: str) -> Column:
        """Return the column of that name; KeyError when the table has none."""
        for column in self.columns:
            if column.name == name:
                return column
        raise KeyError(f"table {self.name} has no column {name}")


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number measured on a trial, test, check or session.

    `owner` is a technique, a check or "session"; `labels` names the values of a yes-no quantity.
    """

    name: str
    owner: str
    level: Level
    unit: str
    definition: str
    source: str
    equation: str = ""
    labels: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Alternative:
    """A second condition of a rule: the rule passes where either holds."""

    quantity: str
    operator: Operator
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class Rule:
    """Quantity, operator, limit (inclusive) and what to say of it.

    `low`/`high` hold the limit: at_least has low, at_most has high, between has both, equals has
    both the same. `sentence` may name {observed}, {limit} and {unit}.
    """

    key: str
    owner: str
    level: Level
    quantity: str
    operator: Operator
    low: float | None
    high: float | None
    severity: Severity
    missing: Missing
    sentence: str
    sentence_missing: str
    remedy: str
    source: str
    obtained: Obtained
    valid_from: date
    valid_until: date | None = None
    alternative: Alternative | None = None


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a test reports after judging, and how accepted trials become one number.

    `summary`: mean of accepted trials; the value in the best trial (largest `score`, falling back
    to the next name in `score` where it cannot be computed in every accepted trial); mean of the
    `least` to `most` highest accepted trials.
    """

    name: str
    technique: str
    quantity: str
    unit: str
    summary: Summary
    meaning: str
    score: tuple[str, ...] = ()
    least: int = 1
    most: int = 0


@dataclass(frozen=True, slots=True)
class Spec:
    """What a technique, a check or the visit itself needs and yields; loaded from its file."""

    key: str
    kind: Literal["technique", "check", "session"]
    title: str
    channels: tuple[str, ...]
    shortest_s: float
    caution: str
    quantities: tuple[Quantity, ...]
    rules: tuple[Rule, ...]
    outcomes: tuple[Outcome, ...] = ()
    needs_checks: tuple[str, ...] = ()
    settings: Mapping[str, float] = field(default_factory=dict)

    def names(self, level: Level) -> tuple[str, ...]:
        """Names of the quantities of one level, in the order of the contract."""
        return tuple(q.name for q in self.quantities if q.level == level)


@dataclass(frozen=True, slots=True)
class Term:
    """One term of a linear predictor: coefficient, alone or times a power or the ln of `of`."""

    coefficient: float
    of: Predictor | None = None
    power: float = 1.0
    ln: bool = False


@dataclass(frozen=True, slots=True)
class LinearEquation:
    """transform(predicted) = sum of terms; `sd` is the residual SD on the transformed scale."""

    sexes: tuple[Sex, ...]
    transform: Transform
    terms: tuple[Term, ...]
    sd: float | None


@dataclass(frozen=True, slots=True)
class LmsTable:
    """L, M and S by one predictor, straight lines between the rows (by, L, M, S)."""

    sexes: tuple[Sex, ...]
    by: Predictor
    rows: tuple[tuple[float, float, float, float], ...]


@dataclass(frozen=True, slots=True)
class Reference:
    """A reference equation: what it predicts, for whom, within which ranges, from which source.

    `outcomes` are scored with it without being asked; empty when it stands for comparison only.
    Empty `equipment_classes` means any. `ranges` are inclusive and hold every predictor.
    """

    key: str
    title: str
    outcomes: tuple[str, ...]
    unit: str
    ranges: Mapping[Predictor, tuple[float, float]]
    equations: tuple[LinearEquation | LmsTable, ...]
    source: str
    obtained: Obtained
    note: str = ""
    equipment_classes: tuple[str, ...] = ()

    def equation_for(self, sex: str) -> LinearEquation | LmsTable | None:
        """Return the equation of one sex, None when the reference has none for it."""
        return next((e for e in self.equations if sex in e.sexes), None)


@dataclass(frozen=True, slots=True)
class Source:
    """A full citation, or a plain statement that a figure has none."""

    key: str
    citation: str


class ContractError(ValueError):
    """A contract file cannot stand; the message names file, entry and reason."""
