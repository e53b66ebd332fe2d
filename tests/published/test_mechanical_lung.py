"""Volume, breaths and compliance on open bench recordings of a mechanical lung.

Recordings: pressure-controlled runs of a mechanical test lung with labelled compliance, 100 Hz,
github.com/RespiraWorks/Ventilator at commit 718bce04 (Apache-2.0). They are not copied into the
project. The label of resistance is not reliable and is not tested.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from pipeline.records import FloatArray
from pipeline.signals.breaths import find_breaths, integrate, level_volume
from pipeline.signals.fits import fit_plane

FOLDER = Path(__file__).parents[3] / "shared" / "data" / "test_lung" / "20200621-RunForRecord2-AIR"
RATE_HZ = 100.0
CMH2O_KPA = 0.0980665
# Run -> labelled compliance in mL/cmH2O (the folder's own note).
LABELS = {1: 50, 2: 50, 3: 20, 4: 20, 5: 20, 6: 20, 7: 10, 8: 10}
pytestmark = pytest.mark.skipif(
    not FOLDER.is_dir(), reason="the bench recordings are not beside the project"
)


def bench(run: int) -> FloatArray:
    """Columns of one run: time s, set pressure and pressure kPa, volume mL, net flow mL/s."""
    columns = np.loadtxt(FOLDER / f"covent_pc_{run}.dat", comments=("#", "time"))
    columns[:, 1:3] *= CMH2O_KPA
    return columns


@pytest.mark.parametrize("run", LABELS)
def test_integral_of_flow_is_the_volume(run: int) -> None:
    *_, volume, flow = bench(run).T
    slope, _ = np.polyfit(volume, integrate(flow, RATE_HZ), 1)
    assert slope == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize("run", LABELS)
def test_breaths_come_as_often_as_the_ventilator_sets_them(run: int) -> None:
    _, wanted, _, _, flow = bench(run).T
    high = wanted > 0.5 * (wanted.min() + wanted.max())
    begun = np.flatnonzero(np.diff(high.astype(int)) > 0)
    breaths = find_breaths(flow, integrate(flow, RATE_HZ), RATE_HZ)
    cycle = float(np.median(np.diff(begun)))
    assert np.median(breaths.end - breaths.start) == pytest.approx(cycle, rel=0.02)


@pytest.mark.parametrize("run", LABELS)
def test_compliance_is_the_labelled_one(run: int) -> None:
    """P = P0 + V / C + R flow by multiple linear regression: Lanteri et al. (from memory)."""
    _, _, pressure, _, flow = bench(run).T
    volume = integrate(flow, RATE_HZ)
    breaths = find_breaths(flow, volume, RATE_HZ)
    level = level_volume(volume, breaths, np.zeros(flow.size, dtype=bool), RATE_HZ)
    (_, elastance, _), _ = fit_plane(pressure, level, flow)
    assert CMH2O_KPA / elastance == pytest.approx(LABELS[run], rel=0.1)
