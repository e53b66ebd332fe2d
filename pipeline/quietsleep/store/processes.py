"""Processes that a night starts: they end with it, however it ends.

A pool's process waits for work that a killed parent never sends, holds the files and pipes that it
was given, and may go on writing where the next night begins.
"""

from __future__ import annotations

import os
import threading
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context, parent_process
from multiprocessing.process import BaseProcess


def new_processes(n: int) -> ProcessPoolExecutor:
    """Return `n` processes that begin with a clean memory and end with this one.

    Spawned, not forked: a night runs threads and holds an open database.
    """
    return ProcessPoolExecutor(n, mp_context=get_context("spawn"), initializer=_end_with_parent)


def _end_with_parent() -> None:
    """Watch the parent from a process of the pool: a killed night leaves nothing running."""
    parent = parent_process()
    if parent is not None:
        threading.Thread(target=_end_after, args=(parent,), daemon=True).start()


def _end_after(parent: BaseProcess) -> None:
    parent.join()
    os._exit(1)
