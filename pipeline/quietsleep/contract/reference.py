"""The frozen objects of reference equations: linear predictors and tables of L, M and S."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Annotated, Literal, Self, get_args

from pydantic import AfterValidator, BeforeValidator, model_validator
from pydantic.dataclasses import dataclass

from quietsleep.contract.model import Citation, Obtained
from quietsleep.contract.toml import CONFIG, Number, Text, YesNo, shown

Sex = Literal["female", "male"]
Transform = Literal["identity", "sqrt", "ln"]
Predictor = Literal["length_cm", "age_days", "corrected_age_days", "weight_kg"]


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


Sexes = Annotated[tuple[Sex, ...], AfterValidator(_in_order)]
Range = Annotated[tuple[Number, Number], BeforeValidator(_range)]
Row = Annotated[tuple[Number, Number, Number, Number], BeforeValidator(_row_of_four)]


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
