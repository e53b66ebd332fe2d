"""Problems of a delivery as a whole, in words: tables, stray files, unregistered columns."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence

from quietsleep.intake.cells import MOST_FAULTS, TypedTable
from quietsleep.intake.dialect import DELIVERY_TABLES, OPTIONAL_TABLES, TableFiles
from quietsleep.intake.files.header import SignalHeader
from quietsleep.intake.files.request import may_show_column
from quietsleep.intake.find import MANIFEST
from quietsleep.intake.manifest import Verifier
from quietsleep.intake.reference import UNREGISTERED, DeliveryReference, nearest
from quietsleep.intake.source import SAFE_PATH
from quietsleep.intake.text_table import TextTable
from quietsleep.records import Problem
from quietsleep.study.study import Device

MOST_NAMED = 20
OTHER_SHEETS = (".xls", ".xlsm", ".xlsb", ".ods", ".numbers")


def no_manifest(place: DeliveryReference) -> Problem:
    """The delivery has no list of files."""
    return place.problem(
        "delivery_json",
        MANIFEST,
        f"There is no {MANIFEST} in the delivery, or it cannot be read.",
        expected=f"a {MANIFEST}, written last",
        remedy=f"Write {MANIFEST} when all other files are in place.",
    )


def no_centre(place: DeliveryReference, centres: Iterable[str]) -> Problem:
    """The delivery belongs to no registered centre."""
    return place.problem(
        "centre",
        MANIFEST,
        f"{MANIFEST} names no registered centre.",
        expected=f"one of {', '.join(centres)}",
        remedy=f"Write the code of the centre into {MANIFEST}.",
    )


def not_unpacked(place: DeliveryReference) -> Problem:
    """The archive could not be written out."""
    return place.problem(
        "not_unpacked",
        f"{place.delivery}.zip",
        f"The archive {place.delivery}.zip could not be unpacked into the work folder.",
        expected="an undamaged archive, and room on the disk of the coordinating centre",
        remedy="If there is room, make the archive anew and deliver it again.",
    )


def missing_tables(
    texts: Mapping[str, TextTable],
    files: TableFiles,
    verifier: Verifier,
    place: DeliveryReference,
    unread: Sequence[Problem] = (),
) -> list[Problem]:
    """A table that is missing or bad holds the whole delivery.

    `unread` are workbooks that could not be read: the missing tables are taken to be in these.
    """
    bad = verifier.verified.bad
    problems = [bad[path] for path in sorted(files.paths & bad.keys())]
    if unread and any(name not in texts for name in DELIVERY_TABLES):
        return [*problems, *unread]
    other = [p for p in verifier.listed if p.casefold().endswith(OTHER_SHEETS) and "/" not in p]
    hint = (
        " Workbooks of another form than .xlsx are not read: save them as .xlsx." if other else ""
    )
    for name in DELIVERY_TABLES:
        path = f"{name}.csv"
        there = name in texts or name in files.texts or name in files.twice
        if there or name in OPTIONAL_TABLES or any(p in bad for p in files.workbooks):
            continue
        problems.append(
            place.problem(
                "table_missing",
                path,
                f"{path} is not among the files of the delivery, so the whole of it is held.",
                expected="sessions.csv, recordings.csv and checks.csv, or a workbook with a sheet "
                "for each",
                remedy=f"Add {path}; a header alone will do.{hint}",
            )
        )
    return problems


def table_twice(name: str, paths: Sequence[str], place: DeliveryReference) -> Problem:
    """Two files or sheets are one table: nobody can say which counts."""
    return place.problem(
        "table_twice",
        paths[0],
        f"There are several tables of {name}: {' and '.join(paths)}; the whole delivery is held.",
        expected=f"one table of {name}",
        remedy="Leave the one out that is not meant, and deliver again.",
    )


def workbook_not_read(path: str, what: str, place: DeliveryReference) -> Problem:
    """A workbook that cannot be read; it holds the delivery where a table is missing."""
    return place.problem(
        "workbook",
        path,
        f"{path} {what}; nothing of it was read.",
        expected="a workbook (.xlsx) with one sheet a table",
        remedy="Save it anew from the program that made it, or save each sheet as .csv.",
    )


def too_many_faults(typed: Mapping[str, TypedTable], place: DeliveryReference) -> list[Problem]:
    """A table that is all mistakes holds the delivery: to name each would help nobody."""
    return [
        place.problem(
            "table_of_faults",
            f"{name}.csv",
            f"{name}.csv has more than {MOST_FAULTS} mistakes, so the whole delivery is held.",
            expected="the columns of the contract, each with its own kind of values",
            remedy="Check the export of the table against the contract and deliver again.",
        )
        for name, table in typed.items()
        if sum(map(len, table.faults.values())) > MOST_FAULTS
    ]


def strange_entries(
    paths: Sequence[str], place: DeliveryReference, may_show: Callable[[str], bool]
) -> list[Problem]:
    """Links, devices and folders too deep: they are never followed."""
    problems: list[Problem] = []
    for path in sorted(paths)[:MOST_NAMED]:
        plain = bool(SAFE_PATH.fullmatch(path)) and may_show(path)
        problems.append(
            place.problem(
                "unsafe_path",
                path if plain else "delivery",
                f"{path if plain else 'An entry of the delivery'} is a link, a device or a folder "
                "too deep; it was not followed.",
                expected="plain files in signals/<session or check>/",
                remedy="Put the file itself into a new delivery.",
            )
        )
    return problems


def unused_files(
    typed: Mapping[str, TypedTable],
    listed: Iterable[str],
    place: DeliveryReference,
    may_show: Callable[[str], bool],
) -> list[Problem]:
    """Listed files, tables aside, that no row names: signals that would be lost without a word."""
    named: set[str] = set()
    for name in ("recordings", "checks"):
        named |= set(typed[name].frame["file"].dropna())
    unused = sorted(set(listed) - named, key=lambda path: (not may_show(path), path))
    n_shown = min(MOST_NAMED, sum(map(may_show, unused)))
    problems = [
        place.problem(
            "unused_file",
            path,
            f"{path} is in the delivery, but no row of recordings.csv or checks.csv names it.",
            expected="a row for every signal file",
            remedy="Add its row in a new delivery, or leave the file out.",
        )
        for path in unused[:n_shown]
    ]
    if rest := len(unused) - n_shown:
        more = f"{rest} {'more ' if n_shown else ''}{'files' if rest > 1 else 'file'}"
        problems.append(
            place.problem(
                "unused_file",
                "delivery",
                f"{more} of the delivery {'are' if rest > 1 else 'is'} named by no row.",
                expected="a row for every signal file",
                remedy="Add their rows in a new delivery, or leave the files out.",
            )
        )
    return problems


def unregistered_columns(
    headings: Mapping[str, tuple[SignalHeader, Device]], place: DeliveryReference
) -> list[Problem]:
    """Columns of signal files that no device registers: one problem a device."""
    columns: dict[str, set[str]] = defaultdict(set)
    paths: dict[str, list[str]] = defaultdict(list)
    free: dict[str, set[str]] = defaultdict(set)
    for path, (heading, device) in headings.items():
        if names := heading.unregistered(device):
            columns[device.device] |= {*names}
            paths[device.device].append(path)
            registered = {c.column for c in device.channels}
            free[device.device] |= registered - {*heading.names}
    return [
        _unregistered(device, sorted(names), paths[device], place, free[device])
        for device, names in sorted(columns.items())
    ]


def _unregistered(
    device: str,
    names: Sequence[str],
    paths: Sequence[str],
    place: DeliveryReference,
    free: Iterable[str],
) -> Problem:
    shown = [name for name in names if may_show_column(name)]
    hidden = len(names) - len(shown)
    titles = [f"the column {name}" for name in shown[:MOST_NAMED]]
    if hidden:
        one = "a column whose name is not shown here"
        titles.append(one if hidden == 1 else f"{hidden} columns whose names are not shown here")
    if rest := len(shown) - MOST_NAMED if len(shown) > MOST_NAMED else 0:
        titles.append(f"{rest} more")
    more = f" and {len(paths) - 1} more file{'s' if len(paths) > 2 else ''}"
    several = len(names) > 1
    verbs = ("are", "were") if several else ("is", "was")
    hint = next((said for name in names if (said := nearest(name, free))), "")
    return place.problem(
        UNREGISTERED,
        paths[0],
        f"{paths[0]}{more if len(paths) > 1 else ''} of device {device}: {', '.join(titles)} "
        f"{verbs[0]} not registered and {verbs[1]} not read.",
        expected="the registered columns of the device",
        remedy="Nothing, if it is not needed: leave it out of the export, or have it registered "
        f"under ignored_columns, and this is not said again. Otherwise have it registered.{hint}",
        column=shown[0] if len(names) == 1 and shown else None,
    )
