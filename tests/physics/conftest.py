"""Wards of infants from physics, breathed and measured once for all processes of a run."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.physics.infants import Ward, draw_ward
from tests.physics.seen import SeenInfant, joined, see
from tests.shared import made_once


def leaking(ward: Ward, rng: np.random.Generator) -> Ward:
    """An orifice at the mask that opens with the shutter: about 8 to 28 % of VT gets lost."""
    plan, pattern = ward.plan, ward.pattern
    wanted = rng.uniform(0.08, 0.28, pattern.vt_ml.size) * pattern.vt_ml
    recoil = (1.0 + ward.elevation) * pattern.vt_ml / ward.bodies.compliance
    closed_s = plan.hold_s * plan.shares.shape[1]
    return replace(ward, plan=replace(plan, leak=wanted / np.sqrt(recoil) / closed_s))


def glottis_closed(ward: Ward, rng: np.random.Generator) -> Ward:
    """The larynx lets flow begin 60 to 200 ms after the last release."""
    late = rng.uniform(0.06, 0.2, ward.pattern.vt_ml.size)
    return replace(ward, plan=replace(ward.plan, glottis_s=late))


class Wards:
    """Infants by what is the matter with them."""

    def __init__(self, technique: str, *, double: bool, seed: int, curved: int) -> None:
        rng = np.random.default_rng(seed)
        parts = {
            "linear": draw_ward(rng, 54, double=double, count=4),
            "leaking": leaking(draw_ward(rng, 24, double=double, count=4), rng),
            "late": glottis_closed(draw_ward(rng, 9, double=double, count=4), rng),
            "compartments": draw_ward(rng, curved, kinds=("compartments",), double=double, count=4),
            "stress": draw_ward(rng, 9, kinds=("stress",), double=double, count=4),
        }
        seen = see(joined(list(parts.values())), technique, rng=rng)
        self.infants: dict[str, list[SeenInfant]] = {}
        for name, part in parts.items():
            count = len(part.kind)
            self.infants[name], seen = seen[:count], seen[count:]


def made(factory: pytest.TempPathFactory, name: str, make: Callable[[], Wards]) -> Wards:
    def in_folder(_: Path) -> Wards:
        return make()

    return made_once(factory, name, in_folder)[1]


@pytest.fixture(scope="session")
def single_wards(tmp_path_factory: pytest.TempPathFactory) -> Wards:
    return made(
        tmp_path_factory,
        "physics_single",
        lambda: Wards("single_occlusion", double=False, seed=11, curved=24),
    )


@pytest.fixture(scope="session")
def double_wards(tmp_path_factory: pytest.TempPathFactory) -> Wards:
    return made(
        tmp_path_factory,
        "physics_double",
        lambda: Wards("double_occlusion", double=True, seed=12, curved=9),
    )
