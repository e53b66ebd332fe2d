"""The interface that every technique and every equipment check keeps: the same five names.

A technique is a module. It imports from `signals` and `contract`, never from another technique,
and holds no limit: limits live in the contracts.
"""

from __future__ import annotations

from collections.abc import Sequence
from importlib import import_module
from typing import Protocol, cast

from quietsleep.contract import CHECKS, TECHNIQUES, Spec
from quietsleep.records import Mark, MeasuredTrial, Measures, Recording, Trial


class Technique(Protocol):
    """What a technique module offers."""

    SPEC: Spec

    def find_trials(self, recording: Recording) -> list[Trial]:
        """Find the manoeuvres of a recording in order of time; none found is a normal answer."""

    def measure_trial(self, recording: Recording, trial: Trial) -> Measures:
        """Measure every trial quantity of the contract; NaN with a reason where impossible."""

    def measure_test(self, trials: Sequence[MeasuredTrial]) -> Measures:
        """Measure what needs several trials: counts, spread, closeness, gain between steps."""

    def mark_trial(self, recording: Recording, trial: Trial) -> list[Mark]:
        """Label points and lines for the picture of a trial; computes no new number."""


def technique_of(key: str) -> Technique:
    """Return the module of one technique or check by its key in the contracts."""
    if key in TECHNIQUES:
        return cast(Technique, import_module(f"quietsleep.techniques.{key}"))
    if key in CHECKS:
        return cast(Technique, import_module(f"quietsleep.techniques.checks.{key}"))
    raise KeyError(f"no technique or check is called {key!r}")
