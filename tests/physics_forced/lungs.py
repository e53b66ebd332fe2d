"""Respiratory systems that are driven by muscle pressure, integrated in small steps.

Volume V is that of the lungs above their relaxation volume. Muscle pressure, applied airway
pressure and jacket pressure drive flow through a resistance against elastic recoil and, where the
body has it, a spring and dashpot that relaxes (viscoelastic):

    R dV/dt = P_muscle + P_applied - transmitted jacket pressure - V / C - P_relaxing
    dP_relaxing/dt = E2 dV/dt - P_relaxing / tau2

Expired flow cannot exceed a limit that falls with volume. The breathing level stands above the
relaxation volume as far as the time constant and the rate let it: nothing sets it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from math import exp, log, pi, sin

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
FINE_HZ = 2000.0


@dataclass(frozen=True, slots=True)
class Body:
    """One infant. Pressures kPa, volumes mL, resistance kPa.s/mL; expired flow limit mL/s."""

    weight_kg: float
    tidal_ml: float
    rate_per_min: float
    inspired_share: float
    compliance_ml_kpa: float
    resistance: float
    frc_ml: float  # at the breathing level aimed at; the level itself follows from the motion
    reserve_ml: float  # from the relaxation volume down to residual volume
    limit_ml_s: float  # flow limit at the relaxation volume
    limit_power: float = 1.0
    relaxing_share: float = 0.0  # E2 * C: stiffness of what relaxes over that of the rest
    relaxing_s: float = 1.0
    brake: float = 1.0  # how much larger resistance is early in expiration
    apparatus: float = 0.5e-3  # resistance of flow head and mask, kPa.s/mL
    scatter: float = 0.09  # of tidal volume and of time, breath by breath

    @property
    def cycle_s(self) -> float:
        """Duration of a usual breath."""
        return 60.0 / self.rate_per_min

    def limit(self, volume_ml: float) -> float:
        """Largest expired flow at a volume above relaxation, mL/s."""
        share = (volume_ml + self.reserve_ml) / self.reserve_ml
        return self.limit_ml_s * float(max(share, 0.0) ** self.limit_power)


def draw_body(
    rng: np.random.Generator, *, weight_kg: float, elevation: float, relaxing: bool = False
) -> Body:
    """Draw an infant whose time constant lifts the breathing level by about a share of VT.

    In tE the lungs empty from VT + e to e: tE = tau ln((VT + e) / e).
    """
    rate = float(np.interp(weight_kg, [3, 12], [52, 28])) * float(rng.uniform(0.9, 1.12))
    tidal = weight_kg * float(rng.uniform(6.8, 9.0))
    inspired = float(rng.uniform(0.38, 0.45))
    compliance = weight_kg * float(rng.uniform(8.0, 12.0))
    expired_s = 60.0 / rate * (1.0 - inspired)
    tau = 0.9 * expired_s / log((1.0 + elevation) / max(elevation, 0.012))
    frc = weight_kg * float(rng.uniform(18.0, 27.0))
    reserve = frc * float(rng.uniform(0.42, 0.55))
    return Body(
        weight_kg=weight_kg,
        tidal_ml=tidal,
        rate_per_min=rate,
        inspired_share=inspired,
        compliance_ml_kpa=compliance,
        resistance=tau / compliance,
        frc_ml=frc,
        reserve_ml=reserve,
        limit_ml_s=reserve * float(rng.uniform(1.3, 3.2)),
        limit_power=float(rng.uniform(0.9, 1.35)),
        relaxing_share=float(rng.uniform(0.1, 0.25)) if relaxing else 0.0,
        relaxing_s=float(rng.uniform(0.8, 1.6)),
        brake=float(rng.uniform(1.0, 1.8)),
    )


@dataclass(slots=True)
class Course:
    """What has happened so far, and how to go on. Arrays are kept at FINE_HZ."""

    body: Body
    rng: np.random.Generator
    volume_ml: float = 0.0
    relaxing_kpa: float = 0.0
    parts: dict[str, list[Array]] = field(default_factory=dict)
    events: dict[str, list[int]] = field(default_factory=dict)
    n: int = 0
    gain_kpa: float = 0.0
    drift_ml: float = 0.0

    def note(self, name: str) -> None:
        """Remember the present sample under a name."""
        self.events.setdefault(name, []).append(self.n)

    def whole(self, name: str) -> Array:
        """Put together one signal."""
        return np.concatenate(self.parts[name])

    def move(
        self,
        muscle_kpa: Array,
        *,
        applied_kpa: Array | float = 0.0,
        jacket_kpa: Array | float = 0.0,
        transmitted: float = 0.6,
        brake: Array | float = 1.0,
        open_share: Array | float = 1.0,
        stop: Callable[[int, float, float], bool] | None = None,
    ) -> int:
        """Integrate over as many steps as muscle pressure has, or until `stop(i, flow, volume)`.

        `open_share` closes the airway: flow is its share of what would flow.
        """
        body, n = self.body, int(muscle_kpa.size)
        applied, jacket, braking, opening = (
            np.broadcast_to(np.asarray(each, dtype=np.float64), (n,)).tolist()
            for each in (applied_kpa, jacket_kpa, brake, open_share)
        )
        muscle = muscle_kpa.tolist()
        volume, relaxing, step = self.volume_ml, self.relaxing_kpa, 1.0 / FINE_HZ
        stiff = 1.0 / body.compliance_ml_kpa
        second = body.relaxing_share * stiff
        fade = exp(-step / body.relaxing_s)
        resistance, apparatus = body.resistance, body.apparatus
        reserve, top, power = body.reserve_ml, body.limit_ml_s, body.limit_power
        flows, volumes = [0.0] * n, [0.0] * n
        for i in range(n):
            drive = muscle[i] + applied[i] - transmitted * jacket[i] - volume * stiff - relaxing
            flow = drive / (resistance * (braking[i] if drive < 0 else 1.0) + apparatus)
            if flow < 0.0:
                share = (volume + reserve) / reserve
                most = top * share**power if share > 0.0 else 0.0
                # The smaller of the two, joined smoothly as turbulence joins them.
                flow = -1.0 / (1.0 / flow**6 + 1.0 / most**6) ** (1 / 6) if most > 1e-6 else 0.0
            flow *= opening[i]
            flows[i], volumes[i] = flow, volume
            volume += flow * step
            relaxing = (relaxing + second * flow * step) * fade
            if stop is not None and stop(i, flow, volume):
                n = i + 1
                break
        self.volume_ml, self.relaxing_kpa = volume, relaxing
        kept = {
            "flow": np.array(flows[:n]),
            "volume": np.array(volumes[:n]),
            "applied": np.array(applied[:n]),
            "jacket": np.array(jacket[:n]),
            "muscle": np.array(muscle[:n]),
        }
        for name, values in kept.items():
            self.parts.setdefault(name, []).append(values)
        self.n += n
        return n

    def effort(self, *, size: float = 1.0, pace: float = 1.0) -> tuple[Array, Array]:
        """Muscle pressure of one breath, rising to the end of inspiration and fading after it.

        Also how much the larynx brakes: most where expiration begins.
        """
        if self.gain_kpa == 0.0:
            self.gain_kpa = self._gain()
        unit, brake = _unit_effort(self.body, pace=pace)
        return self.gain_kpa * size * unit, brake

    def _gain(self) -> float:
        """Muscle pressure that gives the tidal volume: the motion is linear but for limits."""
        body = self.body
        unit, brake = _unit_effort(body, pace=1.0)
        probe = Course(body, self.rng)
        gain = body.tidal_ml / body.compliance_ml_kpa
        for _ in range(4):
            for _ in range(6):
                probe.move(gain * unit, brake=brake)
            last = probe.parts["volume"][-1]
            gain *= body.tidal_ml / float(last.max() - last[0])
        return gain

    def breathe(self, breaths: int, *, size: float = 1.0, wander: float = 0.03) -> None:
        """Quiet breathing with its scatter; the level wanders by a share of tidal volume."""
        body = self.body
        for _ in range(breaths):
            depth = size * (1.0 + body.scatter * _normal(self.rng))
            pace = 1.0 + 0.6 * body.scatter * _normal(self.rng)
            muscle, brake = self.effort(size=depth, pace=pace)
            tone = wander * body.tidal_ml / body.compliance_ml_kpa * _normal(self.rng)
            self.note("breath")
            self.move(muscle + tone * np.hanning(muscle.size), brake=brake)

    def inspire(self, *, size: float = 1.0) -> None:
        """Breathe in until flow stops, and hold the muscles there for what follows."""
        self.note("breath")
        muscle, _ = self.effort(size=size)
        begun = [False]

        def stop(_: int, flow: float, __: float) -> bool:
            begun[0] = begun[0] or flow > 0.0
            return begun[0] and flow <= 0.0

        self.move(muscle, stop=stop)

    def relax(self, seconds: float, *, until_ml_s: float = 0.0) -> None:
        """Let the lungs empty passively, from what the muscles held, which fades at once."""
        held = float(self.parts["muscle"][-1][-1]) if self.parts else 0.0
        t = np.arange(round(seconds * FINE_HZ)) / FINE_HZ
        self.move(
            held * np.exp(-t / 0.03),
            stop=lambda i, flow, _: i > 300 and -flow < until_ml_s,
        )

    def inflate(self, pressure_kpa: float, seconds: float, *, rise_s: float = 0.25) -> None:
        """Raise the pressure at the mouth and hold it there."""
        self.note("inflation")
        t = np.arange(round(seconds * FINE_HZ)) / FINE_HZ
        self.move(np.zeros(t.size), applied_kpa=pressure_kpa * (1.0 - np.exp(-t / rise_s * 2.5)))

    def squeeze(
        self,
        pressure_kpa: float,
        *,
        fill_s: float = 0.02,
        least_share: float = 0.05,
        longest_s: float = 2.5,
        open_s: float = 0.005,
        transmitted: float = 0.6,
    ) -> None:
        """Fill the jacket until flow is below a share of its peak, then let the infant breathe in.

        The next breath empties the jacket as it begins.
        """
        self.note("squeeze")
        t = np.arange(round(longest_s * FINE_HZ)) / FINE_HZ
        held = float(self.parts["muscle"][-1][-1])
        most = [1.0]

        def stop(i: int, flow: float, _: float) -> bool:
            most[0] = max(most[0], -flow)
            return i > 0.15 * FINE_HZ and -flow < least_share * most[0]

        jacket = pressure_kpa * (1.0 - np.exp(-t / fill_s))
        opening = 1.0 - np.exp(-t / open_s)
        self.move(
            held * np.exp(-t / 0.03),
            jacket_kpa=jacket,
            transmitted=transmitted,
            open_share=opening,
            stop=stop,
        )
        self.note("squeezed")
        muscle, brake = self.effort(size=1.15)
        t = np.arange(muscle.size) / FINE_HZ
        last = float(self.parts["jacket"][-1][-1])
        self.move(muscle, jacket_kpa=last * np.exp(-t / 0.04), transmitted=transmitted, brake=brake)


def _unit_effort(body: Body, *, pace: float) -> tuple[Array, Array]:
    cycle_s = body.cycle_s * pace
    inspired_s = body.inspired_share * cycle_s
    n = round(cycle_s * FINE_HZ)
    t = np.arange(n) / FINE_HZ
    rise = np.array([sin(0.5 * pi * min(each / inspired_s, 1.0)) for each in t.tolist()])
    # The muscles give way over about a seventh of expiration: the peak of expired flow is round.
    fade = np.exp(-np.maximum(t - inspired_s, 0.0) / (0.14 * (cycle_s - inspired_s)))
    after = np.maximum(t - inspired_s, 0.0) / (cycle_s - inspired_s)
    brake = 1.0 + (body.brake - 1.0) * np.exp(-((after / 0.35) ** 2)) * (t >= inspired_s)
    return rise * fade, brake


def _normal(rng: np.random.Generator) -> float:
    return float(np.clip(rng.standard_normal(), -2.5, 2.5))
