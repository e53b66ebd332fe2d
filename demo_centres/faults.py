"""The one registry of planted faults: what goes wrong, and which rule should say so.

A fault either changes how a recording is made (`recipe`), or how an equipment check is made
(`options` of the check), or cells of the visit or recording table (`cells`), or what becomes of
a file (`file`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Literal

from demo_centres.disturbances import Disturbance
from demo_centres.forced import Squeeze
from demo_centres.plethysmograph import Effort
from demo_centres.quiet import Occlusion
from demo_centres.tape import Variation

Verdict = Literal["reject", "flag", "alert", "accepted", "quarantined", "crashed"]


@dataclass(frozen=True, slots=True)
class Recipe:
    """How a recording is made: options of the technique, changed infant and setting, and more.

    `gap` is (from s, for s) of samples left out; `clip_ml_s` the largest flow the head shows.
    """

    options: Mapping[str, Any] = field(default_factory=dict)
    infant: Mapping[str, float] = field(default_factory=dict)
    setting: Mapping[str, float] = field(default_factory=dict)
    disturbance: Mapping[str, float] = field(default_factory=dict)
    gap: tuple[float, float] | None = None
    clip_share: float | None = None

    def disturbed(self, usual: Disturbance) -> Disturbance:
        """The usual disturbance with this recipe's changes."""
        return replace(usual, **self.disturbance)


@dataclass(frozen=True, slots=True)
class Fault:
    """One named fault. `owner` is a technique, a check, "session" or "delivery".

    `expected_rule` is the key of the rule that should fail, or for files the kind of trouble in
    words; `level` is what the verdict is on.
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


def _manoeuvres(*given: Any, **more: Any) -> Recipe:
    return Recipe(options={"manoeuvres": given, **more})


_SCATTER = Variation(eel=0.45)

TIDAL = {
    "tidal_leak": Fault(
        "tidal",
        "The mask leaks on expiration from the fifth second on.",
        "tidal.no_leak",
        recipe=Recipe(disturbance={"leak_share": 0.14, "leak_from_s": 5.0}),
    ),
    "tidal_few_breaths": Fault(
        "tidal",
        "The infant wakes after eight breaths.",
        "tidal.enough_breaths",
        recipe=Recipe(options={"breaths": 8}),
    ),
    "tidal_fifteen_breaths": Fault(
        "tidal",
        "Fifteen regular breaths only.",
        "tidal.twenty_breaths",
        "flag",
        recipe=Recipe(options={"breaths": 15}),
    ),
    "tidal_uneven": Fault(
        "tidal",
        "Tidal volume swings from breath to breath.",
        "tidal.steady_tidal_volume",
        "flag",
        recipe=Recipe(options={"variation": Variation(vt=0.32)}),
    ),
    "tidal_shallow": Fault(
        "tidal",
        "Shallow breaths.",
        "tidal.plausible_tidal_volume",
        "flag",
        recipe=Recipe(infant={"vt_share": 0.45}),
    ),
    "tidal_gap": Fault(
        "tidal",
        "The device writes nothing for 0.4 s.",
        "tidal.signal_gap",
        recipe=Recipe(gap=(12.0, 0.4)),
    ),
    "tidal_clipped": Fault(
        "tidal",
        "The range of the flow head is set too small.",
        "tidal.signal_clipped",
        recipe=Recipe(clip_share=0.8),
    ),
    "tidal_active_sleep": Fault(
        "tidal",
        "Recorded in active sleep.",
        "tidal.quiet_sleep",
        "flag",
        cells={"sleep_state": "active"},
    ),
    "tidal_operator_refuses": Fault(
        "tidal",
        "The operator does not accept the recording.",
        "tidal.operator_accepts",
        "flag",
        cells={"operator_accepts": "no"},
    ),
}

SINGLE = {
    "single_short": Fault(
        "single_occlusion",
        "The shutter opens after 90 ms.",
        "single_occlusion.plateau_long_enough",
        recipe=_manoeuvres(*[Occlusion(duration_s=0.09, relaxation_s=0.01)] * 5),
    ),
    "single_tense": Fault(
        "single_occlusion",
        "The infant relaxes too slowly for a plateau.",
        "single_occlusion.plateau_steady",
        recipe=_manoeuvres(*[Occlusion(duration_s=0.45, relaxation_s=0.4)] * 5),
    ),
    "single_effort": Fault(
        "single_occlusion",
        "The infant breathes against the shutter.",
        "single_occlusion.plateau_steady",
        recipe=_manoeuvres(*[Occlusion(effort_kpa=0.35)] * 5),
    ),
    "single_braked": Fault(
        "single_occlusion",
        "The larynx brakes expiration, so that flow on volume is bent.",
        "single_occlusion.long_fit",
        recipe=_manoeuvres(*[Occlusion(brake=0.75)] * 5),
    ),
    "single_two_speeds": Fault(
        "single_occlusion",
        "Two compartments empty at unlike speeds, so that flow on volume is bent.",
        "single_occlusion.straight_expiration",
        recipe=Recipe(
            options={"manoeuvres": 5}, infant={"second_share": 0.35, "second_tau_ratio": 8.0}
        ),
    ),
    "single_trembling": Fault(
        "single_occlusion",
        "Flow trembles with movement, so that no line fits.",
        "single_occlusion.straight_expiration",
        recipe=Recipe(disturbance={"heart_flow_ml_s": 22.0, "heart_rate_per_min": 420.0}),
    ),
    "single_uneven_level": Fault(
        "single_occlusion",
        "End-expiratory level wanders before the occlusion.",
        "single_occlusion.steady_eel",
        recipe=_manoeuvres(*[Occlusion(wander=0.3)] * 5),
    ),
    "single_mask_slips": Fault(
        "single_occlusion",
        "Air escapes past the mask when the shutter opens.",
        "single_occlusion.no_eel_shift",
        recipe=_manoeuvres(*[Occlusion(lost_share=0.25)] * 5),
    ),
}

DOUBLE = {
    "double_close_points": Fault(
        "double_occlusion",
        "The two occlusions come too close to each other.",
        "double_occlusion.volume_between",
        recipe=Recipe(options={"manoeuvres": 5, "shares": (0.6, 0.5)}),
    ),
    "double_tense": Fault(
        "double_occlusion",
        "Pressure has not settled when the shutter opens.",
        "double_occlusion.plateau_steady",
        recipe=_manoeuvres(*[Occlusion(0.2, relaxation_s=0.12, effort_kpa=0.15)] * 5),
    ),
    "double_mask_slips": Fault(
        "double_occlusion",
        "Air escapes past the mask when the shutter opens.",
        "double_occlusion.no_eel_shift",
        recipe=_manoeuvres(*[Occlusion(0.3, relaxation_s=0.012, lost_share=0.25)] * 5),
    ),
}

PLETHYSMOGRAPHY = {
    "pleth_one_effort": Fault(
        "plethysmography",
        "One effort, then the shutter opens.",
        "plethysmography.enough_efforts",
        recipe=_manoeuvres(*[Effort(count=1)] * 4),
    ),
    "pleth_looping": Fault(
        "plethysmography",
        "Airway pressure lags behind the box: a phase error.",
        "plethysmography.no_looping",
        recipe=_manoeuvres(*[Effort(lag_s=0.045)] * 4),
    ),
    "pleth_glottis": Fault(
        "plethysmography",
        "The glottis is nearly closed during the efforts.",
        "plethysmography.line_up",
        recipe=_manoeuvres(*[Effort(passed_on=0.4, lag_s=0.3)] * 4),
    ),
    "pleth_mask_slips": Fault(
        "plethysmography",
        "Air escapes past the mask when the shutter opens.",
        "plethysmography.no_eel_shift",
        recipe=_manoeuvres(*[Effort(lost_share=0.25)] * 4),
    ),
    "pleth_cold_box": Fault(
        "plethysmography",
        "Recorded one minute after the box was closed.",
        "plethysmography.box_warm",
        recipe=Recipe(setting={"box_closed_s": 60.0}),
    ),
}

TIDAL_FORCED = {
    "tfe_uneven_level": Fault(
        "tidal_forced_expiration",
        "End-expiratory level wanders before the squeeze.",
        "tidal_forced_expiration.steady_eel",
        recipe=Recipe(options={"variation": _SCATTER}),
    ),
    "tfe_late_peak": Fault(
        "tidal_forced_expiration",
        "The jacket fills so slowly that flow peaks late.",
        "tidal_forced_expiration.early_peak",
        recipe=_manoeuvres(*[Squeeze(jacket_tau_s=0.3, opening_s=0.1)] * 4),
    ),
    "tfe_slow_jacket": Fault(
        "tidal_forced_expiration",
        "The jacket fills in more than 0.1 s.",
        "tidal_forced_expiration.quick_jacket",
        "flag",
        recipe=_manoeuvres(*[Squeeze(jacket_tau_s=0.055)] * 4),
    ),
    "tfe_early_breath": Fault(
        "tidal_forced_expiration",
        "The infant breathes in before the end-expiratory level.",
        "tidal_forced_expiration.passes_eel",
        recipe=_manoeuvres(*[Squeeze(stop_share=0.3)] * 4),
    ),
    "tfe_glottis": Fault(
        "tidal_forced_expiration",
        "The glottis closes during the squeeze.",
        "tidal_forced_expiration.no_flow_reversal",
        recipe=_manoeuvres(*[Squeeze(glottis=0.5)] * 4),
    ),
    "tfe_late_squeeze": Fault(
        "tidal_forced_expiration",
        "The squeeze begins in the middle of expiration.",
        "tidal_forced_expiration.squeeze_on_time",
        recipe=_manoeuvres(*[Squeeze(late_share=0.3)] * 4),
    ),
    "tfe_high_jacket": Fault(
        "tidal_forced_expiration",
        "Jacket pressure above the alert limit.",
        "tidal_forced_expiration.jacket_pressure_safe",
        "alert",
        recipe=_manoeuvres(*[Squeeze(pressure_kpa=10.6)] * 4),
    ),
    "tfe_not_limited": Fault(
        "tidal_forced_expiration",
        "Little of the jacket pressure reaches the chest: flow still grows with pressure.",
        "tidal_forced_expiration.flow_limited",
        "flag",
        "test",
        recipe=_manoeuvres(
            *[Squeeze(4.0, transmission=0.07, flow_scatter=0.0)] * 3,
            *[Squeeze(5.0, transmission=0.07, flow_scatter=0.0)] * 3,
        ),
    ),
}

RAISED = {
    "raised_low_inflation": Fault(
        "raised_volume",
        "Inflation reaches 2.5 kPa only.",
        "raised_volume.inflation_pressure",
        recipe=_manoeuvres(Squeeze(inflation_kpa=2.5)),
    ),
    "raised_inflation_off": Fault(
        "raised_volume",
        "Inflation reaches 2.8 kPa.",
        "raised_volume.inflation_pressure_close",
        "flag",
        recipe=_manoeuvres(Squeeze(inflation_kpa=2.8)),
    ),
    "raised_late_peak": Fault(
        "raised_volume",
        "The valve opens slowly, so that flow peaks late.",
        "raised_volume.early_peak",
        recipe=_manoeuvres(Squeeze(opening_s=0.15, jacket_tau_s=0.08)),
    ),
    "raised_glottis": Fault(
        "raised_volume",
        "The glottis closes during the forced expiration.",
        "raised_volume.no_flow_reversal",
        recipe=_manoeuvres(Squeeze(glottis=0.55)),
    ),
    "raised_early_breath": Fault(
        "raised_volume",
        "The infant breathes in long before residual volume.",
        "raised_volume.to_residual_volume",
        recipe=_manoeuvres(Squeeze(stop_share=0.35)),
    ),
    "raised_not_alike": Fault(
        "raised_volume",
        "Two inflations to unlike pressures give unlike volumes.",
        "raised_volume.fvc_close",
        "reject",
        "test",
        recipe=_manoeuvres(Squeeze(inflation_kpa=3.25), Squeeze(inflation_kpa=2.76)),
    ),
}
