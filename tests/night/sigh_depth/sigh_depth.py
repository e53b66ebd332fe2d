"""A toy: how deep the deepest breath of a recording is. It stands for the next technique."""

from __future__ import annotations

from collections.abc import Sequence

from quietsleep.contract import TECHNIQUES
from quietsleep.records import Mark, MeasuredTrial, Measures, Recording, Trial

SPEC = TECHNIQUES["sigh_depth"]


def find_trials(recording: Recording) -> list[Trial]:
    """The whole recording, where it holds enough breaths."""
    enough = recording.breaths.start.size >= SPEC.settings["least_breaths"]
    return [Trial(1, 0, recording.flow_ml_s.size)] if enough else []


def measure_trial(recording: Recording, trial: Trial) -> Measures:
    """Greatest rise of volume from the start to the turn of a breath, over weight."""
    breaths, volume_ml = recording.breaths, recording.volume_ml
    depth_ml = (volume_ml[breaths.turn] - volume_ml[breaths.start]).max()
    return Measures({"sigh_ml_kg": float(depth_ml) / recording.context["weight_kg"]})


def measure_test(trials: Sequence[MeasuredTrial]) -> Measures:
    """Count what was accepted."""
    return Measures({"n_accepted": float(len(trials))})


def mark_trial(recording: Recording, trial: Trial) -> list[Mark]:
    """No point is marked."""
    return []
