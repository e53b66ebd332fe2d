"""Measure recordings with known truth, and say what has moved away from it.

Every night does so before it publishes: a changed library, a damaged installation or a slip in a
formula is found before a number of it is read. The recordings are simulated and lie beside this
file, with the truth in answers.toml and the tolerances, each with its reason, in tolerances.toml.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Any

from quietsleep.data import data_folder
from quietsleep.measure.plan import job_of_file
from quietsleep.measure.recording import measure_job
from quietsleep.records import Measured
from quietsleep.study.study import load_study

FOLDER = data_folder("demo_centres") / "known_answers"


@dataclass(frozen=True, slots=True)
class KnownAnswer:
    """One quantity with its truth, how far it may lie from it, and what was measured tonight."""

    technique: str
    quantity: str
    truth: float
    within: float
    measured: float

    @property
    def stands(self) -> bool:
        """Whether the truth was found; a number that is missing does not stand."""
        return abs(self.measured - self.truth) <= self.within

    @property
    def sentence(self) -> str:
        """What a person reads of an answer that has moved."""
        return (
            f"Known answer of {self.technique}: {self.quantity} is {self.truth:.5g} and was "
            f"measured as {self.measured:.5g}; {self.within:.2g} is allowed. Nothing is published."
        )


def known_answers() -> list[KnownAnswer]:
    """Measure all recordings with known truth, in a fraction of a second."""
    study = load_study(FOLDER)
    tolerances = _entries("tolerances")
    answers: list[KnownAnswer] = []
    for entry in _entries("answers"):
        job = job_of_file(
            FOLDER / entry["file"],
            technique=entry["technique"],
            device=study.devices[entry["device"]],
            context=entry["context"],
            file_sha256=entry["sha256"],
        )
        measured = measure_job(job)
        for tolerance in tolerances:
            if tolerance["technique"] == entry["technique"]:
                answers += _compared(entry, tolerance, measured)
    return answers


def moved(answers: Sequence[KnownAnswer]) -> list[str]:
    """Return a sentence for each answer that lies beyond its tolerance; none at all is one too."""
    if not answers:
        return ["No recording with known truth was found in the installation; install it anew."]
    return [answer.sentence for answer in answers if not answer.stands]


def _entries(name: str) -> list[dict[str, Any]]:
    """Read the one list of a TOML file."""
    content = tomllib.loads((FOLDER / f"{name}.toml").read_text(encoding="utf-8"))
    (entries,) = content.values()
    return list(entries)


def _compared(
    entry: dict[str, Any], tolerance: dict[str, Any], measured: Measured
) -> Iterator[KnownAnswer]:
    for quantity in tolerance["quantities"]:
        truth = entry["truth"][quantity]
        within = tolerance.get("within", abs(truth) * tolerance.get("within_pct", 0.0) / 100.0)
        yield KnownAnswer(entry["technique"], quantity, truth, within, _value(measured, quantity))


def _value(measured: Measured, quantity: str) -> float:
    """Return the quantity of a check, else the median over the trials; NaN when there is none."""
    if quantity in measured.test_values:
        return measured.test_values[quantity]
    values = [trial.values[quantity] for trial in measured.trials if quantity in trial.values]
    return median(values) if values else float("nan")
