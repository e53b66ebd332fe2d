"""One simulated recording through the whole signal chain, as the night sends it.

Raw columns of a device -> calibrate -> assemble -> find the trials -> measure each.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from benchmarks.grid import Case, device_of
from quietsleep.records import MeasuredTrial, Measures, RawSignal
from quietsleep.signals.channels import assemble, calibrate
from quietsleep.simulation.physiology import SimulatedRecording
from quietsleep.simulation.sensors import sense
from quietsleep.techniques.interface import technique_of

# The event of the simulator that lies inside each manoeuvre.
EVENT = {
    "single_occlusion": "closed",
    "double_occlusion": "closed",
    "plethysmography": "closed",
    "tidal_forced_expiration": "squeeze",
    "raised_volume": "squeeze",
}


@dataclass(frozen=True, slots=True)
class Sent:
    """What came of one simulated recording.

    `truth[i]` is what is true of `trials[i]`, and None where no manoeuvre was simulated there.
    `n_simulated` counts manoeuvres; `test_values` are those of a check.
    """

    technique: str
    trials: tuple[MeasuredTrial, ...]
    truth: tuple[Mapping[str, float] | None, ...]
    n_simulated: int
    test_values: Mapping[str, float]
    test_truth: Mapping[str, float]


def send(
    made: SimulatedRecording, case: Case, word: int, *, context: Mapping[str, float] | None = None
) -> Sent:
    """Send a recording or check through the chain; `context` overrides what the visit says."""
    device, technique = device_of(case), technique_of(made.technique)
    columns = sense(made, case.form.sensors, head=case.form.head, rng=case.rng(word, 1))
    channels = calibrate(RawSignal(made.time_s, columns), device, technique.SPEC.channels)
    recording = assemble(
        channels,
        name=f"case {case.number}",
        technique=made.technique,
        device=device,
        context={**made.context, **(context or {})},
    )
    is_check = technique.SPEC.kind == "check"
    trials = []
    for trial in technique.find_trials(recording):
        measures = technique.measure_trial(recording, trial)
        if not is_check:
            measures["gap_s"] = recording.gap_s
            measures["clipped_share_pct"] = recording.clipped_share_pct
        start_s, end_s = trial.start / recording.rate_hz, trial.end / recording.rate_hz
        trials.append(MeasuredTrial(trial.index, start_s, end_s, dict(measures), measures.reasons))
    truths = (made.truth,) if made.technique == "tidal" else made.trials
    return Sent(
        technique=made.technique,
        trials=tuple(trials),
        truth=tuple(matched(made, trials)),
        n_simulated=len(truths),
        test_values=technique.measure_test(trials) if is_check else Measures(),
        test_truth=made.truth,
    )


def matched(
    made: SimulatedRecording, trials: Sequence[MeasuredTrial]
) -> list[Mapping[str, float] | None]:
    """For each trial the truth of the manoeuvre that lies inside it, by the simulator's events."""
    if made.technique == "tidal":
        return [true_run(made, trial) for trial in trials]
    if made.technique not in EVENT:
        return [None] * len(trials)
    times = made.events[EVENT[made.technique]]
    each = len(times) // len(made.trials)
    found: list[Mapping[str, float] | None] = []
    for trial in trials:
        inside = [
            truth
            for truth, at_s in zip(made.trials, times[::each], strict=True)
            if trial.start_s - 0.05 <= at_s <= trial.end_s
        ]
        found.append(inside[0] if len(inside) == 1 else None)
    return found


def true_run(made: SimulatedRecording, trial: MeasuredTrial) -> Mapping[str, float]:
    """What is true of a run of tidal breaths: means over the breaths that begin and end in it.

    With sighs among the breaths the means of the whole recording are taken.
    """
    starts = made.events["breath_start"]
    if len(starts) != len(made.trials):
        return made.truth
    slack_s = 0.25 * 60.0 / made.truth["rr_per_min"]
    inside = [
        truth
        for truth, start_s, end_s in zip(made.trials[:-1], starts[:-1], starts[1:], strict=True)
        if start_s >= trial.start_s - slack_s and end_s <= trial.end_s + slack_s
    ]
    if not inside:
        return made.truth
    means = {name: sum(truth[name] for truth in inside) / len(inside) for name in inside[0]}
    return means | {"minute_ventilation_ml_min": means["vt_ml"] * means["rr_per_min"]}
