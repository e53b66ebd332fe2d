"""What a bad row or file holds back, so that every row ends in exactly one place.

A bad row of sessions or recordings holds what its delivery says of that session, with every reason;
a bad row of checks or reported holds that row. A bad file holds the recording or check that uses it
and nothing else. A row may name a session that an earlier delivery brought.
"""

from __future__ import annotations

import re
from collections.abc import Hashable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from typing import TYPE_CHECKING, Any

from quietsleep.intake.cells import CORRECT, TypedTable
from quietsleep.intake.reference import DeliveryReference, nearest
from quietsleep.records import Problem
from quietsleep.study.study import Centre, Device

if TYPE_CHECKING:
    import pandas as pd

USABLE_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,63}")
# By what a row is known within its centre; `local_day` is the day by the centre's own clock.
KEYS = {
    "sessions": ("session",),
    "recordings": ("session", "recording"),
    "checks": ("device", "local_day", "check"),
    "reported": ("session", "technique", "outcome"),
}
RENAME = {
    "recordings": "Two recordings of a session cannot share a code: rename one of them and its "
    "file, and deliver again.",
    "checks": "Two checks of a device on one day cannot share a code: rename one of them and its "
    "file, and deliver again.",
}
KEEP_ONE = (
    "Keep the right row and take the other out, or rename one where both are meant, and deliver "
    "again."
)
MOST_ROWS_NAMED = 10
# How a signal file of each format may end, in any case.
ENDINGS: Mapping[str, tuple[str, ...]] = {
    "csv": ("csv", "txt", "tsv", "tab", "dat", "asc"),
    "parquet": ("parquet", "pq"),
    "edf": ("edf",),
}
Reasons = dict[str, list[Problem]]
ReasonsOfRows = dict[tuple[str, int], list[Problem]]


@dataclass(frozen=True, slots=True)
class KnownSession:
    """A session that another delivery of the centre brought; None where its row does not say."""

    device: str | None
    on: date | None


KnownSessions = Mapping[str, KnownSession]


@dataclass(slots=True)
class Holding:
    """Clean and held rows of each table, and why each session and each row is held.

    `rows` are the reasons that a row has itself, by table and line: its own faults, or its file's.
    """

    clean: dict[str, pd.DataFrame] = field(default_factory=dict)
    held: dict[str, pd.DataFrame] = field(default_factory=dict)
    sessions: Reasons = field(default_factory=dict)
    rows: ReasonsOfRows = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)


def find_faults(
    typed: Mapping[str, TypedTable],
    centre: Centre,
    place: DeliveryReference,
    known: KnownSessions | None = None,
) -> None:
    """Add to the faults of each table: repeated keys, unknown devices, unknown sessions.

    `known` are the sessions of other deliveries of the centre; None where they cannot be asked.
    """
    for table in typed.values():
        _repeated_keys(table, place)
    _repeated_files(typed["checks"], place)
    for name in ("sessions", "checks"):
        _unknown(typed[name], "device", centre.devices, "a device registered for the centre", place)
        _not_in_force(typed[name], centre, place)
    sessions = dict.fromkeys(typed["sessions"].frame["session"].dropna())
    usable = {
        session
        for session, said in (known or {}).items()
        if said.device is not None and centre.device_on(said.device, said.on) is not None
    }
    expected = "a session of sessions.csv"
    if known is not None:
        expected += " or of an earlier delivery"
    for name in ("recordings", "reported"):
        _unknown(typed[name], "session", {**sessions, **dict.fromkeys(usable)}, expected, place)


def hold(typed: Mapping[str, TypedTable]) -> Holding:
    """Split every table into clean and held rows by its faults."""
    holding = Holding()
    for name, table in typed.items():
        _name_faults(name, table, holding)
    for name, table in typed.items():
        bad = table.frame["row"].isin(list(table.faults))
        if name != "checks":
            bad |= table.frame["session"].isin(list(holding.sessions))
        holding.clean[name] = table.frame[~bad].reset_index(drop=True)
        holding.held[name] = table.frame[bad].reset_index(drop=True)
    return holding


def hold_files(
    holding: Holding,
    bad_files: Mapping[str, Problem],
    listed: Mapping[str, object],
    *,
    centre: Centre,
    of_sessions: Mapping[str, Device],
    place: DeliveryReference,
) -> None:
    """Hold the recordings and checks whose file is bad; their rows stay clean.

    `of_sessions` are the devices of all sessions that a clean row may name.
    """
    used: set[str] = set()
    named_by = _named_by(holding)
    for name, key in (("recordings", "recording"), ("checks", "check")):
        for row in holding.clean[name].to_dict("records"):
            session = str(row["session"]) if name == "recordings" else None
            path, item = str(row["file"]), str(row[key])
            if session is None:
                # The folder is free: a code may come again on another day or device.
                folder = path.rpartition("/")[0]
                code = str(row["device"])
                device = centre.device_on(code, row["local_day"]) or centre.devices[code]
            else:
                folder, device = f"signals/{session}", of_sessions[session]
            wanted = None if device.file_names == "free" else f"{folder}/{item}"
            problem = bad_files.get(path)
            problem = problem or _wrong_file(
                name, row, place, wanted=wanted, device=device, listed=listed
            )
            problem = problem or _shared_file(name, row, named_by[path], place)
            if problem is None:
                continue
            used.add(path)
            named = replace(problem, session=session, recording=item)
            holding.rows.setdefault((name, int(row["row"])), []).append(named)
            holding.problems.append(named)
    holding.problems += [problem for path, problem in bad_files.items() if path not in used]


def _wrong_file(
    name: str,
    row: Mapping[Hashable, Any],
    place: DeliveryReference,
    *,
    wanted: str | None,
    device: Device,
    listed: Mapping[str, object],
) -> Problem | None:
    """Say what is wrong with the path in a row; `wanted` is what it is called by its codes."""
    path = str(row["file"])
    stem, _, ending = path.rpartition(".")
    called_so = ending.lower() in ENDINGS[device.file_format] and wanted in {None, stem}
    if called_so and path in listed:
        return None
    expected = path if called_so else f"{wanted or stem}.{device.file_format}"
    listed_not = "is not among the files of the delivery"
    what = listed_not if called_so else f"should be called {expected}, by its row and device"
    remedy = "Put the right file into a new delivery."
    if wanted and not called_so and ending.lower() in ENDINGS[device.file_format]:
        remedy += (
            " Where the centre keeps its own names of files, the coordinating centre can register "
            'file_names = "free" for the device.'
        )
    return place.problem(
        "file_not_listed" if called_so else "file_misnamed",
        f"{name}.csv",
        f"Row {row['row']} of {name}.csv: the file {path} {what}.",
        expected=expected,
        remedy=remedy,
        row=int(row["row"]),
        column="file",
        value=path,
    )


def _named_by(holding: Holding) -> Mapping[str, list[tuple[str, int]]]:
    """Which rows name which file, by table and line."""
    found: dict[str, list[tuple[str, int]]] = {}
    for name in ("recordings", "checks"):
        for table in (holding.clean[name], holding.held[name]):
            named = table.dropna(subset=["file"])
            for path, row in zip(named["file"], named["row"], strict=True):
                found.setdefault(str(path), []).append((name, int(row)))
    return found


def _shared_file(
    name: str,
    row: Mapping[Hashable, Any],
    named_by: list[tuple[str, int]],
    place: DeliveryReference,
) -> Problem | None:
    """Two rows that name one file: where names are free, nothing else tells them apart."""
    own = (name, int(row["row"]))
    others = [each for each in named_by if each != own]
    if not others:
        return None
    table, line = others[0]
    path = str(row["file"])
    return place.problem(
        "file_twice",
        f"{name}.csv",
        f"Row {row['row']} of {name}.csv names the file {path}, and so does row {line} of "
        f"{table}.csv.",
        expected="a file of its own for each row",
        remedy="Name in each row the file that belongs to it, and deliver again.",
        row=int(row["row"]),
        column="file",
        value=path,
    )


def _name_faults(name: str, table: TypedTable, holding: Holding) -> None:
    """Put session and recording into the problems of each faulty row, and hold what they hold."""
    rows = {int(r["row"]): r for r in table.frame.to_dict("records")} if table.faults else {}
    for row, faults in sorted(table.faults.items()):
        cells = rows[row]
        session, recording, check = (_usable(cells, k) for k in ("session", "recording", "check"))
        named = [replace(p, session=session, recording=recording or check) for p in faults]
        holding.problems += named
        holding.rows.setdefault((name, row), []).extend(named)
        if name in {"sessions", "recordings"} and session:
            holding.sessions.setdefault(session, []).extend(named)


def _usable(cells: Mapping[Hashable, object], key: str) -> str | None:
    value = cells.get(key)
    return value if isinstance(value, str) and USABLE_ID.fullmatch(value) else None


def _repeated_keys(table: TypedTable, place: DeliveryReference) -> None:
    key = list(KEYS[table.name])
    frame = table.frame.dropna(subset=key)
    again = frame[frame.duplicated(subset=key, keep=False)]
    for _, group in again.groupby(key, sort=False):
        rows = [int(r) for r in group["row"]]
        named = ", ".join(key).replace("local_day", "day")
        for row in rows:
            near = [str(r) for r in rows[: MOST_ROWS_NAMED + 1] if r != row][:MOST_ROWS_NAMED]
            more = len(rows) - 1 - len(near)
            others = ", ".join(near) + (f" and {more} more" if more else "")
            table.faults[row].append(
                place.problem(
                    "repeated",
                    f"{table.name}.csv",
                    f"Row {row} of {table.name}.csv has the same {named} as row {others}.",
                    expected=f"each {named} once",
                    remedy=RENAME.get(table.name, KEEP_ONE),
                    row=row,
                    column=key[-1],
                )
            )


def _repeated_files(table: TypedTable, place: DeliveryReference) -> None:
    """Name rows of checks that share a file: their codes alone do not keep their files apart."""
    frame = table.frame.dropna(subset=["file"])
    again = frame[frame.duplicated("file", keep=False)]
    for row, path in zip(again["row"], again["file"], strict=True):
        table.faults[int(row)].append(
            place.problem(
                "file_twice",
                f"{table.name}.csv",
                f"Row {row} of {table.name}.csv names the file {path}, and so does another row.",
                expected="a file of its own for each check",
                remedy="Put the files into folders of their own, such as signals/<device>-<day>/.",
                row=int(row),
                column="file",
                value=path,
            )
        )


def _unknown(
    table: TypedTable,
    column: str,
    known: Mapping[str, object],
    expected: str,
    place: DeliveryReference,
) -> None:
    frame = table.frame[table.frame[column].notna() & ~table.frame[column].isin(list(known))]
    for row, value in zip(frame["row"], frame[column], strict=True):
        if not USABLE_ID.fullmatch(value):
            continue  # named by the contract's pattern already
        table.faults[int(row)].append(
            place.problem(
                f"unknown_{column}",
                f"{table.name}.csv",
                f'Row {row} of {table.name}.csv: {column} "{value}" is not {expected}.',
                expected=expected,
                remedy=f"{CORRECT}{nearest(value, known)}",
                row=int(row),
                column=column,
                value=value,
            )
        )


def _not_in_force(table: TypedTable, centre: Centre, place: DeliveryReference) -> None:
    """Name rows of a day before the first entry of their device."""
    frame = table.frame
    for row, device, day in zip(frame["row"], frame["device"], frame["local_day"], strict=True):
        if device not in centre.devices or day is None or centre.device_on(device, day):
            continue
        entries = (centre.devices[device], *centre.earlier_devices)
        first = min(entry.valid_from for entry in entries if entry.device == device)
        table.faults[int(row)].append(
            place.problem(
                "device_not_in_force",
                f"{table.name}.csv",
                f'Row {row} of {table.name}.csv: device "{device}" is registered from {first} on, '
                f"and the row is of {day}.",
                expected=f"a day from {first} on",
                remedy="Correct the day; if it is right, ask the coordinating centre to register "
                "the device from its first day on.",
                row=int(row),
                column="device",
                value=str(device),
            )
        )
