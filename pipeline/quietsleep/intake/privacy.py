"""Refuse what identifies people: column names and values of tables, paths and signal files.

A finding refuses the whole delivery. What was found is never written on: not in a message, not in
a digest; only the table, the row and, where the contract knows it, the column are named.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import date, datetime
from zoneinfo import ZoneInfo

from quietsleep.contract.model import Column
from quietsleep.intake.dialect import TextRow
from quietsleep.intake.files.header import SignalHeader
from quietsleep.intake.identifiers import (
    BIRTH_DATE,
    column_identifies,
    value_identifies,
)
from quietsleep.intake.reference import DeliveryReference
from quietsleep.intake.text_table import TextTable
from quietsleep.records import Problem
from quietsleep.study.dialect import TableWords, fold
from quietsleep.study.study import Device

# Columns whose values are codes: there every capitalised word is suspect.
CODE_COLUMNS = frozenset(
    {"session", "infant", "recording", "check", "device", "operator", "visit", "outcome", "unit"}
)
_PLAIN_NUMBER = re.compile(r"[-+]?\d{1,8}(?:[.,]\d{1,17})?(?:[eE][-+]?\d{1,3})?")
_TIME = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d")
# What a program writes for a day without a time of day.
_MIDNIGHT = re.compile(r"\d{4}-\d\d-\d\d[T ]00:00(?::00(?:\.0+)?)?(?!\d|:)")
_PATH_PARTS = re.compile(r"[/\\]|\.(?=\w{1,8}$)")


@dataclass(slots=True)
class PrivacyScan:
    """Looks through one delivery; `problems` fills with what may not be taken in.

    `words` are codes of the study that may stand in values, `days` the days of tests, as they are
    written and where the centre is, by its `zone`. `registered` is what is registered of the
    tables, `visits` are the names of planned visits: both pass.
    """

    place: DeliveryReference
    words: frozenset[str]
    days: frozenset[date] = frozenset()
    zone: ZoneInfo | None = None
    registered: TableWords = field(default_factory=TableWords)
    visits: frozenset[str] = frozenset()
    problems: list[Problem] = field(default_factory=list)
    _seen: dict[tuple[str, bool, bool], str | None] = field(default_factory=dict)

    def tables(self, tables: Iterable[TextTable]) -> None:
        """Look through all names of columns, and the cells of columns that are read.

        What nobody reads is neither kept nor shown, so it is not searched; its name is, for it
        says what the column holds.
        """
        tables = list(tables)
        self.days = frozenset(day for table in tables for day in _days_of(table, self.zone))
        self._seen.clear()
        for table in tables:
            columns = {column.name: column for column in table.contract.columns}
            for number, name in enumerate(table.header):
                if known := columns.get(name):
                    self._column(table, number, known)
                elif kind := self._name(name):
                    self._found(kind, table.file, number=number, title="the column's name asks for")

    def paths(self, listed: Iterable[str], others: Iterable[str], words: Iterable[str]) -> None:
        """Look through the paths that are listed, those that only lie there, and other words.

        Codes may hold the days of tests. Where no table tells these days, the delivery is held
        for its tables, and a date in a path is not taken for a date of birth.
        """
        parts = {part for path in listed for part in _parts_of_path(path)}
        parts |= {(part, False) for path in others for part, _ in _parts_of_path(path)}
        kinds = {self._value(part, is_code=c, is_heading=not c) for part, c in parts}
        kinds |= {self._name(w) for w in words}
        kinds -= set() if self.days else {BIRTH_DATE}
        for kind in sorted(k for k in kinds if k):
            self._found(kind, "the list of files", title="an entry looks like")

    def may_show(self, path: str) -> bool:
        """Whether an unlisted path may be repeated in a sentence."""
        return not any(self._value(part, is_code=True) for part in _PATH_PARTS.split(path))

    def heading(self, heading: SignalHeader, device: Device, where: str) -> None:
        """Look through the heading of a signal file."""
        kinds = {self._name(n) for n in heading.unregistered(device)}
        texts = (w for w in heading.words if not _PLAIN_NUMBER.fullmatch(w))
        kinds |= {self._value(text, is_code=False) for text in texts}
        kinds.add(heading.gives_away)
        for kind in sorted(k for k in kinds if k):
            self._found(kind, where, title="the heading holds what looks like")

    def _column(self, table: TextTable, number: int, column: Column) -> None:
        rows_of: dict[str, list[TextRow]] = {}
        for row in table.all_rows:
            if number < len(row.cells) and row.cells[number]:
                rows_of.setdefault(row.cells[number], []).append(row)
        found: dict[str, list[int]] = {}
        for value, its_rows in rows_of.items():
            if kind := self._cell(value, column, table.words):
                found.setdefault(kind, []).append(its_rows[0].row)
        for kind, rows in found.items():
            name = table.title(column.name)
            self._found(kind, table.file, number=number, column=name, row=min(rows), n=len(rows))

    def _cell(self, value: str, column: Column, words: TableWords) -> str | None:
        if _PLAIN_NUMBER.fullmatch(value) and column.type in {"number", "integer"}:
            return None
        if words.is_missing(value) or words.choice(column, value) is not None:
            return None
        if column.name == "visit" and fold(value) in self.visits:
            return None
        if column.name == "file":
            kinds = (self._value(p, is_code=c, is_heading=not c) for p, c in _parts_of_path(value))
            return next((kind for kind in kinds if kind), None)
        kind = self._value(value, is_code=column.name in CODE_COLUMNS)
        is_time = column.type in {"date", "datetime"}
        return None if is_time and kind == BIRTH_DATE else kind

    def _value(self, value: str, *, is_code: bool, is_heading: bool = False) -> str | None:
        # The headings of a delivery's files are alike: each value is looked at once.
        key = (value, is_code, is_heading)
        if key not in self._seen and self.registered.is_code(value):
            self._seen[key] = None
        if key not in self._seen:
            self._seen[key] = value_identifies(
                value,
                is_code=is_code,
                words=self.words,
                days=self.days,
                is_heading=is_heading,
            )
        return self._seen[key]

    def _name(self, name: str) -> str | None:
        return column_identifies(name) or self._value(name, is_code=False, is_heading=True)

    def _found(
        self,
        kind: str,
        where: str,
        *,
        number: int | None = None,
        column: str | None = None,
        row: int | None = None,
        title: str = "a value looks like",
        n: int = 1,
    ) -> None:
        at = f"row {row} of {where}" if row else where
        at += f", column {column or (number or 0) + 1}" if number is not None else ""
        more = f" {n - 1} more values of the column look like it." if n > 1 else ""
        self.problems.append(
            self.place.problem(
                "person",
                where,
                f"In {at}, {title} {kind}.{more} "
                "The whole delivery was refused and nothing of it was kept.",
                expected="study codes only, nothing that identifies a person",
                remedy="Take it out, and hand the delivery over again under a new name; "
                "take this one out of the folder. If it is a harmless code, choose another form.",
                row=row,
                column=column,
            )
        )


def _parts_of_path(path: str) -> list[tuple[str, bool]]:
    """The parts of a path, which are codes, and the whole: a date may stand across its points."""
    return [*((part, True) for part in _PATH_PARTS.split(path)), (path, False)]


def _days_of(table: TextTable, zone: ZoneInfo | None) -> Iterator[date]:
    """Days of tests: they may stand in the codes of sessions and recordings.

    A time of day beside the date tells them from a date of birth, also in a shifted cell. Of a
    centre that writes another clock than its own, the day there counts as well.
    """
    times = {n for n, name in enumerate(table.header) if _is_time(table, name)}
    cells = {
        cell
        for row in table.rows
        for number, cell in enumerate(row.cells)
        if _TIME.match(cell) and (number in times or not _MIDNIGHT.match(cell))
    }
    for cell in cells:
        with suppress(ValueError):
            yield date.fromisoformat(cell[:10])
        with suppress(ValueError, OverflowError):
            when = datetime.fromisoformat(cell)
            if zone is not None and when.tzinfo is not None:
                yield when.astimezone(zone).date()


def _is_time(table: TextTable, name: str) -> bool:
    return any(c.name == name and c.type == "datetime" for c in table.contract.columns)
