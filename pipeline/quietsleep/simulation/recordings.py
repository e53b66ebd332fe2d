"""One recording of one technique, plain or with a planted fault."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any, Literal

import numpy as np

from quietsleep.simulation.disturbances import USUAL, Disturbance, disturb
from quietsleep.simulation.faults import PlantedFault, Recipe
from quietsleep.simulation.forced import SimulatedSqueeze, raised_volume, tidal_forced_expiration
from quietsleep.simulation.occlusions import SimulatedOcclusion
from quietsleep.simulation.physiology import Infant, Setting, SimulatedRecording
from quietsleep.simulation.plethysmograph import Effort, plethysmography
from quietsleep.simulation.quiet import double_occlusion, single_occlusion, tidal
from quietsleep.simulation.sensors import CHANNEL_KEYS

TECHNIQUES: Mapping[str, Callable[..., SimulatedRecording]] = {
    "tidal": tidal,
    "single_occlusion": single_occlusion,
    "double_occlusion": double_occlusion,
    "plethysmography": plethysmography,
    "tidal_forced_expiration": tidal_forced_expiration,
    "raised_volume": raised_volume,
}
Share = Literal["all", "one"]

# What a careful laboratory does in one session; raised volume makes one recording of each.
USUAL_MANOEUVRES: Mapping[str, Sequence[Any]] = {
    "single_occlusion": (SimulatedOcclusion(),) * 6,
    "double_occlusion": (SimulatedOcclusion(duration_s=0.3),) * 5,
    "plethysmography": (Effort(),) * 4,
    "tidal_forced_expiration": (SimulatedSqueeze(5.0),) * 3 + (SimulatedSqueeze(6.0),) * 4,
    "raised_volume": (SimulatedSqueeze(),) * 3,
}


def manoeuvres_of(technique: str, fault: PlantedFault | None, share: Share) -> list[Any]:
    """The manoeuvres of one session; with share "one" only the first has the fault."""
    usual = list(USUAL_MANOEUVRES[technique])
    if fault is None or "manoeuvres" not in fault.recipe.options:
        return usual
    given = fault.recipe.options["manoeuvres"]
    if isinstance(given, int):
        return usual
    if share == "one":
        return [given[0], *usual[1:]]
    return list(given) * len(usual) if len(given) == 1 else list(given)


def record(
    technique: str,
    infant: Infant,
    *,
    rng: np.random.Generator,
    rate_hz: float = 200.0,
    setting: Setting | None = None,
    fault: PlantedFault | None = None,
    share: Share = "all",
    manoeuvres: Sequence[Any] | None = None,
    usual: Disturbance = USUAL,
) -> SimulatedRecording:
    """Simulate one recording with the disturbances of a usual laboratory and maybe a fault."""
    recipe = fault.recipe if fault else Recipe()
    options = dict(recipe.options)
    if technique != "tidal":
        options["manoeuvres"] = manoeuvres or manoeuvres_of(technique, fault, share)
    if technique == "raised_volume" and fault is None:
        options["manoeuvres"] = [_near_three(rng, squeeze) for squeeze in options["manoeuvres"]]
    clean = TECHNIQUES[technique](
        changed(infant, recipe),
        rng=rng,
        rate_hz=rate_hz,
        setting=replace(setting or Setting(), **recipe.setting),
        **options,
    )
    return spoiled(disturb(clean, recipe.disturbed(usual), rng), recipe)


def _near_three(rng: np.random.Generator, squeeze: SimulatedSqueeze) -> SimulatedSqueeze:
    """Inflations come out within about 1 % of each other."""
    near = 1.0 + 0.01 * float(np.clip(rng.standard_normal(), -2.0, 2.0))
    return replace(squeeze, inflation_kpa=squeeze.inflation_kpa * near)


def changed(infant: Infant, recipe: Recipe) -> Infant:
    """The infant with the recipe's changes; `vt_share` scales tidal volume."""
    changes = dict(recipe.infant)
    share = changes.pop("vt_share", 1.0)
    return replace(infant, vt_ml=infant.vt_ml * share, **changes)


def spoiled(recording: SimulatedRecording, recipe: Recipe) -> SimulatedRecording:
    """Limit instruments and leave samples out, as the recipe says."""
    channels, time_s, ranges = dict(recording.channels), recording.time_s, {}
    if recipe.clip_share is not None:
        flow = np.abs(channels["flow_ml_s"])
        ranges["flow_ml_s"] = recipe.clip_share * float(np.quantile(flow, 0.999))
    for name, share in recipe.clip_peak.items():
        key = CHANNEL_KEYS[name]
        ranges[key] = share * float(np.abs(channels[key]).max())
    facts = clipped_facts(recording, ranges)
    open_share = recording.open_share
    if recipe.gap is not None:
        start, length = recipe.gap
        keep = (time_s < start) | (time_s >= start + length)
        channels = {name: values[keep] for name, values in channels.items()}
        time_s = time_s[keep]
        open_share = None if open_share is None else open_share[keep]
    return replace(
        recording,
        channels=channels,
        time_s=time_s,
        ranges=ranges,
        open_share=open_share,
        facts=facts,
    )


def clipped_facts(
    recording: SimulatedRecording, ranges: Mapping[str, float]
) -> tuple[Mapping[str, float], ...]:
    """Facts of the manoeuvres, with how long each stood at the end of an instrument's range."""
    if not ranges or not recording.facts:
        return recording.facts
    names = ("closed", "opened") if "closed" in recording.events else ("squeeze", "squeeze_end")
    begun, ended = (recording.events[name] for name in names)
    each = len(begun) // len(recording.facts)
    told = []
    for i, fact in enumerate(recording.facts):
        here = recording.time_s >= begun[i * each]
        here &= recording.time_s <= ended[(i + 1) * each - 1]
        beyond = [np.abs(recording.channels[key][here]) > top for key, top in ranges.items()]
        told.append({**fact, "clipped_s": float(np.any(beyond, axis=0).sum()) / recording.rate_hz})
    return tuple(told)
