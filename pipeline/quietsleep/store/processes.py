"""Processes that a night starts: they end with it, however it ends.

A pool's process waits for work that a killed parent never sends, holds the files and pipes that it
was given, and may go on writing where the next night begins.
"""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import parent_process, resource_tracker
from multiprocessing.connection import wait
from multiprocessing.context import SpawnContext, SpawnProcess
from multiprocessing.process import BaseProcess
from pathlib import Path
from time import monotonic

TAKEN_AWAY = "ignore::UserWarning:multiprocessing.resource_tracker"
PROCESSES = Path("/proc")
# Idle processes end within milliseconds; one that does not is stuck.
SECONDS_TO_END = 10.0
INTERRUPTS = (signal.SIGINT, signal.SIGTERM)
INTERRUPTED = (
    b"Interrupted. What was published stands; the next night goes on from what was measured.\n"
)


def new_processes(n: int) -> ProcessPoolExecutor:
    """Return `n` processes that begin with a clean memory and end with this one.

    Spawned, not forked: a night runs threads and holds an open database.
    """
    _begin_tracker()
    return ProcessPoolExecutor(n, mp_context=_Context(), initializer=_end_with_parent)


class _Process(SpawnProcess):
    """A process that Ctrl-C does not reach, from its first moment on.

    Ctrl-C goes to all processes of a terminal; the parent alone decides, and says, what ends.
    """

    def start(self) -> None:
        """Start it with the signal held back, as a new process begins with what holds here."""
        before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
        try:
            super().start()
        finally:
            signal.pthread_sigmask(signal.SIG_SETMASK, before)


class _Context(SpawnContext):
    Process = _Process


def _begin_tracker() -> None:
    """Start what takes away the locks of a killed night, and let it do so without a warning."""
    sys.warnoptions.append(TAKEN_AWAY)
    try:
        resource_tracker.ensure_running()
    finally:
        sys.warnoptions.remove(TAKEN_AWAY)


def _end_with_parent() -> None:
    """Watch the parent from a process of the pool: a killed night leaves nothing running."""
    parent = parent_process()
    if parent is not None:
        threading.Thread(target=_end_after, args=(parent,), daemon=True).start()


def _end_after(parent: BaseProcess) -> None:
    parent.join()
    os._exit(1)


def end_processes(pool: ProcessPoolExecutor) -> None:
    """End a pool that has nothing to do: a process that does not go by itself is killed.

    Without an end, waiting for one that is stuck would hold a night that is over for good.
    """
    processes = list((pool._processes or {}).values())
    pool.shutdown(wait=False, cancel_futures=True)
    end = monotonic() + SECONDS_TO_END
    waiting = {process.sentinel: process for process in processes}
    while waiting and (left := end - monotonic()) > 0:
        for gone in wait(list(waiting), timeout=left):
            del waiting[gone]  # type: ignore[arg-type]
    for process in waiting.values():
        process.kill()
    pool.shutdown(wait=True)


def kill_processes(pool: ProcessPoolExecutor) -> None:
    """End a pool whose process died, hangs or is not wanted any more, without waiting for it."""
    for process in list((pool._processes or {}).values()):
        process.kill()
    pool.shutdown(wait=False, cancel_futures=True)


def end_with_input() -> None:
    """End this process at once when its standard input ends.

    Whoever started it holds the other side of that pipe, and lets go of it by ending, even by a
    signal that nobody can catch.
    """
    threading.Thread(target=_end_after_input, daemon=True).start()


def _end_after_input() -> None:
    while os.read(sys.__stdin__.fileno() if sys.__stdin__ else 0, 4096):
        pass
    os._exit(1)


@contextmanager
def ended_at_once() -> Iterator[None]:
    """End this process at once on Ctrl-C or SIGTERM in a block, whatever it is waiting for.

    A night may be killed at any moment, and all that it started ends with it. To wait for the
    measures on their way, in threads and processes, took minutes and gained nothing. The signal is
    read by a thread of its own: the main thread may be deep in the database.
    """
    reader, writer = os.pipe()
    os.set_blocking(writer, False)
    heard = [number for number in INTERRUPTS if signal.getsignal(number) != signal.SIG_IGN]
    before = {number: signal.signal(number, _leave_to_thread) for number in heard}
    fd_before = signal.set_wakeup_fd(writer, warn_on_full_buffer=False)
    threading.Thread(target=_end_on_signal, args=(reader, heard), daemon=True).start()
    try:
        yield
    finally:
        signal.set_wakeup_fd(fd_before)
        for number, handler in before.items():
            signal.signal(number, handler)
        os.close(writer)


def _leave_to_thread(number: int, frame: object) -> None:
    """Do nothing: the number of the signal has been written into the pipe by then."""


def _end_on_signal(reader: int, heard: list[signal.Signals]) -> None:
    while number := os.read(reader, 1):
        if number[0] in heard:
            os.write(sys.__stderr__.fileno() if sys.__stderr__ else 2, INTERRUPTED)
            os._exit(128 + number[0])
    os.close(reader)


def own_name() -> str:
    """Return a name of this process that no later process has: its number and when it began."""
    return _name(os.getpid()) or str(os.getpid())


def is_alive(owner: str) -> bool:
    """Say whether the process of a name that `own_name` gave is alive."""
    number = owner.partition("-")[0]
    return number.isdigit() and _name(int(number)) == owner


def _name(process: int) -> str | None:
    """Return number and start of a living process; None for one that is gone."""
    try:
        said = (PROCESSES / str(process) / "stat").read_text(encoding="utf-8", errors="replace")
    except OSError:
        return None
    # The name of the program may hold anything; what follows its last bracket is fixed.
    fields = said.rpartition(")")[2].split()
    return None if fields[0] == "Z" else f"{process}-{fields[19]}"
