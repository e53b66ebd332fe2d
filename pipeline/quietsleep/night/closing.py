"""What a night prints when it ends: where everything went, its state, and what needs a person.

A single night and each night of a schedule say the same.
"""

from __future__ import annotations

from rich.console import Console
from rich.table import Table
from rich.text import Text

from quietsleep.night.lines import open_console, print_line
from quietsleep.night.night import NightReport

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
# So many counts fit a terminal of 80 columns with two blanks between them.
FIT_WIDELY = 7
SELDOM = ("no_trial", "crashed", "superseded", "withdrawn", "not_judgeable")
STATE_WORDS = {
    "green": "green: nothing is open",
    "amber": "amber: published, and something needs a person",
    "red": "red: something of ours failed",
}


def print_closing(report: NightReport) -> None:
    """Print the conservation table of a night, its state and what needs action."""
    console = open_console()
    if report.idle:
        console.print(f"Night {report.night}: nothing has changed, nothing to do.")
    elif len(report.conservation):
        _print_conservation(console, report)
    console.print(Text(f"State {STATE_WORDS[report.state]}"))
    for sentence in report.sentences:
        print_line(console, f"- {sentence}", indent=2)
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
