"""How centres write their tables, as far as it is registered: names, words for missing, synonyms.

A table [tables] in study.toml holds for all centres, one in a centre file for that centre as well;
where both say something else of one word, the centre's counts.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
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


def fold(text: str) -> str:
    """Return a name or word as it is compared: without regard to case and spaces."""
    return " ".join(text.split()).casefold()


def _as_tuple(words: object) -> object:
    return (words,) if isinstance(words, str) else words


Words = Annotated[tuple[Text, ...], BeforeValidator(_as_tuple)]


@model(frozen=True, slots=True, config=CONFIG, kw_only=True)
class TableDialect:
    """What a study or a centre registers of its tables.

    `columns` maps a column of the contract (or ``table.column``) to the names it has at a centre,
    `choices` a column (or ``yes_no``) and each of its choices to the words for it. `missing` are
    words for an empty cell, `ignored` are columns that are not read and not told of.
    """

    missing: Words = ()
    ignored: Words = ()
    columns: Mapping[str, Words] = field(default_factory=dict)
    choices: Mapping[str, Mapping[str, Words]] = field(default_factory=dict)

    @model_validator(mode="after")
    def _check(self) -> Self:
        for name in self.columns:
            _refuse_unknown("columns", name, _columns_of(name), _all_columns())
        for name, words in self.choices.items():
            known = _choices_of(name)
            _refuse_unknown("choices", name, known, _with_choices())
            for choice in words:
                _refuse_unknown(f"choices.{name}", choice, choice in known, known)
        words_of(self)
        return self


def _refuse_unknown(key: str, name: str, found: object, known: object) -> None:
    if not found:
        names = sorted(str(each) for each in known)  # type: ignore[attr-defined]
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
    choice.
    """

    missing: frozenset[str] = frozenset()
    ignored: frozenset[str] = frozenset()
    columns: Mapping[tuple[str, str], str] = field(default_factory=dict)
    choices: Mapping[tuple[str, str], str] = field(default_factory=dict)

    def column(self, table: str, title: str) -> str | None:
        """Return the column of the contract that a heading means; None where it means none."""
        known = contract.TABLES[f"delivery_{table}"].columns
        own = next((c.name for c in known if fold(c.name) == fold(title)), None)
        return own or self.columns.get((table, fold(title)))

    def titles(self, table: str, column: str) -> list[str]:
        """Return the names that a column is registered by besides its own, as they are compared."""
        return sorted(t for (of, t), name in self.columns.items() if (of, name) == (table, column))

    def choice(self, column: Column, word: str) -> str | None:
        """Return the choice that a word of a column means; None where it means none."""
        allowed = _YES_NO_WORDS if column.type == YES_NO else column.choices
        own = next((c for c in allowed if fold(c) == fold(word)), None)
        keys = [column.name, YES_NO] if column.type == YES_NO else [column.name]
        said = (self.choices.get((key, fold(word))) for key in keys)
        return own or next((choice for choice in said if choice is not None), None)


def words_of(*dialects: TableDialect | None) -> TableWords:
    """Join what the study and a centre register; of two meanings of one word the last counts.

    ValueError where one dialect by itself gives one word two meanings.
    """
    columns: dict[tuple[str, str], str] = {}
    choices: dict[tuple[str, str], str] = {}
    known = [dialect for dialect in dialects if dialect is not None]
    for dialect in known:
        columns |= _columns_in(dialect)
        choices |= _choices_in(dialect)
    return TableWords(
        missing=frozenset(fold(word) for d in known for word in d.missing),
        ignored=frozenset(fold(word) for d in known for word in d.ignored),
        columns=columns,
        choices=choices,
    )


def _columns_in(dialect: TableDialect) -> dict[tuple[str, str], str]:
    found: dict[tuple[str, str], str] = {}
    for name, titles in dialect.columns.items():
        for table, column in _columns_of(name):
            own = {fold(c.name) for of, c in _delivery_columns() if of == table} - {fold(column)}
            for title in titles:
                other = found.setdefault((table, fold(title)), column)
                if other != column or fold(title) in own:
                    meant = other if other != column else fold(title)
                    raise ValueError(
                        f"columns gives {shown(title)} two meanings in {table}: {meant} and "
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
