"""The command line: parses words, calls one stage, prints.

Stages are imported by the command that needs them, so that help answers at once.
"""

from __future__ import annotations

from quietsleep.cli import ask, doctor, fetch, nights, pages, release, review
from quietsleep.cli.app import app

__all__ = ["app", "ask", "doctor", "fetch", "nights", "pages", "release", "review"]

# The order in which people meet them.
ORDER = (
    "demo", "nightly", "check", "why", "look", "query", "rejudge", "review", "decide", "pages",
    "access", "release", "verify", "export", "fetch", "doctor",
)  # fmt: skip
app.registered_commands.sort(
    key=lambda command: ORDER.index(getattr(command.callback, "__name__", ""))
)
