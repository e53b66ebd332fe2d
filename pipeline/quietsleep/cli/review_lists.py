"""What the command line prints of reviews: who waits, and what judging again changed."""

from __future__ import annotations

from typing import Any

import pandas as pd
from rich.console import Console
from rich.table import Table
from rich.text import Text

from quietsleep.cli.terminal import STATE_WORDS
from quietsleep.night.rejudge import Rejudged, item_changes, rule_changes
from quietsleep.night.verdict import count

MOST_CHANGES = 25


def print_waiting(rows: pd.DataFrame, broken: str, *, limit: int, blind: bool) -> None:
    """Print the trials that wait; a blind list hides the verdict and why a trial waits."""
    console = Console(highlight=False)
    if broken:
        console.print(Text(broken, style="bold"))
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
    if pd.isna(value):
        return Text("-")
    text = str(value)
    try:
        return Text(f"{float(text):.5g}")
    except ValueError:
        return Text(text.replace("_", " ") if " " not in text and "." not in text else text)
