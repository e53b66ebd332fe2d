"""The page on centre files: its example can stand, and gives the numbers that the page gives."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from quietsleep.records import RawSignal
from quietsleep.signals.channels import calibrate
from quietsleep.study.devices import Centre
from quietsleep.study.study import check_units, load_study

PAGE = (Path(__file__).parents[2] / "docs" / "centres.md").read_text(encoding="utf-8")


@pytest.fixture
def centre(tmp_path: Path) -> Centre:
    blocks = re.findall(r"```toml\n(.*?)```", PAGE, re.S)
    said = re.search(r"^    was = .*\n    retired_on = .*\n", PAGE, re.M)
    assert said is not None
    (tmp_path / "centres").mkdir()
    text = re.sub("^    ", "", said[0], flags=re.M) + "\n".join(blocks)
    (tmp_path / "centres" / "larch.toml").write_text(text, encoding="utf-8")
    (tmp_path / "study.toml").write_text('study = "s"\ntitle = "A study"\ncontract = "1"\n')
    study = load_study(tmp_path)
    check_units(study)
    return study.centres["larch"]


def test_the_example_gives_the_numbers_of_the_page(centre: Centre) -> None:
    device = centre.device_on("larch-set-1", date(2026, 3, 31))
    assert device is not None
    time_s = np.arange(4) / device.rate_hz
    raw = RawSignal(time_s, {"Flow_raw": np.full(4, 30.15), "Pao": np.full(4, 4.6)})
    channels = calibrate(raw, device, ["airway_pressure"])
    assert channels.values["flow_ml_s"] == pytest.approx(np.full(4, -510.0))
    assert channels.values["airway_pressure_kpa"] == pytest.approx(np.full(4, 0.4805), abs=5e-5)


def test_the_second_entry_of_the_page_holds_from_its_day(centre: Centre) -> None:
    later = centre.device_on("larch-set-1", date(2026, 4, 1))
    assert later is not None and later.channels[0].gain == 0.99
    assert centre.was == ("birch",) and centre.retired_on == date(2026, 6, 30)
    assert centre.time_zone == "Europe/Lisbon"
