"""Study folders: what is read out of them, and the one sentence for each mistake."""

from __future__ import annotations

import datetime as dt
import pickle
import re
from dataclasses import replace
from pathlib import Path

import pytest

from quietsleep import contract
from quietsleep.study.study import StudyError, check_units, load_study, remember_centres

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
    (
        "centres/larch.toml",
        "altitude_m = 120",
        'time_zone = "Europe/Lissabon"',
        'time_zone is "Europe/Lissabon", which is no IANA time zone; is Europe/Lisbon meant?',
    ),
    ("centres/larch.toml", "altitude_m = 120", 'time_zone = "winter"', "write one such as"),
    ("centres/larch.toml", "altitude_m = 120", 'was = ["la rch"]', 'was 1 is "la rch"; use'),
    ("centres/larch.toml", "altitude_m = 120", 'was = ["larch"]', "was names larch itself"),
    ("centres/larch.toml", "altitude_m = 120", 'retired_on = "May"', "must be a date"),
    ("centres/larch.toml", "rate_hz = 200", 'rate_hz = 200\nvalid_from = "May"', "must be a date"),
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


VISIT = """[schedule]
[[schedule.visits]]
visit = "6 weeks"
age_days = 42
earliest_age_days = 35
latest_age_days = 56
techniques = ["tidal"]
"""
MISTAKES += [
    ("study.toml", 'contract = "1"', f'contract = "1"\n{text}', words)
    for text, words in (
        ("[schedule]", "[schedule]: expects nothing"),
        ("[schedule]\ndeliveries_every_days = 0", "must lie between 1 and 366"),
        ("[schedule]\ndeliverys_every_days = 7", "is deliveries_every_days meant?"),
        ("[schedule]\ndeliveries_every_days = 7.5", "must be a whole number"),
        (
            VISIT.replace('"tidal"', '"tidle"'),
            'names "tidle", which is no technique; is tidal meant',
        ),
        (VISIT.replace("= 35", "= 50"), "must lie in the window from earliest_age_days 50"),
        (VISIT.replace("age_days = 42", "age = 42", 1), "visits 1 (visit 6 weeks): age"),
        (VISIT + VISIT.replace("[schedule]\n", ""), "two visits called"),
    )
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


CONFIRMATIONS = """
[[confirmations]]
rule = "tidal.no_leak"
limit = 5
by = "reader-1"
on = 2026-05-01
printed_in = "Invented, page 1"
note = "Read twice."
[[confirmations]]
rule = "*.signal_gap"
limit = 0.05
by = "reader-2"
on = 2026-05-02
printed_in = "Invented, page 2"
"""


def test_confirmations_hold_for_their_rule_and_limit_only(folder: Path) -> None:
    (folder / "confirmations.toml").write_text(CONFIRMATIONS)
    one, every = load_study(folder).confirmations
    leak = contract.RULES["tidal.no_leak"]
    assert (one.by, one.on, one.printed_in) == ("reader-1", dt.date(2026, 5, 1), "Invented, page 1")
    assert one.holds_for(leak) and not one.holds_for(replace(leak, limit=(6.0,)))
    assert not every.holds_for(leak)
    held = [key for key, rule in contract.RULES.items() if every.holds_for(rule)]
    assert held == [f"{technique}.signal_gap" for technique in contract.TECHNIQUES]


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("tidal.no_leak", "tidal.no_leek", "is tidal.no_leak meant?"),
        ("limit = 5", "limit = [1, 5]", "at_most takes one number"),
        ("limit = 5", "", "limit is missing"),
        ('"reader-1"', '"A. Reader"', "use letters, digits"),
        ('printed_in = "Invented, page 1"', "", "printed_in is missing"),
        ('"*.signal_gap"', '"*.no_leak"', '"double_occlusion.no_leak"'),
        ('"*.signal_gap"', '"*.plateau_steady"', '"plethysmography.plateau_steady"'),
        ('"*.signal_gap"\nlimit = 0.05', '"tidal.no_leak"\nlimit = 5', "is confirmed twice"),
    ],
)
def test_a_confirmation_that_cannot_stand_is_said(
    folder: Path, old: str, new: str, words: str
) -> None:
    assert old in CONFIRMATIONS
    (folder / "confirmations.toml").write_text(CONFIRMATIONS.replace(old, new, 1))
    with pytest.raises(StudyError, match=r"^confirmations\.toml") as caught:
        load_study(folder)
    assert words in str(caught.value)


@pytest.mark.parametrize("version", ["1", "2"])
def test_a_study_keeps_the_version_that_it_began_under(folder: Path, version: str) -> None:
    text = STUDY.replace('contract = "1"', f'contract = "{version}"')
    (folder / "study.toml").write_text(text)
    assert load_study(folder).contract == version


def test_a_centre_may_leave_its_altitude_out(folder: Path) -> None:
    path = folder / "centres/larch.toml"
    assert load_study(folder).centres["larch"].altitude_m == 120.0
    path.write_text(CENTRE.replace("altitude_m = 120\n", ""))
    assert load_study(folder).centres["larch"].altitude_m is None


def entry(valid_from: str, gain: float) -> str:
    """One more entry of the device of the centre file."""
    _, device = CENTRE.split("[[devices]]")
    said = f"valid_from = {valid_from}\n" if valid_from else ""
    changed = device.replace("gain = 1.02", f"gain = {gain}")
    return changed.replace('device = "larch-set-1"', f'device = "larch-set-1"\n{said}')


def with_entries(folder: Path, *entries: str) -> None:
    head = CENTRE.split("[[devices]]", maxsplit=1)[0]
    (folder / "centres/larch.toml").write_text("[[devices]]".join([head, *entries]))


def test_the_entry_of_a_device_in_force_on_a_day(folder: Path) -> None:
    with_entries(folder, entry("", 1.0), entry("2026-03-01", 2.0), entry("2026-05-01", 3.0))
    study = load_study(folder)

    def gain(day: dt.date | None) -> float:
        device = study.device_on("larch-set-1", day)
        assert device is not None
        return device.channels[0].gain

    borders = {
        dt.date(1990, 1, 1): 1.0,
        dt.date(2026, 2, 28): 1.0,
        dt.date(2026, 3, 1): 2.0,
        dt.date(2026, 4, 30): 2.0,
        dt.date(2026, 5, 1): 3.0,
        dt.date(2100, 1, 1): 3.0,
    }
    assert {day: gain(day) for day in borders} == borders
    assert gain(None) == study.devices["larch-set-1"].channels[0].gain == 3.0
    assert study.device_on("larch-set-9", dt.date(2026, 3, 1)) is None
    with_entries(folder, entry("2026-03-01", 2.0))
    assert load_study(folder).device_on("larch-set-1", dt.date(2026, 2, 28)) is None


DISORDER = [
    (("", ""), "registered twice; give each further entry the day"),
    (("2026-03-01", ""), "registered twice; give each further entry the day"),
    (("2026-03-01", "2026-03-01"), "two entries of device larch-set-1 hold from 2026-03-01"),
    (("2026-05-01", "2026-03-01"), "put the entries of a device in order of time"),
]


@pytest.mark.parametrize(("days", "words"), DISORDER)
def test_entries_that_do_not_follow_each_other_are_a_sentence(
    folder: Path, days: tuple[str, ...], words: str
) -> None:
    with_entries(folder, *(entry(day, 1.0) for day in days))
    with pytest.raises(StudyError, match=words) as caught:
        load_study(folder)
    assert str(caught.value).startswith("centres/larch.toml, devices 2 (device larch-set-1): ")


def test_a_unit_of_an_earlier_entry_is_checked_too(folder: Path) -> None:
    with_entries(folder, entry("", 1.0).replace("L/min", "litres"), entry("2026-03-01", 2.0))
    with pytest.raises(StudyError, match="no UCUM unit"):
        check_units(load_study(folder))


def test_a_schedule(folder: Path) -> None:
    assert load_study(folder).schedule is None
    study_toml = folder / "study.toml"
    study_toml.write_text(STUDY + VISIT.replace("[schedule]", "[schedule]\nby = 'age_days'", 1))
    schedule = load_study(folder).schedule
    assert schedule is not None and schedule.wait_days == 0
    assert schedule.planned(" 6  Weeks") is schedule.visits[0] and schedule.planned("V1") is None
    assert schedule.visits[0].techniques == ("tidal",)


def test_a_code_that_a_centre_had_before_is_the_code_it_has_now(folder: Path) -> None:
    centre = folder / "centres" / "larch.toml"
    centre.write_text(CENTRE.replace("altitude_m", 'was = ["birch", "beech"]\naltitude_m'))
    waivers = (folder / "waivers.toml").read_text()
    (folder / "waivers.toml").write_text(waivers.replace('centre = "larch"', 'centre = "birch"'))
    study = load_study(folder)
    assert study.renamed == {"birch": "larch", "beech": "larch"}
    assert [study.code_now(c) for c in ("birch", "larch", "elm")] == ["larch", "larch", "elm"]
    assert study.waivers[0].centre == "larch"
    other = CENTRE.replace('"larch"', '"rowan"').replace("larch-set", "rowan-set")
    for was, words in (
        ('["larch"]', r"centres/larch\.toml is there too"),
        ('["beech"]', "so does"),
    ):
        text = other.replace("altitude_m", f"was = {was}\naltitude_m")
        (folder / "centres" / "rowan.toml").write_text(text)
        with pytest.raises(StudyError, match=words):
            load_study(folder)


def test_a_centre_file_that_vanished_is_remembered(folder: Path) -> None:
    rowan = folder / "centres" / "rowan.toml"
    text = CENTRE.replace('"larch"', '"rowan"').replace("larch-set", "rowan-set")
    rowan.write_text(text)
    remember_centres(load_study(folder))
    rowan.unlink()
    study = load_study(folder)
    assert study.vanished == ("rowan",) and list(study.centres) == ["larch", "rowan"]
    assert "rowan-set-1" in study.devices
    remember_centres(study)
    assert load_study(folder).vanished == ("rowan",)
    larch = folder / "centres" / "larch.toml"
    larch.write_text(CENTRE.replace("altitude_m", 'was = ["rowan"]\naltitude_m'))
    study = load_study(folder)
    assert study.vanished == () and list(study.centres) == ["larch"]
    remember_centres(study)
    larch.write_text(CENTRE)
    assert load_study(folder).vanished == ()


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


def test_the_schedule_that_the_page_shows_can_stand(folder: Path) -> None:
    page = (Path(__file__).parents[2] / "docs" / "schedule.md").read_text(encoding="utf-8")
    block = re.search(r"```toml\n(.*?)```", page, re.S)
    assert block is not None
    (folder / "study.toml").write_text(STUDY + block[1], encoding="utf-8")
    schedule = load_study(folder).schedule
    assert schedule is not None and schedule.wait_days == 21
    assert [v.visit for v in schedule.visits] == ["6 weeks", "6 months"]
    assert schedule.planned("visit 1") is schedule.visits[0]
