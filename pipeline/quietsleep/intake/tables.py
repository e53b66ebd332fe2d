"""The tables of a delivery, out of its text files and out of the sheets of its workbooks."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from quietsleep.intake.dialect import DELIVERY_TABLES, OPTIONAL_TABLES, TableFiles
from quietsleep.intake.files.request import may_show_column
from quietsleep.intake.files.workbook import WorkbookError, WorkbookSheet, read_workbook
from quietsleep.intake.problems import table_twice, workbook_not_read
from quietsleep.intake.reference import DeliveryReference
from quietsleep.intake.text_table import (
    TextTable,
    empty_table,
    read_text_table,
    table_of_sheet,
)
from quietsleep.records import Problem
from quietsleep.study.dialect import TableWords


@dataclass(slots=True)
class DeliveredTables:
    """The tables of a delivery as text, and sheets that are none of them.

    `paths` are the files that the tables lie in. `stopping` hold the delivery; `unread` are
    workbooks that could not be read, which may hold what is missing.
    """

    files: TableFiles = field(default_factory=TableFiles)
    texts: dict[str, TextTable] = field(default_factory=dict)
    sheets: list[TextTable] = field(default_factory=list)
    paths: dict[str, str] = field(default_factory=dict)
    stopping: list[Problem] = field(default_factory=list)
    unread: list[Problem] = field(default_factory=list)

    @property
    def called(self) -> tuple[tuple[str, str], ...]:
        """How the centre calls the tables, where it is not as the contract does."""
        names = ((f"{name}.csv", table.file) for name, table in self.texts.items())
        return tuple((name, called) for name, called in names if name != called)


def read_tables(
    files: TableFiles,
    read: Callable[[str], bytes | None],
    place: DeliveryReference,
    words: TableWords,
) -> DeliveredTables:
    """Read all tables; `read` gives the bytes of a file, None for one that is bad.

    An optional table that was not delivered is empty. What is told of a table twice or a workbook
    that cannot be read names nothing but files; all else waits for the privacy scan.
    """
    found = DeliveredTables(files)
    for name, path in files.texts.items():
        data = read(path)
        if data is not None:
            found.texts[name] = read_text_table(name, data, place, file=path, words=words)
            found.paths[name] = path
    for number, path in enumerate(files.workbooks, start=1):
        data = read(path)
        if data is None:
            continue
        # The name of a workbook may be that of a person.
        shown = path if may_show_column(path.rpartition(".")[0]) else f"workbook {number}"
        try:
            sheets = read_workbook(data)
        except WorkbookError as error:
            found.unread.append(workbook_not_read(shown, str(error), place))
            continue
        for at, sheet in enumerate(sheets, start=1):
            name = table_of_title(sheet)
            file = f"{shown}, sheet {sheet.title.strip() if name else at}"
            table = table_of_sheet(name, sheet, place, file=file, words=words)
            _add(found, table, path, place)
    found.stopping += [table_twice(n, p, place) for n, p in files.twice.items()]
    for name in OPTIONAL_TABLES - found.texts.keys() - files.texts.keys():
        found.texts[name] = empty_table(name)
    found.texts = {name: found.texts[name] for name in DELIVERY_TABLES if name in found.texts}
    return found


def table_of_title(sheet: WorkbookSheet) -> str:
    """Return the table that a sheet is called after; empty for one that is no table."""
    name = sheet.title.strip().casefold()
    return name if name in DELIVERY_TABLES else ""


def _add(found: DeliveredTables, table: TextTable, path: str, place: DeliveryReference) -> None:
    if not table.name:
        found.sheets.append(table)
    elif table.name in found.texts:
        files = (found.texts[table.name].file, table.file)
        found.stopping.append(table_twice(table.name, files, place))
    else:
        found.texts[table.name] = table
        found.paths[table.name] = path
