"""Commands that ask the published warehouse: why, query."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from quietsleep.cli.app import StudyOption, app, open_study, stop

if TYPE_CHECKING:
    import duckdb

    from quietsleep.study.study import Study


def open_warehouse(study: Study) -> duckdb.DuckDBPyConnection:
    """Open the published warehouse of a study, or stop with a sentence."""
    from quietsleep.errors import WarehouseError
    from quietsleep.warehouse.database import open_current

    try:
        return open_current(study.path)
    except WarehouseError as error:
        raise stop(f"{error} Run: quietsleep nightly {study.path.name}") from error


@app.command(epilog="Example: quietsleep why larch-003")
def why(
    session: Annotated[str, typer.Argument(help="Session code, as on the pages.")],
    study: StudyOption = None,
) -> None:
    """Say in words why tests of a session were rejected or flagged, and what to do next time."""
    from quietsleep.cli.terminal import print_why

    with open_warehouse(open_study(study)) as warehouse:
        if not print_why(warehouse, session):
            raise stop(f"No session {session} in the warehouse. Sessions are named on the pages.")


@app.command(epilog='Example: quietsleep query "SELECT * FROM clean_outcomes LIMIT 5"')
def query(
    sql: Annotated[str, typer.Argument(help="One SQL query; the warehouse is opened read-only.")],
    study: StudyOption = None,
    csv: Annotated[bool, typer.Option("--csv", help="Print as csv.")] = False,
) -> None:
    """Ask the published warehouse in SQL; nothing can be written."""
    from quietsleep.cli.terminal import print_rows
    from quietsleep.warehouse.database import QueryError, run_query

    with open_warehouse(open_study(study)) as warehouse:
        try:
            print_rows(run_query(warehouse, sql), as_csv=csv)
        except QueryError as error:
            raise stop(str(error)) from error
