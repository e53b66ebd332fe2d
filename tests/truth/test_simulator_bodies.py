"""The bodies of the simulator against closed forms, and against an integrator of its own."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.signal import bessel, butter, step

from quietsleep.simulation.bodies import (
    CLOSED,
    FINE_HZ,
    Body,
    march,
    modes_of,
    one_compartment,
    two_compartments,
    viscoelastic,
)
from quietsleep.simulation.breathing import STEADY, breathe, draw_breath
from quietsleep.simulation.physiology import (
    BODIES,
    BodyKind,
    ChannelFilter,
    Infant,
    Setting,
    draw_infant,
    muscle_pull,
    standard_pressure_kpa,
    steady_breathing,
)
from quietsleep.simulation.tape import (
    Leak,
    Tape,
    pressure_at_hole,
    resisting_leak,
    sections_of,
    through,
)

R, C = 3.0e-3, 60.0
ALL: dict[str, Body] = {
    "one": one_compartment(C, R),
    "two": two_compartments(C, R, second_share=0.4, tau_ratio=4.0),
    "viscoelastic": viscoelastic(C, R, relaxing_share=0.2, relaxing_s=0.4),
}


def infant_of(seed: int = 4, length_cm: float = 66.0, body_kind: BodyKind = "linear") -> Infant:
    return draw_infant(np.random.default_rng(seed), length_cm=length_cm, body_kind=body_kind)


def integrated(
    body: Body, muscle: Callable[[float], float], seconds: float, outer: float
) -> list[float]:
    """States by an adaptive integrator, from the equations as the module states them."""
    drift, inflow = np.array(body.drift).reshape(2, 2), np.array(body.inflow)

    def rates(t: float, x: np.ndarray) -> np.ndarray:
        q = 0.0
        if np.isfinite(outer):
            q = (muscle(t) - np.dot(body.recoil, x)) / (body.resistance + outer)
        return np.asarray(drift @ x + inflow * q)

    solved = solve_ivp(rates, (0.0, seconds), [50.0, 5.0], rtol=1e-10, atol=1e-10, max_step=0.005)
    return list(solved.y[:, -1])


@pytest.mark.parametrize("name", ALL)
@pytest.mark.parametrize("outer", [0.0005, 0.004, CLOSED])
def test_exact_steps_agree_with_an_integrator(name: str, outer: float) -> None:
    body = ALL[name]
    pull = muscle_pull(1.2, 0.5, 1.0, 0.3)
    times = np.arange(len(pull)) / FINE_HZ
    expected = integrated(body, lambda t: float(np.interp(t, times, pull)), 1.0, outer)
    assert modes_of(body, outer).run((50.0, 5.0), pull)[:, -1] == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("name", ALL)
def test_the_march_agrees_with_exact_steps_where_nothing_moves(name: str) -> None:
    body, n = ALL[name], 1000
    pull = muscle_pull(1.2, 0.3, n / FINE_HZ, 0.15)
    still, outer = np.zeros(len(pull)), np.full(len(pull), 0.0005)
    marched = march(body, (40.0, 6.0), pull, still, outer)
    assert np.allclose(marched, modes_of(body, 0.0005).run((40.0, 6.0), pull), atol=1e-5)


def test_one_compartment_empties_by_its_time_constant() -> None:
    lax = np.zeros(2001)
    volume = modes_of(ALL["one"], 0.0005).run((70.0, 0.0), lax)[0]
    t = np.arange(2001) / FINE_HZ
    assert np.allclose(volume, 70.0 * np.exp(-t / ((R + 0.0005) * C)), rtol=1e-10)
    assert ALL["one"].time_constants_s(0.0005) == pytest.approx([(R + 0.0005) * C])


def test_unlike_compartments_share_their_gas_behind_a_closed_opening() -> None:
    body = ALL["two"]
    first_c, second_c = body.parts_ml_kpa
    states = modes_of(body, CLOSED).run((50.0, 5.0), np.zeros(8001))
    assert np.allclose(states.sum(axis=0), 55.0)
    assert states[0, -1] / first_c == pytest.approx(55.0 / (first_c + second_c), rel=1e-6)
    assert states[1, -1] / second_c == pytest.approx(55.0 / C, rel=1e-6)


def test_time_constants_of_the_compartments_stand_in_their_ratio() -> None:
    body = two_compartments(C, R, second_share=0.4, tau_ratio=4.0)
    # each compartment alone behind nothing: R_i C_i; R1 || R2 is what is not common
    common = 0.4 * R
    first_c, second_c = body.parts_ml_kpa
    first = (R - common) / body.inflow[0]
    second = (R - common) / body.inflow[1]
    assert second * second_c / (first * first_c) == pytest.approx(4.0)
    assert 1.0 / (1.0 / first + 1.0 / second) == pytest.approx(R - common)


def test_stress_relaxes_behind_a_closed_opening() -> None:
    states = modes_of(ALL["viscoelastic"], CLOSED).run((60.0, 0.2), np.zeros(1601))
    pressure = states[0] / C + states[1]
    t = np.arange(1601) / FINE_HZ
    assert np.allclose(pressure, 1.0 + 0.2 * np.exp(-t / 0.4))


def test_without_relaxing_share_the_viscoelastic_body_is_one_compartment() -> None:
    plain = viscoelastic(C, R, relaxing_share=1e-12, relaxing_s=0.4)
    pull = muscle_pull(1.0, 0.4, 1.0, 0.2)
    assert np.allclose(
        modes_of(plain, 0.0005).run((10.0, 0.0), pull)[0],
        modes_of(ALL["one"], 0.0005).run((10.0, 0.0), pull)[0],
    )


@pytest.mark.parametrize("rate_per_min", [30.0, 50.0, 75.0])
def test_elevation_of_a_passive_body_follows_from_its_time_constant(rate_per_min: float) -> None:
    """EEL above rest = VT exp(-tE / tau) / (1 - exp(-tE / tau)) if muscles let go at once."""
    infant = replace(infant_of(), rate_per_min=rate_per_min, braking_s=1e-6)
    steady, tau = steady_breathing(infant, 0.5), infant.tau_s(0.5)
    ti = round(infant.ttot_s * infant.ti_ttot * FINE_HZ)
    pull = muscle_pull(steady.drive_kpa, infant.ttot_s * infant.ti_ttot, infant.ttot_s, 1e-6)
    volume = modes_of(infant.body, 0.0005).run(steady.state, pull)[0]
    left = np.exp(-(len(pull) - 1 - ti) / FINE_HZ / tau)
    level = (volume[ti] - volume[-1]) * left / (1.0 - left)
    assert volume[-1] == pytest.approx(level, rel=0.01)
    # breath begins where the muscle has overcome recoil, a little below that
    assert 0.93 * level < steady.elevation_ml <= level


def test_braking_and_rate_raise_the_level() -> None:
    infant = infant_of()
    levels = [
        steady_breathing(replace(infant, braking_s=b, rate_per_min=r), 0.5).elevation_ml
        for b, r in ((0.05, 35.0), (0.45, 35.0), (0.45, 60.0))
    ]
    assert levels[0] < levels[1] < levels[2]


@pytest.mark.parametrize("body_kind", BODIES)
def test_steady_breathing_repeats_itself_and_moves_the_tidal_volume(body_kind: BodyKind) -> None:
    infant = infant_of(body_kind=body_kind)
    tape = Tape(infant, Setting())
    before = tape.state
    for _ in range(3):
        breathe(tape, draw_breath(np.random.default_rng(1), tape, STEADY))
    # the fine time base rounds the breath by less than half a sample
    assert tape.state == pytest.approx(before, abs=0.05)
    volume = tape.whole("volume")
    assert volume.max() - volume.min() == pytest.approx(infant.vt_ml, rel=1e-3)
    assert volume.min() == pytest.approx(infant.elevation_ml(0.5), abs=0.05)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("condition", ["healthy", "obstructed", "stiff"])
def test_peak_of_expiration_lies_where_infants_have_it(seed: int, condition: str) -> None:
    infant = draw_infant(
        np.random.default_rng(seed),
        length_cm=52.0 + 5.0 * seed,
        condition=condition,  # type: ignore[arg-type]
    )
    tape = Tape(infant, Setting())
    for _ in range(2):
        breathe(tape, draw_breath(np.random.default_rng(1), tape, STEADY))
    gas = tape.whole("gas")
    start = int(np.argmax(gas > 0))
    turn = start + int(np.argmax(gas[start:] < 0))
    end = turn + int(np.argmax(gas[turn:] > 0))
    assert 0.13 < int(np.argmin(gas[turn:end])) / (end - turn) < 0.5


def test_work_of_the_muscle_is_lost_in_the_resistances() -> None:
    """Over a repeating breath the elastance gives back what it took: the rest is R q^2."""
    infant = infant_of()
    steady = steady_breathing(infant, 0.5)
    pull = muscle_pull(
        steady.drive_kpa, infant.ttot_s * infant.ti_ttot, infant.ttot_s, infant.braking_s
    )
    states = modes_of(infant.body, 0.0005).run(steady.state, pull)
    total = infant.body.resistance + 0.0005
    gas = (pull - states[0] / infant.crs_ml_kpa) / total
    work, heat = np.trapezoid(pull * gas), np.trapezoid(total * gas**2)
    assert work == pytest.approx(heat, rel=1e-5)


def test_the_level_recovers_over_breaths_by_the_time_constant() -> None:
    """A linear body forgets a deviation as exp(-t / tau), whatever the muscle does."""
    infant = replace(infant_of(), rate_per_min=60.0)
    low, usual, tau = Tape(infant, Setting()), Tape(infant, Setting()), infant.tau_s(0.5)
    low.state = (0.0, 0.0)
    breath = draw_breath(np.random.default_rng(1), usual, STEADY)
    below = [usual.state[0]]
    for _ in range(4):
        breathe(low, breath)
        breathe(usual, breath)
        below.append(usual.state[0] - low.state[0])
    forgets = np.exp(-breath.ttot_s / tau)
    assert np.allclose(np.array(below[1:]) / below[:-1], forgets, rtol=1e-6)
    assert 0.02 < forgets < 0.5


# --- leaks ---------------------------------------------------------------------------------------


def test_a_resisting_leak_takes_its_share() -> None:
    tape = Tape(infant_of(), Setting())
    leak = resisting_leak(0.2, 0.5)
    stretch = tape.look(np.zeros(400), leak=leak)
    assert np.allclose(stretch.flow, 0.8 * stretch.gas)
    assert np.allclose(stretch.airway, -stretch.flow * 0.0005)


@pytest.mark.parametrize("ways", ["out", "in"])
def test_a_leak_one_way_takes_gas_in_one_direction_only(ways: str) -> None:
    tape = Tape(infant_of(), Setting())
    tape.leak = resisting_leak(0.2, 0.5, ways)  # type: ignore[arg-type]
    for _ in range(3):
        breathe(tape, draw_breath(np.random.default_rng(1), tape, STEADY))
    flow, gas = tape.whole("flow"), tape.whole("gas")
    leaking = gas < 0.0 if ways == "out" else gas > 0.0
    assert np.allclose(flow[leaking], 0.8 * gas[leaking])
    assert np.allclose(flow[~leaking], gas[~leaking])
    volume = tape.whole("volume")
    # the equations held all the same: gas is the derivative of volume
    assert np.allclose(np.diff(volume), 0.5 * (gas[1:] + gas[:-1]) / FINE_HZ, atol=2e-4)


def test_behind_a_closed_shutter_a_leak_lets_pressure_fall() -> None:
    """A channel that resists: P = P0 exp(-t G / C). A hole: sqrt(P) falls in proportion to t."""
    infant = infant_of()
    crs = infant.crs_ml_kpa
    tape = Tape(infant, Setting())
    tape.state = (0.8 * crs, 0.0)
    t = np.arange(1201) / FINE_HZ
    lax = np.zeros(1201)
    resisting = tape.look(lax, closed=True, leak=Leak(conductance=crs / 3.0))
    rate = 1.0 / (3.0 * (1.0 + infant.rrs_kpa_s_l / 1000.0 * crs / 3.0))
    assert np.allclose(resisting.states[0] / crs, 0.8 * np.exp(-t * rate), rtol=1e-9)
    assert not resisting.flow.any()
    hole = tape.look(lax, closed=True, leak=Leak(orifice=0.2 * crs))
    root = np.sqrt(hole.airway)
    assert np.allclose(root, np.sqrt(hole.airway[0]) - 0.1 * t, atol=2e-3)
    assert not hole.flow.any()


@pytest.mark.parametrize("drive", [0.7, -0.4])
@pytest.mark.parametrize("before", [0.0005, CLOSED])
def test_flow_divides_between_apparatus_and_hole(drive: float, before: float) -> None:
    hole, inside = Leak(conductance=20.0, orifice=120.0), 0.003
    airway = pressure_at_hole(drive, inside, before, hole)
    leaking = float(hole.flow_ml_s(np.array([airway]))[0])
    assert (drive - airway) / inside == pytest.approx(airway / before + leaking, rel=1e-9)


def test_a_hole_of_no_size_is_no_leak() -> None:
    tape = Tape(infant_of(), Setting())
    pull = muscle_pull(0.8, 0.4, 0.8, 0.2)
    without = tape.look(pull)
    tiny = tape.look(pull, leak=Leak(orifice=1e-9))
    assert np.allclose(tiny.flow, without.flow, atol=1e-4)


# --- filters and the air outside -----------------------------------------------------------------


@pytest.mark.parametrize("order", [2, 4, 8])
@pytest.mark.parametrize("corner_hz", [25.0, 80.0])
@pytest.mark.parametrize("kind", ["bessel", "butterworth"])
def test_step_of_a_filter_is_that_of_the_analogue_one(
    order: int, corner_hz: float, kind: str
) -> None:
    w = 2.0 * np.pi * corner_hz
    if kind == "bessel":
        analogue = bessel(order, w, analog=True, norm="mag")
    else:
        analogue = butter(order, w, analog=True)
    # a step between two samples stands, on average, half a sample before the second
    _, expected = step(analogue, T=np.arange(802) / FINE_HZ / 2.0)
    channel = ChannelFilter(kind, order, corner_hz)  # type: ignore[arg-type]
    ours = through(np.concatenate([np.zeros(10), np.ones(400)]), channel)[10:]
    # the bilinear transform bends frequencies a little near half the fine rate
    assert np.abs(ours - expected[1:801:2]).max() < 0.01
    assert ours[-1] == pytest.approx(1.0, abs=3e-3)
    assert sections_of(channel).shape == ((order + 1) // 2, 6)


def test_a_delay_moves_a_channel_by_its_time() -> None:
    values = np.sin(np.arange(1000) / 50.0)
    late = through(values, ChannelFilter(order=0, delay_s=0.003))
    assert np.array_equal(late[6:], values[:-6])


# Standard atmosphere (ISO 2533:1975), printed values, kPa.
@pytest.mark.parametrize(
    ("altitude_m", "kpa"), [(0, 101.325), (1000, 89.875), (2000, 79.495), (3000, 70.109)]
)
def test_barometric_pressure_is_that_of_the_standard_atmosphere(
    altitude_m: float, kpa: float
) -> None:
    assert standard_pressure_kpa(altitude_m) == pytest.approx(kpa, rel=1e-4)
