"""What is registered of a device changes a digest where it changes numbers, and nowhere else."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import pytest

from quietsleep.measure.fingerprint import device_digest
from quietsleep.study.devices import ChannelMap, Device

DEVICE = Device(
    device="larch-set-1",
    centre="larch",
    equipment_class="screen",
    file_format="csv",
    rate_hz=200.0,
    time_column="t_s",
    gas_state="measured",
    channels=(ChannelMap("flow", "Flow", "mL/s", 1.0, 0.0, "inspiration"),),
)
# As it was before these keys were there: a change of program is no change of a registration.
AS_IT_WAS = "cd07ba1db1ec22b420d02c5f0e568897c33ce49e20d19c7e64ea8dedc7c4ff71"


def test_an_entry_that_uses_no_later_key_is_what_it_was() -> None:
    assert device_digest(DEVICE) == AS_IT_WAS


@pytest.mark.parametrize(
    "changed",
    [{"csv_encoding": "utf-16"}, {"csv_skip_lines": 2}, {"csv_units_row": True},
     {"time_format": "clock"}, {"rate_hz": 100.0}],
)  # fmt: skip
def test_what_is_read_otherwise_is_measured_anew(changed: dict[str, Any]) -> None:
    assert device_digest(replace(DEVICE, **changed)) != AS_IT_WAS


@pytest.mark.parametrize(
    "changed",
    [{"file_names": "free"}, {"ignored_columns": ("Marker",)}, {"valid_from": date(2026, 4, 1)}],
)
def test_what_changes_no_number_is_not_measured_anew(changed: dict[str, Any]) -> None:
    assert device_digest(replace(DEVICE, **changed)) == AS_IT_WAS
