"""What a run says beside its dots: each failure at once, and the tests that nobody looked at."""

from __future__ import annotations

from collections import Counter

import pytest

# Characters of a trace that are written at once; the whole one stands at the end of the run.
LONGEST_TRACE = 4000


class Failures:
    """Writes each failure when it comes: a run that is cut off has then said what failed."""

    def __init__(self, config: pytest.Config) -> None:
        self.config = config

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Write the name and the trace of a test that failed."""
        terminal = self.config.pluginmanager.get_plugin("terminalreporter")
        if report.failed and terminal is not None:
            terminal.write_line(f"\nFAILED {report.nodeid} ({report.when})", red=True)
            terminal.write_line(report.longreprtext[-LONGEST_TRACE:])


def pytest_configure(config: pytest.Config) -> None:
    """Say failures at once."""
    config.pluginmanager.register(Failures(config), "failures said at once")


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
