"""Tests that were left out are said at the end of a run: which evidence nobody looked at."""

from __future__ import annotations

from collections import Counter

import pytest


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Write one loud line for each reason for which tests were skipped."""
    skipped = terminalreporter.stats.get("skipped", [])
    for reason, n in Counter(_reason(report) for report in skipped).items():
        tests = "1 test was" if n == 1 else f"{n} tests were"
        terminalreporter.write_line(
            f"NOT LOOKED AT: {reason} ({tests} left out).", red=True, bold=True
        )


def _reason(report: pytest.TestReport | pytest.CollectReport) -> str:
    text = report.longrepr[2] if isinstance(report.longrepr, tuple) else str(report.longrepr)
    return text.removeprefix("Skipped: ")
