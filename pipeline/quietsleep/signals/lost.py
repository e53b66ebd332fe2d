"""Where samples are missing or stand at the end of their range, as marks of a trial.

No number is computed here: `quietsleep.signals.channels` measures both over the whole recording.
"""

from __future__ import annotations

from collections.abc import Sequence

from quietsleep.records import FloatArray, Mark, Recording, Stretch, Trial

# More marks than these would hide the picture: the longest of those inside the trial are shown, or
# the longest of all where none is inside.
_MOST_MARKED = 8


def mark_signal(recording: Recording, trial: Trial) -> list[Mark]:
    """Mark the gaps of a recording and where a channel stands at the end of its range."""
    gaps = [_gap(recording, each) for each in _longest(recording.lost, trial, recording)]
    railed = [_at_rail(recording, each) for each in _longest(recording.clipped, trial, recording)]
    return [*gaps, *railed]


def samples_of(recording: Recording, channel: str) -> FloatArray:
    """Return the samples of a channel by its name, shape (n,); flow where it is no pressure."""
    return recording.pressures_kpa.get(channel, recording.flow_ml_s)


def _longest(found: Sequence[Stretch], trial: Trial, recording: Recording) -> list[Stretch]:
    shown = {"", "flow", *recording.pressures_kpa}

    def outside(each: Stretch) -> bool:
        return each.end < trial.start or each.start > trial.end

    known = sorted(
        (each for each in found if each.channel in shown),
        key=lambda each: each.start - each.end,
    )
    inside = [each for each in known if not outside(each)]
    return sorted(inside[:_MOST_MARKED] or known[:1])


def _gap(recording: Recording, lost: Stretch) -> Mark:
    values, rate = samples_of(recording, lost.channel), recording.rate_hz
    first, last = max(lost.start - 1, 0), min(lost.end, values.size - 1)
    length_s = (lost.end - lost.start) / rate
    label = f"gap of {length_s:.2f} s" if length_s else "samples left out, their times stand still"
    edges = (float(values[first]), float(values[last]))
    return Mark(lost.channel or "flow", label, (first / rate, last / rate), edges, "gap_s")


def _at_rail(recording: Recording, railed: Stretch) -> Mark:
    values, rate = samples_of(recording, railed.channel), recording.rate_hz
    times = (railed.start / rate, (railed.end - 1) / rate)
    level = (float(values[railed.start]),) * 2
    label, also = "clipped at the end of its range", ("manoeuvre_clipped_s",)
    return Mark(railed.channel, label, times, level, "clipped_share_pct", also)
