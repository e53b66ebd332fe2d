"""How centres write their tables, as far as it is registered: names, words, units, codes.

A table [tables] in study.toml holds for all centres, one in a centre file for that centre as well;
where both say something else of one word, the centre's counts.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Annotated, Self

from pydantic import BeforeValidator, model_validator
from pydantic.dataclasses import dataclass as model

from quietsleep import contract
from quietsleep.contract.model import Column
from quietsleep.contract.toml import CONFIG, Text, nearest_known, shown

# Stands for all columns of yes and no among the choices.
YES_NO = "yes_no"
_YES_NO_WORDS = ("yes", "no")
# In the form of a code: any digit, any letter.
DIGIT, LETTER = "#", "@"
_FORM = re.compile(rf"[A-Za-z0-9_.{DIGIT}{LETTER}-]+")
# What no form of a code may let pass.
_DATES = ("2025-10-12", "12.10.2025", "20251012", "12-10-2025", "12-10-25", "12.10.25")
_MOST_DIGITS, _MOST_LETTERS = 7, 3
# How units are written besides their UCUM code.
UNIT_WORDS: Mapping[str, tuple[str, ...]] = {
    "%": ("percent", "pct"),
    "Cel": ("°C", "degC", "deg C", "C"),
    "L": ("litre", "litres", "liter", "liters"),
    "cm": ("centimetre", "centimetres"),
    "d": ("day", "days"),
    "kPa.s/L": ("kPa/(L/s)", "kPa s/L", "kPa*s/L", "kPa/L/s", "kPa·s/L"),
    "kg": ("kilogram", "kilograms"),
    "mL": ("millilitre", "millilitres"),
    "min": ("minute", "minutes"),
    "s": ("sec", "second", "seconds"),
    "wk": ("week", "weeks", "wks"),
}


def fold(text: str) -> str:
    """Return a word as it is compared: without regard to case and spaces."""
    return " ".join(text.split()).casefold()


def fold_title(title: str) -> str:
    """Return a heading as it is compared: its letters and digits, in one case."""
    return re.sub(r"[\W_]+", "", title.casefold()) or fold(title)


def fold_unit(unit: str) -> str:
    """Return a unit as it is compared: without the brackets around it, case and spaces."""
    bare = re.sub(r"\s+", "", unit.casefold())
    inside = re.fullmatch(r"\[(.*)\]|\((.*)\)|\{(.*)\}", bare)
    return next((part for part in inside.groups() if part), bare) if inside else bare


def _as_tuple(words: object) -> object:
    return (words,) if isinstance(words, str) else words


Words = Annotated[tuple[Text, ...], BeforeValidator(_as_tuple)]


@model(frozen=True, slots=True, config=CONFIG, kw_only=True)
class TableDialect:
    """What a study or a centre registers of its tables.

    `columns` maps a column of the contract (or ``table.column``) to the names it has at a centre,
    `choices` a column (or ``yes_no``) and each of its choices to the words for it, `units` a unit
    of the contract to the words for it in a row of units. `missing` are words for an empty cell,
    `ignored` are columns that are not read and not told of. `codes` are the forms of the study's
    own codes: ``#`` stands for a digit, ``@`` for a letter, all else for itself.
    """

    missing: Words = ()
    ignored: Words = ()
    columns: Mapping[str, Words] = field(default_factory=dict)
    choices: Mapping[str, Mapping[str, Words]] = field(default_factory=dict)
    units: Mapping[str, Words] = field(default_factory=dict)
    codes: Words = ()

    @model_validator(mode="after")
    def _check(self) -> Self:
        for name in self.columns:
            _refuse_unknown("columns", name, _columns_of(name), _all_columns())
        for name, words in self.choices.items():
            known = _choices_of(name)
            _refuse_unknown("choices", name, known, _with_choices())
            for choice in words:
                _refuse_unknown(f"choices.{name}", choice, choice in known, known)
        units = {c.unit for _, c in _delivery_columns() if c.unit is not None}
        for unit in self.units:
            _refuse_unknown("units", unit, unit in units, units)
        for form in self.codes:
            _refuse_loose(form)
        words_of(self)
        return self


def _refuse_loose(form: str) -> None:
    """Refuse the form of a code that would let names, numbers of persons or birth dates pass."""
    if not _FORM.fullmatch(form):
        raise ValueError(
            f"codes gives {shown(form)}, which is no form of a code; write letters, digits, "
            f'"-", "_" and "." for themselves, {DIGIT} for any digit and {LETTER} for any letter.'
        )
    fixed = [c for c in form if c not in (DIGIT, LETTER)]
    loose = not (any(c.isalnum() for c in fixed) or (DIGIT in form and fixed))
    loose = loose or LETTER * (_MOST_LETTERS + 1) in form
    as_date = any(_matches(form, day) for day in _DATES) or DIGIT * (_MOST_DIGITS + 1) in form
    if loose or as_date:
        what = "dates of birth" if as_date else "names and numbers of persons"
        raise ValueError(
            f"codes gives {shown(form)}, by which {what} would pass as well; write what all codes "
            "have in common as it stands."
        )


def _matches(form: str, value: str) -> bool:
    return re.fullmatch(_pattern(form), value) is not None


def _pattern(form: str) -> str:
    classes = {DIGIT: "[0-9]", LETTER: "[A-Za-z]"}
    return "".join(classes.get(c, re.escape(c)) for c in form)


def _refuse_unknown(key: str, name: str, found: object, known: Iterable[object]) -> None:
    if not found:
        names = sorted(str(each) for each in known)
        hint = nearest_known(name, names) or f"it may be: {', '.join(names[:12])}."
        raise ValueError(f"{key} names {shown(name)}, which is not in the contract; {hint}")


def _delivery_columns() -> Iterator[tuple[str, Column]]:
    for table in contract.TABLES.values():
        if table.group == "delivery":
            for column in table.columns:
                yield table.name.removeprefix("delivery_"), column


def _columns_of(name: str) -> list[tuple[str, str]]:
    """Return (table, column) of a name, which may be of several tables or name one of them."""
    wanted, _, column = name.rpartition(".")
    return [
        (table, each.name)
        for table, each in _delivery_columns()
        if each.name == column and wanted in ("", table)
    ]


def _all_columns() -> set[str]:
    return {column.name for _, column in _delivery_columns()}


def _choices_of(name: str) -> tuple[str, ...]:
    if name == YES_NO:
        return _YES_NO_WORDS
    for _, column in _delivery_columns():
        if column.name == name:
            return _YES_NO_WORDS if column.type == YES_NO else column.choices
    return ()


def _with_choices() -> set[str]:
    return {YES_NO} | {c.name for _, c in _delivery_columns() if c.choices or c.type == YES_NO}


@dataclass(frozen=True, slots=True)
class TableWords:
    """What is registered for the tables of one centre, by folded names and words.

    `columns`: (table, name at the centre) -> column. `choices`: (column or ``yes_no``, word) ->
    choice. `units`: (unit of the contract, word for it).
    """

    missing: frozenset[str] = frozenset()
    ignored: frozenset[str] = frozenset()
    columns: Mapping[tuple[str, str], str] = field(default_factory=dict)
    choices: Mapping[tuple[str, str], str] = field(default_factory=dict)
    units: frozenset[tuple[str, str]] = frozenset()
    codes: tuple[str, ...] = ()

    def column(self, table: str, title: str) -> str | None:
        """Return the column of the contract that a heading means; None where it means none."""
        known = contract.TABLES[f"delivery_{table}"].columns
        folded = fold_title(title)
        own = next((c.name for c in known if fold_title(c.name) == folded), None)
        return own or self.columns.get((table, folded))

    def is_ignored(self, title: str) -> bool:
        """Whether a heading is registered as one that is neither read nor told of."""
        return fold_title(title) in self.ignored

    def is_missing(self, cell: str) -> bool:
        """Whether a cell is a word for an empty one."""
        return bool(self.missing) and fold(cell) in self.missing

    def choice(self, column: Column, word: str) -> str | None:
        """Return the choice that a word of a column means; None where it means none."""
        allowed = _YES_NO_WORDS if column.type == YES_NO else column.choices
        own = next((c for c in allowed if fold(c) == fold(word)), None)
        keys = [column.name, YES_NO] if column.type == YES_NO else [column.name]
        said = (self.choices.get((key, fold(word))) for key in keys)
        return own or next((choice for choice in said if choice is not None), None)

    def is_unit(self, unit: str, word: str) -> bool:
        """Whether a word stands for a unit of the contract."""
        folded = fold_unit(word)
        common = (unit, *UNIT_WORDS.get(unit, ()))
        return folded in map(fold_unit, common) or (unit, folded) in self.units

    def is_code(self, value: str) -> bool:
        """Whether a value has the form of a code that the study registered as its own."""
        return any(_matches(form, value) for form in self.codes)


def words_of(*dialects: TableDialect | None) -> TableWords:
    """Join what the study and a centre register; of two meanings of one word the last counts.

    ValueError where one dialect by itself gives one word two meanings.
    """
    columns: dict[tuple[str, str], str] = {}
    choices: dict[tuple[str, str], str] = {}
    missing: set[str] = set()
    known = [dialect for dialect in dialects if dialect is not None]
    for dialect in known:
        columns |= _columns_in(dialect)
        said, empty = _choices_in(dialect), {fold(word) for word in dialect.missing}
        choices = {key: c for key, c in choices.items() if key[1] not in empty} | said
        missing |= empty
    return TableWords(
        missing=frozenset(missing),
        ignored=frozenset(fold_title(word) for d in known for word in d.ignored),
        columns=columns,
        choices=choices,
        units=frozenset((u, fold_unit(w)) for d in known for u, ws in d.units.items() for w in ws),
        codes=tuple(dict.fromkeys(form for d in known for form in d.codes)),
    )


def _columns_in(dialect: TableDialect) -> dict[tuple[str, str], str]:
    found: dict[tuple[str, str], str] = {}
    for name, titles in dialect.columns.items():
        for table, column in _columns_of(name):
            own = {fold_title(c.name): c.name for of, c in _delivery_columns() if of == table}
            for title in titles:
                other = found.setdefault((table, fold_title(title)), column)
                other = own.get(fold_title(title), other)
                if other != column:
                    raise ValueError(
                        f"columns gives {shown(title)} two meanings in {table}: {other} and "
                        f'{column}; write "{table}.{column}" for a name of one table only.'
                    )
    return found


def _choices_in(dialect: TableDialect) -> dict[tuple[str, str], str]:
    found: dict[tuple[str, str], str] = {}
    missing = {fold(word) for word in dialect.missing}
    for name, by_choice in dialect.choices.items():
        own = {fold(choice): choice for choice in _choices_of(name)}
        for choice, words in by_choice.items():
            for word in words:
                other = found.setdefault((name, fold(word)), choice)
                other = own.get(fold(word), other)
                if fold(word) in missing:
                    other = "a missing value"
                if other != choice:
                    raise ValueError(
                        f"choices.{name} gives {shown(word)} two meanings: {other} and {choice}."
                    )
    return found
