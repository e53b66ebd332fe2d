"""Planted faults: what goes wrong, and which rule should say so; here those of quiet breathing.

A fault either changes how a recording is made (`recipe`), or how an equipment check is made
(`options` of the check), or cells of the visit or recording table (`cells`), or what becomes of
a file (`file`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from quietsleep.simulation.disturbances import Disturbance
from quietsleep.simulation.plethysmograph import Effort
from quietsleep.simulation.quiet import Quirks, SimulatedOcclusion
from quietsleep.simulation.tape import Variation

Verdict = Literal["reject", "flag", "alert", "accepted", "quarantined", "crashed"]


@dataclass(frozen=True, slots=True)
class Recipe:
    """How a recording is made: options of the technique, changed infant and setting, and more.

    `gap` is (from s, for s) of samples left out; `clip_ml_s` the largest flow the head shows.
    """

    options: Mapping[str, Any] = field(default_factory=dict)
    infant: Mapping[str, Any] = field(default_factory=dict)
    setting: Mapping[str, Any] = field(default_factory=dict)
    disturbance: Mapping[str, Any] = field(default_factory=dict)
    gap: tuple[float, float] | None = None
    clip_share: float | None = None

    def disturbed(self, usual: Disturbance) -> Disturbance:
        """The usual disturbance with this recipe's changes."""
        return replace(usual, **self.disturbance)


@dataclass(frozen=True, slots=True)
class PlantedFault:
    """One named fault. `owner` is a technique, a check, "session" or "delivery".

    `expected_rule` is the key of the rule that should fail, or for files the kind of trouble in
    words, and nothing where no rule should fail; `level` is what the verdict is on.
    """

    owner: str
    meaning: str
    expected_rule: str
    verdict: Verdict = "reject"
    level: Literal["trial", "test", "check", "session", "recording", "delivery"] = "trial"
    recipe: Recipe = Recipe()
    options: Mapping[str, Any] = field(default_factory=dict)
    cells: Mapping[str, str] = field(default_factory=dict)
    file: str = ""


def manoeuvres(*given: Any, **more: Any) -> Recipe:
    """A recipe of these manoeuvres."""
    return Recipe(options={"manoeuvres": given, **more})


TIDAL = {
    "tidal_leak": PlantedFault(
        "tidal",
        "The mask leaks on expiration from the fifth second on.",
        "tidal.no_leak",
        recipe=Recipe(disturbance={"leak_share": 0.14, "leak_from_s": 5.0}),
    ),
    "tidal_few_breaths": PlantedFault(
        "tidal",
        "The infant wakes after eight breaths.",
        "tidal.enough_breaths",
        recipe=Recipe(options={"breaths": 8}),
    ),
    "tidal_fifteen_breaths": PlantedFault(
        "tidal",
        "Fifteen regular breaths only.",
        "tidal.twenty_breaths",
        "flag",
        recipe=Recipe(options={"breaths": 15}),
    ),
    "tidal_uneven": PlantedFault(
        "tidal",
        "Tidal volume swings from breath to breath.",
        "tidal.steady_tidal_volume",
        "flag",
        recipe=Recipe(options={"variation": Variation(vt=0.32)}),
    ),
    "tidal_shallow": PlantedFault(
        "tidal",
        "Shallow breaths.",
        "tidal.plausible_tidal_volume",
        "flag",
        recipe=Recipe(infant={"vt_share": 0.45}),
    ),
    "tidal_gap": PlantedFault(
        "tidal",
        "The device writes nothing for 0.4 s.",
        "tidal.signal_gap",
        recipe=Recipe(gap=(12.0, 0.4)),
    ),
    "tidal_clipped": PlantedFault(
        "tidal",
        "The range of the flow head is set too small.",
        "tidal.signal_clipped",
        recipe=Recipe(clip_share=0.8),
    ),
    "tidal_sighs": PlantedFault(
        "tidal",
        "Two sighs, which are left out and break no rule.",
        "",
        "accepted",
        recipe=Recipe(options={"quirks": Quirks(sighs=(9, 22))}),
    ),
    "tidal_apnoea": PlantedFault(
        "tidal",
        "A pause of breathing, which is left out and breaks no rule.",
        "",
        "accepted",
        recipe=Recipe(options={"quirks": Quirks(apnoeas=(12,))}),
    ),
    "tidal_movement": PlantedFault(
        "tidal",
        "The infant moves early on; the regular breaths that follow are enough.",
        "",
        "accepted",
        recipe=Recipe(disturbance={"movement_at_s": 6.0, "movement_ml_s": 60.0}),
    ),
    "tidal_active_sleep": PlantedFault(
        "tidal",
        "Recorded in active sleep.",
        "tidal.quiet_sleep",
        "flag",
        cells={"sleep_state": "active"},
    ),
    "tidal_operator_refuses": PlantedFault(
        "tidal",
        "The operator does not accept the recording.",
        "tidal.operator_accepts",
        "flag",
        cells={"operator_accepts": "no"},
    ),
}

SINGLE = {
    "single_short": PlantedFault(
        "single_occlusion",
        "The shutter opens after 90 ms.",
        "single_occlusion.plateau_long_enough",
        recipe=manoeuvres(*[SimulatedOcclusion(duration_s=0.09, relaxation_s=0.01)] * 5),
    ),
    "single_tense": PlantedFault(
        "single_occlusion",
        "The infant relaxes too slowly for a plateau.",
        "single_occlusion.plateau_steady",
        recipe=manoeuvres(*[SimulatedOcclusion(duration_s=0.45, relaxation_s=0.4)] * 5),
    ),
    "single_effort": PlantedFault(
        "single_occlusion",
        "The infant breathes against the shutter.",
        "single_occlusion.plateau_steady",
        recipe=manoeuvres(*[SimulatedOcclusion(effort_kpa=0.35)] * 5),
    ),
    "single_braked": PlantedFault(
        "single_occlusion",
        "The larynx brakes expiration, so that flow on volume is bent.",
        "single_occlusion.long_fit",
        recipe=manoeuvres(*[SimulatedOcclusion(brake=0.75)] * 5),
    ),
    "single_two_speeds": PlantedFault(
        "single_occlusion",
        "Two compartments empty at unlike speeds, so that flow on volume is bent.",
        "single_occlusion.straight_expiration",
        recipe=Recipe(
            options={"manoeuvres": 5}, infant={"second_share": 0.35, "second_tau_ratio": 8.0}
        ),
    ),
    "single_trembling": PlantedFault(
        "single_occlusion",
        "Flow trembles with movement, so that no line fits.",
        "single_occlusion.straight_expiration",
        recipe=Recipe(disturbance={"heart_flow_ml_s": 22.0, "heart_rate_per_min": 420.0}),
    ),
    "single_uneven_level": PlantedFault(
        "single_occlusion",
        "End-expiratory level wanders before the occlusion.",
        "single_occlusion.steady_eel",
        recipe=manoeuvres(*[SimulatedOcclusion(wander=0.3)] * 5),
    ),
    "single_mask_slips": PlantedFault(
        "single_occlusion",
        "Air escapes past the mask when the shutter opens.",
        "single_occlusion.no_eel_shift",
        recipe=manoeuvres(*[SimulatedOcclusion(lost_share=0.25)] * 5),
    ),
}

DOUBLE = {
    "double_close_points": PlantedFault(
        "double_occlusion",
        "The two occlusions come too close to each other.",
        "double_occlusion.volume_between",
        recipe=Recipe(options={"manoeuvres": 5, "shares": (0.6, 0.5)}),
    ),
    "double_tense": PlantedFault(
        "double_occlusion",
        "Pressure has not settled when the shutter opens.",
        "double_occlusion.plateau_steady",
        recipe=manoeuvres(*[SimulatedOcclusion(0.2, relaxation_s=0.12, effort_kpa=0.15)] * 5),
    ),
    "double_mask_slips": PlantedFault(
        "double_occlusion",
        "Air escapes past the mask when the shutter opens.",
        "double_occlusion.no_eel_shift",
        recipe=manoeuvres(*[SimulatedOcclusion(0.3, relaxation_s=0.012, lost_share=0.25)] * 5),
    ),
}

PLETHYSMOGRAPHY = {
    "pleth_one_effort": PlantedFault(
        "plethysmography",
        "One effort, then the shutter opens.",
        "plethysmography.enough_efforts",
        recipe=manoeuvres(*[Effort(count=1)] * 4),
    ),
    "pleth_looping": PlantedFault(
        "plethysmography",
        "Airway pressure lags behind the box: a phase error.",
        "plethysmography.no_looping",
        recipe=manoeuvres(*[Effort(lag_s=0.045)] * 4),
    ),
    "pleth_glottis": PlantedFault(
        "plethysmography",
        "The glottis is nearly closed during the efforts.",
        "plethysmography.line_up",
        recipe=manoeuvres(*[Effort(passed_on=0.4, lag_s=0.3)] * 4),
    ),
    "pleth_mask_slips": PlantedFault(
        "plethysmography",
        "Air escapes past the mask when the shutter opens.",
        "plethysmography.no_eel_shift",
        recipe=manoeuvres(*[Effort(lost_share=0.25)] * 4),
    ),
    "pleth_cold_box": PlantedFault(
        "plethysmography",
        "Recorded one minute after the box was closed.",
        "plethysmography.box_warm",
        recipe=Recipe(setting={"box_closed_s": 60.0}),
    ),
}
