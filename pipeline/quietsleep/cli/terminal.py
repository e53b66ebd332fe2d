"""What the command line prints: the closing table of a night, problems, reasons, query results."""

from __future__ import annotations

import math
import sys
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any, Literal

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

if TYPE_CHECKING:
    import duckdb
    import pandas as pd

    from quietsleep.night.night import NightReport
    from quietsleep.records import Problem

# Count -> heading, narrow enough for a terminal of 80 columns.
COUNTS = {
    "delivered": "deliv-\nered",
    "measured": "meas-\nured",
    "no_trial": "no\ntrial",
    "quarantined": "quar-\nant.",
    "crashed": "crash-\ned",
    "found": "trials\nfound",
    "accepted": "accep-\nted",
    "flagged": "flag-\nged",
    "rejected": "rejec-\nted",
    "not_judgeable": "not\njudged",
}
WIDEST = 2000
SELDOM = ("no_trial", "crashed", "not_judgeable")
STATE_WORDS = {
    "green": "green: all that was delivered was read and judged",
    "amber": "amber: published, and something needs a person",
    "red": "red: something of ours failed",
}


def print_closing(report: NightReport) -> None:
    """Print the conservation table of a night, its state and what needs action."""
    console = Console(soft_wrap=False, highlight=False)
    if report.idle:
        console.print(f"Night {report.night}: nothing has changed, nothing to do.")
    elif len(report.conservation):
        _print_conservation(console, report)
    console.print(Text(f"State {STATE_WORDS[report.state]}"))
    for sentence in report.sentences:
        console.print(Padding(Text(f"- {sentence}"), (0, 0, 0, 2), expand=False))
    console.print(
        f"Measured {report.n_measured}, unchanged {report.n_unchanged}, "
        f"problems {report.n_problems}; {report.seconds:.1f} s."
    )


def _print_conservation(console: Console, report: NightReport) -> None:
    rows = report.conservation
    shown = [name for name in COUNTS if name not in SELDOM or rows[name].any()]
    table = Table(title=f"Night {report.night}", title_justify="left", box=None, pad_edge=False)
    table.add_column("centre, technique", no_wrap=True)
    for name in shown:
        table.add_column(COUNTS[name], justify="right", no_wrap=True)
    for centre, own in rows.groupby("centre", sort=True):
        nothing = "  nothing delivered" if not own["delivered"].any() else ""
        table.add_row(Text(f"{centre}{nothing}", style="bold"))
        for row in own[own["delivered"] > 0].to_dict("records"):
            title = str(row["technique"]).replace("_", " ")
            table.add_row(f"  {title}", *(str(row[name]) if row[name] else "-" for name in shown))
    console.print(table)
    if rows["balances"].all():
        console.print(
            "Every recording and every trial is in one of these columns: the counts add up.\n"
        )


def print_problems(problems: Sequence[Problem]) -> None:
    """Print the problems of a delivery, each with where, what was expected and what to do."""
    console = Console(soft_wrap=True)
    if not problems:
        console.print(Text("No problem found. This delivery is ready to be sent."))
        return
    console.print(Text(f"{len(problems)} problem{'s' * (len(problems) != 1)} found."))
    for problem in problems:
        place = [problem.where]
        if problem.row is not None:
            place.append(f"row {problem.row}")
        if problem.column:
            place.append(f"column {problem.column}")
        console.print()
        console.print(Text(", ".join(place), style="bold"))
        console.print(Text(f"  {problem.sentence}"))
        console.print(Text(f"  Expected: {problem.expected}"))
        console.print(Text(f"  To do:    {problem.remedy}"))


def print_why(warehouse: duckdb.DuckDBPyConnection, session: str) -> bool:
    """Print every failed rule and problem of a session in words; False when it is unknown."""
    visits = _rows(warehouse, "SELECT centre, status FROM sessions WHERE session = ?", session)
    console = Console(soft_wrap=True, highlight=False)
    for centre, status in visits:
        console.print(Text(f"Session {session} of {centre}. The visit is {status}.", style="bold"))
        _print_session_problems(console, warehouse, centre, session)
        _print_failures(console, warehouse, centre, session, technique="session")
        for technique, test_status, n_accepted, n_trials, why in _rows(
            warehouse,
            "SELECT technique, status, n_accepted, n_trials, why FROM tests "
            "WHERE centre = ? AND session = ? ORDER BY technique",
            centre,
            session,
        ):
            title = str(technique).replace("_", " ").capitalize()
            counts = f"{n_accepted} of {n_trials} trials accepted"
            console.print()
            console.print(Text(f"{title}: {test_status}, {counts}", style="bold"))
            if not _print_failures(console, warehouse, centre, session, technique=technique):
                quiet = why if test_status != "accepted" else "Every rule that applies was met."
                console.print(Text(f"  {quiet}"))
    return bool(visits)


def _print_session_problems(
    console: Console, warehouse: duckdb.DuckDBPyConnection, centre: str, session: str
) -> None:
    sql = (
        "SELECT where_found, sentence, remedy FROM problems "
        "WHERE centre = ? AND session = ? ORDER BY problem"
    )
    for where, sentence, remedy in _rows(warehouse, sql, centre, session):
        console.print(Text(f"  {where}: {sentence}\n    To do: {remedy}"))


def _print_failures(
    console: Console,
    warehouse: duckdb.DuckDBPyConnection,
    centre: str,
    session: str,
    *,
    technique: str,
) -> bool:
    """Print each failed rule once, with what it says of every item, and what to do."""
    sql = (
        "SELECT rule, any_value(severity), any_value(remedy), "
        "list((item_kind, item, sentence) ORDER BY item) FROM rejections "
        "WHERE centre = ? AND session = ? AND technique = ? GROUP BY rule "
        "ORDER BY any_value(severity) = 'reject' DESC, any_value(item_kind) = 'trial' DESC, rule"
    )
    rows = _rows(warehouse, sql, centre, session, technique)
    for _, severity, remedy, said in rows:
        console.print(Text(f"  {str(severity).capitalize()}:"))
        for kind, item, sentence in said:
            place = f"{item}: " if kind == "trial" else ""
            console.print(Text(f"    {place}{sentence}"))
        console.print(Text(f"    To do: {remedy}"))
    return bool(rows)


def _rows(
    warehouse: duckdb.DuckDBPyConnection, sql: str, *parameters: str
) -> list[tuple[Any, ...]]:
    return warehouse.execute(sql, list(parameters)).fetchall()


def print_rows(rows: pd.DataFrame, *, as_csv: bool) -> None:
    """Print the rows of a query as a table, or as csv for another program."""
    if as_csv:
        rows.to_csv(sys.stdout, index=False)
        return
    table = Table(box=None, pad_edge=False)
    for name, kind in rows.dtypes.items():
        justify: Literal["right", "left"] = "right" if kind.kind in "iuf" else "left"
        table.add_column(str(name), justify=justify, overflow="fold")
    for values in rows.itertuples(index=False):
        table.add_row(*(Text(text) for text in _cells(values)))
    # Piped into a file or another program, a table keeps all of its columns whole.
    console = Console() if sys.stdout.isatty() else Console(width=WIDEST)
    console.print(table)
    console.print(Text(f"{len(rows)} row{'s' * (len(rows) != 1)}"))


def _cells(values: Iterable[object]) -> list[str]:
    return [_cell(value) for value in values]


def _cell(value: object) -> str:
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    return f"{value:.6g}" if isinstance(value, float) else str(value)
