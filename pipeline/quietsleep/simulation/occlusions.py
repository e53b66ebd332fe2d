"""The shutter: it closes, the infant relaxes behind it, it opens, the infant empties passively."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from quietsleep.simulation.bodies import FINE_HZ, FloatArray
from quietsleep.simulation.tape import Leak, Stretch, Tape, resisting_leak

PLATEAU_S = 0.1  # the end of an occlusion over which its pressure is told
LATE_SHARES = (0.4, 0.1)  # left of the expired volume: where the late limb begins and ends
GLOTTIS_OPENS_S = 0.03


@dataclass(frozen=True, slots=True)
class SimulatedOcclusion:
    """One occlusion: how long, how well the infant relaxes, and what goes wrong.

    `relaxation_s` is the time constant with which the muscles let go (the infant's own where none
    is given), `effort_kpa` a breathing effort against the shutter. `brake` is the share of flow
    that the larynx holds back halfway through expiration, `glottis_s` how long the glottis holds
    pressure back after the release. `stop_share` says where (share of VT above EEL) an early breath
    ends the expiration, `wander` the share of VT by which EEL swings before. The mask may leak
    when the shutter opens (`lost_share` of VT escapes) or behind the closed shutter
    (`leak_tau_s`: time constant with which the lung empties through it).
    """

    duration_s: float = 0.7
    relaxation_s: float | None = None
    effort_kpa: float = 0.0
    brake: float = 0.0
    glottis_s: float = 0.0
    lost_share: float = 0.0
    leak_tau_s: float = 0.0
    stop_share: float | None = None
    wander: float = 0.0
    leak_orifice: bool = False


@dataclass(frozen=True, slots=True)
class Held:
    """What was true of one closed shutter.

    `volume_ml` above relaxation volume when it had closed, `before_ml` when it began to,
    `plateau_kpa` mask pressure at the end, `flow_before_ml_s` gas out of the infant just before,
    `lost_ml` gas that leaked while closed.
    """

    volume_ml: float
    before_ml: float
    plateau_kpa: float
    flow_before_ml_s: float
    lost_ml: float


def gate(tape: Tape, *, opens: bool) -> FloatArray:
    """How far the shutter stands open while it moves (n,)."""
    n = max(round(tape.setting.shutter_s * FINE_HZ), 1)
    share = np.arange(n + 1) / n
    return share if opens else 1.0 - share


def closed_leak(tape: Tape, tau_s: float, *, orifice: bool) -> Leak:
    """The leak that empties the lung with a time constant behind the closed shutter.

    A hole is as large as makes the same flow at the present recoil pressure.
    """
    if not tau_s:
        return tape.leak
    conductance = tape.infant.crs_ml_kpa / tau_s
    if not orifice:
        return Leak(conductance=conductance)
    return Leak(orifice=conductance * float(np.sqrt(max(tape.recoil_kpa, 0.05))))


def occlude(tape: Tape, occlusion: SimulatedOcclusion) -> Held:
    """Close, hold and open the shutter while the muscles let go."""
    relaxation = occlusion.relaxation_s or tape.infant.relaxation_s
    leak = closed_leak(tape, occlusion.leak_tau_s, orifice=occlusion.leak_orifice)
    drive = tape.recoil_kpa - tape.tone_kpa
    before, began = drive / (tape.body.resistance + tape.apparatus), tape.volume_ml
    tape.note("closed")
    moving = gate(tape, opens=False)
    closing = tape.look_through(tape.relaxing((len(moving) - 1) / FINE_HZ, relaxation), moving)
    tape.write(closing)
    volume = tape.volume_ml
    muscle = tape.relaxing(occlusion.duration_s, relaxation)
    if occlusion.effort_kpa:
        t = np.arange(len(muscle)) / FINE_HZ
        muscle = muscle + occlusion.effort_kpa * np.sin(np.pi * t / 0.2) ** 2
    held = tape.write(tape.look(muscle, closed=True, leak=leak))
    last = round(min(PLATEAU_S, 0.5 * occlusion.duration_s) * FINE_HZ)
    lost = volume - tape.volume_ml
    tape.note("opened")
    open_shutter(tape, glottis_s=occlusion.glottis_s, relaxation_s=relaxation)
    return Held(volume, began, float(held.airway[-last:].mean()), before, lost)


def open_shutter(tape: Tape, *, glottis_s: float, relaxation_s: float) -> None:
    """Open the shutter; a closed glottis lets gas out only later."""
    moving = gate(tape, opens=True)
    if not glottis_s:
        muscle = tape.relaxing((len(moving) - 1) / FINE_HZ, relaxation_s)
        tape.write(tape.look_through(muscle, moving))
        return
    n = round((glottis_s + GLOTTIS_OPENS_S) * FINE_HZ)
    share = np.clip((np.arange(n + 1) / FINE_HZ - glottis_s) / GLOTTIS_OPENS_S, 0.0, 1.0)
    with np.errstate(divide="ignore"):
        larynx = tape.body.resistance * (share**-2.0 - 1.0)
    opened = np.concatenate([moving, np.ones(max(n + 1 - len(moving), 0))])[: n + 1]
    tape.write(tape.look_through(tape.relaxing(n / FINE_HZ, relaxation_s), opened, larynx=larynx))


def empty(
    tape: Tape,
    *,
    to_ml: float | None = None,
    constants: float = 4.0,
    brake: float = 0.0,
    leak: Leak | None = None,
) -> Stretch:
    """Let the relaxed infant empty: so many time constants, or to a volume above relaxation.

    `brake` holds flow back around 1.1 time constants.
    """
    infant = tape.infant
    tau = (infant.rrs_kpa_s_l / 1000.0 + tape.apparatus) * infant.crs_ml_kpa
    seconds = max(constants * tau, 0.9) if to_ml is None else 12.0 * tau
    muscle = tape.relaxing(seconds, infant.relaxation_s)
    if brake:
        t = np.arange(len(muscle)) / FINE_HZ
        held_back = brake * np.exp(-(((t - 1.1 * tau) / (0.35 * tau)) ** 2))
        larynx = (tape.body.resistance + tape.apparatus) * held_back / (1.0 - held_back)
        stretch = tape.look_through(muscle, np.ones(len(muscle)), leak=leak, larynx=larynx)
    else:
        stretch = tape.look(muscle, leak=leak)
    stop = len(muscle) - 1
    if to_ml is not None and bool((stretch.volume <= to_ml).any()):
        stop = int(np.argmax(stretch.volume <= to_ml))
    return tape.write(stretch, stop)


def release_leak(tape: Tape, lost_share: float) -> Leak | None:
    """The leak through which so much of VT escapes while the lung empties."""
    if not lost_share:
        return None
    share = lost_share * tape.infant.vt_ml / tape.volume_ml
    return resisting_leak(min(share, 0.9), tape.setting.apparatus_resistance_kpa_s_l)


def bend_of(limb: Stretch) -> float:
    """How the passive limb bends: local time constant late over that where the late part begins.

    Of the exact limb, where 40 % and where 10 % of the expired volume are left; 1 is straight.
    """
    flow, volume = -limb.gas, limb.volume
    slope = [
        float((volume[i + 1] - volume[i - 1]) / (flow[i + 1] - flow[i - 1]))
        for i in late_part(limb)
    ]
    return slope[1] / slope[0]


def late_slope_s(limb: Stretch) -> float:
    """Mean time constant of the late part of the exact limb: volume over flow between its ends."""
    begin, end = late_part(limb)
    expired, slowed = limb.volume[begin] - limb.volume[end], limb.gas[end] - limb.gas[begin]
    return float(expired / slowed)


def late_part(limb: Stretch) -> tuple[int, int]:
    """Samples at which 40 % and 10 % of the expired volume are left."""
    left = (limb.volume - limb.volume[-1]) / (limb.volume[0] - limb.volume[-1])
    begin, end = (int(np.argmax(left <= share)) for share in LATE_SHARES)
    return begin, end
