"""Samples that stand at an end of their channel's range.

A rail gathers all that lies beyond it, so a signal stays in its last code for longer than its noise
would let it, or enters and leaves that code with a jump. Nothing is judged here: limits live in
the contracts.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from itertools import pairwise
from typing import Literal

import numpy as np

from quietsleep.records import FloatArray
from quietsleep.signals.fits import noise_sd
from quietsleep.signals.quantiles import edges_of

# What can hold a channel level, so that without noise a held value looks like a rail. A shutter
# holds another breath each time; a valve the same level again and again.
HeldBy = Literal["nothing", "shutter", "valve"]
_SHORTEST_RUN = 3  # fewer equal samples in a row are a peak
_REST_SHARE = 0.05  # an extreme so near zero (share of the span) is rest, not the end of the range
_NOISY_CODES = 0.6  # noise SD, in codes, from which on a channel shows its noise at all
# A noisy channel stays in its last code for as long with this probability; the larger one does
# where it happens again, or where the signal jumps into that code and out of it.
_ONCE_BY_CHANCE, _OFTEN_BY_CHANCE = 1e-6, 1e-3
# Breaths, and what a shutter holds of them, differ from each other by this share at the least, and
# end in the same last code with this probability at the most.
_LEAST_SPREAD = 0.03
_ALIKE_BY_CHANCE = 1e-4
_SPARE_CODES = 0.1  # a jump is larger by more than this than a rounded peak allows


def held_by(channel: str, channels: Iterable[str]) -> HeldBy:
    """What can hold a channel level, where these are recorded together.

    Where a jacket is squeezed, lungs may be inflated through the airway up to a relief valve.
    """
    if channel == "jacket_pressure":
        return "valve"
    if channel == "airway_pressure":
        return "valve" if "jacket_pressure" in channels else "shutter"
    return "nothing"


def find_clipped(samples: FloatArray, *, held: HeldBy) -> list[tuple[int, int]]:
    """Stretches [start, end) of samples (n,) at a rail, in order; none for a constant signal.

    Three or more equal samples at the largest or least value, away from zero, are a rail where
    noise of the channel would not have left so many in one code (probability below 1e-6; below
    0.001 where that happens again or the signal jumps into and out of them; at any probability
    where it comes and goes more steeply than so flat a peak can). A channel without noise is at a
    rail where nothing holds it level and it jumps into and out of the samples as no rounded peak
    does, or where flat ends of so many breaths lie in that same code as no infant breathes alike
    (unless a valve holds them there). A single pressure that is held level without noise cannot be
    told from a rail and is taken for what it is.
    """
    if samples.size < _SHORTEST_RUN:
        return []
    low, high = float(samples.min()), float(samples.max())
    rest = _REST_SHARE * (high - low)
    if rest == 0.0:
        return []
    found = []
    for end in (low, high):
        if abs(end) > rest:
            found += _at_rail(samples, end, held=held)
    return sorted(found)


def _at_rail(samples: FloatArray, end: float, *, held: HeldBy) -> list[tuple[int, int]]:
    at_end = samples == end
    if np.count_nonzero(at_end) < _SHORTEST_RUN:
        return []
    edges = edges_of(at_end)
    every = list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))
    runs = [(start, stop) for start, stop in every if stop - start >= _SHORTEST_RUN]
    if not runs:
        return []
    elsewhere = samples[samples != end]
    steps = np.abs(np.diff(elsewhere, append=end))
    code = float(steps[steps > 1e-9 * abs(end)].min())
    noise_codes = noise_sd(elsewhere) / code
    spare = _SPARE_CODES + 2.0 * noise_codes
    if noise_codes >= _NOISY_CODES:
        longest = max(stop - start for start, stop in runs)
        clipped = longest >= _least_run(noise_codes, _ONCE_BY_CHANCE)
        twice = longest >= _least_run(noise_codes, _OFTEN_BY_CHANCE)
        clipped |= twice and (len(runs) > 1 or _jumps(samples, runs[0], code, spare))
        clipped |= any(_turns_sharply(samples, run, code, noise_codes, reach=2) for run in runs)
    else:
        clipped = held == "nothing" and any(_jumps(samples, run, code, spare) for run in runs)
        clipped = clipped or (
            held != "valve" and _ends_alike(samples, _flat(samples, runs, code, noise_codes), code)
        )
    # Where there is a rail, two samples in a row at it are clipped as well as three.
    return [(start, stop) for start, stop in every if stop - start > 1] if clipped else []


def _least_run(noise_codes: float, by_chance: float) -> int:
    """Equal samples in a row that noise of so many codes leaves in one code with a probability."""
    stays = math.erf(0.5 / (noise_codes * math.sqrt(2.0)))
    return max(_SHORTEST_RUN, 1 + math.ceil(math.log(by_chance) / math.log(stays)))


def _flat(
    samples: FloatArray, runs: Sequence[tuple[int, int]], code: float, noise_codes: float
) -> list[tuple[int, int]]:
    """Runs that are too flat for how the signal comes and goes as far off as they are long."""
    return [
        (start, stop)
        for start, stop in runs
        if _turns_sharply(samples, (start, stop), code, noise_codes, reach=stop - start)
    ]


def _ends_alike(samples: FloatArray, runs: Sequence[tuple[int, int]], code: float) -> bool:
    """Whether more breaths end in the last code than unlike breaths leave there by chance.

    A breath is over where the signal comes back to half of its end. A share of normal deviates of
    SD s codes is in one code at most, 1 / (s sqrt(2 pi)).
    """
    if not runs:
        return False
    end = abs(float(samples[runs[0][0]]))
    spread_codes = _LEAST_SPREAD * end / code
    chance = 1.0 / (spread_codes * math.sqrt(2.0 * math.pi))
    if chance >= 1.0:
        return False
    times = 1 + sum(
        float(np.abs(samples[stop:start]).min()) < 0.5 * end
        for (_, stop), (start, _) in pairwise(runs)
    )
    return times >= 1 + math.log(_ALIKE_BY_CHANCE) / math.log(chance)


def _jumps(samples: FloatArray, run: tuple[int, int], code: float, spare_codes: float) -> bool:
    """Whether a run is entered and left over more codes than a rounded peak would be.

    A parabola that stays within one code for m samples is (1 + 2 / (m - 1))^2 codes below it one
    sample later at most. An end of the file does not tell.
    """
    start, stop = run
    beside = [at for at in (start - 1, stop) if 0 <= at < samples.size]
    most = (1.0 + 2.0 / (stop - start - 1)) ** 2 + spare_codes
    return all(abs(float(samples[at] - samples[start])) > most * code for at in beside)


def _turns_sharply(
    samples: FloatArray, run: tuple[int, int], code: float, noise_codes: float, *, reach: int
) -> bool:
    """Whether a run is too flat for how steeply the signal comes and goes, `reach` samples off.

    A parabola whose m samples noise holds in one code lies within 1 + 4 SD codes there, and r
    samples later (1 + 2 r / (m - 1))^2 times as far below its top.
    """
    start, stop = run
    before, after = start - reach, stop - 1 + reach
    if before < 0 or after >= samples.size:
        return False
    most = (1.0 + 4.0 * noise_codes) * (1.0 + 2.0 * reach / (stop - start - 1)) ** 2
    most += _SPARE_CODES + 2.0 * noise_codes
    return all(abs(float(samples[at] - samples[start])) > most * code for at in (before, after))


def clipped_share_pct(runs: Iterable[tuple[int, int]], n: int) -> float:
    """Share of n samples in stretches [start, end), percent; 0 without samples."""
    return 100.0 * sum(end - start for start, end in runs) / n if n else 0.0


def longest_clipped_s(
    runs: Iterable[tuple[int, int]], parts: Iterable[tuple[int, int]], rate_hz: float
) -> float:
    """Longest time that one of the runs covers of one of the parts, s; both as [start, end)."""
    among = list(runs)
    covered = [
        min(stop, last) - max(start, first) for start, stop in among for first, last in parts
    ]
    return max([0, *covered]) / rate_hz
