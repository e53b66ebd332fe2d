"""The one reader of TOML files, of the contracts and of study folders.

A file is read into `Entry` objects, each a table with the place it stands in. `Entry.build` lets
pydantic judge a table by a model; what pydantic finds is put into one plain sentence that names
file, entry, key, value and what is expected, with the nearest known name for a misspelt one.

A validator of a model raises ValueError with the rest of a sentence: of a key, it follows the name
of the key ("is 3; it must be above 4."), of a whole entry it stands alone.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Hashable, Iterable, Mapping, Set
from dataclasses import dataclass
from datetime import date
from difflib import get_close_matches
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, NamedTuple, NoReturn, TypeVar, cast, get_args

from pydantic import (
    AfterValidator,
    ConfigDict,
    Strict,
    StringConstraints,
    TypeAdapter,
    ValidationError,
)

from quietsleep.errors import QuietsleepError

if TYPE_CHECKING:
    from pydantic_core import ErrorDetails

T = TypeVar("T")

# Of every model: nothing that the model does not know, no number that is not finite.
CONFIG = ConfigDict(extra="forbid", allow_inf_nan=False)
CODE = r"[A-Za-z0-9][A-Za-z0-9_.-]*"
# The keys that tell one entry of a list from another; the first that it has is shown.
_NAMES = ("name", "device", "channel", "waiver", "rule", "visit")
_MOST_SHOWN = 12
_EXPECTED = {
    "string_type": "a text in quotes",
    "string_pattern_mismatch": "a text in quotes, not empty",
    "literal_error": "a text in quotes",
    "float_type": "a number, unquoted",
    "finite_number": "a finite number",
    "int_type": "a whole number, unquoted",
    "int_from_float": "a whole number, unquoted",
    "bool_type": "true or false",
    "date_type": "a date such as 2026-01-31, unquoted",
}


def code_of(text: str) -> str:
    """Return a text that is a code; ValueError with the rest of a sentence for any other."""
    if not re.fullmatch(CODE, text):
        said = "use letters, digits, hyphen, underscore and point only."
        raise ValueError(f"is {shown(text)}; {said}")
    return text


@dataclass(frozen=True, slots=True)
class Between:
    """Refuses a number outside `low` to `high`, both inclusive."""

    low: float
    high: float

    def __call__(self, number: float) -> float:
        """Return the number; ValueError with the rest of a sentence outside."""
        if not self.low <= number <= self.high:
            raise ValueError(f"is {number:g}; it must lie between {self.low:g} and {self.high:g}.")
        return number


def between(low: float, high: float) -> AfterValidator:
    """Refuse a number outside `low` to `high`, both inclusive."""
    return AfterValidator(Between(low, high))


Text = Annotated[str, StringConstraints(pattern=r"\S")]
Code = Annotated[Text, AfterValidator(code_of)]
Number = Annotated[float, Strict()]
Whole = Annotated[int, Strict()]
YesNo = Annotated[bool, Strict()]
Day = Annotated[date, Strict()]


def read(folder: Path, name: str, refusal: type[QuietsleepError]) -> Entry:
    """Read one file below a folder; raises `refusal` where it is not readable as TOML."""
    try:
        table = tomllib.loads((folder / name).read_text(encoding="utf-8-sig"))
    except UnicodeDecodeError:
        raise refusal(f"{name}: the file is not UTF-8 text; save it as UTF-8.") from None
    except (ValueError, RecursionError) as error:
        raise refusal(f"{name}: the file is not valid TOML: {error}.") from None
    except OSError as error:
        raise refusal(f"{name}: the file cannot be read ({error.strerror}).") from None
    return Entry(table, name, refusal)


class Entry:
    """A table of a TOML file, where it stands, and the kind of error that refuses it."""

    def __init__(
        self, table: Mapping[str, Any], place: str, refusal: type[QuietsleepError]
    ) -> None:
        self.table = dict(table)
        self.place = place
        self._refusal = refusal

    def refuse(self, sentence: str) -> NoReturn:
        """Raise the error that names the file, the entry and the reason."""
        raise self._refusal(f"{self.place}: {sentence}")

    def refuse_unknown(
        self, key: str, value: object, known: Iterable[str], *, why: str = ""
    ) -> NoReturn:
        """Refuse a value that is none of the known names; `why` says what it is not."""
        self.refuse(f"{key} is {shown(value)}{why}; {_nearest(str(value), known)}")

    def refuse_twice(self, what: str, names: Iterable[str]) -> None:
        """Refuse the entry where one name stands twice."""
        if (name := first_twice(names)) is not None:
            self.refuse(f"{what} {name} stands twice.")

    def refuse_other_than_code(self, key: str) -> None:
        """Refuse the entry where the text of a key is no code."""
        try:
            code_of(self.table[key])
        except ValueError as error:
            self.refuse(f"{key} {error}")

    def entries(self, key: str) -> list[Entry]:
        """Take a list of tables out of the entry, each with its own place."""
        values = self.table.pop(key, [])
        if not isinstance(values, list) or not all(isinstance(v, dict) for v in values):
            self.refuse(_as_list_of_tables(key))
        return [
            Entry(value, f"{self.place}, {_item(key, number, value)}", self._refusal)
            for number, value in enumerate(values, start=1)
        ]

    def build(self, model: type[T], *, context: object = None, **given: object) -> T:
        """Make an object of a model from the entry, and from what the file may not say itself.

        `context` is handed to the validators of the model. Raises the error of the file with the
        first thing that cannot stand.
        """
        for key in given.keys() & self.table.keys():
            self.refuse(_unknown_key(key, _fields(model).keys() - given.keys()))
        table = self.table | given
        try:
            found: T = _adapter(cast(Hashable, model)).validate_python(table, context=context)
        except ValidationError as error:
            first = error.errors(include_url=False)[0]
            at = _locate(first, _At(self.place, table, model, "", table))
            hidden = frozenset(given)
        else:
            return found
        raise self._refusal(f"{at.place}: {_sentence(first, at, hidden)}")


class _At(NamedTuple):
    """Where a mistake stands: the table, its model, the key in it (empty: the whole table)."""

    place: str
    table: Mapping[str, Any]
    model: Any
    key: str
    value: Any


def _locate(error: ErrorDetails, at: _At) -> _At:
    """Walk from the whole entry to where pydantic found something."""
    for step in error["loc"]:
        if isinstance(step, int) and isinstance(at.value, list | tuple):
            value, inner = at.value[step], _model_of(at.model, at.key)
            if isinstance(value, dict) and inner is not None:
                item = f"{at.place}, {_item(at.key, step + 1, value)}"
                at = _At(item, value, inner, "", value)
            else:
                at = at._replace(key=f"{at.key} {step + 1}", value=value)
        elif isinstance(step, str) and step != "[key]":
            at = _inside(at) if at.key else at
            at = at._replace(key=step, value=at.table.get(step))
    of_entry = error["type"] == "value_error" and isinstance(at.value, dict)
    return _inside(at) if of_entry and at.key and _model_of(at.model, at.key) else at


def _inside(at: _At) -> _At:
    inner = _model_of(at.model, at.key)
    return _At(f"{at.place}, [{at.key}]", at.value, inner, "", at.value)


def _sentence(error: ErrorDetails, at: _At, hidden: frozenset[str]) -> str:
    """Put one thing that pydantic found into words; `hidden` names are no keys of the file."""
    kind, key = error["type"], at.key
    if kind in {"missing", "unexpected_keyword_argument"}:
        return _of_key(kind, at, _fields(at.model).keys() - hidden)
    if kind == "value_error":
        return f"{key} {error['ctx']['error']}".lstrip()
    if kind in {"tuple_type", "dataclass_type", "dict_type"}:
        return _of_shape(kind, at)
    if kind == "literal_error":
        known = re.findall(r"'([^']*)'", error["ctx"]["expected"])
        if error["loc"][-1] == "[key]":
            return _unknown_key(key, known)
        if isinstance(at.value, str):
            return f"{key} is {shown(at.value)}; {_nearest(at.value, known)}"
    return f"{key} is {shown(at.value)}; it must be {_EXPECTED.get(kind, error['msg'])}."


def _of_key(kind: str, at: _At, known: Set[str]) -> str:
    if kind == "unexpected_keyword_argument":
        return _unknown_key(at.key, known)
    close = get_close_matches(at.key, at.table.keys() - known, 1)
    return f"{at.key} is missing; is {close[0]} meant?" if close else f"{at.key} is missing."


def _of_shape(kind: str, at: _At) -> str:
    key, _, number = at.key.partition(" ")
    has_tables = _model_of(at.model, key) is not None
    if number or (has_tables and kind == "tuple_type"):
        return _as_list_of_tables(key)
    if kind == "tuple_type":
        return f"{key} is {shown(at.value)}; it must be a list in brackets."
    return f"write {key} as a table, [{key}]."


@cache
def _adapter(model: Any) -> TypeAdapter[Any]:
    return TypeAdapter(model)


def _fields(model: Any) -> Mapping[str, Any]:
    fields: Mapping[str, Any] = getattr(model, "__pydantic_fields__", {})
    return fields


def _model_of(model: Any, key: str) -> Any:
    """Return the model of the tables that stand under a key; None where there is none."""
    waiting = [_fields(model)[key].annotation] if key in _fields(model) else []
    for kind in waiting:
        if _fields(kind):
            return kind
        waiting.extend(get_args(kind))
    return None


def _item(key: str, number: int, table: Mapping[str, Any]) -> str:
    """Name one entry of a list by its number and by its own name or code."""
    name = next((n for n in _NAMES if isinstance(table.get(n), str)), None)
    if name is None:
        return f"{key} {number}"
    said = table[name] if name == "name" else f"{name} {table[name]}"
    return f"{key} {number} ({said})"


def _as_list_of_tables(key: str) -> str:
    return f"write each of {key} as [[{key}]]."


def _unknown_key(key: str, known: Iterable[str]) -> str:
    return f"{key} is not known here; {_nearest(key, sorted(known))}"


def nearest_known(value: str, known: Iterable[str]) -> str:
    """Ask whether the nearest known name is meant; empty where none is near."""
    close = get_close_matches(value, list(known), 1)
    return f"is {close[0]} meant?" if close else ""


def _nearest(value: str, known: Iterable[str]) -> str:
    """Ask whether the nearest known name is meant, or list what there is."""
    names = list(known)
    if hint := nearest_known(value, names):
        return hint
    listed = ", ".join(
        name if re.search(r"\w", name) else repr(name) for name in names[:_MOST_SHOWN]
    )
    more = f" and {len(names) - _MOST_SHOWN} more" if len(names) > _MOST_SHOWN else ""
    return f"it may be: {listed}{more}."


def shown(value: object) -> str:
    """Show a value as it stands in a file, shortened where it is long."""
    text = f'"{value}"' if isinstance(value, str) else str(value)
    if isinstance(value, bool):
        text = text.lower()
    elif isinstance(value, float):
        text = f"{value:g}"
    elif isinstance(value, list | tuple):
        text = f"[{', '.join(shown(v) for v in value)}]"
    return text if len(text) <= 80 else f"{text[:77]}..."


def first_twice(names: Iterable[str]) -> str | None:
    """Return the first name that stands twice; None where each stands once."""
    seen: set[str] = set()
    for name in names:
        if name in seen:
            return name
        seen.add(name)
    return None
