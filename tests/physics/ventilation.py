"""Breathing and occlusions by the equations of motion, stepped for all infants side by side.

Implicit midpoint steps of 0.5 ms: the error of a time constant of 0.1 s is below 1e-5. The airway
opening holds a little gas; shutter, orifice and larynx are conductances that change in time.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.physics.bodies import Bodies, Floats, Manoeuvres, Pattern

FINE_HZ = 2000.0
STEP_S = 1.0 / FINE_HZ
_PART = 4000  # steps in one piece of the log
INSPIRING, EXPIRING, RELAXING, HOLDING, EMPTYING, OVER = range(6)
Floats32 = NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Tape:
    """What happened to one infant; arrays of shape (n,) at FINE_HZ, volume above relaxation.

    `flow_ml_s` passes the flow head (inspiration positive), `airway_kpa` is the mask, `lost_ml`
    the gas that passed the leak (out positive) up to each moment. `closes` and `opens` (s) are
    the beginnings of each movement of the shutter, (trials, occlusions); `ends` (s) is where the
    next inspiration begins; `starts` (s) are all inspirations.
    """

    flow_ml_s: Floats32
    airway_kpa: Floats32
    volume_ml: Floats32
    lost_ml: Floats32
    closes: Floats
    opens: Floats
    ends: Floats
    starts: Floats


@dataclass(frozen=True, slots=True)
class _Fixed:
    """What no step changes: taken out of the loop, which runs a hundred thousand times."""

    everyone: NDArray[np.int64]
    relax: Floats
    stiff: Floats
    g1: Floats
    g2: Floats
    inner: Floats
    through: Floats
    gas: Floats
    r_all: Floats
    braked: Floats
    narrowing: Floats
    shutter_step: Floats
    bump_at_s: Floats
    bump_s: Floats
    holds_back: NDArray[np.bool_]
    always_leaks: NDArray[np.bool_]
    is_late: bool
    dips: bool
    leaks: bool
    beats: bool
    efforts: bool

    @classmethod
    def of(cls, b: Bodies, pattern: Pattern, plan: Manoeuvres, tau: Floats) -> _Fixed:
        h = 0.5 * STEP_S
        relax = 1.0 + h / b.stress_s
        g1, g2 = 1.0 / (b.r1 + h / b.c1), 1.0 / (b.r2 + h / b.c2)
        inner = g1 + g2
        r_all = b.r0 + 1.0 / (1.0 / b.r1 + 1.0 / b.r2) + b.apparatus
        return cls(
            everyone=np.arange(b.c1.size),
            relax=relax,
            stiff=b.stress_kpa_ml * h / relax,
            g1=g1,
            g2=g2,
            inner=inner,
            through=1.0 / inner,
            gas=b.mask_ml_kpa / STEP_S,
            r_all=r_all,
            braked=r_all * (pattern.brake - 1.0),
            narrowing=0.02 * b.apparatus,
            shutter_step=STEP_S / plan.moving_s,
            bump_at_s=1.1 * tau,
            bump_s=0.35 * tau,
            holds_back=plan.glottis_s > 0,
            always_leaks=plan.leak_always > 0,
            is_late=bool((plan.glottis_s > 0).any()),
            dips=bool(plan.dip.any()),
            leaks=bool(plan.leak.any()),
            beats=bool(pattern.heart_kpa.any()),
            efforts=bool(plan.effort_kpa.any()),
        )


class _Run:
    """State of all infants; one element each."""

    def __init__(
        self, bodies: Bodies, pattern: Pattern, plan: Manoeuvres, rng: np.random.Generator
    ) -> None:
        self.bodies, self.pattern, self.plan, self.rng = bodies, pattern, plan, rng
        n = bodies.c1.size
        self.n = n
        tau = bodies.compliance * (bodies.resistance + bodies.apparatus)
        self.tau = tau
        keep = np.exp(-pattern.te_s / (tau * pattern.brake))
        rest = pattern.vt_ml * keep / (1.0 - keep)  # first guess of the level above relaxation
        self.v1 = rest * bodies.c1 / bodies.compliance
        self.v2 = rest * bodies.c2 / bodies.compliance
        self.stress = np.zeros(n)
        self.mask = np.zeros(n)
        self.lost = np.zeros(n)
        self.mode = np.full(n, INSPIRING)
        self.clock = np.zeros(n)
        self.shut = np.zeros(n)  # 0 open, 1 shut
        self.moving = np.zeros(n)  # +1 closing, -1 opening
        self.outer: Floats | None = None  # conductance to the room, as the shutter stands
        self.breath = np.zeros(n, dtype=np.int64)
        self.trial = np.zeros(n, dtype=np.int64)
        self.closure = np.zeros(n, dtype=np.int64)
        self.due = plan.between[:, 0].copy()
        self.pmus = np.zeros(n)
        self.pmus_from = np.zeros(n)
        self.push = np.zeros(n)
        self.since_open = np.full(n, 1e3)
        self.held_ml = np.zeros(n)
        k = plan.shares.shape[1]
        self.k = k
        self.closes = np.full((n, plan.count, k), np.nan)
        self.opens = np.full((n, plan.count, k), np.nan)
        self.ends = np.full((n, plan.count), np.nan)
        self.starts: list[list[float]] = [[0.0] for _ in range(n)]
        self.amplitude, self.ti, self.te = np.zeros(n), np.zeros(n), np.zeros(n)
        self.rest = rest
        self.fixed = _Fixed.of(bodies, pattern, plan, tau)
        self.draw(np.ones(n, dtype=bool))

    def draw(self, who: NDArray[np.bool_]) -> None:
        """Draw the next breath of some infants."""
        rng, p = self.rng, self.pattern
        z = np.clip(rng.standard_normal((3, self.n)), -2.5, 2.5)
        ti = p.ti_s * (1.0 + p.time_cv * z[0])
        te = p.te_s * (1.0 + p.time_cv * z[1])
        omega = 0.5 * np.pi / ti
        lag = omega * self.tau
        gain = (1.0 + lag * np.exp(-ti / self.tau)) / (1.0 + lag**2)
        wanted = p.vt_ml * (1.0 + p.vt_cv * z[2]) + self.rest * (1.0 - np.exp(-ti / self.tau))
        amplitude = wanted / (self.bodies.compliance * gain)
        self.ti = np.where(who, ti, self.ti)
        self.te = np.where(who, te, self.te)
        self.amplitude = np.where(who, amplitude, self.amplitude)

    def enter(self, who: NDArray[np.bool_], mode: int) -> None:
        self.mode[who] = mode
        self.clock[who] = 0.0
        self.pmus_from[who] = self.pmus[who]


def breathe(
    bodies: Bodies, pattern: Pattern, plan: Manoeuvres, *, rng: np.random.Generator, after: int = 6
) -> Iterator[Tape]:
    """Let every infant breathe, be occluded `plan.count` times, and breathe `after` times more."""
    run = _Run(bodies, pattern, plan, rng)
    parts: list[NDArray[np.float32]] = []
    length = np.zeros(run.n, dtype=np.int64)
    step = 0
    while (run.mode != OVER).any():
        if step % _PART == 0:
            parts.append(np.zeros((4, run.n, _PART), dtype=np.float32))
        _control(run, step * STEP_S, after)
        flow = _advance(run)
        parts[-1][:, :, step % _PART] = flow, run.mask, run.v1 + run.v2, run.lost
        length += run.mode != OVER
        step += 1
    for i in range(run.n):
        flow_ml_s, airway_kpa, volume_ml, lost_ml = (
            np.concatenate([part[j, i] for part in parts])[: length[i]] for j in range(4)
        )
        yield Tape(
            flow_ml_s=flow_ml_s,
            airway_kpa=airway_kpa,
            volume_ml=volume_ml,
            lost_ml=lost_ml,
            closes=run.closes[i],
            opens=run.opens[i],
            ends=run.ends[i],
            starts=np.array(run.starts[i]),
        )


def _control(run: _Run, now_s: float, after: int) -> None:
    """Muscle, larynx and shutter of the next step: who goes on to what."""
    plan = run.plan
    mode, clock = run.mode, run.clock
    volume = run.v1 + run.v2
    # The end of an inspiration: expiration, or the shutter when an occlusion is due.
    done = (mode == INSPIRING) & (clock >= run.ti)
    if done.any():
        due = done & (run.due <= 0) & (run.trial < plan.count)
        run.enter(done & ~due, EXPIRING)
        run.held_ml[due] = volume[due]
        run.closure[due] = 0
        at_once = due & (plan.shares[:, 0] >= 1.0)
        run.enter(due, EMPTYING)
        _close(run, at_once, now_s)
    # Passive emptying: the next closure, or the next breath.
    emptying = (run.mode == EMPTYING) & (run.moving <= 0)
    if emptying.any():
        places = np.minimum(run.closure, run.k - 1)
        share = np.where(run.closure < run.k, plan.shares[run.fixed.everyone, places], -1.0)
        _close(run, emptying & (volume <= share * run.held_ml) & (run.closure < run.k), now_s)
        over = emptying & (run.closure >= run.k) & (volume <= plan.early_share * run.held_ml)
        over &= run.moving <= 0
        if over.any():
            run.ends[over, run.trial[over]] = now_s
            run.trial[over] += 1
            run.due[over] = np.where(
                run.trial[over] < plan.count,
                plan.between[over, np.minimum(run.trial[over], plan.count - 1)],
                after,
            )
            _inspire(run, over, now_s)
    holding = (run.mode == HOLDING) & (run.clock >= plan.hold_s)
    if holding.any():
        who = np.flatnonzero(holding)
        run.opens[who, run.trial[who], run.closure[who]] = now_s
        run.closure[who] += 1
        run.moving[who] = -1.0
        run.since_open[who] = 0.0
        run.enter(holding, EMPTYING)
    ended = (run.mode == EXPIRING) & (run.clock >= run.te)
    if ended.any():
        run.due[ended] -= 1
        over = ended & (run.trial >= plan.count) & (run.due <= 0)
        run.mode[over] = OVER
        _inspire(run, ended & ~over, now_s)
    _muscle(run, now_s)


def _close(run: _Run, who: NDArray[np.bool_], now_s: float) -> None:
    if who.any():
        places = np.flatnonzero(who)
        run.closes[places, run.trial[places], run.closure[places]] = now_s
        run.moving[places] = 1.0
        run.enter(who, HOLDING)


def _inspire(run: _Run, who: NDArray[np.bool_], now_s: float) -> None:
    run.enter(who, INSPIRING)
    run.draw(who)
    for i in np.flatnonzero(who):
        run.starts[i].append(now_s)


def _muscle(run: _Run, now_s: float) -> None:
    """Muscle pressure, kPa, inspiratory positive, and what else presses on the lung."""
    clock, pattern = run.clock, run.pattern
    inward = run.amplitude * np.sin(0.5 * np.pi * np.minimum(clock / run.ti, 1.0))
    # A new effort starts from what is left of the last one.
    left = run.pmus_from * np.exp(-clock / 0.05)
    relax = np.where(run.mode == EXPIRING, pattern.lets_go_s, run.plan.relax_s)
    gone = run.pmus_from * np.exp(-clock / relax)
    run.pmus = np.where(run.mode == INSPIRING, np.maximum(inward, left), gone)
    if run.fixed.beats:
        beat = 2.0 * np.pi * pattern.heart_hz * now_s
        run.push = pattern.heart_kpa * (np.sin(beat) + 0.3 * np.sin(2.0 * beat + 1.0))
    if run.fixed.efforts:
        effort = run.plan.effort_kpa * np.sin(np.pi * clock / 0.2) ** 2
        effort = np.where(run.mode == HOLDING, effort, 0.0)
        run.push = effort + run.push if run.fixed.beats else effort


def _advance(run: _Run) -> Floats:
    """One implicit midpoint step; flow through the head, mL/s, inspiration positive."""
    b, fixed = run.bodies, run.fixed
    emptying = run.mode == EMPTYING
    outer = _shutter(run)
    held = _held_back(run, emptying)
    leaking = _leaking(run, emptying)
    run.since_open += STEP_S
    # Midpoint: pressures at h ahead depend on flow, which adds to resistance.
    e1, e2 = run.v1 / b.c1 + run.push - run.pmus, run.v2 / b.c2 + run.push - run.pmus
    ahead = run.stress / fixed.relax
    driving = (fixed.g1 * e1 + fixed.g2 * e2) / fixed.inner + ahead
    path = b.r0 + held + fixed.through + fixed.stiff
    gas = fixed.gas
    mask = (gas * run.mask + driving / path) / (gas + 1.0 / path + outer + leaking)
    out = (driving - mask) / path
    meet = driving - ahead - out / fixed.inner
    q1, q2 = fixed.g1 * (e1 - meet), fixed.g2 * (e2 - meet)
    run.v1 = run.v1 - STEP_S * q1
    run.v2 = run.v2 - STEP_S * q2
    stressed = ahead - fixed.stiff * out
    run.stress = run.stress - STEP_S * (b.stress_kpa_ml * out + stressed / b.stress_s)
    if fixed.leaks:
        run.lost = run.lost + STEP_S * leaking * mask
    run.mask = mask
    run.clock = run.clock + STEP_S
    return -outer * mask


def _shutter(run: _Run) -> Floats:
    """Move the shutter by a step; the conductance from the mask to the room, mL/s per kPa."""
    b, fixed = run.bodies, run.fixed
    if not run.moving.any() and run.outer is not None:
        return run.outer
    run.shut = np.minimum(np.maximum(run.shut + run.moving * fixed.shutter_step, 0.0), 1.0)
    run.moving = np.where((run.shut <= 0.0) & (run.moving < 0), 0.0, run.moving)
    run.moving = np.where((run.shut >= 1.0) & (run.moving > 0), 0.0, run.moving)
    area = (1.0 - run.shut) ** 2
    narrow = b.apparatus + fixed.narrowing * (1 / np.maximum(area, 1e-9) - 1)
    run.outer = np.where(area > 0, 1.0 / narrow, 0.0)
    return run.outer


def _held_back(run: _Run, emptying: NDArray[np.bool_]) -> Floats:
    """Resistance that larynx and glottis add, kPa.s/mL; what nobody of a run has costs nothing."""
    plan, fixed = run.plan, run.fixed
    held: Floats = np.where(run.mode == EXPIRING, fixed.braked, 0.0)
    if not (fixed.is_late or fixed.dips):
        return held
    after_s = np.where(emptying, run.since_open, 1e3)
    if fixed.is_late:
        late = np.clip((plan.glottis_s + 0.02 - after_s) / 0.02, 0.0, 1.0) * fixed.holds_back
        late = np.where(emptying & (run.closure >= run.k), late, 0.0)
        held = held + 1e3 * fixed.r_all * late**4
    if fixed.dips:
        bump = np.exp(-(((after_s - fixed.bump_at_s) / fixed.bump_s) ** 2))
        held = held + fixed.r_all * (1.0 / np.maximum(1.0 - plan.dip * bump, 0.02) - 1.0)
    return held


def _leaking(run: _Run, emptying: NDArray[np.bool_]) -> Floats | float:
    """Conductance of the orifice beside the mask, mL/s per kPa."""
    if not run.fixed.leaks:
        return 0.0
    after_s = np.where(emptying, run.since_open, 1e3)
    is_open = run.fixed.always_leaks | (run.shut > 0) | (after_s < 0.05)
    leaking: Floats = np.where(is_open, run.plan.leak, 0.0)
    return leaking / np.sqrt(np.abs(run.mask) + 1e-4)
