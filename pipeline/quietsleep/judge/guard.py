"""A mistake of ours in one score or statistic: named, kept with its traceback, the others go on.

Bad data never comes here: what cannot be computed of them is missing with a reason.
"""

from __future__ import annotations

import traceback
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass, field

import numpy as np

from quietsleep.errors import in_words

# Runs a piece of work under its name, and lets the others go on where it fails.
Guard = Callable[[str], AbstractContextManager[None]]


def unguarded(_: str) -> AbstractContextManager[None]:
    """Let a failure through: who asks for one statistic alone is to see what is wrong with it."""
    return nullcontext()


@contextmanager
def apart(guard: Guard, statistic: str, of: object = "", at: object = "") -> Iterator[None]:
    """Compute one statistic of one outcome at one centre; what fails is named by these three.

    Numbers that run out of what a number can be raise no warning: they are looked at afterwards.
    """
    word = f"{statistic} of {of}" if of else statistic
    with guard(f"{word} at {at}" if at else word), np.errstate(all="ignore"):
        yield


@dataclass(frozen=True, slots=True)
class Caught:
    """What failed in another process, sentence by sentence, each with its traceback."""

    failures: dict[str, str] = field(default_factory=dict)

    @contextmanager
    def guarded(self, word: str) -> Iterator[None]:
        """Keep a failure with its traceback."""
        try:
            yield
        except Exception as error:
            self.failures[f"{word} failed: {in_words(error)}"] = traceback.format_exc()

    def add(self, failures: Mapping[str, str]) -> None:
        """Take over what was caught elsewhere."""
        self.failures.update(failures)
