"""What is asked of one signal file, and the exception that says why it cannot be given."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from quietsleep.intake.identifiers import column_identifies, value_identifies
from quietsleep.intake.reference import DeliveryReference, nearest, quoted, shown
from quietsleep.records import Problem
from quietsleep.study.study import Device

# Forty minutes at 2000 Hz; a usual recording lasts half a minute.
MOST_SAMPLES = 5_000_000
MOST_COLUMNS = 500
EXPORT_AGAIN = "Export the recording again from the device and put it into a new delivery."


class Unreadable(Exception):
    """A signal file cannot be read; `problem` says why, in words for the site."""

    def __init__(self, problem: Problem) -> None:
        super().__init__(problem)
        self.problem = problem

    def __str__(self) -> str:
        """The sentence of the problem."""
        return self.problem.sentence


@dataclass(frozen=True, slots=True)
class SignalRequest:
    """The columns wanted of one file: channel -> raw column name."""

    place: DeliveryReference
    where: str
    device: Device
    columns: Mapping[str, str]

    @property
    def time_name(self) -> str:
        """Raw name of the time column."""
        return self.device.time_column or "time"

    @property
    def wanted(self) -> list[str]:
        """Raw names of the columns to read, that of time first."""
        return [self.time_name, *self.columns.values()]

    @property
    def number_looks_like(self) -> str:
        """What a number of this device's csv export looks like."""
        return f"a number such as 12{self.device.csv_decimal}5"

    def refuse(
        self,
        kind: str,
        what: str,
        expected: str,
        *,
        remedy: str = EXPORT_AGAIN,
        row: int | None = None,
        column: str | None = None,
        value: str | None = None,
    ) -> Unreadable:
        """Return the exception; `what` follows the name of the file in the sentence."""
        return Unreadable(
            self.place.problem(
                kind,
                self.where,
                f"{self.where} {what}.",
                expected=expected,
                remedy=remedy,
                row=row,
                column=column,
                value=value,
            )
        )

    def bad_cell(
        self, column: str, value: str, *, row: int, others: int = 0, unit_of_row: str = "Row"
    ) -> Unreadable:
        """Return the exception for a cell that holds no usable number."""
        seen = shown(value)
        more = f" {others} more cells of the file are like it." if others else ""
        return Unreadable(
            self.place.problem(
                "bad_cell",
                self.where,
                f"{unit_of_row} {row} of {self.where}, column {column}: {quoted(seen)} is not "
                f"{self.number_looks_like}.{more}",
                expected=self.number_looks_like,
                remedy=EXPORT_AGAIN,
                row=row,
                column=column,
                value=seen,
            )
        )

    def check_names(self, present: Sequence[str], *, with_time: bool) -> None:
        """Raise Unreadable unless each wanted column is there exactly once."""
        wanted = [*([self.time_name] if with_time else []), *self.columns.values()]
        if len(present) > MOST_COLUMNS:
            what = f"has more than {MOST_COLUMNS} columns"
            raise self.refuse("column_count", what, f"the columns {', '.join(wanted)}")
        for name in wanted:
            count = present.count(name)
            if count == 1:
                continue
            if count > 1:
                what = f"has the column {name} {count} times"
                raise self.refuse("column_twice", what, "each column once", column=name)
            raise self.refuse(
                "column_missing",
                f"has no column {name}, which is registered for device {self.device.device}",
                f"the columns {', '.join(wanted)}",
                remedy="Export the registered columns, or have the new names registered."
                + self._hint(name, present),
                column=name,
            )

    def _hint(self, name: str, present: Sequence[str]) -> str:
        if self.device.file_format == "csv" and len(present) == 1:
            return f" The registered delimiter is {self.device.csv_delimiter!r}."
        free = [n for n in present if n not in self.columns.values() and may_show_column(n)]
        return nearest(name, free)


def may_show_column(name: str) -> bool:
    """Whether the name of an unregistered column may be repeated in a sentence."""
    if not 0 < len(name) <= 40 or not name.isprintable() or column_identifies(name):
        return False
    return value_identifies(name, is_code=True) is None
