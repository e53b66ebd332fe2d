"""Errors and acceptance over many infants from physics: `python -m tests.physics.tables`.

Some minutes for each hundred infants; `--infants` says how many, `--double` takes the other
technique. Errors are in percent of the truth of each infant, over the mean of its accepted trials.
"""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Callable, Iterable
from itertools import pairwise

import numpy as np

from tests.physics.conftest import glottis_closed, leaking
from tests.physics.infants import draw_ward
from tests.physics.seen import SeenInfant, SeenTrial, joined, see

OUTCOMES = {
    "single_occlusion": ("crs_ml_kpa", "rrs_kpa_s_l", "tau_s"),
    "double_occlusion": ("crs_ml_kpa", "rrs_kpa_s_l"),
}
Class = tuple[str, Callable[[SeenInfant], bool]]
AT_ONCE = 60


def between(name: str, of: Callable[[SeenInfant], float], edges: list[float]) -> list[Class]:
    def inside(low: float, high: float) -> Callable[[SeenInfant], bool]:
        return lambda infant: low <= of(infant) < high

    return [(f"{name} {low:g} to {high:g}", inside(low, high)) for low, high in pairwise(edges)]


CLASSES: list[Class] = [
    ("all", lambda _: True),
    *between("elevation, %", lambda i: i.elevation_pct, [-10, 10, 20, 30, 70]),
    *between("rate, Hz", lambda i: i.device.rate_hz, [100, 126, 251, 1001]),
    *between("order of the flow filter", lambda i: i.device.flow.order, [2, 4, 6, 9]),
    *between("corner, Hz", lambda i: i.device.flow.corner_hz, [25, 35, 50, 101]),
    *between("time constant, s", lambda i: i.tau_s, [0.1, 0.2, 0.35, 0.6]),
]


def rows(technique: str, kind: str, count: int, *, seed: int) -> list[SeenInfant]:
    """See so many infants of one kind, some at once."""
    rng, double = np.random.default_rng(seed), technique == "double_occlusion"
    seen: list[SeenInfant] = []
    while len(seen) < count:
        bodies = kind if kind in ("compartments", "stress") else "linear"
        ward = draw_ward(rng, min(AT_ONCE, count), kinds=(bodies,), double=double)  # type: ignore[arg-type]
        ward = leaking(ward, rng) if kind == "leaking" else ward
        ward = glottis_closed(ward, rng) if kind == "late" else ward
        seen += see(joined([ward]), technique, rng=rng)
    return seen


def accepted(trials: Iterable[SeenTrial]) -> str:
    sound = [trial for trial in trials if trial.is_sound]
    names = Counter(name for trial in sound for name in trial.broken)
    share = 100.0 * np.mean([not trial.broken for trial in sound]) if sound else np.nan
    return f"{share:.1f} % of {len(sound)} {dict(names) or ''}"


def show_errors(technique: str, infants: list[SeenInfant]) -> None:
    for name, belongs in CLASSES:
        chosen = [infant for infant in infants if belongs(infant)]
        if not chosen:
            continue
        cells = []
        for quantity in OUTCOMES[technique]:
            errors = np.array([infant.error_pct(quantity) for infant in chosen])
            errors = errors[np.isfinite(errors)]
            size = np.abs(errors)
            told = (f"{errors.mean():+.2f}", f"{np.percentile(size, 95):.2f}", f"{size.max():.2f}")
            cells.append(f"{quantity} {' / '.join(told)}")
        kept = accepted(t for infant in chosen for t in infant.trials)
        print(f"{name} | {len(chosen)} | {' | '.join(cells)} | {kept}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--infants", type=int, default=300)
    parser.add_argument("--double", action="store_true")
    asked = parser.parse_args()
    technique = "double_occlusion" if asked.double else "single_occlusion"
    print("class | infants | bias / P95 / worst, % | sound trials accepted")
    linear = rows(technique, "linear", asked.infants, seed=101)
    show_errors(technique, linear)
    print("miscounted:", sum(infant.miscounted != 0 for infant in linear))
    part = max(asked.infants // 5, 12)
    for kind in ("compartments", "stress"):
        infants = rows(technique, kind, part, seed=102)
        print(kind, accepted(t for infant in infants for t in infant.trials))
        if technique == "single_occlusion" and kind == "compartments":
            errors = [
                100.0 * (t.values["tau_s"] / infant.slow_s - 1.0)
                for infant in infants
                for t in infant.trials
                if not t.broken
            ]
            print("  tau of the accepted against the slow constant, %:",
                  np.round(np.percentile(errors, [0, 5, 50, 95, 100]), 1))  # fmt: skip
    lost = [t for infant in rows(technique, "leaking", part, seed=103) for t in infant.trials]
    for low, high in ((5, 9), (9, 12), (12, 15), (15, 40)):
        found = [t for t in lost if low <= t.lost_pct < high]
        for rule in ("no_eel_shift", "plateau_holds"):
            share = 100.0 * np.mean([rule in t.broken for t in found]) if found else np.nan
            print(f"lost {low} to {high} % of VT: {rule} {share:.1f} % of {len(found)}")
    late = [t for infant in rows(technique, "late", 12, seed=104) for t in infant.trials]
    print("late flow named:", np.mean(["prompt_release" in t.broken for t in late]), len(late))


if __name__ == "__main__":
    main()
