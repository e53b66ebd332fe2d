"""Keep the night on a schedule: wait for the time, run the night in a process of its own.

No server stands open between nights, and nothing takes parameters: what is run is the night of this
study. For many studies, or to survive a restart of the machine, a system timer that calls
`quietsleep nightly STUDY` does the same with less.
"""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path

from quietsleep.errors import QuietsleepError
from quietsleep.night.looks import schedule_kept
from quietsleep.study.telling import cron_of, due_after

# The clock is looked at this often: it may be set, and a machine may have slept.
SECONDS_A_LOOK = 30.0
SECONDS_TO_END = 10.0
# The command line, in a process that ends with the one that keeps the schedule.
PROGRAM = (
    "from quietsleep.store.processes import end_with_input; end_with_input(); "
    "from quietsleep.cli.main import app; app(prog_name='quietsleep')"
)


class ScheduleError(QuietsleepError):
    """The schedule cannot be kept; the message says why and what to use instead."""


def keep_scheduled(study: Path, *, cron: str, workers: int | None, full: bool = False) -> None:
    """Run the night of a study at every time of a cron schedule, until interrupted.

    Raises ScheduleError for a schedule that cannot be read.
    """
    check_cron(cron)
    words = ["nightly", str(study)]
    words += ["--workers", str(workers)] if workers is not None else []
    words += ["--full"] if full else []
    work = study / "work"
    work.mkdir(parents=True, exist_ok=True)
    print(f"Nights of {study.name} run at '{cron}'. Stop with Ctrl-C.", flush=True)
    with suppress(KeyboardInterrupt), _term_as_interrupt(), schedule_kept(work, cron):
        for _ in _due(cron):
            _run_night(words)


def check_cron(cron: str) -> None:
    """Raise ScheduleError unless the text is a five-field cron schedule."""
    try:
        cron_of(cron)
    except ValueError as error:
        raise ScheduleError(f"The schedule {error}") from None


def _due(cron: str) -> Iterator[None]:
    """Wait for one time of the schedule after the other; several that have passed are one."""
    looked = datetime.now().astimezone()
    while True:
        left = (due_after(cron, looked) - looked).total_seconds()
        time.sleep(min(left, SECONDS_A_LOOK))
        now = datetime.now().astimezone()
        is_due = due_after(cron, looked) <= now
        looked = now
        if is_due:
            yield


def _run_night(words: list[str]) -> None:
    """Run one night and wait for its end; it prints for itself what it came to."""
    night = subprocess.Popen([sys.executable, "-P", "-c", PROGRAM, *words], stdin=subprocess.PIPE)
    try:
        ended_by = -night.wait()
    finally:
        # What an interrupted wait leaves behind ends by its standard input.
        _end(night)
    if ended_by > 0:
        print(
            f"The night was ended by {signal.Signals(ended_by).name}. What was published stands; "
            "the next one goes on from what was measured.",
            file=sys.stderr,
            flush=True,
        )


def _end(night: subprocess.Popen[bytes]) -> None:
    assert night.stdin is not None
    night.stdin.close()
    try:
        night.wait(timeout=SECONDS_TO_END)
    except subprocess.TimeoutExpired:
        night.kill()
        night.wait()


@contextmanager
def _term_as_interrupt() -> Iterator[None]:
    """End by SIGTERM as by Ctrl-C: the first process of a container would else not hear it."""
    before = signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)
