"""The command line: parses words, calls one stage, prints.

Stages are imported by the command that needs them, so that help answers at once.
"""

from __future__ import annotations

from pipeline import (
    cli_ask,
    cli_doctor,
    cli_fetch,
    cli_nights,
    cli_pages,
    cli_release,
    cli_review,
)
from pipeline.cli_app import app

__all__ = [
    "app",
    "cli_ask",
    "cli_doctor",
    "cli_fetch",
    "cli_nights",
    "cli_pages",
    "cli_release",
    "cli_review",
]

# The order in which people meet them.
ORDER = (
    "demo", "nightly", "check", "why", "look", "query", "rejudge", "review", "decide", "pages",
    "access", "release", "verify", "export", "fetch", "doctor",
)  # fmt: skip
app.registered_commands.sort(
    key=lambda command: ORDER.index(getattr(command.callback, "__name__", ""))
)
