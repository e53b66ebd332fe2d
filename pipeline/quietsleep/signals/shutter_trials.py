"""One closing of the shutter as a trial: from the inspiration before to the expiration after."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from quietsleep.records import Recording, Trial
from quietsleep.signals.end_expiratory_level import RestingLevel, level_after, level_before
from quietsleep.signals.occlusions import (
    breath_start,
    expiration_end,
    find_occlusions,
    flow_limit_ml_s,
    shutter_settings,
)


def find_shutter_trials(recording: Recording, settings: Mapping[str, float]) -> list[Trial]:
    """Find each closed shutter of a recording, in order of time.

    Landmarks, as sample indices: `closed` and `released` of the shutter, `expired` at the end of
    the expiration after it, `free` from where breathing before it is undisturbed, `until` to where
    it is after it. None without an airway pressure.
    """
    airway = recording.pressures_kpa.get("airway_pressure")
    if airway is None:
        return []
    flow, shutter = recording.flow_ml_s, shutter_settings(settings)
    limit = flow_limit_ml_s(flow, shutter, noise_ml_s=recording.breaths.noise_ml_s)
    trials: list[Trial] = []
    for occlusion in find_occlusions(flow, airway, recording.rate_hz, shutter, limit_ml_s=limit):
        end = expiration_end(recording.breaths, occlusion.end, n=flow.size)
        marks = {
            "closed": occlusion.start,
            "released": occlusion.end,
            "expired": end,
            "free": trials[-1].end if trials else 0,
        }
        start = breath_start(recording.breaths, occlusion.start)
        trials.append(Trial(len(trials) + 1, start, end, marks))
    return until_next(trials, n=flow.size)


def until_next(trials: list[Trial], *, n: int) -> list[Trial]:
    """Trials with the landmark `until`: the start of the next one, `n` after the last."""
    until = [*(trial.start for trial in trials), n][1:]
    return [
        replace(trial, landmarks={**trial.landmarks, "until": end})
        for trial, end in zip(trials, until, strict=True)
    ]


def levels_around(
    recording: Recording, trial: Trial, settings: Mapping[str, float]
) -> tuple[RestingLevel, RestingLevel]:
    """Return the end-expiratory level around a shutter trial found here."""
    least, most = int(settings["eel_breaths_least"]), int(settings["eel_breaths_most"])
    before = level_before(
        recording,
        trial.landmarks["closed"],
        since=trial.landmarks["free"],
        least_breaths=least,
        most_breaths=most,
    )
    after = level_after(
        recording,
        trial.landmarks["released"],
        most_breaths=most,
        until=trial.landmarks["until"],
    )
    return before, after
