"""One entry of a contract file, read field by field so that a refusal can name file and entry."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from datetime import date
from pathlib import Path
from typing import Any, NoReturn, TypeVar, cast

from quietsleep.contract.model import ContractError

T = TypeVar("T")
_REQUIRED: Any = object()


class Entry:
    """A table of a TOML file; every field must be taken, so that a misspelt one is refused."""

    def __init__(self, file: str, name: str, fields: Mapping[str, Any]) -> None:
        self.file = file
        self.name = name
        self._fields = fields
        self._taken: set[str] = set()

    def refuse(self, reason: str) -> NoReturn:
        """Raise a ContractError that names the file, the entry and the reason."""
        raise ContractError(f"{self.file}: {self.name}: {reason}")

    def _take(self, field: str, kind: type | tuple[type, ...], default: Any) -> Any:
        self._taken.add(field)
        if field not in self._fields:
            if default is _REQUIRED:
                self.refuse(f"{field} is missing")
            return default
        value = self._fields[field]
        # A TOML boolean is a Python int as well; it never stands for a number here.
        if not isinstance(value, kind) or (isinstance(value, bool) and kind is not bool):
            self.refuse(f"{field} = {value!r} is not of the kind that is expected here")
        return value

    def fields(self) -> tuple[str, ...]:
        """Names of the fields, in the order of the file."""
        return tuple(self._fields)

    def has(self, field: str) -> bool:
        """Say whether a field is there."""
        return field in self._fields

    def text(self, field: str, default: Any = _REQUIRED) -> str:
        """Take a text that is not empty, unless an empty default is given and nothing is there."""
        value = cast(str, self._take(field, str, default))
        if field in self._fields and not value.strip():
            self.refuse(f"{field} is empty")
        return value

    def number(self, field: str, default: Any = _REQUIRED) -> float:
        """Take a number."""
        return float(self._take(field, (int, float), default))

    def numbers(self, field: str, default: Any = _REQUIRED) -> tuple[float, ...]:
        """Take one number or a list of numbers."""
        value = self._take(field, (int, float, list), default)
        values = value if isinstance(value, list) else [value]
        if any(isinstance(v, bool) or not isinstance(v, int | float) for v in values):
            self.refuse(f"{field} = {value!r} is not a number or a list of numbers")
        return tuple(float(v) for v in values)

    def rows(self, field: str, width: int) -> tuple[tuple[float, ...], ...]:
        """Take a list of rows of `width` numbers each."""
        rows = self._take(field, list, _REQUIRED)
        for row in rows:
            if not isinstance(row, list) or len(row) != width:
                self.refuse(f"{field} holds {row!r}, which is not a row of {width} numbers")
            if any(isinstance(x, bool) or not isinstance(x, int | float) for x in row):
                self.refuse(f"{field} holds {row!r}, in which not all are numbers")
        return tuple(tuple(float(x) for x in row) for row in rows)

    def optional_number(self, field: str) -> float | None:
        """Take a number or None when it is not there."""
        return self.number(field) if field in self._fields else None

    def optional_text(self, field: str) -> str | None:
        """Take a text or None when it is not there."""
        return self.text(field) if field in self._fields else None

    def yes(self, field: str, default: bool) -> bool:
        """Take a boolean."""
        return bool(self._take(field, bool, default))

    def day(self, field: str) -> date:
        """Take a date."""
        value: date = self._take(field, date, _REQUIRED)
        return value

    def optional_day(self, field: str) -> date | None:
        """Take a date or None when it is not there."""
        return self.day(field) if field in self._fields else None

    def texts(self, field: str, default: Any = _REQUIRED) -> tuple[str, ...]:
        """Take a list of texts."""
        values = self._take(field, (list, tuple), default)
        if any(not isinstance(v, str) or not v for v in values):
            self.refuse(f"{field} = {values!r} is not a list of texts")
        return tuple(values)

    def mapping(self, field: str) -> Mapping[str, Any]:
        """Take a table inside the entry, empty when it is not there."""
        return cast(Mapping[str, Any], self._take(field, dict, {}))

    def one_of(self, field: str, allowed: Iterable[T], default: Any = _REQUIRED) -> T:
        """Take a text that must be one of `allowed`."""
        choices = tuple(allowed)
        value = self._take(field, str, default)
        if value not in choices:
            self.refuse(f"{field} = {value!r} is unknown; known are {', '.join(map(str, choices))}")
        return cast(T, value)

    def list_of(self, field: str) -> list[Entry]:
        """Take a list of tables, each an entry of its own named by its `name`."""
        values = self._take(field, list, [])
        if any(not isinstance(v, dict) for v in values):
            self.refuse(f"{field} is not a list of tables")
        return [
            Entry(self.file, f"{field} {v.get('name', f'number {i}')}", v)
            for i, v in enumerate(values, start=1)
        ]

    def inner(self, field: str) -> Entry | None:
        """Take a table inside the entry as an entry of its own, None when it is not there."""
        value = self._take(field, dict, None)
        return None if value is None else Entry(self.file, f"{self.name} {field}", value)

    def done(self) -> None:
        """Refuse fields that nobody asked for: most often a spelling mistake."""
        if unknown := sorted(set(self._fields) - self._taken):
            self.refuse(f"unknown field {', '.join(unknown)}")


def read_entry(path: Path) -> Entry:
    """Read one TOML file as an entry named by its stem; a file that is not TOML is refused."""
    try:
        fields = tomllib.loads(path.read_text(encoding="utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ContractError(f"{path.name}: {path.stem}: is not readable as TOML: {error}") from None
    return Entry(path.name, path.stem, fields)


def unique(entry: Entry, what: str, names: Iterable[Any]) -> None:
    """Refuse an entry in which the same name stands twice."""
    seen: set[Any] = set()
    for name in names:
        if name in seen:
            shown = " ".join(name) if isinstance(name, tuple) else name
            entry.refuse(f"{what} {shown} stands twice")
        seen.add(name)
