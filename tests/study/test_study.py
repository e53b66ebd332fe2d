"""Study folders: what is read out of them, and the one sentence for each mistake."""

from __future__ import annotations

import datetime as dt
import pickle
import re
from pathlib import Path

import pytest

from quietsleep.study.study import StudyError, check_units, load_study

STUDY = 'study = "invented"\ntitle = "An invented study"\ncontract = "1"\n'
CENTRE = """
centre = "larch"
title = "Larch laboratory"
altitude_m = 120
[[devices]]
device = "larch-set-1"
equipment_class = "screen-pneumotach"
file_format = "csv"
rate_hz = 200
time_column = "t_s"
csv_delimiter = ";"
csv_decimal = ","
gas_state = "measured"
[[devices.channels]]
channel = "flow"
column = "Flow_raw"
unit = "L/min"
gain = 1.02
offset = 0.15
positive = "expiration"
[[devices.channels]]
channel = "airway_pressure"
column = "Pao"
unit = "cm[H2O]"
positive = "above"
"""
LIMITS = """
[[limits]]
rule = "tidal.no_leak"
limit = 7
valid_from = 2026-04-01
reason = "Invented."
signed_by = "coordinator-1"
signed_on = 2026-03-27
"""
WAIVERS = """
[[waivers]]
waiver = "w-001"
centre = "larch"
item_kind = "trial"
item = "larch-s001/larch-s001-tid1#1"
rule = "tidal.no_leak"
reason = "Invented."
signed_by = "coordinator-1"
signed_on = 2026-03-27
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "centres").mkdir()
    files = {"study.toml": STUDY, "centres/larch.toml": CENTRE}
    files |= {"limits.toml": LIMITS, "waivers.toml": WAIVERS}
    for name, text in files.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    return tmp_path


def test_a_sound_study(folder: Path) -> None:
    study = load_study(folder)
    device = study.centres["larch"].devices["larch-set-1"]
    assert study.devices == {"larch-set-1": device}
    assert (device.csv_delimiter, device.csv_decimal, device.rate_hz) == (";", ",", 200.0)
    assert (device.expired_temperature_c, device.expired_humidity_pct) == (34.0, 100.0)
    assert device.box_volume_l is None
    flow = device.channel("flow")
    assert flow is not None
    assert (flow.gain, flow.offset, flow.positive) == (
        1.02,
        0.15,
        "expiration",
    )
    assert device.channel("spo2") is None
    (decision,), (waiver,) = study.limit_changes, study.waivers
    assert decision.limit == (7.0,) and decision.valid_from == dt.date(2026, 4, 1)
    assert waiver.item == "larch-s001/larch-s001-tid1#1"
    assert pickle.loads(pickle.dumps(device)) == device
    check_units(study)


def test_changes_of_limits_and_waivers_are_optional(folder: Path) -> None:
    (folder / "limits.toml").unlink()
    (folder / "waivers.toml").unlink()
    assert load_study(folder).limit_changes == () and load_study(folder).waivers == ()


MISTAKES = [
    ("study.toml", 'contract = "1"', 'contract = "3"', 'contract is "3"'),
    ("study.toml", "title", "titel", "title is missing; is titel meant?"),
    ("study.toml", 'study = "invented"', 'study = "in vented"', "letters, digits"),
    ("study.toml", 'study = "invented"', "study = ", "not valid TOML"),
    ("centres/larch.toml", 'centre = "larch"', 'centre = "rowan"', "the file is called larch.toml"),
    ("centres/larch.toml", '"csv"', '"cvs"', 'file_format is "cvs"; is csv meant?'),
    ("centres/larch.toml", 'csv_decimal = ","', 'csv_decimal = ";"', 'csv_decimal is ";"'),
    ("centres/larch.toml", 'delimiter = ";"', 'delimiter = ","', "the same character"),
    ("centres/larch.toml", "rate_hz = 200", "rate_hz = 20", "between 50 and 20000"),
    (
        "centres/larch.toml",
        "rate_hz = 200",
        'rate_hz = "200"',
        'rate_hz is "200"; it must be a number, unquoted',
    ),
    (
        "centres/larch.toml",
        "rate_hz = 200",
        "rate_hz = nan",
        "rate_hz is nan; it must be a finite number",
    ),
    (
        "centres/larch.toml",
        "rate_hz = 200",
        "rate_hz = true",
        "rate_hz is true; it must be a number",
    ),
    ("centres/larch.toml", 'time_column = "t_s"', "", "time_column is missing"),
    ("centres/larch.toml", '"t_s"', '"Pao"', "time column is also registered"),
    ("centres/larch.toml", "gain = 1.02", "gian = 1.02", "gian is not known here; is gain meant?"),
    ("centres/larch.toml", "gain = 1.02", "gain = -1", "gain is -1; it must be above 0"),
    ("centres/larch.toml", '"expiration"', '"above"', 'positive is "above"'),
    ("centres/larch.toml", '"Pao"', '"Flow_raw"', "column Flow_raw is registered twice"),
    ("centres/larch.toml", '"airway_pressure"', '"flow"', 'positive is "above"'),
    ("centres/larch.toml", 'channel = "flow"', 'channel = "flwo"', "is flow meant?"),
    ("limits.toml", "tidal.no_leak", "tidal.no_leek", "is tidal.no_leak meant?"),
    ("limits.toml", "limit = 7", "limit = [1, 7]", "limit is [1, 7]; at_most takes one number"),
    ("limits.toml", "limit = 7", "limit = inf", "limit is inf; it must be a finite number"),
    ("limits.toml", "2026-04-01", '"2026-04-01"', "must be a date"),
    ("limits.toml", 'signed_by = "coordinator-1"', "", "signed_by is missing"),
    ("limits.toml", "[[limits]]", "[[limit]]", 'a table is "limit"; is limits meant?'),
    ("waivers.toml", '"w-001"', '"rv-1/long_fit"', '(waiver rv-1/long_fit): waiver is "rv-1/long'),
    ("waivers.toml", '"coordinator-1"', '"a-1, b-2"', 'signed_by is "a-1, b-2"; use letters'),
    ("waivers.toml", '"trial"', '"test"', "judges a trial, not a test"),
    ("waivers.toml", '"larch-s001/', '"', "called session/recording#number"),
    ("waivers.toml", 'reason = "Invented."', 'reason = " "', "must be a text in quotes"),
]


@pytest.mark.parametrize(("name", "old", "new", "words"), MISTAKES)
def test_each_mistake_has_its_sentence(
    folder: Path, name: str, old: str, new: str, words: str
) -> None:
    path = folder / name
    assert old in path.read_text(encoding="utf-8")
    path.write_text(path.read_text(encoding="utf-8").replace(old, new, 1), encoding="utf-8")
    with pytest.raises(StudyError) as caught:
        load_study(folder)
    sentence = str(caught.value)
    assert words in sentence and sentence.startswith(name) and re.search(r"[.?]$", sentence)
    assert str(folder) not in sentence


def test_mistakes_of_the_folder(folder: Path, tmp_path: Path) -> None:
    with pytest.raises(StudyError, match=r"holds no study\.toml"):
        load_study(tmp_path / "elsewhere")
    (folder / "centres" / "rowan.toml").write_text(CENTRE.replace('"larch"', '"rowan"'))
    with pytest.raises(StudyError, match="larch-set-1 is registered at larch too"):
        load_study(folder)
    (folder / "centres" / "rowan.toml").write_bytes(b"\xff")
    with pytest.raises(StudyError, match="not UTF-8"):
        load_study(folder)
    for file in (folder / "centres").iterdir():
        file.unlink()
    with pytest.raises(StudyError, match="at least one centre"):
        load_study(folder)


def test_limits_under_their_old_name_are_not_passed_over(folder: Path) -> None:
    (folder / "limits.toml").rename(folder / "decisions.toml")
    with pytest.raises(StudyError, match=r"^decisions\.toml: .* called limits\.toml now"):
        load_study(folder)


@pytest.mark.parametrize(
    ("unit", "words"), [("L/min/min", "cannot be brought"), ("litres", "no UCUM unit")]
)
def test_units_are_checked_apart(folder: Path, unit: str, words: str) -> None:
    path = folder / "centres/larch.toml"
    path.write_text(path.read_text().replace("L/min", unit))
    with pytest.raises(StudyError, match=words):
        check_units(load_study(folder))
