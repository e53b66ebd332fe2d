"""The bench obeys the equations that it is to stand for, against closed forms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import integrate

from tests.physics.bodies import Bodies, Floats, Pattern
from tests.physics.infants import draw_ward
from tests.physics.sensors import Channel, sampled
from tests.physics.ventilation import FINE_HZ, Tape, breathe


def tapes_of(n: int, *, double: bool = False, **body: float) -> tuple[list[Tape], Bodies, Pattern]:
    ward = draw_ward(np.random.default_rng(4), n, double=double, count=2)
    bodies = replace(ward.bodies, **{k: np.full(n, v) for k, v in body.items()})
    pattern = replace(ward.pattern, heart_kpa=np.zeros(n))
    tapes = list(breathe(bodies, pattern, ward.plan, rng=np.random.default_rng(5), after=3))
    return tapes, bodies, pattern


def test_one_compartment_empties_exponentially_and_rests_at_its_recoil() -> None:
    tapes, bodies, _ = tapes_of(6, mask_ml_kpa=0.01)
    tau = bodies.compliance * (bodies.resistance + bodies.apparatus)
    for i, tape in enumerate(tapes):
        released = round(tape.opens[0, 0] * FINE_HZ)
        recoil = tape.volume_ml[released - 2] / bodies.compliance[i]
        assert tape.airway_kpa[released - 2] == pytest.approx(recoil, rel=2e-3)
        first, last = released + 100, round(tape.ends[0] * FINE_HZ) - 2
        fall = np.log(tape.volume_ml[first] / tape.volume_ml[last])
        assert (last - first) / FINE_HZ / fall == pytest.approx(tau[i], rel=2e-3)
        assert tape.flow_ml_s[first] == pytest.approx(-tape.volume_ml[first] / tau[i], rel=5e-3)


def test_two_compartments_and_stress_follow_an_ode_solver() -> None:
    ward = draw_ward(np.random.default_rng(7), 2, kinds=("compartments", "stress"), count=1)
    bodies = replace(ward.bodies, mask_ml_kpa=np.full(2, 0.01))
    pattern = replace(ward.pattern, heart_kpa=np.zeros(2))
    plan = replace(ward.plan, hold_s=np.full(2, 8.0), moving_s=np.full(2, 0.002))
    for i, tape in enumerate(breathe(bodies, pattern, plan, rng=np.random.default_rng(8), after=2)):
        released, last = round(tape.opens[0, 0] * FINE_HZ), round(tape.ends[0] * FINE_HZ)
        # After 8 s behind the shutter the compartments share one pressure and stress is gone.
        share = float(tape.volume_ml[released - 1] / bodies.compliance[i])
        start = [share * bodies.c1[i], share * bodies.c2[i], 0.0]

        def rates(_: float, y: Floats, i: int = i) -> list[float]:
            outer = bodies.r0[i] + bodies.apparatus[i]
            p1, p2 = y[0] / bodies.c1[i] + y[2], y[1] / bodies.c2[i] + y[2]
            g1, g2 = 1 / bodies.r1[i], 1 / bodies.r2[i]
            meet = (g1 * p1 + g2 * p2) / (g1 + g2 + 1 / outer)
            q1, q2 = g1 * (p1 - meet), g2 * (p2 - meet)
            stress = -bodies.stress_kpa_ml[i] * (q1 + q2) - y[2] / bodies.stress_s[i]
            return [-q1, -q2, stress]

        at = np.linspace(0.01, (last - released) / FINE_HZ - 0.01, 12)
        solved = integrate.solve_ivp(rates, (0.0, at[-1]), start, t_eval=at, rtol=1e-8)
        expected = solved.y[0] + solved.y[1]
        seen = tape.volume_ml[released + np.round((at + 0.0005) * FINE_HZ).astype(int)]
        assert seen == pytest.approx(expected, abs=0.015 * expected[0])


def test_what_passes_head_and_leak_leaves_the_lung() -> None:
    ward = draw_ward(np.random.default_rng(3), 4, count=2)
    plan = replace(ward.plan, leak=np.full(4, 20.0))
    for tape in breathe(ward.bodies, ward.pattern, plan, rng=np.random.default_rng(1), after=2):
        passed = np.cumsum(tape.flow_ml_s.astype(np.float64)) / FINE_HZ
        kept = tape.volume_ml - tape.volume_ml[0] - (passed - passed[0]) + tape.lost_ml
        gas = 0.3 * (np.abs(tape.airway_kpa).max() + 0.1)  # what the mask holds
        assert np.abs(kept).max() < gas
        assert tape.lost_ml[-1] > 2.0


def test_the_level_stands_as_high_as_time_constant_and_pause_say() -> None:
    tapes, bodies, pattern = tapes_of(12)
    tau = bodies.compliance * (bodies.resistance + bodies.apparatus) * pattern.brake
    kept = np.exp(-pattern.te_s / tau)
    for i, tape in enumerate(tapes):
        starts = np.round(tape.starts * FINE_HZ).astype(int)
        before = starts[starts < tape.closes[0, 0] * FINE_HZ][2:]
        level = float(tape.volume_ml[before].mean())
        expected = pattern.vt_ml[i] * kept[i] / (1.0 - kept[i])
        assert level == pytest.approx(expected, abs=0.12 * pattern.vt_ml[i])
        assert tape.volume_ml[round(tape.ends[0] * FINE_HZ)] < 0.15 * 1.5 * pattern.vt_ml[i]


def test_a_filter_keeps_the_area_of_a_step_and_rings_as_its_order_says() -> None:
    pulse = np.zeros(4000)
    pulse[1000:1600] = 100.0
    rng = np.random.default_rng(1)
    for order, least, most in ((2, 3.0, 6.0), (8, 14.0, 22.0)):
        seen = sampled(pulse, Channel("butter", order, 28.0), rate_hz=FINE_HZ, rng=rng)
        assert seen.sum() == pytest.approx(pulse.sum(), rel=1e-3)
        assert least < seen.max() - 100.0 < most
    late = sampled(pulse, Channel("bessel", 4, 60.0, delay_s=0.004), rate_hz=500.0, rng=rng)
    soon = sampled(pulse, Channel("bessel", 4, 60.0), rate_hz=500.0, rng=rng)
    assert late[2:] == pytest.approx(soon[:-2], abs=1e-6)
