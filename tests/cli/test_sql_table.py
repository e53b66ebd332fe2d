"""How the answer of a query stands on a terminal: values as the database holds them."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from quietsleep.cli.terminal import print_rows
from quietsleep.warehouse.database import QueryRows


def test_numbers_stand_to_the_right_and_all_else_to_the_left(
    capsys: pytest.CaptureFixture[str],
) -> None:
    columns = (("whole", "HUGEINT"), ("part", "DECIMAL(18,3)"), ("wait", "INTERVAL"),
               ("day", "DATE"), ("list", "INTEGER[]"))  # fmt: skip
    rows = [
        (123456789, 1.5, timedelta(days=2), date(2026, 3, 1), [1]),
        (None, None, None, None, None),
    ]
    print_rows(QueryRows(columns, [*rows, (1, float("nan"), timedelta(0), None, [2, 3])]))
    lines = [line.rstrip() for line in capsys.readouterr().out.splitlines()]
    assert lines == [
        "    whole  part  wait             day         list",
        "123456789   1.5  2 days, 0:00:00  2026-03-01  [1]",
        "",
        "        1        0:00:00                      [2, 3]",
        "3 rows",
    ]
