"""Double occlusion on infants from physics: every elevation, rate, filter and body."""

from __future__ import annotations

import numpy as np
import pytest

from tests.physics.conftest import Wards
from tests.physics.seen import CLASSES, trials_of

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
