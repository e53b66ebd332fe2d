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
from typing import Annotated, Literal, NamedTuple, Self

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
Version = Literal["1", "2"]
Summary = Literal["mean", "best", "highest_mean"]
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


# What every sentence of a rule may name between braces.
NAMED = ("observed", "limit", "unit")


def named_in(sentence: str) -> tuple[str, ...]:
    """Return what a sentence names between braces; ValueError with the rest of a sentence."""
    try:
        parts = [(name, spec) for _, name, spec, _ in string.Formatter().parse(sentence)]
    except ValueError as error:
        raise ValueError(f"has unpaired braces: {error}.") from None
    for name, spec in parts:
        if spec:
            raise ValueError(f"names {{{name}:{spec}}}; numbers are shown by one function.")
    return tuple(name for name, _ in parts if name is not None)


def _naming(*allowed: str) -> AfterValidator:
    """Refuse a sentence that names something else than `allowed` between braces."""

    def check(sentence: str) -> str:
        for name in named_in(sentence):
            if name not in allowed:
                may = ", ".join(f"{{{a}}}" for a in allowed) or "nothing between braces"
                raise ValueError(f"names {{{name}}}; it may name {may}.")
        return sentence

    return AfterValidator(check)


def _paired(sentence: str) -> str:
    named_in(sentence)
    return sentence


def _as_tuple(limit: object) -> object:
    return limit if isinstance(limit, list | tuple) else (limit,)


def _as_pairs(powers: object) -> object:
    return tuple(powers.items()) if isinstance(powers, Mapping) else powers


def _noun_phrase(words: str) -> str:
    if words.endswith((".", "?", "!")) or "{" in words:
        raise ValueError(f"is {shown(words)}; name the fault in a few words, without a full stop.")
    if words.split(" ", 1)[0] in ("no", "without"):
        raise ValueError(f"is {shown(words)}, which reads as its opposite beside a number.")
    return words


Ucum = Annotated[Text, AfterValidator(_listed_unit)]
Citation = Annotated[Text, AfterValidator(_cited)]
Sentence = Annotated[Text, _naming(*NAMED)]
# Of a rule: the loader knows which quantities of its level it may name besides.
RuleSentence = Annotated[Text, AfterValidator(_paired)]
PlainSentence = Annotated[Text, _naming()]
# Stands before a number: "leak 14 %, limit 5 %".
Fault = Annotated[Text, AfterValidator(_noun_phrase)]
Limit = Annotated[tuple[Number, ...], BeforeValidator(_as_tuple)]
Texts = Annotated[Mapping[str, Text], AfterValidator(MappingProxyType)]
Numbers = Annotated[Mapping[str, Number], AfterValidator(MappingProxyType)]
# A mapping of a rule is kept as pairs: rules travel between processes, which no proxy does.
Powers = Annotated[tuple[tuple[str, Number], ...], BeforeValidator(_as_pairs)]


@dataclass(frozen=True, slots=True, config=CONFIG)
class Column:
    """One column of a table; `low` and `high` are inclusive.

    `unit` is a UCUM code and stands for numbers only. A number whose unit differs from row to row
    has `unit_from` instead: the column that holds it, of this table or as ``table.column``. An
    `optional` column of a delivery may be left out of its file.
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
    optional: YesNo = False

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.optional and not self.nullable:
            raise ValueError("a column that may be left out must be nullable.")
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
    `ratio` makes it a quotient that is taken when it is judged: a number of the trial or of its
    recording's row over a number of the session. `of_device` says that the quantity of a check
    tells of the device itself, not of how the check was done: such are followed for drift.
    """

    name: Text
    owner: str
    level: Level
    unit: Ucum
    definition: Text
    source: Citation
    equation: str = ""
    labels: Texts = field(default_factory=dict)
    ratio: tuple[Text, Text] | None = None
    of_device: YesNo = False


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

    `sentence` may name {observed}, {limit}, {unit}, and other quantities of its level. `touches`
    is the column of the session that the rule doubts, where only tests that rest on it are to
    fall with the rule. `scales_with` says with which power of each channel the quantity goes, so
    that a likely slip of unit can be named; where only a part of it goes with them, `scaled_part`
    names the quantity that is this part. `since` is the version of the contract from which on
    the rule holds with this limit. `remedy_missing` says what to do where the quantity is missing.
    `fault` and `fault_missing` name what is wrong in a few words ("leak"), as the name of a rule
    may name what should be ("no_leak").
    """

    owner: str
    name: Text
    level: Level
    severity: Severity
    missing: Missing
    fault: Fault
    sentence: RuleSentence
    sentence_missing: PlainSentence
    remedy: PlainSentence
    source: Citation
    obtained: Obtained
    valid_from: Day
    valid_until: Day | None = None
    alternative: Condition | None = None
    touches: Text | None = None
    scales_with: Powers = ()
    scaled_part: Text | None = None
    since: Version = "1"
    remedy_missing: PlainSentence | None = None
    fault_missing: Fault | None = None

    @property
    def key(self) -> str:
        """Owner and name, by which files and tables name the rule."""
        return f"{self.owner}.{self.name}"

    def remedy_for(self, observed: float) -> str:
        """Say what to do next time about a number that breaks the rule or is missing (NaN)."""
        return remedy_for(self.remedy, self.remedy_missing, is_missing=math.isnan(observed))


def fault_for(fault: str, fault_missing: str | None, *, is_missing: bool) -> str:
    """Name what is wrong with a number that fails, or with one that is missing."""
    return (fault_missing or f"{fault} cannot be ruled out") if is_missing else fault


def remedy_for(remedy: str, remedy_missing: str | None, *, is_missing: bool) -> str:
    """Say what to do: a number that is missing wants something else than one that fails."""
    return remedy_missing or remedy if is_missing else remedy


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

    fault: Fault
    fault_missing: Fault
    sentence: Sentence
    sentence_missing: PlainSentence
    remedy: PlainSentence
    remedy_missing: PlainSentence
    source: Citation
    obtained: Obtained


@dataclass(frozen=True, slots=True, config=CONFIG, kw_only=True)
class Axis:
    """An axis of a loop; `turned`: what goes out is positive; `from_top`: zero at its top."""

    signal: Code
    title: Text | None = None
    turned: YesNo = False
    from_top: YesNo = False


@dataclass(frozen=True, slots=True, config=CONFIG, kw_only=True)
class Loop:
    """A picture of one signal against another, as readers are used to see it."""

    along: Axis
    up: Axis
    source: Citation
    obtained: Obtained


@dataclass(frozen=True, slots=True, config=CONFIG, kw_only=True)
class Spec:
    """What a technique, a check or the session itself needs and yields; loaded from its file.

    `own_needs` are the columns of the session that its own file names; the others of `needs` bring
    flow to BTPS. The first of `loops` carries marks, `glance` shows a trial at a glance. `common`
    are the quantities of every recording, `terms` parts of names as the trade writes them.
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
    own_needs: tuple[Text, ...] = ()
    common: tuple[Text, ...] = ()
    loops: tuple[Loop, ...] = ()
    glance: Code = "flow"
    loop_over: Literal["trial", "marks"] = "trial"
    terms: Texts = field(default_factory=dict)
    settings: Numbers = field(default_factory=dict)
    dependents: Dependents | None = None

    def names(self, level: Level) -> tuple[str, ...]:
        """Names of the quantities of one level, in the order of the contract."""
        return tuple(q.name for q in self.quantities if q.level == level)

    def measured(self) -> tuple[str, ...]:
        """Names of the trial quantities that the module of the technique or check measures."""
        others = {*self.common, *(q.name for q in self.quantities if q.ratio is not None)}
        return tuple(name for name in self.names("trial") if name not in others)


@dataclass(frozen=True, slots=True, config=CONFIG)
class Source:
    """A full citation, or a plain statement that a figure has none."""

    key: Text
    citation: Text


@dataclass(frozen=True, slots=True, config=CONFIG)
class PrintedFigure:
    """What was found in print that touches a limit, and how far it carries it: of the same
    (supports), of another technique or age (similar), or something else of the same (differs)."""

    rule: Text
    bearing: Literal["supports", "similar", "differs"]
    figure: Text
    where: Text


@dataclass(frozen=True, slots=True, config=CONFIG)
class ReviewReason:
    """A reason besides a rule; no blind reader gives one that `knows_rules` (what they said)."""

    name: Code
    decision: Choice
    sentence: Text
    knows_rules: bool = False
    needs_note: bool = False


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


def check_verdict_name(check: str) -> str:
    """Name the test quantity that says whether an equipment check was accepted."""
    return f"{check}_check_accepted"
