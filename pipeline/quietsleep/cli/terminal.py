"""All that the command line prints as tables: nights, problems, reasons, reviews, query results."""

from __future__ import annotations

import math
import sys
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any, Literal

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from quietsleep import contract

if TYPE_CHECKING:
    from pathlib import Path

    import duckdb
    import pandas as pd

    from quietsleep.night.night import NightReport
    from quietsleep.night.preview import Preview
    from quietsleep.night.rejudge import Rejudged
    from quietsleep.night.withdrawal import WithdrawnReport

# Count -> heading, narrow enough for a terminal of 80 columns.
COUNTS = {
    "delivered": "deliv-\nered",
    "measured": "meas-\nured",
    "no_trial": "no\ntrial",
    "quarantined": "quar-\nant.",
    "crashed": "crash-\ned",
    "superseded": "super-\nseded",
    "withdrawn": "with-\ndrawn",
    "found": "trials\nfound",
    "accepted": "accep-\nted",
    "flagged": "flag-\nged",
    "rejected": "rejec-\nted",
    "not_judgeable": "not\njudged",
}
WIDEST = 2000
# So many counts fit a terminal of 80 columns with two blanks between them.
FIT_WIDELY = 7
MOST_CHANGES = 25
SELDOM = ("no_trial", "crashed", "superseded", "withdrawn", "not_judgeable")
STATE_WORDS = {
    "green": "green: nothing is open",
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
    if report.n_open or report.n_answered:
        console.print(f"Queries: {report.n_open} open, {report.n_answered} answered.")
    console.print(
        f"Measured {report.n_measured}, unchanged {report.n_unchanged}, "
        f"problems {report.n_problems}; {report.seconds:.1f} s."
    )


def _print_conservation(console: Console, report: NightReport) -> None:
    rows = report.conservation
    shown = [name for name in COUNTS if name not in SELDOM or rows[name].any()]
    table = Table(title=f"Night {report.night}", title_justify="left", box=None, pad_edge=False)
    if len(shown) > FIT_WIDELY:
        table.padding = (0, 1, 0, 0)
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


def print_preview(seen: Preview) -> None:
    """Print what a delivery changes, and its problems, each with where and what to do."""
    console, problems = Console(soft_wrap=True), seen.problems
    for sentence in seen.changes:
        console.print(Text(sentence))
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


def print_queries(rows: pd.DataFrame, *, total: pd.DataFrame) -> None:
    """Print data queries, each with what is wrong and what to do, and how many of `total` stand."""
    console = Console(highlight=False)
    for row in rows.astype("object").where(rows.notna(), None).to_dict("records"):
        head = f"{row['query']}  {row['state']}  {row['centre'] or 'all centres'}  "
        kind = contract.QUERIES.kinds[row["kind"]].one
        console.print(Text(f"{head}{kind}, since {row['opened_in']}", style="bold"))
        told = [row["sentence"]]
        if row["state"] == "closed":
            told.append(f"Closed in {row['closed_in']}: {row['closed_why']}.".replace("..", "."))
        else:
            told.append(f"To do: {row['remedy']}")
        if row["answer"] is not None:
            told.append(f"{row['answered_by']}, {row['answered_at']:%Y-%m-%d}: {row['answer']}")
        for line in told:
            console.print(Padding(Text(str(line)), (0, 0, 0, 4), expand=False))
    n = {state: int((total["state"] == state).sum()) for state in ("open", "answered", "closed")}
    console.print(f"{n['open']} open, {n['answered']} answered, {n['closed']} closed.")


def print_withdrawn(report: WithdrawnReport, study: Path) -> None:
    """Print what was taken out, where it still lies, and what is to be done there."""
    from quietsleep.night.verdict import count

    console = Console(soft_wrap=True, highlight=False)
    sessions, recordings = len(report.sessions), report.n_recordings
    console.print(
        f"Written down. {count(sessions, 'session')} with {count(recordings, 'recording')} "
        f"{'is' if sessions == 1 else 'are'} out of the state."
    )
    console.print(f"Out of warehouse, kept nights and pages with the next night: nightly {study}")
    if report.files:
        done = "Erased from" if report.erased else "Raw files, removed with --erase-deliveries"
        console.print(f"{done}:")
        for line in report.files:
            console.print(Text(f"  {line}"))
    for place in report.by_hand:
        console.print(Text(f"To be erased by hand, in the store: {place}"))
    for label in report.releases:
        console.print(
            Text(
                f"Release {label} holds it and stays as it is. After the next night make another: "
                f"quietsleep release {study} {label}-2, and tell all who have {label} that it "
                "supersedes theirs."
            )
        )
    for waiver in report.waivers:
        console.print(Text(f"Waiver {waiver} is of it: take it out of waivers.toml."))


def print_why(warehouse: duckdb.DuckDBPyConnection, session: str) -> bool:
    """Print every failed rule and problem of a session in words; False when it is unknown."""
    found = _rows(warehouse, "SELECT centre, status FROM sessions WHERE session = ?", session)
    console = Console(soft_wrap=True, highlight=False)
    for centre, status in found:
        console.print(Text(f"Session {session} of {centre}. It is {status}.", style="bold"))
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
    return bool(found)


def print_judged(warehouse: duckdb.DuckDBPyConnection) -> None:
    """Print how many tests would be accepted, and of each session with another one why."""
    console = Console(soft_wrap=True, highlight=False)
    tests = _rows(warehouse, "SELECT status, count(*) FROM tests GROUP BY status ORDER BY status")
    if not tests:
        return
    counts = ", ".join(f"{n} {str(status).replace('_', ' ')}" for status, n in tests)
    console.print()
    console.print(Text(f"Judged by what is in this delivery alone: {counts}.", style="bold"))
    sql = (
        "SELECT DISTINCT session FROM tests WHERE status <> 'accepted' OR flagged ORDER BY session"
    )
    for (session,) in _rows(warehouse, sql):
        console.print()
        print_why(warehouse, str(session))


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


def print_waiting(rows: pd.DataFrame, *, limit: int, blind: bool) -> None:
    """Print the trials that wait; a blind list hides the verdict and why a trial waits."""
    from quietsleep.night.verdict import count

    console = Console(highlight=False)
    if rows.empty:
        console.print("No trial waits for a reader.")
        return
    table = Table(box=None, pad_edge=False)
    for name in ("centre", "trial", "from - to, s"):
        table.add_column(name, no_wrap=True)
    for name in ("file",) if blind else ("rules say", "waits because"):
        table.add_column(name, overflow="fold")
    row: Any
    for row in rows.head(limit).itertuples():
        cells = [row.centre, row.trial, f"{row.start_s:.2f} - {row.end_s:.2f}"]
        why = ", ".join(row.why) + (f": {row.said}" if row.said else "")
        cells += [row.file] if blind else [row.machine.replace("_", " "), why]
        table.add_row(*(Text(cell) for cell in cells))
    console.print(table)
    more = f"; {len(rows) - limit} more with --limit" if len(rows) > limit else ""
    verb = "waits" if len(rows) == 1 else "wait"
    console.print(f"{count(len(rows), 'trial')} {verb} for a reader{more}.")


def print_rejudged(rejudged: Rejudged) -> None:
    """Print what judging again changed, the state of the night, and what was left alone."""
    console = Console(highlight=False)
    report = rejudged.report
    if report.idle:
        console.print("No rule, waiver or decision has changed since the last night.")
    elif report.published:
        _print_changes(console, rejudged.changes)
    console.print(Text(f"State {STATE_WORDS[report.state]}"))
    for sentence in (*report.sentences, *rejudged.notes):
        console.print(Text(f"  - {sentence}"))
    published = f"Published as {report.night}. " if report.published else ""
    console.print(f"{published}No signal was read; {report.seconds:.1f} s.")
    if report.published:
        console.print("The next night brings the pages up to date.")


def _print_changes(console: Console, changes: pd.DataFrame) -> None:
    from quietsleep.night.rejudge import item_changes, rule_changes
    from quietsleep.night.verdict import count

    rules, items = rule_changes(changes), item_changes(changes)
    if rules.empty and items.empty:
        console.print("Nothing changed.")
        return
    if len(rules):
        table = Table("rule", "before", "after", "verdicts", "why", box=None, pad_edge=False)
        for row in rules.to_dict("records"):
            cells = (row["rule"], row["before"], row["after"], row["n"], row["cause"])
            table.add_row(*(_shown(cell) for cell in cells))
        console.print(table)
        console.print()
    if len(items):
        table = Table("what", "item", "before", "after", "why", box=None, pad_edge=False)
        for row in items.head(MOST_CHANGES).to_dict("records"):
            what = f"{row['kind']} {row['what']}"
            cells = (what, row["item"], row["before"], row["after"], row["cause"])
            table.add_row(*(_shown(cell) for cell in cells))
        console.print(table)
    if len(items) > MOST_CHANGES:
        console.print(f"... and {len(items) - MOST_CHANGES} more in the table changes.")
    counts = items.groupby("kind").size()
    said = ", ".join(count(int(n), str(kind)) for kind, n in counts.items()) or "nothing else"
    console.print(f"Changed: {count(int(rules['n'].sum()), 'verdict')}; {said}.")


def _shown(value: Any) -> Text:
    import pandas as pd

    if pd.isna(value):
        return Text("-")
    text = str(value)
    try:
        return Text(f"{float(text):.5g}")
    except ValueError:
        return Text(text.replace("_", " ") if " " not in text and "." not in text else text)
