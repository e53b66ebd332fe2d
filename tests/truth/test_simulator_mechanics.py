"""The simulated signals obey the equations that their truth claims, by arithmetic of their own."""

from __future__ import annotations

import numpy as np
import pytest

from quietsleep.simulation.forced import raised_volume, tidal_forced_expiration
from quietsleep.simulation.physiology import (
    Condition,
    Infant,
    Setting,
    SimulatedRecording,
    draw_infant,
)
from quietsleep.simulation.plethysmograph import Effort, plethysmography
from quietsleep.simulation.quiet import (
    Quirks,
    SimulatedOcclusion,
    double_occlusion,
    single_occlusion,
    tidal,
)
from quietsleep.simulation.tape import STEADY

FINE = 2000.0


def infant_of(seed: int = 4, length_cm: float = 68.0, condition: Condition = "healthy") -> Infant:
    return draw_infant(np.random.default_rng(seed), length_cm=length_cm, condition=condition)


def volume_of(made: SimulatedRecording) -> np.ndarray:
    flow = made.channels["flow_ml_s"]
    steps = (flow[1:] + flow[:-1]) / 2.0 / made.rate_hz
    return np.concatenate([[0.0], np.cumsum(steps)])


def at(made: SimulatedRecording, event: str, n: int = 0) -> int:
    return round(made.events[event][n] * made.rate_hz)


@pytest.mark.parametrize("length_cm", [50.0, 68.0, 85.0])
def test_every_breath_keeps_its_parameters(length_cm: float) -> None:
    made = tidal(infant_of(length_cm=length_cm), rng=np.random.default_rng(1), rate_hz=FINE)
    flow, starts = made.channels["flow_ml_s"], made.events["breath_start"]
    for truth, a, b in zip(made.trials, starts, [*starts[1:], None], strict=True):
        first = round(a * FINE)
        breath = flow[first : None if b is None else round(b * FINE)]
        inward, outward = breath[breath > 0], breath[breath < 0]
        assert len(breath) / FINE == pytest.approx(60.0 / truth["rr_per_min"], abs=2e-3)
        volumes = (inward.sum() - outward.sum()) / FINE / 2.0
        assert volumes == pytest.approx(truth["vt_ml"], rel=1e-4)
        assert -outward.min() == pytest.approx(truth["ptef_ml_s"], rel=1e-3)
        turn = round(truth["ti_s"] * FINE)
        peak = int(np.argmin(breath)) - turn
        assert peak / FINE == pytest.approx(truth["tptef_te"] * truth["te_s"], abs=1.1 / FINE)
        before = breath[turn : turn + peak].sum() / outward.sum()
        assert before == pytest.approx(truth["vptef_ve"], abs=3e-3)


def test_truth_of_a_tidal_recording_is_the_mean_of_its_regular_breaths() -> None:
    quirks = Quirks(sighs=(5,), apnoeas=(9,))
    made = tidal(infant_of(), rng=np.random.default_rng(1), breaths=20, quirks=quirks)
    assert made.truth["n_breaths"] == len(made.trials) == 19
    assert made.truth["ti_s"] == pytest.approx(np.mean([t["ti_s"] for t in made.trials]))
    assert len(made.events["sigh"]) == len(made.events["apnoea"]) == 1
    pause = at(made, "apnoea")
    assert not made.channels["flow_ml_s"][pause + 1 : pause + 600].any()


def test_single_occlusion_shows_recoil_pressure_and_empties_by_its_time_constant() -> None:
    infant, setting = infant_of(), Setting(apparatus_resistance_kpa_s_l=0.7)
    made = single_occlusion(
        infant, rng=np.random.default_rng(2), rate_hz=FINE, setting=setting, manoeuvres=2
    )
    volume, pressure = volume_of(made), made.channels["airway_pressure_kpa"]
    closed, opened = at(made, "closed"), at(made, "opened")
    truth = made.trials[0]
    assert not made.channels["flow_ml_s"][closed:opened].any()
    assert volume[closed] == pytest.approx(truth["occlusion_volume_ml"], rel=1e-3)
    assert pressure[opened - 1] == pytest.approx(truth["plateau_pressure_kpa"], rel=1e-3)
    above_rest = volume[closed] - truth["intercept_volume_ml"]
    assert above_rest / truth["plateau_pressure_kpa"] == pytest.approx(infant.crs_ml_kpa, rel=1e-3)
    later = slice(opened + 200, opened + 600)
    ratio = -made.channels["flow_ml_s"][later] / (volume[later] + infant.elevation_ml)
    assert 1.0 / ratio == pytest.approx(truth["tau_s"], rel=2e-3)
    assert truth["tau_s"] == pytest.approx((infant.rrs_kpa_s_l + 0.7) * infant.crs_ml_kpa / 1000)


def test_double_occlusion_points_lie_on_the_compliance() -> None:
    infant = infant_of()
    made = double_occlusion(infant, rng=np.random.default_rng(3), rate_hz=FINE, manoeuvres=1)
    volume, pressure = volume_of(made), made.channels["airway_pressure_kpa"]
    flow = made.channels["flow_ml_s"]
    first, second = at(made, "opened", 0) - 1, at(made, "opened", 1) - 1
    slope = (volume[first] - volume[second]) / (pressure[first] - pressure[second])
    assert slope == pytest.approx(infant.crs_ml_kpa, rel=2e-3)
    before = at(made, "closed", 1) - 1
    total = pressure[second] / -flow[before] * 1000.0
    assert total == pytest.approx(made.truth["rrs_kpa_s_l"] + 0.5, rel=5e-3)


@pytest.mark.parametrize("where", ["end_expiration", "end_inspiration"])
def test_box_signal_undone_by_hand_gives_back_thoracic_gas_volume(where: str) -> None:
    infant = infant_of()
    setting = Setting(box_half_life_s=8.0, barometric_pressure_kpa=83.0)
    made = plethysmography(
        infant,
        rng=np.random.default_rng(3),
        rate_hz=FINE,
        setting=setting,
        manoeuvres=[Effort(at=where)],  # type: ignore[arg-type]
    )
    span = slice(at(made, "closed"), at(made, "opened"))
    empty_share = (65.0 - infant.weight_kg / 1.05) / 65.0
    box_ml = made.channels["box_pressure_kpa"] * 500.0 * empty_share
    true_ml = box_ml + np.log(2.0) / 8.0 * np.cumsum(box_ml) / FINE
    slope = np.polyfit(made.channels["airway_pressure_kpa"][span], true_ml[span], 1)[0]
    assert slope == pytest.approx(-made.truth["slope_ml_kpa"], rel=1e-3)
    tgv = -slope * (83.0 - 6.28)
    assert tgv - volume_of(made)[span.start] - 8.0 == pytest.approx(infant.frc_ml, rel=5e-3)


def test_a_lag_opens_the_loop_and_a_closed_glottis_hides_the_efforts() -> None:
    def spread(effort: Effort) -> float:
        made = plethysmography(
            infant_of(), rng=np.random.default_rng(3), rate_hz=FINE, manoeuvres=[effort]
        )
        span = slice(at(made, "closed"), at(made, "opened"))
        pair = made.channels["airway_pressure_kpa"][span], made.channels["box_pressure_kpa"][span]
        return float(np.corrcoef(*pair)[0, 1] ** 2)

    assert spread(Effort()) > 0.98 > spread(Effort(lag_s=0.045)) > spread(Effort(lag_s=0.15))


def test_forced_flow_at_eel_is_the_flow_limit_there() -> None:
    infant = infant_of()
    made = tidal_forced_expiration(
        infant, rng=np.random.default_rng(5), rate_hz=FINE, manoeuvres=2, variation=STEADY
    )
    volume, start = volume_of(made), at(made, "squeeze", 1)
    passing = start + int(np.argmax(volume[start:] < 0.0))
    truth = made.trials[1]
    assert -made.channels["flow_ml_s"][passing] == pytest.approx(truth["vmaxfrc_ml_s"], rel=2e-3)
    assert truth["vmaxfrc_ml_s"] == pytest.approx(infant.vmaxfrc_ml_s, rel=0.03)
    assert truth["vmaxfrc_ml_s"] == pytest.approx(truth["flow_limit_at_eel_ml_s"], rel=5e-3)


def test_forced_volumes_follow_from_the_sampled_curve() -> None:
    infant = infant_of()
    made = raised_volume(infant, rng=np.random.default_rng(6), rate_hz=FINE)
    start, end = at(made, "squeeze"), at(made, "squeeze_end")
    out = volume_of(made)[start] - volume_of(made)[start:end]
    flow, truth = -made.channels["flow_ml_s"][start:end], made.truth
    full = infant.raised_volume_ml(3.0) + infant.reserve_ml
    assert truth["fvc_ml"] == pytest.approx(out.max(), rel=1e-3)
    assert 0.97 * full < truth["fvc_ml"] < full
    peak = int(flow.argmax())
    zero = peak - out[peak] / flow[peak] * FINE
    for name, seconds in (("fev0_4_ml", 0.4), ("fev0_5_ml", 0.5)):
        assert truth[name] == pytest.approx(out[round(zero + seconds * FINE)], rel=2e-3)
    for share in (25, 50, 75, 85):
        index = int(np.argmax(out >= share / 100.0 * out.max()))
        assert truth[f"fef{share}_ml_s"] == pytest.approx(flow[index], rel=5e-3)
    assert truth["fev0_5_fvc"] == pytest.approx(truth["fev0_5_ml"] / truth["fvc_ml"])


def test_inflation_reaches_its_pressure_and_the_volume_of_the_relaxed_lung() -> None:
    infant = infant_of()
    made = raised_volume(infant, rng=np.random.default_rng(6), rate_hz=FINE)
    squeeze = at(made, "squeeze")
    pressure = made.channels["airway_pressure_kpa"][squeeze - 200 : squeeze]
    assert pressure.mean() == pytest.approx(3.0, abs=1e-3)
    assert volume_of(made)[squeeze] == pytest.approx(infant.raised_volume_ml(3.0), rel=5e-3)


def test_obstruction_bends_the_curve_and_lowers_flow_at_low_volume() -> None:
    flows = {}
    for condition in ("healthy", "obstructed"):
        made = raised_volume(infant_of(condition=condition), rng=np.random.default_rng(6))
        flows[condition] = made.truth["fef75_ml_s"] / made.truth["fef25_ml_s"]
    assert flows["obstructed"] < 0.8 * flows["healthy"]


def test_lost_gas_shifts_the_level_after_release() -> None:
    infant = infant_of()
    made = single_occlusion(
        infant,
        rng=np.random.default_rng(2),
        rate_hz=FINE,
        manoeuvres=[SimulatedOcclusion(lost_share=0.25)],
        variation=STEADY,
    )
    volume = volume_of(made)
    before = volume[: at(made, "closed") - round(infant.ttot_s * infant.ti_ttot * FINE)].min()
    assert volume[-1] - before == pytest.approx(0.25 * infant.vt_ml, rel=0.02)


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
