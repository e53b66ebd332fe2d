"""Gas conditions against printed tables and a steam-property library.

CRC rows: saturated vapour pressure, CRC Handbook of Chemistry and Physics, 73rd ed. (1992-93).
ATPS to BTPS factors at 101.325 kPa: 20 to 22 C as printed in the usual table; the rest computed
by hand from the CRC pressures.
"""

from __future__ import annotations

import numpy as np
import pytest

from quietsleep.signals.gas import btps_factor, flow_at_btps, gas_factors, saturated_vapour_kpa

CRC_KPA = {15.0: 1.7056, 20.0: 2.3388, 25.0: 3.1690, 30.0: 4.2455, 37.0: 6.2795}
ATPS_TO_BTPS = {
    20.0: 1.102,
    21.0: 1.096,
    22.0: 1.091,
    23.0: 1.085,
    24.0: 1.080,
    26.0: 1.069,
    28.0: 1.057,
    30.0: 1.045,
    37.0: 1.000,
}


@pytest.mark.parametrize(("temperature_c", "kpa"), CRC_KPA.items())
def test_vapour_pressure_is_that_of_the_handbook(temperature_c: float, kpa: float) -> None:
    assert saturated_vapour_kpa(temperature_c) == pytest.approx(kpa, rel=5e-4)


@pytest.mark.parametrize(("temperature_c", "factor"), ATPS_TO_BTPS.items())
def test_atps_to_btps_is_that_of_the_table(temperature_c: float, factor: float) -> None:
    assert btps_factor(temperature_c, 100.0, 101.325) == pytest.approx(factor, abs=1.1e-3)


@pytest.mark.parametrize("temperature_c", [0.5, 10.0, 18.0, 23.0, 34.0, 37.0, 60.0, 99.0])
def test_vapour_pressure_is_that_of_a_steam_library(temperature_c: float) -> None:
    """CoolProp (IAPWS-95 equation of state), which shares no formula with ours."""
    steam = pytest.importorskip("CoolProp.CoolProp")
    pascal = steam.PropsSI("P", "T", temperature_c + 273.15, "Q", 1.0, "Water")
    assert saturated_vapour_kpa(temperature_c) == pytest.approx(pascal / 1000.0, rel=2e-4)


def test_dry_air_needs_more_warming_than_moist_air_of_the_same_temperature() -> None:
    dry, moist = (btps_factor(23.0, rh, 101.325) for rh in (0.0, 100.0))
    assert dry == pytest.approx(moist * 101.325 / (101.325 - saturated_vapour_kpa(23.0)))


@pytest.mark.parametrize("temperature_c", [-300.0, 400.0])
def test_impossible_temperatures_are_refused(temperature_c: float) -> None:
    with pytest.raises(ValueError, match="saturation line"):
        saturated_vapour_kpa(temperature_c)


def test_each_direction_of_flow_takes_its_own_factor() -> None:
    factors = gas_factors(
        room_temperature_c=23.0,
        room_humidity_pct=40.0,
        expired_temperature_c=34.0,
        expired_humidity_pct=100.0,
        barometric_pressure_kpa=101.325,
    )
    assert factors.inspired == pytest.approx(1.104, abs=1e-3)  # by hand from the CRC pressures
    assert factors.expired == pytest.approx(1.020, abs=1e-3)
    flow = np.array([100.0, 0.0, -100.0])
    expected = [100.0 * factors.inspired, 0.0, -100.0 * factors.expired]
    assert flow_at_btps(flow, factors) == pytest.approx(expected)
