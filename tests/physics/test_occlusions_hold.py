"""What holds of single and double occlusions alike: leaks, levels that return, a closed glottis."""

from __future__ import annotations

import pytest

from tests.physics.conftest import Wards
from tests.physics.seen import trials_of

LEAST_LOST = {"single_wards": 40, "double_wards": 30}


@pytest.fixture(params=LEAST_LOST)
def named(request: pytest.FixtureRequest) -> tuple[str, Wards]:
    """The wards of either technique, by their name."""
    return request.param, request.getfixturevalue(request.param)


def test_a_level_that_returns_is_no_leak_whatever_the_body(named: tuple[str, Wards]) -> None:
    """Recovery over several breaths is no shift, and stress that relaxes loses no gas."""
    _, wards = named
    kinds = ("linear", "compartments", "stress")
    sound = [t for kind in kinds for t in trials_of(wards.infants[kind]) if t.is_sound]
    refused = [t for t in sound if t.broken & {"no_eel_shift", "plateau_holds", "prompt_release"}]
    assert len(refused) <= 0.01 * len(sound)


@pytest.mark.parametrize(("least_pct", "share"), [(12.0, 0.98), (15.0, 1.0)])
def test_gas_lost_behind_the_shutter_is_refused(
    least_pct: float, share: float, named: tuple[str, Wards]
) -> None:
    name, wards = named
    lost = [t for t in trials_of(wards.infants["leaking"]) if t.lost_pct >= least_pct]
    assert len(lost) >= LEAST_LOST[name]
    refused = [t for t in lost if t.broken & {"no_eel_shift", "plateau_holds"}]
    assert len(refused) >= share * len(lost)


def test_a_glottis_that_holds_flow_back_is_named(named: tuple[str, Wards]) -> None:
    _, wards = named
    late = trials_of(wards.infants["late"])
    assert [t for t in late if "prompt_release" not in t.broken] == []
