"""`quietsleep device try`: exports that nobody formatted for it end as the right entry."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner, Result

import quietsleep
from quietsleep.cli.main import app
from quietsleep.errors import StudyError
from quietsleep.intake.propose.export import open_export
from quietsleep.night.device.entry import add_entry, toml_value
from quietsleep.night.device.propose import Proposal, SaidOfExport, propose
from quietsleep.night.device.trial import try_entry
from quietsleep.site.packing import pieces_of
from quietsleep.study.devices import FIRST_DAY
from quietsleep.study.study import Study, load_study
from tests.device.exports import MAKES, WEIGHT_KG, Breathing, Make, breathe

CENTRE = """centre = "alder"
title = "Alder laboratory"
altitude_m = 40

# The set of the first year.
[[devices]]
device = "alder-1"
equipment_class = "screen"
file_format = "edf"
rate_hz = 100
gas_state = "btps"
[[devices.channels]]
channel = "flow"
column = "F"
unit = "mL/s"
positive = "inspiration"
"""


@pytest.fixture
def study(tmp_path: Path) -> Path:
    folder = tmp_path / "study"
    (folder / "centres").mkdir(parents=True)
    text = 'study = "invented"\ntitle = "An invented study"\ncontract = "2"\n'
    (folder / "study.toml").write_text(text)
    (folder / "centres" / "alder.toml").write_text(CENTRE)
    return folder


def run(*words: object) -> Result:
    return CliRunner().invoke(app, ["device", "try", *map(str, words)])


def written(folder: Path, make: Make, breathing: Breathing, name: str = "") -> Path:
    path = folder / (name or make.file)
    path.write_bytes(make.write(breathing))
    return path


def proposed(path: Path, **told: Any) -> Proposal:
    told.setdefault("weight_kg", WEIGHT_KG)
    return propose(open_export(path), told=SaidOfExport(**told), device="d", centre="alder")


@pytest.mark.parametrize("name", MAKES)
def test_an_export_becomes_an_entry_by_which_it_measures(
    tmp_path: Path, study: Path, name: str
) -> None:
    make, breathing = MAKES[name], breathe(MAKES[name].rate_hz)
    path = written(tmp_path, make, breathing)
    result = run(path, "--study", study, "--centre", "alder", "--device", "alder-2",
                 "--weight-kg", WEIGHT_KG, "--gas-state", "btps", "--equipment-class", "screen",
                 "--valid-from", "2026-01-01", "--write")  # fmt: skip
    assert result.exit_code == 0, result.output
    assert max(map(len, result.output.split("Added to")[0].splitlines())) <= 80
    device = load_study(study).devices["alder-2"]
    assert device.rate_hz == make.rate_hz and device.valid_from == dt.date(2026, 1, 1)
    for key, value in make.keys.items():
        assert getattr(device, key) == value
    for channel, wanted in (("flow", make.flow), ("airway_pressure", make.airway)):
        mapped = device.channel(channel)
        assert mapped is not None
        assert (mapped.column, mapped.unit, mapped.positive) == wanted
    plain = breathe(make.rate_hz, with_occlusion=False)
    tidal = written(tmp_path, make, plain, f"plain{path.suffix}")
    context = {"weight_kg": WEIGHT_KG, "apparatus_resistance_kpa_s_l": 0.5}
    found = quietsleep.analyse(tidal, "tidal", device=device, context=context)
    assert value_of(found, "vt_ml") == pytest.approx(plain.vt_ml, rel=0.01)
    assert value_of(found, "rr_per_min") == pytest.approx(plain.rr_per_min, rel=0.01)
    assert value_of(found, "ptef_ml_s") == pytest.approx(plain.ptef_ml_s, rel=0.01)
    held = quietsleep.analyse(path, "single_occlusion", device=device, context=context)
    assert value_of(held, "crs_ml_kpa") == pytest.approx(breathing.crs_ml_kpa, rel=0.01)


def value_of(found: quietsleep.Analysis, quantity: str) -> float:
    rows = found.quantities
    return float(rows[(rows["quantity"] == quantity) & (rows["item"] != "test")]["value"].median())


@pytest.mark.parametrize("flow_turned", [False, True])
@pytest.mark.parametrize("pressure_turned", [False, True])
@pytest.mark.parametrize("rate_hz", [100.0, 400.0])
def test_signs_are_told(
    tmp_path: Path, flow_turned: bool, pressure_turned: bool, rate_hz: float
) -> None:
    seen = breathe(rate_hz, seed=5)
    turned = replace(
        seen,
        flow_ml_s=seen.flow_ml_s * (-1 if flow_turned else 1),
        airway_kpa=seen.airway_kpa * (-1 if pressure_turned else 1),
    )
    proposal = proposed(written(tmp_path, MAKES["parquet"], turned))
    flow, airway = proposal.channel("flow"), proposal.channel("airway_pressure")
    assert flow is not None and airway is not None and not proposal.asks
    assert flow.positive == ("expiration" if flow_turned else "inspiration")
    assert airway.positive == ("below" if pressure_turned else "above")
    assert (flow.sign_sure, airway.sign_sure) == ("by the shape of breaths", "by the occlusions")


def test_without_pressure_the_shape_of_breaths_tells(tmp_path: Path) -> None:
    path = tmp_path / "flow.csv"
    b = breathe(200.0, with_occlusion=False)
    rows = [f"{t:.3f},{-f:.3f}" for t, f in zip(b.time_s, b.flow_ml_s, strict=True)]
    path.write_text("\n".join(["time [s],flow [mL/s]", *rows]))
    flow = proposed(path).channel("flow")
    assert flow is not None and (flow.positive, flow.unit) == ("expiration", "mL/s")


def plain_csv(path: Path, heading: str, *columns: np.ndarray[Any, Any]) -> Path:
    rows = [",".join(f"{v:.6g}" for v in row) for row in zip(*columns, strict=True)]
    path.write_text("\n".join([heading, *rows]))
    return path


@pytest.mark.parametrize(
    ("says", "scale", "meant"),
    [("L/s", 1.0, "mL/s"), ("mL/s", 1e-3, "L/s"), ("L/min", 1.0, "mL/s"), ("mL/s", 0.06, "L/min")],
)
def test_a_heading_with_a_wrong_unit_is_seen(
    tmp_path: Path, study: Path, says: str, scale: float, meant: str
) -> None:
    b = breathe(200.0)
    path = plain_csv(tmp_path / "x.csv", f"t (s),Flow ({says})", b.time_s, b.flow_ml_s * scale)
    before = (study / "centres" / "alder.toml").read_bytes()
    result = run(path, "--study", study, "--centre", "alder", "--device", "alder-2",
                 "--weight-kg", WEIGHT_KG, "--write")  # fmt: skip
    assert result.exit_code == 1
    said = " ".join(result.output.split())
    assert f"the unit of flow is probably {meant} and not {says}" in said
    assert "no infant has that" in said and "Not to be registered" in said
    assert (study / "centres" / "alder.toml").read_bytes() == before


def test_a_pressure_in_another_unit_than_its_heading_is_seen(tmp_path: Path) -> None:
    b = breathe(200.0)
    columns = (b.time_s, b.flow_ml_s, b.airway_kpa / 0.0980665)
    path = plain_csv(tmp_path / "x.csv", "t (s),Flow (mL/s),Pao (kPa)", *columns)
    trial = try_entry(proposed(path, gas_state="btps"), weight_kg=WEIGHT_KG)
    said = next(str(line) for line in trial.lines if line.quantity == "crs_ml_kpa_kg")
    assert "the unit of airway pressure is probably cmH2O and not kPa" in said
    assert not trial.is_possible


def test_a_unit_that_nothing_tells_is_asked_for(tmp_path: Path) -> None:
    b = breathe(200.0)
    path = plain_csv(tmp_path / "x.csv", "t,Flow", b.time_s, b.flow_ml_s * 3.0e3)
    result = run(path)
    assert result.exit_code == 1
    assert "not known: ask" in result.output and "--unit flow=mL/s" in result.output
    told = run(path, "--unit", "flow=uL/s")
    assert "flow" in told.output and "Traceback" not in told.output


def test_a_sign_that_nothing_tells_is_asked_for(tmp_path: Path) -> None:
    time_s = np.arange(6000) / 200.0
    flow = 100.0 * np.sin(2 * np.pi * 0.6 * time_s)
    path = plain_csv(tmp_path / "x.csv", "time (s),flow (mL/s)", time_s, flow)
    result = run(path)
    assert result.exit_code == 1 and "--positive flow=expiration" in result.output
    assert run(path, "--positive", "flow=expiration").exit_code == 0


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"PK\x03\x04", "an .xlsx workbook"),
        (b"1,2\n3,4\n5,6\n7,8\n", "No names of columns"),
        (b"nothing here\n", "no rows of numbers"),
        (b"", "no rows of numbers"),
        (b"a,b\n1,2\n5,2\n3,4\n1,9\n", "No column of it rises evenly"),
    ],
)
def test_what_cannot_be_looked_at_says_why(tmp_path: Path, content: bytes, words: str) -> None:
    path = tmp_path / "x.csv"
    path.write_bytes(content)
    result = run(path)
    assert result.exit_code == 2
    assert words in result.output and result.output.startswith("x.csv: ")


def test_columns_that_no_name_tells_can_be_said(tmp_path: Path) -> None:
    b = breathe(200.0)
    path = plain_csv(tmp_path / "x.csv", "t (s),AI 1,AI 2", b.time_s, b.flow_ml_s, b.airway_kpa)
    assert "Say which it is: --column 'NAME=flow'" in " ".join(run(path).output.split())
    result = run(path, "--column", "AI 1=flow", "--weight-kg", WEIGHT_KG)
    assert result.exit_code == 0 and 'column = "AI 1"' in result.output


def test_an_older_entry_is_never_changed(tmp_path: Path, study: Path) -> None:
    path = written(tmp_path, MAKES["edf"], breathe(200.0))
    words = (path, "--study", study, "--centre", "alder", "--device", "alder-1",
             "--weight-kg", WEIGHT_KG, "--write")  # fmt: skip
    assert run(*words, "--valid-from", "2026-05-01").exit_code == 0
    file = study / "centres" / "alder.toml"
    first = file.read_text()
    assert first.startswith(CENTRE) and "valid_from = 2026-05-01" in first
    loaded = load_study(study)
    before, after = (loaded.device_on("alder-1", dt.date(2026, m, 3)) for m in (4, 6))
    assert before is not None and after is not None
    assert (before.rate_hz, after.rate_hz) == (100.0, 200.0)
    assert (after.gas_state, after.equipment_class) == ("btps", "screen")
    again = run(*words, "--valid-from", "2026-05-01")
    assert again.exit_code == 2 and "only one can be in force on a day" in again.output
    earlier = run(*words, "--valid-from", "2026-03-01")
    assert earlier.exit_code == 2 and "in order of time" in earlier.output
    assert file.read_text() == first
    assert [p.name for p in file.parent.iterdir()] == ["alder.toml"]


def test_a_device_of_another_centre_is_not_taken(tmp_path: Path, study: Path) -> None:
    other = CENTRE.replace("alder", "birch")
    (study / "centres" / "birch.toml").write_text(other)
    path = written(tmp_path, MAKES["edf"], breathe(200.0))
    result = run(path, "--study", study, "--centre", "alder", "--device", "birch-1", "--write")
    assert result.exit_code == 2 and "is registered at birch" in result.output
    assert "No centre oak" in run(path, "--study", study, "--centre", "oak").output
    assert "--write needs" in run(path, "--study", study, "--write").output


def test_an_entry_that_breaks_the_study_is_taken_back(study: Path) -> None:
    loaded: Study = load_study(study)
    file = study / "centres" / "alder.toml"
    with pytest.raises(StudyError, match="no column is registered"):
        add_entry(loaded, "alder", '[[devices]]\ndevice = "alder-9"\nequipment_class = "a"\n'
                  'file_format = "edf"\nrate_hz = 100\ngas_state = "btps"\n')  # fmt: skip
    assert file.read_text() == CENTRE
    with pytest.raises(StudyError, match="cannot be read with the new entry"):
        add_entry(loaded, "alder", "[[devices]\n")
    assert file.read_text() == CENTRE


def test_texts_are_written_as_toml_reads_them() -> None:
    import tomllib

    for text in ('a "b" \\ c', "tab\there", "Fluss [L/s] °", "\x07"):
        assert tomllib.loads(f"x = {toml_value(text)}")["x"] == text


@pytest.mark.parametrize("ending", ["html", "svg"])
def test_the_trace_is_drawn(tmp_path: Path, ending: str) -> None:
    path = written(tmp_path, MAKES["tabs"], breathe(500.0))
    picture = tmp_path / f"trace.{ending}"
    result = run(path, "--weight-kg", WEIGHT_KG, "--picture", picture)
    assert result.exit_code == 0
    text = picture.read_text()
    if ending == "html":
        common, (piece,) = pieces_of(text[text.rindex("quietsleep.traces(") : text.rindex(";") + 1])
        assert "Airway pressure" in {panel["title"] for panel in common["panels"]}
        assert {name for name, *_ in piece.head["channels"]} >= {"flow", "volume"}
        assert len(text) < 400_000 and "src=" not in text.partition("<script>")[0]
    else:
        assert "Airway pressure, kPa" in text and "<svg" in text
    drawn = [line for line in result.output.splitlines() if "*" in line]
    assert len(drawn) >= 20 and all(len(line) <= 80 for line in drawn)
    assert run(path, "--picture", tmp_path / "trace.bmp").exit_code == 2


def test_what_is_shown_is_what_is_measured(tmp_path: Path) -> None:
    b = breathe(250.0, with_occlusion=False)
    proposal = proposed(written(tmp_path, MAKES["parquet"], b), gas_state="btps")
    trial = try_entry(proposal, weight_kg=WEIGHT_KG)
    assert trial.value("vt_ml_kg") == pytest.approx(b.vt_ml / WEIGHT_KG, rel=0.01)
    said = {line.quantity: str(line) for line in trial.lines}
    assert said["vt_ml_kg"] == f"VT {trial.value('vt_ml_kg'):.3g} mL/kg: as in an infant"
    assert math.isnan(trial.value("crs_ml_kpa_kg", "single_occlusion"))


def test_the_first_entry_of_a_device_holds_from_the_beginning(tmp_path: Path, study: Path) -> None:
    """Sessions were done before the device is registered; only a further entry needs a day."""
    make = next(iter(MAKES.values()))
    path = written(tmp_path, make, breathe(make.rate_hz))
    words = [path, "--study", study, "--centre", "alder", "--device", "own-1", "--write",
             "--weight-kg", WEIGHT_KG, "--gas-state", "btps", "--equipment-class", "x"]  # fmt: skip
    for day in (FIRST_DAY, dt.date.today()):
        result = run(*words)
        assert result.exit_code == 0, result.output
        assert load_study(study).devices["own-1"].valid_from == day
    text = (study / "centres" / "alder.toml").read_text()
    assert text.count("valid_from") == 1
