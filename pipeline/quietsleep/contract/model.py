"""The frozen objects that the contract files are loaded into; pydantic judges each entry.

Cross-checks between entries and files stand in `load`. A validator that needs the lists of units
and sources finds them in the context (`Known`); objects made in code are not looked up.
"""

from __future__ import annotations

import math
import string
from collections.abc import Mapping
from dataclasses import field
from types import MappingProxyType
from typing import Annotated, Literal, NamedTuple, Self, get_args

from pydantic import AfterValidator, BeforeValidator, ValidationInfo, model_validator
from pydantic.dataclasses import dataclass

from quietsleep.contract.toml import (
    CONFIG,
    Code,
    Day,
    Number,
    Text,
    Whole,
    YesNo,
    between,
    first_twice,
    shown,
)

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
Choice = Literal["accept", "reject"]


class Known(NamedTuple):
    """What entries may name; `sources` is None where a source is a citation in words."""

    units: frozenset[str]
    sources: Mapping[str, Source] | None


def _listed_unit(code: str, info: ValidationInfo) -> str:
    if info.context is not None and code not in info.context.units:
        raise ValueError(f"is {shown(code)}, which is not on the list of UCUM codes in units.toml.")
    return code


def _cited(key: str, info: ValidationInfo) -> str:
    sources = None if info.context is None else info.context.sources
    if sources is not None and key not in sources:
        raise ValueError(f"is {shown(key)}, which has no citation in sources.toml.")
    return key


def _naming(*allowed: str) -> AfterValidator:
    """Refuse a sentence that names something else than `allowed` between braces."""

    def check(sentence: str) -> str:
        try:
            parts = [(name, spec) for _, name, spec, _ in string.Formatter().parse(sentence)]
        except ValueError as error:
            raise ValueError(f"has unpaired braces: {error}.") from None
        for name, spec in parts:
            if name is not None and (name not in allowed or spec):
                may = ", ".join(f"{{{a}}}" for a in allowed) or "nothing between braces"
                raise ValueError(f"names {{{name}}}; it may name {may}.")
        return sentence

    return AfterValidator(check)


def _in_order(sexes: tuple[Sex, ...]) -> tuple[Sex, ...]:
    if not sexes:
        raise ValueError("is empty.")
    return tuple(sex for sex in get_args(Sex) if sex in sexes)


def _range(value: object) -> object:
    low, high = value if isinstance(value, list | tuple) and len(value) == 2 else (0, 0)
    if not (isinstance(low, int | float) and isinstance(high, int | float) and 0 <= low < high):
        raise ValueError(
            f"is {shown(value)}; it needs a lowest and a higher highest value, not negative."
        )
    return value


def _row_of_four(row: object) -> object:
    if not isinstance(row, list | tuple) or len(row) != 4:
        raise ValueError(f"is {shown(row)}, which is not a row of 4 numbers.")
    return row


def _as_tuple(limit: object) -> object:
    return limit if isinstance(limit, list | tuple) else (limit,)


Ucum = Annotated[Text, AfterValidator(_listed_unit)]
Citation = Annotated[Text, AfterValidator(_cited)]
Sentence = Annotated[Text, _naming("observed", "limit", "unit")]
PlainSentence = Annotated[Text, _naming()]
Limit = Annotated[tuple[Number, ...], BeforeValidator(_as_tuple)]
Texts = Annotated[Mapping[str, Text], AfterValidator(MappingProxyType)]
Numbers = Annotated[Mapping[str, Number], AfterValidator(MappingProxyType)]
Sexes = Annotated[tuple[Sex, ...], AfterValidator(_in_order)]
Range = Annotated[tuple[Number, Number], BeforeValidator(_range)]
Row = Annotated[tuple[Number, Number, Number, Number], BeforeValidator(_row_of_four)]


@dataclass(frozen=True, slots=True, config=CONFIG)
class Column:
    """One column of a table; `low` and `high` are inclusive.

    `unit` is a UCUM code and stands for numbers only. A number whose unit differs from row to row
    has `unit_from` instead: the column that holds it, of this table or as ``table.column``.
    """

    name: Text
    type: ColumnType
    meaning: Text
    unit: Ucum | None = None
    low: Number | None = None
    high: Number | None = None
    choices: tuple[Text, ...] = ()
    pattern: Text | None = None
    nullable: YesNo = False
    publishable: YesNo = True
    unit_from: Text | None = None

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.type == "number" and (self.unit is None) == (self.unit_from is None):
            raise ValueError(
                "a number needs unit or unit_from; the unit is 1 when it has no dimension."
            )
        of_numbers = (self.unit, self.low, self.high)
        if self.type not in ("number", "integer") and of_numbers != (None, None, None):
            raise ValueError("unit, low and high belong to numbers only.")
        if (self.type == "choice") != bool(self.choices):
            raise ValueError("choices belong to columns of type choice, and to no other.")
        return self


@dataclass(frozen=True, slots=True, config=CONFIG)
class Table:
    """One table of the delivery or of the warehouse."""

    name: Text
    group: Literal["delivery", "warehouse"]
    one_row_is: Text
    key: tuple[Text, ...]
    columns: tuple[Column, ...]

    @model_validator(mode="after")
    def _check(self) -> Self:
        names = [c.name for c in self.columns]
        if (twice := first_twice(names)) is not None:
            raise ValueError(f"column {twice} stands twice.")
        if unknown := [name for name in self.key if name not in names]:
            raise ValueError(f"key names the unknown column {unknown[0]}.")
        return self

    def column(self, name: str) -> Column:
        """Return the column of that name; KeyError when the table has none."""
        for column in self.columns:
            if column.name == name:
                return column
        raise KeyError(f"table {self.name} has no column {name}")


@dataclass(frozen=True, slots=True, config=CONFIG)
class Quantity:
    """A number measured on a trial, test, check or session.

    `owner` is a technique, a check or "session"; `labels` names the values of a yes-no quantity.
    """

    name: Text
    owner: str
    level: Level
    unit: Ucum
    definition: Text
    source: Citation
    equation: str = ""
    labels: Texts = field(default_factory=dict)


def low_of(operator: Operator, limit: tuple[float, ...]) -> float | None:
    """Return the lowest value, inclusive, that a limit lets pass; None where there is none."""
    return None if operator == "at_most" else limit[0]


def high_of(operator: Operator, limit: tuple[float, ...]) -> float | None:
    """Return the highest value, inclusive, that a limit lets pass; None where there is none."""
    return None if operator == "at_least" else limit[-1]


def limit_refusal(operator: Operator, limit: tuple[float, ...]) -> str | None:
    """Say why an operator cannot take a limit; None where it can."""
    n = 2 if operator == "between" else 1
    if len(limit) == n and list(limit) == sorted(limit):
        return None
    wanted = "one number" if n == 1 else "two numbers, [lowest, highest]"
    value = limit[0] if len(limit) == 1 else limit
    return f"limit is {shown(value)}; {operator} takes {wanted}."


@dataclass(frozen=True, slots=True, config=CONFIG, kw_only=True)
class Condition:
    """A condition on a quantity; as the second one of a rule, the rule passes where either holds.

    `limit` holds one number, two for between; `low` and `high` are read from it: at_least has low,
    at_most has high, equals has both the same.
    """

    quantity: Text
    operator: Operator
    limit: Limit

    @model_validator(mode="after")
    def _check(self) -> Self:
        if refusal := limit_refusal(self.operator, self.limit):
            raise ValueError(refusal)
        return self

    @property
    def low(self) -> float | None:
        """Lowest value that passes, inclusive."""
        return low_of(self.operator, self.limit)

    @property
    def high(self) -> float | None:
        """Highest value that passes, inclusive."""
        return high_of(self.operator, self.limit)


@dataclass(frozen=True, slots=True, config=CONFIG, kw_only=True)
class Rule(Condition):
    """Quantity, operator, limit (inclusive) and what to say of it.

    `sentence` may name {observed}, {limit}, {unit}. `remedy_missing` says what to do where the
    quantity is missing, where that is not what `remedy` says.
    """

    owner: str
    name: Text
    level: Level
    severity: Severity
    missing: Missing
    sentence: Sentence
    sentence_missing: PlainSentence
    remedy: PlainSentence
    source: Citation
    obtained: Obtained
    valid_from: Day
    valid_until: Day | None = None
    alternative: Condition | None = None
    remedy_missing: PlainSentence | None = None

    @property
    def key(self) -> str:
        """Owner and name, by which files and tables name the rule."""
        return f"{self.owner}.{self.name}"

    def remedy_for(self, observed: float) -> str:
        """Say what to do next time about a number that breaks the rule or is missing (NaN)."""
        return self.remedy_missing or self.remedy if math.isnan(observed) else self.remedy


@dataclass(frozen=True, slots=True, config=CONFIG)
class Outcome:
    """What a test reports after judging, and how accepted trials become one number.

    `summary`: mean of accepted trials; the value in the best trial (largest `score`, falling back
    to the next name in `score` where it cannot be computed in every accepted trial); mean of the
    `least` to `most` highest accepted trials.
    """

    name: Text
    technique: str
    quantity: Text
    unit: str
    summary: Summary
    meaning: Text
    score: tuple[Text, ...] = ()
    least: Whole = 1
    most: Whole = 0

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.summary == "best" and not self.score:
            raise ValueError('summary = "best" needs a score to choose the best trial by.')
        if self.summary == "highest_mean" and not 1 <= self.least <= self.most:
            raise ValueError(
                'summary = "highest_mean" needs least and most, with 1 <= least <= most.'
            )
        return self


@dataclass(frozen=True, slots=True, config=CONFIG)
class Signal:
    """What a device records, or what follows from it; `key` names its samples in the code."""

    name: Code
    title: Text
    unit: Ucum
    kind: Literal["flow", "pressure", "monitor", "derived"]
    key: Code
    decimals: Whole


@dataclass(frozen=True, slots=True, config=CONFIG)
class Needs:
    """What a technique or check needs to know besides the signal.

    Columns of the session, of the recording or of the check as delivered; numbers of the device;
    and what it takes from the checks that the session rests on: name -> "check.quantity".
    """

    session: tuple[Text, ...] = ()
    recording: tuple[Text, ...] = ()
    check: tuple[Text, ...] = ()
    device: tuple[Text, ...] = ()
    from_checks: Texts = field(default_factory=dict)

    def names(self) -> tuple[str, ...]:
        """Return the names of all that it needs."""
        return (*self.session, *self.recording, *self.check, *self.device, *self.from_checks)


@dataclass(frozen=True, slots=True, config=CONFIG)
class Dependents:
    """What a test is told that rests on an equipment check."""

    sentence: Sentence
    sentence_missing: PlainSentence
    remedy: PlainSentence
    remedy_missing: PlainSentence
    source: Citation
    obtained: Obtained


@dataclass(frozen=True, slots=True, config=CONFIG, kw_only=True)
class Spec:
    """What a technique, a check or the session itself needs and yields; loaded from its file.

    `loops` are the pictures that an expert looks at: which signal goes along, which goes up.
    `terms` are parts of names as the trade writes them.
    """

    key: Text
    kind: Literal["technique", "check", "session"]
    title: Text
    channels: tuple[Text, ...] = ()
    shortest_s: Number = 0.0
    caution: str = ""
    quantities: tuple[Quantity, ...]
    rules: tuple[Rule, ...]
    outcomes: tuple[Outcome, ...] = ()
    needs_checks: tuple[Text, ...] = ()
    needs: Needs = Needs()
    loops: tuple[tuple[Text, Text], ...] = ()
    loop_over: Literal["trial", "marks"] = "trial"
    terms: Texts = field(default_factory=dict)
    settings: Numbers = field(default_factory=dict)
    dependents: Dependents | None = None

    def names(self, level: Level) -> tuple[str, ...]:
        """Names of the quantities of one level, in the order of the contract."""
        return tuple(q.name for q in self.quantities if q.level == level)


@dataclass(frozen=True, slots=True, config=CONFIG)
class Term:
    """One term of a linear predictor: coefficient, alone or times a power or the ln of `of`.

    Without `power` and `ln` the predictor itself is meant.
    """

    coefficient: Number
    of: Predictor | None = None
    power: Number | None = None
    ln: YesNo = False

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.of is None and (self.ln or self.power is not None):
            raise ValueError("power and ln need a predictor, named by of.")
        if self.ln and self.power is not None:
            raise ValueError("a term is either a power or a logarithm, not both.")
        return self


@dataclass(frozen=True, slots=True, config=CONFIG)
class LinearEquation:
    """transform(predicted) = sum of terms; `sd` is the residual SD on the transformed scale."""

    sexes: Sexes
    transform: Transform
    terms: tuple[Term, ...]
    sd: Number | None = None

    @model_validator(mode="after")
    def _check(self) -> Self:
        if not self.terms:
            raise ValueError("terms is empty.")
        if self.sd is not None and self.sd <= 0:
            raise ValueError(
                f"sd is {self.sd:g}; it must be above 0. Leave it out where none is published."
            )
        return self


@dataclass(frozen=True, slots=True, config=CONFIG)
class LmsTable:
    """L, M and S by one predictor, straight lines between the rows (by, L, M, S)."""

    sexes: Sexes
    by: Predictor
    rows: tuple[Row, ...]

    @model_validator(mode="after")
    def _check(self) -> Self:
        if len(self.rows) < 2:
            raise ValueError("rows holds fewer than two rows.")
        at = [row[0] for row in self.rows]
        if at != sorted(set(at)):
            raise ValueError(f"rows do not rise in {self.by}.")
        for row in self.rows:
            if row[2] <= 0 or row[3] <= 0:
                raise ValueError(f"row {shown(row)} must have M and S above 0.")
        return self


@dataclass(frozen=True, slots=True, config=CONFIG, kw_only=True)
class Reference:
    """A reference equation: what it predicts, for whom, within which ranges, from which source.

    `outcomes` are scored with it without being asked; empty when it stands for comparison only.
    Empty `equipment_classes` means any. `ranges` are inclusive and hold every predictor.
    """

    key: Text
    title: Text
    outcomes: tuple[Text, ...]
    unit: Text
    ranges: Annotated[Mapping[Predictor, Range], AfterValidator(MappingProxyType)]
    equations: tuple[LinearEquation, ...] = ()
    tables: tuple[LmsTable, ...] = ()
    source: Citation
    obtained: Obtained
    note: str = ""
    equipment_classes: tuple[Text, ...] = ()

    @property
    def sexes(self) -> tuple[Sex, ...]:
        """The sexes that it holds for; one stands twice where two equations are for it."""
        return tuple(sex for equation in self._all() for sex in equation.sexes)

    def equation_for(self, sex: str) -> LinearEquation | LmsTable | None:
        """Return the equation of one sex, None when the reference has none for it."""
        return next((e for e in self._all() if sex in e.sexes), None)

    def _all(self) -> tuple[LinearEquation | LmsTable, ...]:
        return (*self.equations, *self.tables)


@dataclass(frozen=True, slots=True, config=CONFIG)
class Source:
    """A full citation, or a plain statement that a figure has none."""

    key: Text
    citation: Text


@dataclass(frozen=True, slots=True, config=CONFIG)
class ReviewReason:
    """A reason that a reader may give besides a rule."""

    name: Code
    decision: Choice
    sentence: Text


def _overturning(readers: int) -> int:
    if readers < 2:
        raise ValueError(f"is {readers}; it must be 2 or more: one reader alone would overturn.")
    return readers


Share = Annotated[Number, between(0, 100)]


@dataclass(frozen=True, slots=True, config=CONFIG)
class Reviewing:
    """The figures and reasons of over-reading; `ceilings` by name of quantity."""

    borderline_pct: Share
    second_reading_pct: Share
    readers_to_overturn: Annotated[Whole, AfterValidator(_overturning)]
    ceilings: Numbers
    reasons: Mapping[str, ReviewReason]
