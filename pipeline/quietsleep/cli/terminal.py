"""All that the command line prints as tables: nights, problems, reasons, reviews, query results."""

from __future__ import annotations

import math
import re
import sys
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Any, Literal

from rich.console import Console
from rich.table import Table
from rich.text import Text

from quietsleep import contract
from quietsleep.night.lines import open_console, print_line

if TYPE_CHECKING:
    from pathlib import Path

    import duckdb
    import pandas as pd

    from quietsleep.night.dry_run import DryRun
    from quietsleep.night.preview import Preview
    from quietsleep.night.rejudge import Rejudged
    from quietsleep.night.status import StudyStatus
    from quietsleep.night.withdrawal import WithdrawnReport
    from quietsleep.warehouse.compare import Comparison
    from quietsleep.warehouse.database import QueryRows

WIDEST = 2000
# Types of the database of which a column stands to the right.
NUMBERS = re.compile(r"\w*INT|INTEGER|UINTEGER|DOUBLE|FLOAT|DECIMAL\(.*\)")
MOST_CHANGES = 25


def print_preview(seen: Preview) -> None:
    """Print what a delivery changes, and its problems, each with where and what to do."""
    console, problems = open_console(), seen.problems
    for sentence in seen.changes:
        print_line(console, sentence)
    if not problems:
        print_line(console, "No problem found. This delivery is ready to be sent.")
        return
    if seen.is_ready:
        print_line(console, "This delivery is ready to be sent. To know:")
    else:
        print_line(console, f"{len(problems)} problem{'s' * (len(problems) != 1)} found.")
    for problem in problems:
        place = [problem.where]
        if problem.row is not None:
            place.append(f"row {problem.row}")
        if problem.column:
            place.append(f"column {problem.column}")
        console.print()
        print_line(console, ", ".join(place), style="bold")
        print_line(console, problem.sentence, indent=2)
        print_line(console, f"Expected: {problem.expected}", indent=2)
        print_line(console, f"To do:    {problem.remedy}", indent=2)


def print_queries(rows: pd.DataFrame, *, total: pd.DataFrame) -> None:
    """Print data queries, each with what is wrong and what to do, and how many of `total` stand."""
    console = open_console()
    for row in rows.astype("object").where(rows.notna(), None).to_dict("records"):
        head = f"{row['query']}  {row['state']}  {row['centre'] or 'all centres'}  "
        kind = contract.QUERIES.kinds[row["kind"]].one
        print_line(console, f"{head}{kind}, since {row['opened_in']}", style="bold")
        told = [row["sentence"]]
        if row["state"] == "closed":
            told.append(f"Closed in {row['closed_in']}: {row['closed_why']}.".replace("..", "."))
        else:
            told.append(f"To do: {row['remedy']}")
        if row["answer"] is not None:
            told.append(f"{row['answered_by']}, {row['answered_at']:%Y-%m-%d}: {row['answer']}")
        for line in told:
            print_line(console, str(line), indent=4)
    n = {state: int((total["state"] == state).sum()) for state in ("open", "answered", "closed")}
    console.print(f"{n['open']} open, {n['answered']} answered, {n['closed']} closed.")


def print_withdrawn(report: WithdrawnReport, study: Path) -> None:
    """Print what was taken out, where it still lies, and what is to be done there."""
    from quietsleep.contract.wording import count

    console = open_console()
    sessions, recordings = len(report.sessions), report.n_recordings
    print_line(
        console,
        f"Written down. {count(sessions, 'session')} with {count(recordings, 'recording')} "
        f"{'is' if sessions == 1 else 'are'} out of the state.",
    )
    print_line(
        console, f"Out of warehouse, kept nights and pages with the next night: nightly {study}"
    )
    if report.files:
        done = "Erased from" if report.erased else "Raw files, removed with --erase-deliveries"
        print_line(console, f"{done}:")
        for line in report.files:
            print_line(console, line, indent=2)
    for place in report.by_hand:
        print_line(console, f"To be erased by hand, in the store: {place}")
    for label in report.releases:
        print_line(
            console,
            f"Release {label} holds it and stays as it is. After the next night make another: "
            f"quietsleep release {study} {label}-2 --supersedes {label} --why '...', and send its "
            f"erratum to all who have {label}.",
        )
    for waiver in report.waivers:
        print_line(console, f"Waiver {waiver} is of it: take it out of waivers.toml.")


def print_why(warehouse: duckdb.DuckDBPyConnection, session: str) -> bool:
    """Print every failed rule and problem of a session in words; False when it is unknown."""
    found = _rows(warehouse, "SELECT centre, status FROM sessions WHERE session = ?", session)
    console = open_console()
    for centre, status in found:
        print_line(console, f"Session {session} of {centre}. It is {status}.", style="bold")
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
            print_line(console, f"{title}: {test_status}, {counts}", style="bold")
            if not _print_failures(console, warehouse, centre, session, technique=technique):
                quiet = why if test_status != "accepted" else "Every rule that applies was met."
                print_line(console, str(quiet), indent=2)
    return bool(found)


def print_judged(night: Path) -> None:
    """Print how many tests of a night aside are accepted, and of each session with another why."""
    from quietsleep.warehouse.database import open_night

    with open_night(night) as warehouse:
        _print_judged(warehouse)


def _print_judged(warehouse: duckdb.DuckDBPyConnection) -> None:
    console = open_console()
    tests = _rows(warehouse, "SELECT status, count(*) FROM tests GROUP BY status ORDER BY status")
    if not tests:
        return
    counts = ", ".join(f"{n} {str(status).replace('_', ' ')}" for status, n in tests)
    console.print()
    print_line(console, f"Judged by what is in this delivery alone: {counts}.", style="bold")
    sql = (
        "SELECT DISTINCT session FROM tests WHERE status IN ('rejected', 'not_judgeable') "
        "OR flagged ORDER BY session"
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
        print_line(console, f"{where}: {sentence}", indent=2)
        print_line(console, f"To do: {remedy}", indent=4)


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
        "SELECT rule, any_value(severity), remedy, "
        "list((item_kind, item, sentence) ORDER BY item) FROM rejections "
        "WHERE centre = ? AND session = ? AND technique = ? GROUP BY rule, remedy "
        "ORDER BY any_value(severity) = 'reject' DESC, any_value(item_kind) = 'trial' DESC, rule"
    )
    rows = _rows(warehouse, sql, centre, session, technique)
    for _, severity, remedy, said in rows:
        print_line(console, f"{str(severity).capitalize()}:", indent=2)
        for kind, item, sentence in said:
            place = f"{item}: " if kind == "trial" else ""
            print_line(console, f"{place}{sentence}", indent=4)
        print_line(console, f"To do: {remedy}", indent=4)
    return bool(rows)


def _rows(
    warehouse: duckdb.DuckDBPyConnection, sql: str, *parameters: str
) -> list[tuple[Any, ...]]:
    return warehouse.execute(sql, list(parameters)).fetchall()


def print_rows(answer: QueryRows) -> None:
    """Print the rows of a query as a table."""
    rows, table = answer.rows, Table(box=None, pad_edge=False)
    for name, kind in answer.columns:
        justify: Literal["right", "left"] = "right" if NUMBERS.fullmatch(kind) else "left"
        table.add_column(name, justify=justify, overflow="fold")
    for values in rows:
        table.add_row(*(Text(text) for text in _cells(values)))
    # Piped into a file or another program, a table keeps all of its columns whole.
    console = Console() if sys.stdout.isatty() else Console(width=WIDEST)
    whole = console.measure(table, options=console.options.update(width=WIDEST))
    if console.is_terminal and whole.maximum > console.width:
        _print_by_name(console, answer)
    else:
        console.print(table)
    console.print(Text(f"{len(rows)} row{'s' * (len(rows) != 1)}"))


def _print_by_name(console: Console, answer: QueryRows) -> None:
    """Print a row below the other, a line a column: the columns do not fit beside each other."""
    for number, values in enumerate(answer.rows, start=1):
        console.print(Text(f"row {number}", style="bold"))
        table = Table(box=None, pad_edge=False, show_header=False)
        table.add_column(no_wrap=True)
        table.add_column(overflow="fold")
        for (name, _), text in zip(answer.columns, _cells(values), strict=True):
            table.add_row(Text(name), Text(text))
        console.print(table)


def _cells(values: Iterable[object]) -> list[str]:
    return [_cell(value) for value in values]


def _cell(value: object) -> str:
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    return f"{value:.6g}" if isinstance(value, float) else str(value)


def print_waiting(rows: pd.DataFrame, *, limit: int, blind: bool) -> None:
    """Print the trials that wait; a blind list hides the verdict and why a trial waits."""
    from quietsleep.contract.wording import count

    console = open_console()
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
    from quietsleep.night.closing import STATE_WORDS

    console = open_console()
    report = rejudged.report
    if report.idle:
        console.print("No rule, waiver or decision has changed since the last night.")
    elif report.published:
        _print_changes(console, rejudged.changes)
    console.print(Text(f"State {STATE_WORDS[report.state]}"))
    for sentence in (*report.sentences, *rejudged.notes):
        print_line(console, f"- {sentence}", indent=2)
    published = f"Published as {report.night}. " if report.published else ""
    console.print(f"{published}No signal was read; {report.seconds:.1f} s.")
    if report.published:
        console.print("The next night brings the pages up to date.")


def _print_changes(console: Console, changes: pd.DataFrame) -> None:
    from quietsleep.contract.wording import count
    from quietsleep.night.rejudge import item_changes, rule_changes

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


def print_dry_run(dry: DryRun) -> None:
    """Print what a night would change: session by session, in counts, and what it would ask."""
    from quietsleep.night.closing import STATE_WORDS

    console, report = open_console(), dry.report
    against = f"the published night {dry.against}" if dry.against else "nothing: none is published"
    console.print(Text("A dry run: nothing of the study is changed, nobody is told."))
    console.print(Text(f"Held against {against}.\n"))
    if report.idle or not (dry.counts or dry.new_queries or dry.settled_queries):
        console.print(Text("No number, verdict or query would change." if dry.against else ""))
    for change in dry.sessions[:MOST_CHANGES]:
        why = f" ({', '.join(change.causes)})" if change.causes else ""
        print_line(
            console, f"- {change.centre} {change.session}: {change.sentence}.{why}", indent=2
        )
    if len(dry.sessions) > MOST_CHANGES:
        console.print(
            f"  ... and {len(dry.sessions) - MOST_CHANGES} sessions more; --json has all."
        )
    if dry.counts:
        table = Table("table", "why", "added", "removed", "values", box=None, pad_edge=False)
        for n in dry.counts:
            cells = (n.table, n.cause, str(n.added), str(n.removed), str(n.values))
            table.add_row(*map(Text, cells))
        console.print()
        console.print(table)
    for heading, rows in (
        ("Queries that would be new", dry.new_queries),
        ("Queries that would be settled", dry.settled_queries),
    ):
        if rows:
            console.print(Text(f"\n{heading}: {len(rows)}"))
        for row in rows[:MOST_CHANGES]:
            said = f"- {row['centre'] or 'all centres'}: {row['sentence']}"
            print_line(console, said, indent=2)
    console.print(Text(f"\nThe night would end {STATE_WORDS[report.state]}"))
    for sentence in report.sentences:
        print_line(console, f"- {sentence}", indent=2)
    console.print(f"{report.seconds:.1f} s.")


def print_status(status: StudyStatus) -> None:
    """Print when nights ran and are due, and how old the newest delivery of each centre is."""
    console = open_console()
    for line in _status_lines(status):
        print_line(console, line)
    if status.centres:
        console.print(Text("Newest delivery:"))
    for each in status.centres:
        at, age = each.newest_delivery_at, each.age_days
        days = "1 day" if age == 1 else f"{age} days"
        said = "none yet" if at is None else f"{at:%Y-%m-%d}, {days} ago"
        console.print(Text(f"  {each.centre}: {said}"))


def _status_lines(status: StudyStatus) -> Iterator[str]:
    yield f"Study {status.study}"
    if status.looked_at is None:
        yield "No night has looked yet."
    else:
        found = "nothing had changed" if status.looked_idle else "it had work to do"
        came = f"; {found}; state {status.looked_state}" if status.looked_state else ""
        yield f"Last looked: {status.looked_at:%Y-%m-%d %H:%M} UTC, {status.looked_night}{came}"
    if status.at_work_since is not None:
        yield f"A night is at work since {status.at_work_since:%Y-%m-%d %H:%M} UTC."
    yield _due_line(status)
    if status.missed:
        n = "1 night was" if status.missed == 1 else f"{status.missed} nights were"
        yield f"Missed: {n} due since then, and nobody looked."
    if status.published_night is not None:
        yield (
            f"Published: {status.published_night}, {status.published_at:%Y-%m-%d %H:%M} UTC; "
            f"queries: {status.queries_open} open, {status.queries_answered} answered"
        )
    if status.digests_waiting or status.digests_given_up:
        yield f"Digests: {status.digests_waiting} wait, {status.digests_given_up} given up"


def _due_line(status: StudyStatus) -> str:
    if status.next_due is None:
        return (
            'Next due: not known. Say it in study.toml: [nightly] every = "0 2 * * *"; without it '
            "no missed night can be seen."
        )
    by = {
        "running": "kept by a process that is running",
        "stopped": "but the process that kept it is gone",
        "study.toml": "by study.toml",
    }[status.schedule_by]
    return f"Next due: {status.next_due:%Y-%m-%d %H:%M} UTC ('{status.schedule}', {by})"


def print_comparison(
    found: Comparison, *, before: str, after: str, n_cells: int, note: str
) -> None:
    """Print what differs between two nights or releases: sessions in words, then cells."""
    console = open_console()
    console.print(Text(f"From {before} to {after}."))
    for said in (*found.notes, *([note] if note else [])):
        print_line(console, f"- {said}", indent=2)
    if found.cells.empty:
        console.print(Text("\nNo cell differs."))
        return
    console.print(Text(f"\nSessions of which something differs: {len(found.sessions)}"))
    for row in found.sessions.to_dict("records"):
        print_line(console, f"- {row['centre']}: {row['sentence']}", indent=2)
    console.print(Text(f"\nCells that differ: {len(found.cells)}"))
    table = Table("table", "row", "column", "before", "after", "why", box=None, pad_edge=False)
    for cell in found.cells.head(n_cells).to_dict("records"):
        names = ("table_name", "key", "column_name", "before", "after", "cause")
        table.add_row(*(_shown(cell[name]) for name in names))
    console.print(table)
    if len(found.cells) > n_cells:
        console.print(Text(f"... and {len(found.cells) - n_cells} more; --out writes all."))
