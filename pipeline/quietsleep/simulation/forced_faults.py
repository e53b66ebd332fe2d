"""Faults of the forced expirations."""

from __future__ import annotations

from quietsleep.simulation.faults import PlantedFault, Recipe, manoeuvres
from quietsleep.simulation.forced_curve import SimulatedSqueeze
from quietsleep.simulation.tape import Variation

TIDAL_FORCED = {
    "tfe_uneven_level": PlantedFault(
        "tidal_forced_expiration",
        "End-expiratory level wanders before the squeeze.",
        "tidal_forced_expiration.steady_eel",
        recipe=Recipe(options={"variation": Variation(eel=0.45)}),
    ),
    "tfe_late_peak": PlantedFault(
        "tidal_forced_expiration",
        "The jacket fills so slowly that flow peaks late.",
        "tidal_forced_expiration.early_peak",
        recipe=manoeuvres(*[SimulatedSqueeze(jacket_tau_s=0.8, opening_s=0.9)] * 4),
    ),
    "tfe_slow_jacket": PlantedFault(
        "tidal_forced_expiration",
        "The jacket fills in more than 0.1 s.",
        "tidal_forced_expiration.quick_jacket",
        "flag",
        recipe=manoeuvres(*[SimulatedSqueeze(jacket_tau_s=0.055)] * 4),
    ),
    "tfe_early_breath": PlantedFault(
        "tidal_forced_expiration",
        "The infant breathes in before the end-expiratory level.",
        "tidal_forced_expiration.passes_eel",
        recipe=manoeuvres(*[SimulatedSqueeze(stop_share=0.3)] * 4),
    ),
    "tfe_glottis": PlantedFault(
        "tidal_forced_expiration",
        "The glottis closes during the squeeze.",
        "tidal_forced_expiration.no_flow_reversal",
        recipe=manoeuvres(*[SimulatedSqueeze(glottis=0.5)] * 4),
    ),
    "tfe_late_squeeze": PlantedFault(
        "tidal_forced_expiration",
        "The squeeze begins in the middle of expiration.",
        "tidal_forced_expiration.squeeze_on_time",
        recipe=manoeuvres(*[SimulatedSqueeze(late_share=0.3)] * 4),
    ),
    "tfe_high_jacket": PlantedFault(
        "tidal_forced_expiration",
        "Jacket pressure above the alert limit.",
        "tidal_forced_expiration.jacket_pressure_safe",
        "alert",
        recipe=manoeuvres(*[SimulatedSqueeze(pressure_kpa=10.6)] * 4),
    ),
    "tfe_not_limited": PlantedFault(
        "tidal_forced_expiration",
        "Little of the jacket pressure reaches the chest: flow still grows with pressure.",
        "tidal_forced_expiration.flow_limited",
        "flag",
        "test",
        recipe=manoeuvres(
            *[SimulatedSqueeze(4.0, transmission=0.03, flow_scatter=0.0)] * 3,
            *[SimulatedSqueeze(6.0, transmission=0.03, flow_scatter=0.0)] * 3,
        ),
    ),
}

RAISED = {
    "raised_low_inflation": PlantedFault(
        "raised_volume",
        "Inflation reaches 2.5 kPa only.",
        "raised_volume.inflation_pressure",
        recipe=manoeuvres(SimulatedSqueeze(inflation_kpa=2.5)),
    ),
    "raised_inflation_off": PlantedFault(
        "raised_volume",
        "Inflation reaches 2.8 kPa.",
        "raised_volume.inflation_pressure_close",
        "flag",
        recipe=manoeuvres(SimulatedSqueeze(inflation_kpa=2.8)),
    ),
    "raised_late_peak": PlantedFault(
        "raised_volume",
        "The valve opens slowly, so that flow peaks late.",
        "raised_volume.early_peak",
        recipe=manoeuvres(SimulatedSqueeze(opening_s=0.15, jacket_tau_s=0.08)),
    ),
    "raised_glottis": PlantedFault(
        "raised_volume",
        "The glottis closes during the forced expiration.",
        "raised_volume.no_flow_reversal",
        recipe=manoeuvres(SimulatedSqueeze(glottis=0.55)),
    ),
    "raised_early_breath": PlantedFault(
        "raised_volume",
        "The infant breathes in long before residual volume.",
        "raised_volume.to_residual_volume",
        recipe=manoeuvres(SimulatedSqueeze(stop_share=0.35)),
    ),
    "raised_not_alike": PlantedFault(
        "raised_volume",
        "Two inflations to unlike pressures give unlike volumes.",
        "raised_volume.fvc_close",
        "reject",
        "test",
        recipe=manoeuvres(
            SimulatedSqueeze(inflation_kpa=3.25), SimulatedSqueeze(inflation_kpa=2.76)
        ),
    ),
}
