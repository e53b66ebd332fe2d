"""The demo study's night publishes what was recorded of it, to nine digits."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from quietsleep.night.night import NightReport
from tests.recorded.record import published_tables, recorded_tables


def test_published_tables_are_those_recorded(demo_night: tuple[Path, NightReport]) -> None:
    published, recorded = published_tables(demo_night[0]), recorded_tables()
    assert published.keys() == recorded.keys()
    for name, rows in recorded.items():
        pd.testing.assert_frame_equal(
            published[name], rows, rtol=1e-9, atol=1e-12, check_dtype=False, obj=name
        )
