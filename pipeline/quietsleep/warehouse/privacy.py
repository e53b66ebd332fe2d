"""What leaves the study: no calendar day from which a date of birth follows.

A test on a known day of an infant of known age gives its birth to the day. So a release and its
exports hold, of every day, no more than this:

- the year and quarter of a test or check, and the days since the infant's first session. A quarter
  beside a difference of days would narrow each other: an infant seen in the first quarter and 80
  days later in the first quarter was born within ten days. So days of a centre that hang together
  (sessions of one infant, sessions and checks of one day) have one true quarter, that of the
  earliest; all others are counted from the middle of it, and may be the quarter next to the true
  one.
- gestation in whole weeks, birth weight to 0.1 kg, and what follows from these.
- which entry of a device or version of a rule it was, not since when.
- codes, names of files and sentences with their days put into letters (`day_words`).

Every other day and moment is empty: a column of a date or moment never leaves as it is, unless the
study signed that it may.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from functools import lru_cache
from typing import Any

import duckdb
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from quietsleep.contract.model import Column, Table
from quietsleep.contract.schemas import arrow_schema
from quietsleep.judge.contradictions import DIFFERS
from quietsleep.judge.scores import corrected_age_days, length_z, weight_z
from quietsleep.warehouse.day_words import days_hidden
from quietsleep.warehouse.views import definitions

QUARTER = Column(
    "tested_quarter",
    "text",
    "Year and quarter of the test, as YYYY-Qn. Where an infant came again, or shares a day with "
    "others, counted from the middle of the quarter of the earliest session, so that no day "
    "follows: it may be the quarter next to the true one.",
    nullable=True,
)
SINCE_FIRST = Column(
    "days_since_first",
    "integer",
    "Days since the first session of the infant at this centre.",
    unit="d",
    nullable=True,
)
NO_DAY = "Empty in a release: no day leaves the study."
COARSER = {
    "gestation_weeks": "In a release completed weeks only.",
    "birth_weight_kg": "In a release to 0.1 kg.",
    "corrected_age_days": "In a release by completed weeks of gestation.",
    "weight_z": "In a release by completed weeks of gestation.",
    "length_z": "In a release by completed weeks of gestation.",
}
ENTRY = (
    "In a release the number of the entry, from 1 in the order of time; no day leaves the study."
)
# Beside these a quarter and, where the infant is told, the days since its first session.
OF_A_TEST = ("tested_at", "tested_on", "day")
OF_A_CHECK = "done_on"
TOLD_OF_DAY = ("tested_quarter", "quarter", "done_quarter", "days_since_first")
# Digests of little, which could be found by trying, and words and nights that tell a day.
EMPTIED = {
    "deliveries": ("first_night",),
    "supersessions": ("night",),
    "queries": ("opened_in", "closed_in", "facts", "answer"),
    "rules": ("confirmation_note",),
}
# Tables of the contract alone: whatever looks like a day in them is one of a publication.
FROM_THE_CONTRACT = ("quantities", "rules", "sources")
# What the program says of itself: versions of libraries look like days.
FROM_THE_PROGRAM = ("package_version", "package_commit", "libraries")
OF_THIS_NIGHT = "nights"
ALL_MONTHS = "all"
# Growth z-scores among the quantities, to so many decimals: gestation would follow from more.
GROWTH = ("weight_z", "length_z", "weight_z_change", "length_z_change")
GROWTH_DECIMALS = 1
_PRIVATE = re.compile(r"gestation|birth|tested_|done_|started_|ended_|created")
_QUOTED = re.compile(r'"[^"]*"')
_OF_BIRTH = re.compile(r"(\d+(?:\.\d+)?) (weeks|kg)\b")

Days = dict[tuple[str, str], date]


def released_table(table: Table) -> Table:
    """Return a table or view as a release describes it."""
    columns: list[Column] = []
    for column in table.columns:
        columns.append(_released_column(table, column))
        columns += [c for c in _beside(table, column) if c.name not in _names(table)]
    return replace(table, columns=tuple(columns))


def _names(table: Table) -> set[str]:
    return {column.name for column in table.columns}


def _released_column(table: Table, column: Column) -> Column:
    name, meaning = column.name, column.meaning
    if _is_entry(table.name, name):
        return replace(column, type="integer", meaning=f"{meaning} {ENTRY}")
    if column.type in ("date", "datetime") and name not in table.key:
        return replace(column, nullable=True, publishable=False, meaning=f"{meaning} {NO_DAY}")
    if name in EMPTIED.get(table.name, ()) or not column.publishable:
        return replace(column, nullable=True, publishable=False)
    coarser = COARSER.get(name, "")
    if name == "month":
        told = "by quarter, as tested_quarter of the tests" if _is_acceptance(table) else ALL_MONTHS
        coarser = f"In a release {told}."
    return replace(column, meaning=f"{meaning} {coarser}") if coarser else column


def _beside(table: Table, column: Column) -> Iterable[Column]:
    """Yield the columns that stand in a release behind one that is empty there."""
    first = next((name for name in OF_A_TEST if name in _names(table)), None)
    if column.name == first and "session" in _names(table):
        yield replace(QUARTER, name="quarter") if first == "day" else QUARTER
        if "infant" in _names(table):
            yield SINCE_FIRST
    if column.name == OF_A_CHECK and "check_id" in _names(table):
        yield replace(QUARTER, name="done_quarter")


def _is_entry(table: str, column: str) -> bool:
    return (table in ("devices", "rules") and column == "valid_from") or (
        column == "device_valid_from"
    )


def _is_acceptance(table: Table) -> bool:
    return table.name == "acceptance"


def quarter_of(day: date) -> str:
    """Return the year and quarter of a day, as YYYY-Qn."""
    return f"{day.year}-Q{(day.month + 2) // 3}"


def middle_of_quarter(day: date) -> date:
    """Return the day in the middle of the quarter that a day lies in."""
    return date(day.year, (day.month - 1) // 3 * 3 + 1, 1) + timedelta(days=45)


@dataclass(frozen=True, slots=True)
class Coarsener:
    """Makes the tables of one night ready to leave; the same secret gives the same letters."""

    night: str
    hide: Callable[[str, str], str]
    session_days: Days
    check_days: Days
    since_first: Mapping[tuple[str, str], int]
    nominal: Mapping[tuple[str, date], date]
    devices: Mapping[tuple[Any, ...], int]
    rules: Mapping[tuple[Any, ...], int]
    seen: dict[str, pa.Table] = field(default_factory=dict)

    def coarsened(self, table: Table, data: pa.Table) -> pa.Table:
        """Return the rows of a table or view as they may leave, in the released schema."""
        if _is_acceptance(table):
            data = self._acceptance()
        wanted, given = released_table(table), _dated_keys(table)
        if given:
            data = data.slice(0, 0)
        if table.name == OF_THIS_NIGHT:
            data = data.filter(pc.equal(data["night"], self.night))
        if table.name == "tests":
            self.seen["tests"] = data
        found = {column.name: self._column(table, column, data) for column in wanted.columns}
        frame = pa.table(found, schema=arrow_schema(wanted))
        frame = _merged(wanted, frame) if "month" in found else frame
        return frame.sort_by([(name, "ascending") for name in wanted.key])

    def _column(self, table: Table, column: Column, data: pa.Table) -> Any:
        name = column.name
        if name in TOLD_OF_DAY:
            return self._told_of_day(name, data)
        if _is_entry(table.name, name):
            return self._entries(table.name, name, data)
        if not column.publishable:
            return pa.nulls(data.num_rows, arrow_schema(released_table(table)).field(name).type)
        if name in COARSER:
            return _by_completed_weeks(name, data)
        if column.type in ("text", "choice") and table.name not in FROM_THE_CONTRACT:
            return self._text(table, name, data)
        return _growth_rounded(name, data)

    def _told_of_day(self, name: str, data: pa.Table) -> pa.Array:
        centres = data["centre"].to_pylist()
        if name == "days_since_first":
            keys = zip(centres, data["session"].to_pylist(), strict=True)
            return pa.array([self.since_first.get(key) for key in keys], pa.int64())
        of_session = data["session"].to_pylist() if "session" in data.column_names else None
        checks = next((c for c in ("check_id", "item") if c in data.column_names), None)
        of_check = data[checks].to_pylist() if checks else [None] * len(centres)
        found = []
        for number, centre in enumerate(centres):
            session = of_session[number] if of_session else None
            check = of_check[number]
            day = None if session is None else self.session_days.get((centre, session))
            if day is None and check is not None:
                day = self.check_days.get((centre, check))
            found.append(None if day is None else quarter_of(self.nominal[centre, day]))
        return pa.array(found, pa.string())

    def _entries(self, table: str, name: str, data: pa.Table) -> pa.Array:
        if table == "rules":
            keys = zip(data["rule"].to_pylist(), data[name].to_pylist(), strict=True)
            return pa.array([self.rules.get(key) for key in keys], pa.int64())
        columns = [data[c].to_pylist() for c in ("centre", "device", name)]
        return pa.array([self.devices.get(k) for k in zip(*columns, strict=True)], pa.int64())

    def _text(self, table: Table, name: str, data: pa.Table) -> Any:
        values = data[name]
        as_it_is = name == "night" or name in FROM_THE_PROGRAM
        if as_it_is or (name == "month" and _is_acceptance(table)):
            return values
        if name == "month":
            return pa.array([ALL_MONTHS] * data.num_rows, pa.string())
        if table.name == "changes" and name in ("before", "after"):
            return _told_changes(values, data, self.hide)
        centres = _centres(table, data)
        hidden = {
            (centre, text): self._sentence(table.name, text, centre)
            for centre, text in set(zip(centres, values.to_pylist(), strict=True))
            if text is not None
        }
        if all(text == told for (_, text), told in hidden.items()):
            return values
        rows = zip(centres, values.to_pylist(), strict=True)
        return pa.chunked_array([pa.array([hidden.get(row) for row in rows], pa.string())])

    def _sentence(self, table: str, text: str, centre: str) -> str:
        if table in ("problems", "queries") and _PRIVATE.search(text):
            text = _QUOTED.sub('"..."', text)
        if table in ("problems", "queries"):
            text = _OF_BIRTH.sub(_rounded_words, text) if _tells_birth(text) else text
        return self.hide(text, centre)

    def _acceptance(self) -> pa.Table:
        """Count the tests of each quarter by the very view that counts those of a month."""
        view = re.search(r"CREATE VIEW acceptance AS(.*?);", definitions(), re.S)
        assert view is not None
        held = self.seen["tests"]
        keys = zip(held["centre"].to_pylist(), held["session"].to_pylist(), strict=True)
        days = [
            None if (day := self.session_days.get(key)) is None else self.nominal[key[0], day]
            for key in keys
        ]
        months = [None if d is None else date(d.year, (d.month - 1) // 3 * 3 + 1, 1) for d in days]
        at = held.schema.get_field_index("tested_on")
        held = held.set_column(at, "tested_on", pa.array(months, pa.date32()))
        with duckdb.connect() as engine:
            engine.register("tests", held)
            counted = engine.sql(view.group(1)).to_arrow_table()
        quarters = [
            None if m is None else f"{m[:4]}-Q{(int(m[5:]) + 2) // 3}"
            for m in counted["month"].to_pylist()
        ]
        at = counted.schema.get_field_index("month")
        return counted.set_column(at, "month", pa.array(quarters, pa.string()))


def _dated_keys(table: Table) -> list[str]:
    return [
        c.name
        for c in table.columns
        if c.name in table.key
        and c.type in ("date", "datetime")
        and not _is_entry(table.name, c.name)
    ]


def coarsener(night: str, tables: Callable[[str], pa.Table], secret: bytes) -> Coarsener:
    """Look at the days of a night; `tables` gives a table of it by name."""
    sessions, checks = tables("sessions"), tables("checks")
    session_days = _days(sessions, "session", "tested_on")
    check_days = _days(checks, "check_id", "done_on")
    infants = {
        (row["centre"], row["session"]): row["infant"]
        for row in sessions.select(["centre", "session", "infant"]).to_pylist()
    }
    links = [
        (row["centre"], row["session"], row["check_id"])
        for row in tables("session_checks").select(["centre", "session", "check_id"]).to_pylist()
    ]
    first: dict[tuple[str, str], date] = {}
    for (centre, session), day in sorted(session_days.items(), key=lambda item: item[1]):
        if (infant := infants[centre, session]) is not None:
            first.setdefault((centre, infant), day)
    since = {
        key: (day - first[key[0], infant]).days
        for key, day in session_days.items()
        if (infant := infants[key]) is not None
    }
    joined = [
        *(((c, day), (c, first[c, infant]))
          for (c, s), day in session_days.items() if (infant := infants[c, s]) is not None),
        *(((c, session_days[c, s]), (c, check_days[c, check]))
          for c, s, check in links if (c, s) in session_days and (c, check) in check_days),
    ]  # fmt: skip
    alone = {(c, day) for days in (session_days, check_days) for (c, _), day in days.items()}
    return Coarsener(
        night=night,
        hide=days_hidden(secret),
        session_days=session_days,
        check_days=check_days,
        since_first=since,
        nominal=nominal_days(alone, joined),
        devices=_numbered(tables("devices"), ("centre", "device")),
        rules=_numbered(tables("rules"), ("rule",)),
    )


def nominal_days(
    days: Iterable[tuple[str, date]],
    joined: Iterable[tuple[tuple[str, date], tuple[str, date]]],
) -> dict[tuple[str, date], date]:
    """Return for each day of a centre the day by which its quarter is told.

    Days that hang together keep their differences; the earliest is put in the middle of its
    quarter.
    """
    root = {day: day for day in days}

    def top(day: tuple[str, date]) -> tuple[str, date]:
        while root[day] != day:
            root[day] = root[root[day]]
            day = root[day]
        return day

    for one, other in joined:
        early, late = sorted((top(one), top(other)), key=lambda d: d[1])
        root[late] = early
    return {
        (centre, day): middle_of_quarter(first) + (day - first)
        for centre, day in root
        for first in (top((centre, day))[1],)
    }


def _days(data: pa.Table, code: str, on: str) -> Days:
    rows = data.select(["centre", code, on]).to_pylist()
    return {(row["centre"], row[code]): row[on] for row in rows if row[on] is not None}


def _numbered(data: pa.Table, by: tuple[str, ...]) -> dict[tuple[Any, ...], int]:
    """Number the entries of each thing from 1 in the order of time."""
    found: dict[tuple[Any, ...], int] = {}
    counts: dict[tuple[Any, ...], int] = {}
    for row in sorted(data.select([*by, "valid_from"]).to_pylist(), key=lambda r: r["valid_from"]):
        key = tuple(row[name] for name in by)
        counts[key] = counts.get(key, 0) + 1
        found[(*key, row["valid_from"])] = counts[key]
    return found


def _centres(table: Table, data: pa.Table) -> list[str]:
    if "centre" in data.column_names:
        return [centre or "" for centre in data["centre"].to_pylist()]
    if table.name == "changes":  # its keys begin with the centre
        return [str(key).partition("|")[0] for key in data["key"].to_pylist()]
    return [""] * data.num_rows


def _told_changes(
    values: pa.ChunkedArray, data: pa.Table, hide: Callable[[str, str], str]
) -> pa.Array:
    """Leave out what changed in a column that a release does not hold as it is."""
    from quietsleep.contract import TABLES

    told = []
    rows = zip(*(data[c].to_pylist() for c in ("table_name", "column_name", "key")), strict=True)
    for text, (name, column, key) in zip(values.to_pylist(), rows, strict=True):
        table = TABLES.get(name)
        of = next((c for c in table.columns if c.name == column), None) if table else None
        leaves = of is not None and _leaves(table, of)
        told.append(hide(text, key.partition("|")[0]) if text is not None and leaves else None)
    return pa.array(told, pa.string())


def _leaves(table: Table | None, column: Column) -> bool:
    assert table is not None
    released = _released_column(table, column)
    return released == column and column.name not in GROWTH and table.name not in (
        "problems", "queries", "verdicts", "session_values",
    )  # fmt: skip


def _by_completed_weeks(name: str, data: pa.Table) -> Any:
    values = data[name]
    if name == "gestation_weeks":
        return pc.floor(values)
    if name == "birth_weight_kg":
        return pc.round(values, ndigits=1)
    size = "length_cm" if name == "length_z" else "weight_kg"
    of = (size, "sex", "age_days", "gestation_weeks")
    if not set(of) <= set(data.column_names):
        if name == "corrected_age_days":  # gestation would follow from it and the age
            return pa.nulls(data.num_rows, values.type)
        return pc.round(values, ndigits=GROWTH_DECIMALS)
    rows = zip(values.to_pylist(), *(data[c].to_pylist() for c in of), strict=True)
    return pa.array([None if row[0] is None else _grown(name, *row[1:]) for row in rows])


@lru_cache(maxsize=65_536)
def _grown(
    name: str, size: float | None, sex: str | None, age: float | None, gestation: float | None
) -> float | None:
    """Return what follows of age and size from completed weeks of gestation."""
    if age is None or gestation is None:
        return None
    weeks = float(int(gestation))
    if name == "corrected_age_days":
        return corrected_age_days(age, weeks)
    score = weight_z if name == "weight_z" else length_z
    measure = math.nan if size is None else size
    z = score(measure, sex=sex, age_days=age, gestation_weeks=weeks).z
    return None if math.isnan(z) else z


def _growth_rounded(name: str, data: pa.Table) -> Any:
    if name not in ("value", "observed") or "quantity" not in data.column_names:
        return data[name]
    is_growth = pc.is_in(data["quantity"], value_set=pa.array(GROWTH))
    return pc.if_else(is_growth, pc.round(data[name], ndigits=GROWTH_DECIMALS), data[name])


def _tells_birth(text: str) -> bool:
    return DIFFERS in text or "gestation" in text or "birth weight" in text


def _rounded_words(found: re.Match[str]) -> str:
    number, unit = float(found.group(1)), found.group(2)
    return f"{int(number)} weeks" if unit == "weeks" else f"{number:.1f} kg"


def _merged(table: Table, data: pa.Table) -> pa.Table:
    """Make one row of the rows that have one key now: counts add up, what differs is left out."""
    frame = data.to_pandas(types_mapper=pd.ArrowDtype)
    if not frame.duplicated(list(table.key)).any():
        return data
    rows = []
    for _, group in frame.groupby(list(table.key), dropna=False, sort=True):
        row: dict[str, Any] = {}
        for column in table.columns:
            values = group[column.name]
            if column.type == "integer" and column.name not in table.key:
                row[column.name] = int(values.sum())
            elif values.nunique(dropna=False) == 1 or not column.nullable:
                row[column.name] = values.iloc[0]
            else:
                row[column.name] = None
        rows.append(row)
    return pa.Table.from_pylist(
        [{k: None if pd.isna(v) else v for k, v in row.items()} for row in rows],
        schema=arrow_schema(table),
    )
