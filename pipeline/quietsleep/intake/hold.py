"""What a bad row or file holds back, so that every row ends in exactly one place.

A bad row of sessions or recordings holds its session with every reason; a bad row of checks or
reported holds that row. A bad file holds the recording or check that uses it and nothing else.
"""

from __future__ import annotations

import re
from collections.abc import Hashable, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from quietsleep.intake.cells import CORRECT, TypedTable
from quietsleep.intake.reference import DeliveryReference, nearest
from quietsleep.records import Problem
from quietsleep.study.study import Centre

if TYPE_CHECKING:
    import pandas as pd

USABLE_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,63}")
KEYS = {
    "sessions": ("session",),
    "recordings": ("recording",),
    "checks": ("check",),
    "reported": ("session", "technique", "outcome"),
}
MOST_ROWS_NAMED = 10
Reasons = dict[str, list[Problem]]


@dataclass(slots=True)
class Holding:
    """Clean and held rows of each table, and why each item is held."""

    clean: dict[str, pd.DataFrame] = field(default_factory=dict)
    held: dict[str, pd.DataFrame] = field(default_factory=dict)
    sessions: Reasons = field(default_factory=dict)
    recordings: Reasons = field(default_factory=dict)
    checks: Reasons = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)


def find_faults(typed: Mapping[str, TypedTable], centre: Centre, place: DeliveryReference) -> None:
    """Add to the faults of each table: repeated keys, unknown devices, unknown sessions."""
    for table in typed.values():
        _repeated_keys(table, place)
    for name in ("sessions", "checks"):
        _unknown(typed[name], "device", centre.devices, "a device registered for the centre", place)
        _not_in_force(typed[name], centre, place)
    sessions = dict.fromkeys(typed["sessions"].frame["session"].dropna())
    for name in ("recordings", "reported"):
        _unknown(typed[name], "session", sessions, "a session of sessions.csv", place)


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
    centre: Centre,
    place: DeliveryReference,
) -> None:
    """Hold the recordings and checks whose file is bad; their rows stay clean."""
    sessions = holding.clean["sessions"]
    rows_of = {row["session"]: row for row in sessions.to_dict("records")}
    used: set[str] = set()
    for name, key in (("recordings", "recording"), ("checks", "check")):
        reasons = holding.recordings if name == "recordings" else holding.checks
        for row in holding.clean[name].to_dict("records"):
            session = str(row["session"]) if name == "recordings" else None
            on = rows_of[session] if session else row
            device = centre.device_on(on["device"], on["local_day"]) or centre.devices[on["device"]]
            path, item = str(row["file"]), str(row[key])
            wanted = f"signals/{session or item}/{item}.{device.file_format}"
            problem = bad_files.get(path) or _wrong_file(name, row, wanted, listed, place)
            if problem is None:
                continue
            used.add(path)
            named = replace(problem, session=session, recording=item)
            reasons.setdefault(item, []).append(named)
            holding.problems.append(named)
    holding.problems += [problem for path, problem in bad_files.items() if path not in used]


def _wrong_file(
    name: str,
    row: Mapping[Hashable, Any],
    wanted: str,
    listed: Mapping[str, object],
    place: DeliveryReference,
) -> Problem | None:
    path = str(row["file"])
    if path == wanted and path in listed:
        return None
    listed_not = "is not listed in delivery.json"
    what = listed_not if path == wanted else f"should be called {wanted}, by its row and device"
    return place.problem(
        "file_not_listed" if path == wanted else "file_misnamed",
        f"{name}.csv",
        f"Row {row['row']} of {name}.csv: the file {path} {what}.",
        expected=wanted,
        remedy="Put the right file into a new delivery, and list it there.",
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
        if name == "checks" and check:
            holding.checks.setdefault(check, []).extend(named)
        if name == "recordings" and recording:
            holding.recordings.setdefault(recording, []).extend(named)
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
        named = ", ".join(key)
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
                    remedy="Keep the right row, take the other out, and deliver again.",
                    row=row,
                    column=key[-1],
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
