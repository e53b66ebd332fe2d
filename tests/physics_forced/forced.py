"""Jackets and raised volumes: what the lungs do, and what a leaking mask lets the flow head see."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.physics_forced.lungs import FINE_HZ, Body, Course

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Leak:
    """Gas that passes the flow head by, mL/s: a hole in the mask, open where `when` says.

    `hole` is flow at 1 kPa, with the root of pressure; `share_out` takes a share of expired flow.
    """

    hole: float = 0.0
    share_out: float = 0.0
    share_in: float = 0.0
    when: str = "always"  # always, squeeze, inflation (and the expiration after it)


@dataclass(frozen=True, slots=True)
class Made:
    """Fine signals of one recording and the truth of each manoeuvre."""

    channels: Mapping[str, Array]
    truths: tuple[Mapping[str, float], ...]
    elevation: float
    events: Mapping[str, list[int]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Moved:
    """What the lungs did, whatever the mask lets by: one motion stands behind every leak."""

    body: Body
    flow: Array
    applied: Array
    jacket: Array
    truths: tuple[Mapping[str, float], ...]
    elevation: float
    squeezes: tuple[tuple[int, int], ...]
    inflations: tuple[tuple[int, int], ...] = ()

    def behind(self, leak: Leak | None) -> Made:
        """Return what a device and its mask see of it."""
        seen, mask = through_mask(self, leak)
        truths = self.truths
        if self.inflations:
            ((start, _),) = self.squeezes
            held = {"inflation_pressure_kpa": float(mask[start - 200 : start].mean())}
            truths = tuple({**truth, **held} for truth in truths)
        channels = {"flow": seen, "airway_pressure": mask, "jacket_pressure": self.jacket}
        return Made(channels, truths, self.elevation)


def record_squeezes(
    body: Body, rng: np.random.Generator, *, leak: Leak | None = None, **more: Any
) -> Made:
    """Record what `move_squeezes` does."""
    return move_squeezes(body, rng, **more).behind(leak)


def move_squeezes(
    body: Body,
    rng: np.random.Generator,
    *,
    squeezes: int = 3,
    breaths_between: int = 7,
    breaths_after: int = 6,
    jacket_kpa: float = 6.0,
    fill_s: float = 0.02,
    sigh: float = 1.0,
) -> Moved:
    """Squeeze at end-inspiration, several times, with quiet breathing around it."""
    course = Course(body, rng)
    course.breathe(4)
    spans: list[tuple[int, int]] = []
    begins = course.n
    for _ in range(squeezes):
        course.breathe(breaths_between)
        course.inspire(size=1.0 + 0.05 * float(rng.standard_normal()))
        start = course.n
        course.squeeze(jacket_kpa, fill_s=fill_s, least_share=0.08, longest_s=1.6)
        spans.append((start, course.events["squeezed"][-1]))
        if sigh != 1.0:
            course.breathe(1, size=sigh)
    course.breathe(breaths_after)
    flow, volume = course.whole("flow")[begins:], course.whole("volume")[begins:]
    spans = [(a - begins, b - begins) for a, b in spans]
    breaths = _lowest(volume, [b - begins for b in course.events["breath"]], body)
    truths = [_squeeze_truth(flow, volume, breaths, a, b) for a, b in spans]
    jacket = course.whole("jacket")[begins:]
    elevation = float(np.mean([t["eel_ml"] for t in truths])) / body.tidal_ml
    none = np.zeros(flow.size)
    return Moved(body, flow, none, jacket, tuple(truths), elevation, tuple(spans))


def _lowest(volume: Array, begun: list[int], body: Body) -> list[int]:
    """Where volume is least after muscles begin to pull: the end of expiration of each breath."""
    reach = round(0.4 * body.inspired_share * body.cycle_s * FINE_HZ)
    return [b + int(np.argmin(volume[b : b + reach])) for b in begun if b >= 0]


def _squeeze_truth(
    flow: Array, volume: Array, breaths: list[int], start: int, end: int
) -> dict[str, float]:
    before = [volume[b] for b in breaths if b <= start][-5:]
    level = float(np.mean(before))
    part, out = volume[start:end], -flow[start:end]
    peak = int(np.argmax(out))
    passed = np.flatnonzero(part <= level)
    top, low = float(volume[max(b for b in breaths if b <= start) : start + 1].max()), before[-1]
    i = int(passed[0]) if passed.size else 0
    share = (part[i - 1] - level) / (part[i - 1] - part[i]) if i else np.nan
    return {
        "eel_ml": level,
        "vmaxfrc_ml_s": float(out[i - 1] + share * (out[i] - out[i - 1])) if i else np.nan,
        "peak_flow_ml_s": float(out[peak]),
        "peak_flow_volume_pct": 100.0 * (top - float(part[peak])) / (top - float(low)),
        "forced_ml": float(part[0] - part.min()),
        "eel_sd_pct": 100.0 * float(np.std(before, ddof=1)) / (top - float(low)),
    }


def record_raised(
    body: Body, rng: np.random.Generator, *, leak: Leak | None = None, **more: Any
) -> Made:
    """Record what `move_raised` does."""
    return move_raised(body, rng, **more).behind(leak)


def move_raised(
    body: Body,
    rng: np.random.Generator,
    *,
    inflations: int = 4,
    inflation_kpa: float = 3.0,
    pause_s: float = 1.2,
    held_s: float = 1.2,
    breaths_before: int = 7,
    breaths_after: int = 6,
    apnoea_s: float = 0.0,
    least_share: float = 0.03,
    jacket_kpa: float = 7.0,
    fill_s: float = 0.02,
    open_s: float = 0.008,
) -> Moved:
    """Inflate a few times, squeeze at the end of the last inflation, breathe on."""
    course = Course(body, rng)
    course.breathe(4)
    begins = course.n
    course.breathe(breaths_before)
    blown: list[tuple[int, int]] = []
    for _ in range(inflations):
        first = course.n
        course.inflate(inflation_kpa * (1 + 0.01 * float(rng.standard_normal())), held_s)
        course.relax(pause_s)
        blown.append((first, course.n))
    first = course.n
    course.inflate(inflation_kpa, held_s)
    start = course.n
    blown.append((first, start))
    course.squeeze(jacket_kpa, fill_s=fill_s, open_s=open_s, least_share=least_share, longest_s=3.0)
    end = course.events["squeezed"][-1]
    if apnoea_s:
        course.relax(apnoea_s)
    course.breathe(breaths_after)
    flow, volume = course.whole("flow")[begins:], course.whole("volume")[begins:]
    applied, jacket = course.whole("applied")[begins:], course.whole("jacket")[begins:]
    span = (start - begins, end - begins)
    blown = [(a - begins, b - begins) for a, b in blown]
    begun = [b - begins for b in course.events["breath"] if begins <= b < start]
    breaths = _lowest(volume, begun, body)
    level = float(np.mean([volume[b] for b in breaths[-5:]]))
    truths, elevation = (_raised_truth(flow, volume, *span),), level / body.tidal_ml
    return Moved(body, flow, applied, jacket, truths, elevation, (span,), tuple(blown))


def _raised_truth(flow: Array, volume: Array, start: int, end: int) -> dict[str, float]:
    reach = min(end + round(0.3 * FINE_HZ), flow.size)
    end = start + int(np.argmin(volume[start:reach])) + 1
    out_ml, out = volume[start] - volume[start:end], -flow[start:end]
    t = np.arange(out.size) / FINE_HZ
    fvc, peak = float(out_ml[-1]), int(np.argmax(out))
    zero = t[peak] - out_ml[peak] / out[peak]
    truth = {
        "fvc_ml": fvc,
        "peak_flow_ml_s": float(out[peak]),
        "peak_flow_volume_pct": 100.0 * float(out_ml[peak]) / fvc,
        "forced_time_s": float(t[-1] - zero),
    }
    for name, seconds in (("fev0_4_ml", 0.4), ("fev0_5_ml", 0.5)):
        after = float(np.interp(zero + seconds, t, out_ml))
        truth[name] = after if truth["forced_time_s"] >= seconds else float("nan")
    when = {share: float(np.interp(share * fvc, out_ml, t)) for share in (0.25, 0.5, 0.75, 0.85)}
    for share, at in when.items():
        truth[f"fef{100 * share:.0f}_ml_s"] = float(np.interp(at, t, out))
    truth["fef25_75_ml_s"] = 0.5 * fvc / (when[0.75] - when[0.25])
    return truth


def through_mask(moved: Moved, leak: Leak | None) -> tuple[Array, Array]:
    """Flow through the head and pressure in the mask: gas to the lungs = through head - leaked."""
    flow, applied_kpa, apparatus = moved.flow, moved.applied, moved.body.apparatus
    seen = flow.copy()
    if leak is not None:
        opened = np.zeros(flow.size, dtype=bool)
        spans = {
            "squeeze": moved.squeezes,
            "inflation": moved.inflations,
            "blown": moved.squeezes + moved.inflations,
        }
        for first, last in spans.get(leak.when, ((0, flow.size),)):
            opened[first:last] = True
        for _ in range(40):
            mask = applied_kpa - apparatus * seen
            lost = leak.hole * np.sign(mask) * np.sqrt(np.abs(mask))
            lost = lost + np.where(flow < 0, -leak.share_out * flow, leak.share_in * flow)
            seen = 0.5 * seen + 0.5 * (flow + np.where(opened, lost, 0.0))
    return seen, applied_kpa - apparatus * seen
