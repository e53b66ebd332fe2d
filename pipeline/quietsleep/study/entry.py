"""One table of a study file, read value by value with a plain sentence for each mistake."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from datetime import date, datetime
from difflib import get_close_matches

CODE = r"[A-Za-z0-9][A-Za-z0-9_.-]*"


class StudyError(ValueError):
    """A study file says something that cannot stand; the message is one plain sentence."""


class Entry:
    """A TOML table together with the place it stands in, for the sentences."""

    def __init__(self, values: Mapping[str, object], place: str) -> None:
        self._values = values
        self._used: set[str] = set()
        self.place = place

    def __contains__(self, name: str) -> bool:
        """Whether the table has this name."""
        return name in self._values

    def _take(self, name: str) -> object:
        self._used.add(name)
        if name not in self._values:
            close = get_close_matches(name, [k for k in self._values if k not in self._used], 1)
            hint = f"; is {close[0]} meant?" if close else "."
            raise StudyError(f"{self.place}: {name} is missing{hint}")
        return self._values[name]

    def text(
        self,
        name: str,
        *,
        default: str | None = None,
        choices: tuple[str, ...] = (),
        pattern: str | None = None,
    ) -> str:
        """Return a text that is not empty, out of `choices`, wholly matching `pattern`."""
        self._used.add(name)
        if default is not None and name not in self._values:
            return default
        value = self._take(name)
        if not isinstance(value, str) or not (value.strip() or value in choices):
            raise StudyError(f"{self.place}: {name} must be a text in quotes.")
        if choices and value not in choices:
            close = get_close_matches(value, choices, 1)
            known = f"is {close[0]} meant?" if close else _known(choices)
            raise StudyError(f'{self.place}: {name} is "{value}"; {known}')
        if pattern is not None and not re.fullmatch(pattern, value):
            raise StudyError(
                f'{self.place}: {name} is "{value}"; use letters, digits, hyphen, underscore '
                "and point only."
            )
        return value

    def number(
        self,
        name: str,
        *,
        default: float | None = None,
        low: float = -math.inf,
        high: float = math.inf,
    ) -> float:
        """Return a finite number between `low` and `high` inclusive."""
        self._used.add(name)
        if default is not None and name not in self._values:
            return default
        number = self._finite(name, self._take(name))
        if not low <= number <= high:
            raise StudyError(
                f"{self.place}: {name} is {number:g}; it must lie between {low:g} and {high:g}."
            )
        return number

    def limit(self, name: str, *, count: int) -> tuple[float, ...]:
        """Return one number, or two in rising order."""
        value = self._take(name)
        numbers = tuple(
            self._finite(name, v) for v in (value if isinstance(value, list) else [value])
        )
        if len(numbers) != count or list(numbers) != sorted(numbers):
            wanted = "one number" if count == 1 else "two numbers, [lowest, highest]"
            raise StudyError(f"{self.place}: {name} must be {wanted}.")
        return numbers

    def yes_no(self, name: str, *, default: bool) -> bool:
        """Return true or false."""
        self._used.add(name)
        value = self._values.get(name, default)
        if not isinstance(value, bool):
            raise StudyError(f"{self.place}: {name} must be true or false.")
        return value

    def day(self, name: str) -> date:
        """Return a date."""
        value = self._take(name)
        if not isinstance(value, date) or isinstance(value, datetime):
            raise StudyError(f"{self.place}: {name} must be a date such as 2026-01-31, unquoted.")
        return value

    def entries(self, name: str) -> list[Entry]:
        """Return a list of tables, each with its own place; empty when there is none."""
        self._used.add(name)
        values = self._values.get(name, [])
        if not isinstance(values, list) or not all(isinstance(v, dict) for v in values):
            raise StudyError(f"{self.place}: write each of {name} as [[{name}]].")
        return [Entry(v, f"{self.place}, {name} {i}") for i, v in enumerate(values, start=1)]

    def table(self, name: str) -> Entry:
        """Return a table inside this one with its own place; an empty one when there is none."""
        self._used.add(name)
        values = self._values.get(name, {})
        if not isinstance(values, dict):
            raise StudyError(f"{self.place}: write {name} as a table, [{name}].")
        return Entry(values, f"{self.place}, [{name}]")

    def allow(self, *names: str) -> None:
        """Accept these names without using them."""
        self._used.update(names)

    def finish(self) -> None:
        """Refuse every name that nothing has asked for: it would be a silent typing error."""
        for name in self._values:
            if name not in self._used:
                close = get_close_matches(name, self._used, 1)
                hint = f"is {close[0]} meant?" if close else _known(tuple(sorted(self._used)))
                raise StudyError(f"{self.place}: {name} is not known here; {hint}")

    def _finite(self, name: str, value: object) -> float:
        if (
            isinstance(value, bool)
            or not isinstance(value, int | float)
            or not math.isfinite(value)
        ):
            raise StudyError(f"{self.place}: {name} must be a number, unquoted.")
        return float(value)


def _known(choices: tuple[str, ...]) -> str:
    shown = ", ".join(repr(c) if not c.strip() else c for c in choices[:12])
    more = f" and {len(choices) - 12} more" if len(choices) > 12 else ""
    return f"it may be: {shown}{more}."
