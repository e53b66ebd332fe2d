"""The simulated signals obey the equations that their truth claims, by arithmetic of their own."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from quietsleep.simulation.breathing import STEADY
from quietsleep.simulation.forced import (
    SimulatedSqueeze,
    raised_volume,
    tidal_forced_expiration,
)
from quietsleep.simulation.occlusions import SimulatedOcclusion
from quietsleep.simulation.physiology import (
    BODIES,
    BodyKind,
    Condition,
    Infant,
    Setting,
    SimulatedRecording,
    draw_infant,
)
from quietsleep.simulation.plethysmograph import Effort, plethysmography
from quietsleep.simulation.quiet import Quirks, double_occlusion, single_occlusion, tidal

FINE = 2000.0
# CRC Handbook of Chemistry and Physics 1992-93.
VAPOUR_37C_KPA = 6.2795


def infant_of(
    seed: int = 4,
    length_cm: float = 68.0,
    condition: Condition = "healthy",
    body_kind: BodyKind = "linear",
) -> Infant:
    return draw_infant(
        np.random.default_rng(seed), length_cm=length_cm, condition=condition, body_kind=body_kind
    )


def made_by(maker: Any, infant: Infant, **more: Any) -> SimulatedRecording:
    recording = maker(infant, **({"rng": np.random.default_rng(2), "rate_hz": FINE} | more))
    assert isinstance(recording, SimulatedRecording)
    return recording


def volume_of(made: SimulatedRecording) -> np.ndarray:
    flow = made.channels["flow_ml_s"]
    steps = (flow[1:] + flow[:-1]) / 2.0 / made.rate_hz
    return np.concatenate([[0.0], np.cumsum(steps)])


def at(made: SimulatedRecording, event: str, n: int = 0) -> int:
    return round(made.events[event][n] * made.rate_hz)


def level_before(made: SimulatedRecording, sample: int, infant: Infant, breaths: int = 5) -> float:
    """Mean of the lowest volumes of the breaths that end before a sample, read off by eye's rule:
    the lowest point within half a breath either side of each onset of flow."""
    volume, flow = volume_of(made), made.channels["flow_ml_s"]
    onsets = np.flatnonzero((flow[1:] > 0.0) & (flow[:-1] <= 0.0)) + 1
    kept = [i for i in onsets if i < sample][-breaths:]
    del infant
    return float(np.mean([volume[i] for i in kept]))


# --- quiet breathing -----------------------------------------------------------------------------


@pytest.mark.parametrize("length_cm", [50.0, 68.0, 85.0])
def test_every_breath_is_told_as_its_flow_shows_it(length_cm: float) -> None:
    made = made_by(tidal, infant_of(length_cm=length_cm))
    flow, starts = made.channels["flow_ml_s"], made.events["breath_start"]
    for truth, a, b in zip(made.trials, starts, [*starts[1:], None], strict=True):
        breath = flow[round(a * FINE) : None if b is None else round(b * FINE)]
        inward, outward = breath[breath > 0], breath[breath < 0]
        assert len(breath) / FINE == pytest.approx(60.0 / truth["rr_per_min"], abs=2e-3)
        assert (inward.sum() - outward.sum()) / FINE / 2.0 == pytest.approx(
            truth["vt_ml"], rel=2e-3
        )
        assert -outward.min() == pytest.approx(truth["ptef_ml_s"], rel=1e-6)
        turn = round(truth["ti_s"] * FINE)
        assert breath[turn - 1] >= 0.0 > breath[turn + 1]
        peak = int(np.argmin(breath)) - turn
        assert peak / FINE == pytest.approx(truth["tptef_te"] * truth["te_s"], abs=1.1 / FINE)
        before = breath[turn : turn + peak].sum() / outward.sum()
        assert before == pytest.approx(truth["vptef_ve"], abs=3e-3)


@pytest.mark.parametrize("body_kind", BODIES)
def test_breaths_vary_as_much_as_the_infant_says(body_kind: BodyKind) -> None:
    infant = replace(infant_of(body_kind=body_kind), vt_cv=0.1)
    made = made_by(tidal, infant, breaths=150)
    volumes = np.array([t["vt_ml"] for t in made.trials])
    assert volumes.std() / volumes.mean() == pytest.approx(0.1, abs=0.025)
    assert volumes.mean() == pytest.approx(infant.vt_ml, rel=0.03)


def test_truth_of_a_tidal_recording_is_the_mean_of_its_regular_breaths() -> None:
    quirks = Quirks(sighs=(5,), apnoeas=(9,))
    infant = infant_of()
    made = made_by(tidal, infant, breaths=20, quirks=quirks, rate_hz=200.0)
    assert made.truth["n_breaths"] == len(made.trials) == 18
    assert made.truth["ti_s"] == pytest.approx(np.mean([t["ti_s"] for t in made.trials]))
    assert len(made.events["sigh"]) == len(made.events["apnoea"]) == 1


def test_an_apnoea_empties_the_lung_to_relaxation_volume() -> None:
    infant = replace(infant_of(), rate_per_min=60.0)
    made = made_by(tidal, infant, breaths=14, quirks=Quirks(apnoeas=(9,)), variation=STEADY)
    volume = volume_of(made)
    before, end = at(made, "breath_start", 9), at(made, "breath_start", 10)
    assert volume[before] - volume[end - 2 : end].min() == pytest.approx(
        infant.elevation_ml(0.5), rel=0.05
    )


# --- the shutter ---------------------------------------------------------------------------------


@pytest.mark.parametrize("shutter_s", [0.002, 0.008, 0.02])
def test_flow_stops_within_the_travel_of_the_shutter(shutter_s: float) -> None:
    setting = Setting(shutter_s=shutter_s)
    made = made_by(double_occlusion, infant_of(), setting=setting, manoeuvres=1)
    flow, pressure = made.channels["flow_ml_s"], made.channels["airway_pressure_kpa"]
    closed = at(made, "closed", 1)
    shut = closed + round(shutter_s * FINE)
    assert flow[closed] < -20.0
    assert (np.diff(flow[closed:shut]) >= 0.0).all()
    assert np.abs(flow[shut : at(made, "opened", 1)]).max() == 0.0
    assert pressure[closed] < 0.2 * pressure[shut]
    assert made.open_share is not None
    assert made.open_share[closed] == 1.0 and made.open_share[shut] == 0.0


def test_single_occlusion_shows_recoil_pressure_and_empties_by_its_time_constant() -> None:
    infant, setting = infant_of(), Setting(apparatus_resistance_kpa_s_l=0.7)
    made = made_by(single_occlusion, infant, setting=setting, manoeuvres=2)
    volume, pressure = volume_of(made), made.channels["airway_pressure_kpa"]
    flow = made.channels["flow_ml_s"]
    closed, opened = at(made, "closed"), at(made, "opened")
    truth = made.trials[0]
    shut = closed + round(setting.shutter_s * FINE)
    assert not flow[shut:opened].any()
    level = level_before(made, closed - round(0.1 * FINE), infant)
    assert volume[shut] - level == pytest.approx(truth["occlusion_volume_ml"], rel=2e-3)
    assert pressure[opened - 1] == pytest.approx(truth["plateau_pressure_kpa"], rel=1e-3)
    above_rest = truth["occlusion_volume_ml"] - truth["intercept_volume_ml"]
    assert above_rest / truth["plateau_pressure_kpa"] == pytest.approx(infant.crs_ml_kpa, rel=1e-3)
    rest = level + truth["intercept_volume_ml"]
    later = slice(opened + 200, opened + 600)
    assert (volume[later] - rest) / -flow[later] == pytest.approx(truth["tau_s"], rel=4e-3)
    assert truth["tau_s"] == pytest.approx((infant.rrs_kpa_s_l + 0.7) * infant.crs_ml_kpa / 1000)
    assert truth["crs_ml_kpa"] == infant.crs_ml_kpa


def test_the_muscle_lets_go_behind_the_shutter() -> None:
    """Pao = V / C - Pmus exp(-t / T): what is missing to the plateau dies away exponentially."""
    infant = replace(infant_of(), relaxation_s=0.05)
    made = made_by(single_occlusion, infant, manoeuvres=1)
    pressure = made.channels["airway_pressure_kpa"]
    shut, opened = at(made, "closed") + 16, at(made, "opened")
    missing = pressure[opened - 1] - pressure[shut:opened]
    ratio = missing[200] / missing[0]
    assert ratio == pytest.approx(np.exp(-0.1 / 0.05), rel=0.01)


@pytest.mark.parametrize("body_kind", BODIES)
def test_double_occlusion_points_lie_on_the_truth(body_kind: BodyKind) -> None:
    infant = infant_of(body_kind=body_kind)
    made = made_by(double_occlusion, infant, manoeuvres=1)
    volume, pressure = volume_of(made), made.channels["airway_pressure_kpa"]
    first, second = at(made, "opened", 0) - 1, at(made, "opened", 1) - 1
    slope = (volume[first] - volume[second]) / (pressure[first] - pressure[second])
    assert slope == pytest.approx(made.truth["crs_ml_kpa"], rel=0.012)
    # what still flows out while the shutter closes would have held pressure up
    closed = at(made, "closed", 1)
    flow = -made.channels["flow_ml_s"][closed] / 1000.0
    held = pressure[second] + (volume[closed] - volume[second]) / made.truth["crs_ml_kpa"]
    assert held / flow - 0.5 == pytest.approx(made.truth["rrs_kpa_s_l"], rel=0.02)
    if body_kind == "linear":
        assert slope == pytest.approx(infant.crs_ml_kpa, rel=3e-3)
        assert made.truth["rrs_kpa_s_l"] == infant.rrs_kpa_s_l


def test_pendelluft_shows_in_the_plateau_of_unlike_compartments() -> None:
    infant = replace(
        infant_of(body_kind="two compartments"), second_share=0.45, second_tau_ratio=8.0
    )
    made = made_by(double_occlusion, infant, manoeuvres=1)
    pressure = made.channels["airway_pressure_kpa"]
    shut, opened = at(made, "closed", 1) + 16, at(made, "opened", 1) - 1
    # the fast part empties first, so that mask pressure rises once flow has stopped
    assert pressure[opened] > 1.05 * pressure[shut]


def test_stress_relaxation_shows_in_the_plateau_of_a_viscoelastic_body() -> None:
    infant = replace(infant_of(body_kind="viscoelastic"), relaxing_s=0.4, relaxing_share=0.15)
    made = made_by(single_occlusion, infant, manoeuvres=[SimulatedOcclusion(duration_s=1.6)])
    pressure = made.channels["airway_pressure_kpa"]
    opened, shut = at(made, "opened"), at(made, "closed")
    # muscles are lax after two thirds of a second; then stress falls as exp(-t / 0.4)
    late = pressure[shut + 1400 : opened] - pressure_at_rest(made, infant, shut)
    assert late[800] / late[0] == pytest.approx(np.exp(-0.4 / 0.4), rel=0.01)


def pressure_at_rest(made: SimulatedRecording, infant: Infant, shut: int) -> float:
    """V / C of the held volume, from the truth of the trial."""
    del shut
    truth = made.trials[0]
    return (truth["occlusion_volume_ml"] - truth["intercept_volume_ml"]) / infant.crs_ml_kpa


def test_curved_limbs_are_told_by_their_bend_and_slow_constant() -> None:
    bends = {}
    for kind in BODIES:
        infant = replace(
            infant_of(body_kind=kind), second_share=0.4, second_tau_ratio=5.0, relaxing_share=0.15,
            relaxing_s=0.6,
        )  # fmt: skip
        bends[kind] = made_by(single_occlusion, infant, manoeuvres=1).facts[0]["limb_bend"]
    assert bends["linear"] == pytest.approx(1.0, abs=1e-3)
    assert bends["two compartments"] > 1.1
    assert bends["viscoelastic"] > 1.03


def test_late_slope_of_the_exact_limb_is_the_time_constant_where_it_has_one() -> None:
    straight = made_by(single_occlusion, infant_of(), manoeuvres=1)
    kind: BodyKind = "viscoelastic"
    stiffest = replace(infant_of(body_kind=kind), relaxing_share=1e-9)
    creeping = replace(infant_of(body_kind=kind), relaxing_share=0.15, relaxing_s=0.5)
    assert made_by(single_occlusion, stiffest, manoeuvres=1).truth["tau_s"] == pytest.approx(
        straight.truth["tau_s"], rel=1e-3
    )
    tau = made_by(single_occlusion, creeping, manoeuvres=1).truth["tau_s"]
    fast, slow = sorted(creeping.body.time_constants_s(0.0005))
    assert fast < tau < slow


def test_the_infant_breathes_up_again_over_several_breaths() -> None:
    infant = replace(infant_of(condition="obstructed"), rate_per_min=62.0)
    elevation = infant.elevation_ml(0.5)
    assert elevation > 0.15 * infant.vt_ml
    made = made_by(single_occlusion, infant, manoeuvres=1, variation=STEADY, breaths_between=9)
    volume, flow = volume_of(made), made.channels["flow_ml_s"]
    onsets = np.flatnonzero((flow[1:] > 0.0) & (flow[:-1] <= 0.0)) + 1
    after = [float(volume[i]) for i in onsets if i > at(made, "opened") + 1000]
    before = level_before(made, at(made, "closed") - 100, infant)
    assert before - after[0] == pytest.approx(elevation, rel=0.1)
    assert before - after[1] == pytest.approx((before - after[0]) * 0.15, abs=0.15 * elevation)
    assert before - after[-1] == pytest.approx(0.0, abs=0.02 * elevation)


# --- what goes wrong at the shutter --------------------------------------------------------------


@pytest.mark.parametrize("maker", [single_occlusion, double_occlusion])
def test_lost_gas_shifts_the_level_after_release(maker: Any) -> None:
    infant = infant_of()
    given = [SimulatedOcclusion(duration_s=0.3, lost_share=0.25)]
    made = made_by(maker, infant, manoeuvres=given, variation=STEADY, breaths_between=9)
    volume = volume_of(made)
    flow = made.channels["flow_ml_s"]
    onsets = np.flatnonzero((flow[1:] > 0.0) & (flow[:-1] <= 0.0)) + 1
    before = level_before(made, at(made, "closed") - 200, infant)
    shift = volume[onsets[-1]] - before
    assert shift == pytest.approx(made.truth["eel_shift_pct"] / 100.0 * infant.vt_ml, rel=0.03)
    if maker is single_occlusion:
        assert made.truth["eel_shift_pct"] == pytest.approx(25.0, rel=0.05)


def test_a_leak_behind_the_shutter_shifts_the_level_though_no_flow_is_seen() -> None:
    infant = infant_of()
    made = made_by(
        single_occlusion, infant, manoeuvres=[SimulatedOcclusion(leak_tau_s=2.0)],
        variation=STEADY, breaths_between=9,
    )  # fmt: skip
    shut, opened = at(made, "closed") + 16, at(made, "opened")
    assert not made.channels["flow_ml_s"][shut:opened].any()
    pressure = made.channels["airway_pressure_kpa"]
    # V' = -G P and P = V / C - R G P fall together, after the muscles are lax
    late = pressure[shut + 600 : opened]
    rate = 1.0 / (2.0 + infant.rrs_kpa_s_l * infant.crs_ml_kpa / 1000.0)
    assert late[600] / late[0] == pytest.approx(np.exp(-0.3 * rate), rel=2e-3)
    volume, flow = volume_of(made), made.channels["flow_ml_s"]
    onsets = np.flatnonzero((flow[1:] > 0.0) & (flow[:-1] <= 0.0)) + 1
    shift = volume[onsets[-1]] - level_before(made, at(made, "closed") - 200, infant)
    assert shift == pytest.approx(made.facts[0]["lost_pct"] / 100.0 * infant.vt_ml, rel=0.03)
    assert made.facts[0]["lost_pct"] > 15.0


def test_a_closed_glottis_lets_gas_out_late() -> None:
    infant = infant_of()
    made = made_by(single_occlusion, infant, manoeuvres=[SimulatedOcclusion(glottis_s=0.12)])
    opened = at(made, "opened")
    flow, pressure = made.channels["flow_ml_s"], made.channels["airway_pressure_kpa"]
    held = slice(opened + 20, opened + 240)
    assert not flow[held].any()
    assert np.abs(pressure[held]).max() == 0.0
    assert flow[opened + 340] < -30.0


def test_shortfalls_of_the_release_change_no_volume() -> None:
    """Gas through the head is the change of lung volume as long as nothing leaks."""
    infant = infant_of()
    for given in (
        SimulatedOcclusion(brake=0.6),
        SimulatedOcclusion(effort_kpa=0.3),
        SimulatedOcclusion(glottis_s=0.1),
        SimulatedOcclusion(stop_share=0.2),
    ):
        made = made_by(
            single_occlusion, infant, manoeuvres=[given], variation=STEADY, breaths_between=9
        )
        assert made.facts[0]["lost_pct"] == pytest.approx(0.0, abs=1e-6)
        volume = volume_of(made)
        assert volume[-1] == pytest.approx(volume[0], abs=0.02 * infant.vt_ml)


# --- the box -------------------------------------------------------------------------------------


@pytest.mark.parametrize("where", ["end_expiration", "end_inspiration"])
@pytest.mark.parametrize("barometric_kpa", [101.3, 75.0])
@pytest.mark.parametrize("body_kind", BODIES)
def test_box_signal_obeys_boyle(where: str, barometric_kpa: float, body_kind: BodyKind) -> None:
    """(K + P) V is one number all through the occlusion, V from the leaking box undone by hand."""
    infant = infant_of(body_kind=body_kind)
    setting = Setting(box_half_life_s=8.0, barometric_pressure_kpa=barometric_kpa)
    effort = Effort(at=where)  # type: ignore[arg-type]
    made = made_by(plethysmography, infant, setting=setting, manoeuvres=[effort])
    empty_share = (65.0 - infant.weight_kg / 1.05) / 65.0
    box_ml = made.channels["box_pressure_kpa"] * 500.0 * empty_share
    moved = box_ml + np.log(2.0) / 8.0 * np.cumsum(box_ml) / FINE
    moved += volume_moved_at_start(made, infant, setting)
    shut, opened = at(made, "closed") + 16, at(made, "opened")
    span = slice(shut + 700, opened)  # unlike compartments have shared their gas by then
    pressure = made.channels["airway_pressure_kpa"][span]
    gas = made.truth["tgv_ml"] + moved[span]
    product = (barometric_kpa - VAPOUR_37C_KPA + pressure) * gas
    # mask pressure is not quite that of each of two compartments
    tolerance = 2e-3 if body_kind == "two compartments" else 6e-5
    assert product.max() / product.min() - 1.0 < tolerance
    wanted = (barometric_kpa - VAPOUR_37C_KPA) * made.truth["tgv_ml"]
    assert product.mean() == pytest.approx(wanted, rel=5e-4)


def volume_moved_at_start(made: SimulatedRecording, infant: Infant, setting: Setting) -> float:
    """The box is read from the first sample, where gas is under alveolar pressure already."""
    flow = made.channels["flow_ml_s"][0]
    alveolar = -flow / 1000.0 * (infant.rrs_kpa_s_l + setting.apparatus_resistance_kpa_s_l)
    dry = setting.barometric_pressure_kpa - VAPOUR_37C_KPA
    return float(-infant.frc_ml * alveolar / (dry + alveolar))


def test_gas_of_the_lung_is_frc_and_what_was_breathed_in() -> None:
    infant = infant_of()
    made = made_by(plethysmography, infant, variation=STEADY)
    truth = made.trials[1]
    assert truth["frc_ml"] == pytest.approx(infant.frc_ml, rel=2e-3)
    assert truth["tgv_ml"] == pytest.approx(truth["frc_ml"] + truth["volume_above_eel_ml"] + 8.0)
    shut = at(made, "closed", 1) + 16
    above = volume_of(made)[shut] - level_before(made, at(made, "closed", 1) - 100, infant)
    assert truth["volume_above_eel_ml"] == pytest.approx(above, rel=3e-3)


def test_a_lag_opens_the_loop_and_a_closed_glottis_hides_the_efforts() -> None:
    def spread(effort: Effort) -> float:
        made = made_by(plethysmography, infant_of(), manoeuvres=[effort])
        span = slice(at(made, "closed") + 100, at(made, "opened"))
        pair = made.channels["airway_pressure_kpa"][span], made.channels["box_pressure_kpa"][span]
        return float(np.corrcoef(*pair)[0, 1] ** 2)

    assert spread(Effort()) > 0.98 > spread(Effort(lag_s=0.045)) > spread(Effort(lag_s=0.15))


# --- forced expirations --------------------------------------------------------------------------


@pytest.mark.parametrize("body_kind", BODIES)
def test_forced_flow_at_eel_is_the_flow_limit_there(body_kind: BodyKind) -> None:
    infant = infant_of(body_kind=body_kind)
    made = made_by(tidal_forced_expiration, infant, manoeuvres=2, variation=STEADY)
    volume, start = volume_of(made), at(made, "squeeze", 1)
    level = level_before(made, start - 200, infant)
    passing = start + int(np.argmax(volume[start:] < level))
    truth = made.trials[1]
    assert -made.channels["flow_ml_s"][passing] == pytest.approx(truth["vmaxfrc_ml_s"], rel=6e-3)
    assert truth["vmaxfrc_ml_s"] == pytest.approx(infant.vmaxfrc_ml_s, rel=0.03)
    assert truth["vmaxfrc_ml_s"] == pytest.approx(truth["flow_limit_at_eel_ml_s"], rel=0.01)


def test_a_mask_that_lifts_under_the_squeeze_hides_its_share_of_forced_flow() -> None:
    infant = infant_of()
    leaking = made_by(
        tidal_forced_expiration, infant, manoeuvres=[SimulatedSqueeze(leak_share=0.3)]
    )
    tight = made_by(tidal_forced_expiration, infant, manoeuvres=[SimulatedSqueeze()])
    here = slice(at(tight, "squeeze") + 300, at(tight, "squeeze") + 500)
    ratio = leaking.channels["flow_ml_s"][here] / tight.channels["flow_ml_s"][here]
    assert ratio == pytest.approx(0.7, rel=0.03)
    assert leaking.facts[0]["lost_pct"] > 15.0
    assert tight.facts[0]["lost_pct"] == pytest.approx(0.0, abs=1e-6)


def test_forced_volumes_follow_from_the_sampled_curve() -> None:
    infant = infant_of()
    made = made_by(raised_volume, infant, rng=np.random.default_rng(6))
    start, end = at(made, "squeeze"), at(made, "squeeze_end")
    end += int(np.argmax(made.channels["flow_ml_s"][end:] > 0.0))  # until the infant breathes in
    out = volume_of(made)[start] - volume_of(made)[start:end]
    flow, truth = -made.channels["flow_ml_s"][start:end], made.truth
    full = infant.raised_volume_ml(3.0) + infant.reserve_ml
    assert truth["fvc_ml"] == pytest.approx(out.max(), rel=1e-3)
    assert 0.96 * full < truth["fvc_ml"] < full
    peak = int(flow.argmax())
    zero = peak - out[peak] / flow[peak] * FINE
    for name, seconds in (("fev0_4_ml", 0.4), ("fev0_5_ml", 0.5)):
        assert truth[name] == pytest.approx(out[round(zero + seconds * FINE)], rel=2e-3)
    for share in (25, 50, 75, 85):
        index = int(np.argmax(out >= share / 100.0 * out.max()))
        assert truth[f"fef{share}_ml_s"] == pytest.approx(flow[index], rel=5e-3)
    assert truth["fev0_5_fvc"] == pytest.approx(truth["fev0_5_ml"] / truth["fvc_ml"])


def test_forced_flow_never_exceeds_limit_or_drive() -> None:
    infant = infant_of(condition="obstructed")
    made = made_by(raised_volume, infant, rng=np.random.default_rng(6))
    start, end = at(made, "squeeze"), at(made, "squeeze_end")
    flow = -made.channels["flow_ml_s"][start:end]
    volume = volume_of(made)
    top = infant.raised_volume_ml(3.0) + infant.reserve_ml
    above_rv = top - (volume[start] - volume[start:end])
    limit = infant.maximal_flow_ml_s(above_rv)
    assert (flow <= 1.03 * limit).all()
    assert (flow <= 7.2 * 1000.0 / (infant.rrs_kpa_s_l + 0.5) + 1.0).all()


def test_inflation_reaches_its_pressure_and_the_volume_of_the_relaxed_lung() -> None:
    infant = infant_of()
    made = made_by(raised_volume, infant, rng=np.random.default_rng(6))
    squeeze = at(made, "squeeze")
    pressure = made.channels["airway_pressure_kpa"][squeeze - 200 : squeeze]
    assert pressure.mean() == pytest.approx(3.0, abs=1e-3)
    volume = volume_of(made)
    first = at(made, "inflation", 0)
    level = level_before(made, first - 20, infant)
    assert volume[squeeze] - level == pytest.approx(infant.raised_volume_ml(3.0), rel=0.01)


def test_gas_given_by_an_inflation_comes_back_unless_the_mask_leaks() -> None:
    infant = infant_of()
    for leak in (0.0, 0.08):
        made = made_by(raised_volume, infant, manoeuvres=[SimulatedSqueeze(inflation_leak=leak)])
        volume = volume_of(made)
        second, third = at(made, "inflation", 1), at(made, "inflation", 2)
        full = infant.crs_ml_kpa * 3.0
        assert volume[third] - volume[second] == pytest.approx(leak * full, abs=0.012 * full)


def test_obstruction_bends_the_curve_and_lowers_flow_at_low_volume() -> None:
    flows = {}
    for condition in ("healthy", "obstructed"):
        made = raised_volume(infant_of(condition=condition), rng=np.random.default_rng(6))
        flows[condition] = made.truth["fef75_ml_s"] / made.truth["fef25_ml_s"]
    assert flows["obstructed"] < 0.8 * flows["healthy"]


# --- sampling ------------------------------------------------------------------------------------


def test_the_rate_must_divide_the_fine_rate() -> None:
    with pytest.raises(ValueError, match="does not divide"):
        tidal(infant_of(), rng=np.random.default_rng(1), rate_hz=300.0)


@pytest.mark.parametrize("rate_hz", [50.0, 100.0, 200.0, 500.0])
def test_sampling_keeps_fine_samples(rate_hz: float) -> None:
    fine = tidal(infant_of(), rng=np.random.default_rng(1), rate_hz=FINE)
    made = tidal(infant_of(), rng=np.random.default_rng(1), rate_hz=rate_hz)
    step = round(FINE / rate_hz)
    assert np.array_equal(made.channels["flow_ml_s"], fine.channels["flow_ml_s"][::step])
    assert made.truth == fine.truth


def test_lengths_of_no_infant_are_refused() -> None:
    with pytest.raises(ValueError, match="outside"):
        draw_infant(np.random.default_rng(1), length_cm=120.0)
