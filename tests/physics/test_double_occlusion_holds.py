"""Double occlusion on infants from physics: every elevation, rate, filter and body."""

from __future__ import annotations

import numpy as np
import pytest

from tests.physics.conftest import Wards
from tests.physics.test_single_occlusion_holds import CLASSES, trials_of

WANTED_PCT = {"crs_ml_kpa": 2.0, "rrs_kpa_s_l": 5.0}


@pytest.mark.parametrize("quantity", WANTED_PCT)
def test_nineteen_infants_in_twenty_are_within_the_target(
    quantity: str, double_wards: Wards
) -> None:
    errors = np.abs([infant.error_pct(quantity) for infant in double_wards.infants["linear"]])
    assert np.percentile(errors, 95) <= WANTED_PCT[quantity]


@pytest.mark.parametrize("name", CLASSES)
def test_sound_trials_are_accepted_in_every_class(name: str, double_wards: Wards) -> None:
    chosen = [infant for infant in double_wards.infants["linear"] if CLASSES[name](infant)]
    sound = [trial for trial in trials_of(chosen) if trial.is_sound]
    assert len(sound) >= 30
    refused = [trial.broken for trial in sound if trial.broken]
    assert len(refused) <= 0.01 * len(sound), refused


def test_ringing_of_steep_filters_makes_no_trials_and_no_points(double_wards: Wards) -> None:
    """Orders 2 to 8 from 25 Hz on: as many expirations as there were, two points each."""
    for infants in double_wards.infants.values():
        assert [infant.miscounted for infant in infants] == [0] * len(infants)
        assert {trial.values["n_points"] for trial in trials_of(infants)} == {2.0}


@pytest.mark.parametrize(("least_pct", "share"), [(12.0, 0.98), (15.0, 1.0)])
def test_gas_lost_behind_the_shutter_is_refused(
    least_pct: float, share: float, double_wards: Wards
) -> None:
    lost = [t for t in trials_of(double_wards.infants["leaking"]) if t.lost_pct >= least_pct]
    assert len(lost) >= 30
    refused = [t for t in lost if t.broken & {"no_eel_shift", "plateau_holds"}]
    assert len(refused) >= share * len(lost)


def test_a_level_that_returns_is_no_leak_whatever_the_body(double_wards: Wards) -> None:
    kinds = ("linear", "compartments", "stress")
    sound = [t for kind in kinds for t in trials_of(double_wards.infants[kind]) if t.is_sound]
    named = [t for t in sound if t.broken & {"no_eel_shift", "plateau_holds", "prompt_release"}]
    assert len(named) <= 0.01 * len(sound)


def test_a_glottis_that_holds_flow_back_is_named(double_wards: Wards) -> None:
    late = trials_of(double_wards.infants["late"])
    assert [t for t in late if "prompt_release" not in t.broken] == []
