"""Quiet breathing by a muscle: breaths that vary, and what each of them was."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from quietsleep.simulation.bodies import FINE_HZ, FloatArray
from quietsleep.simulation.physiology import Infant, muscle_pull
from quietsleep.simulation.tape import Stretch, Tape

TONIC_S = 0.15  # how quickly a tonic pull comes and goes, s


@dataclass(frozen=True, slots=True)
class Breath:
    """What the muscles do in one breath; `tonic_kpa` lasts into the next."""

    drive_kpa: float
    ti_s: float
    te_s: float
    braking_s: float
    tonic_kpa: float = 0.0

    @property
    def ttot_s(self) -> float:
        """Duration by the muscles, s."""
        return self.ti_s + self.te_s


@dataclass(frozen=True, slots=True)
class Variation:
    """Breath-to-breath variation: coefficients of variation, the infant's own where none is given.

    `eel` is the SD of a tonic pull that lifts or lowers the level, as share of VT.
    """

    vt: float | None = None
    timing: float | None = None
    eel: float = 0.0


STEADY = Variation(0.0, 0.0)


def draw_breath(rng: np.random.Generator, tape: Tape, variation: Variation) -> Breath:
    """One breath around the infant's pattern; scatter is kept within 2.5 SD."""
    infant, draws = tape.infant, np.clip(rng.standard_normal(4), -2.5, 2.5)
    vt = infant.vt_cv if variation.vt is None else variation.vt
    timing = infant.timing_cv if variation.timing is None else variation.timing
    ti = infant.ttot_s * infant.ti_ttot * (1.0 + timing * draws[1])
    te = infant.ttot_s * (1.0 - infant.ti_ttot) * (1.0 + timing * draws[2])
    return Breath(
        drive_kpa=tape.steady.drive_kpa * max(1.0 + vt * draws[0], 0.2),
        ti_s=whole(ti),
        te_s=whole(te),
        braking_s=min(infant.braking_s, 0.95 * te),
        tonic_kpa=tonic_kpa(infant, variation.eel * draws[3]),
    )


def tonic_kpa(infant: Infant, share_of_vt: float) -> float:
    """The pull that lifts the level by a share of VT."""
    return share_of_vt * infant.vt_ml / infant.crs_ml_kpa


def whole(seconds: float) -> float:
    """Seconds rounded to the fine time base."""
    return round(seconds * FINE_HZ) / FINE_HZ


def pull_of(tape: Tape, breath: Breath) -> FloatArray:
    """Muscle pressure of a breath (n,): its own, and the tonic pull on its way to a new value."""
    pull = muscle_pull(breath.drive_kpa, breath.ti_s, breath.ttot_s, breath.braking_s)
    if breath.tonic_kpa or tape.tone_kpa:
        t = np.arange(len(pull)) / FINE_HZ
        left = np.exp(-t / TONIC_S)
        pull += breath.tonic_kpa + (tape.tone_kpa - breath.tonic_kpa) * left
    return pull


def breathe(tape: Tape, breath: Breath) -> None:
    """One quiet breath, from one beginning of the muscles' pull to the next."""
    stretch = tape.look(pull_of(tape, breath))
    tape.levels.append(float(stretch.volume[begin_of(stretch)]))
    tape.write(stretch)


def begin_of(stretch: Stretch) -> int:
    """The sample at which gas begins to flow in."""
    return int(np.argmax(stretch.gas > 0.0))


def inspire(tape: Tape, breath: Breath, *, late_share: float = 0.0) -> float:
    """The breath before a manoeuvre, up to its end-inspiration; returns the volume it inspired.

    With `late_share` it goes on until that share of it has been expired again.
    """
    stretch = tape.look(pull_of(tape, breath))
    start = begin_of(stretch)
    tape.levels.append(float(stretch.volume[start]))
    top = start + int(np.argmax(stretch.volume[start:]))
    stop, inspired = top, float(stretch.volume[top] - stretch.volume[start])
    if late_share:
        left = stretch.volume[top:] <= stretch.volume[top] - late_share * inspired
        stop = top + (int(np.argmax(left)) if left.any() else len(left) - 1)
    tape.write(stretch, stop)
    return inspired


def breathe_quietly(
    tape: Tape, rng: np.random.Generator, variation: Variation, count: int, *, wander: float = 0.0
) -> None:
    """A few quiet breaths; `wander` sends EEL up and down by that share of VT in turn."""
    tape.levels.clear()
    for i in range(count):
        breath = draw_breath(rng, tape, variation)
        if wander:
            share = wander * rng.uniform(0.8, 1.0) * (1.0 if i % 2 else -1.0)
            breath = Breath(
                breath.drive_kpa, breath.ti_s, breath.te_s, breath.braking_s,
                tonic_kpa(tape.infant, share),
            )  # fmt: skip
        breathe(tape, breath)


@dataclass(frozen=True, slots=True)
class BreathMarks:
    """Samples at which one breath begins, turns and ends, and the peak of its expiration."""

    start: int
    turn: int
    peak: int
    end: int


def marks_of(gas_ml_s: FloatArray, begun: list[int]) -> list[BreathMarks]:
    """Where gas turns, from the samples at which the muscles began each breath.

    The last breath ends with the array.
    """
    starts = [at + int(np.argmax(gas_ml_s[at:] > 0.0)) for at in begun]
    marks = []
    for start, end in zip(starts, [*starts[1:], len(gas_ml_s) - 1], strict=True):
        turn = start + int(np.argmax(gas_ml_s[start:end] < 0.0))
        peak = turn + int(np.argmin(gas_ml_s[turn:end]))
        marks.append(BreathMarks(start, turn, peak, end))
    return marks
