"""The demo study: complete, reproducible to the byte, and true to its scenario."""

from __future__ import annotations

import ast
import csv
import hashlib
import io
import json
import tomllib
import zipfile
from pathlib import Path

import edfio
import numpy as np
import pyarrow.parquet as pq
import pytest

from quietsleep import contract, simulation
from quietsleep.simulation.centres import write_demo_study
from quietsleep.simulation.faults import FAULTS
from quietsleep.simulation.physiology import standard_pressure_kpa
from quietsleep.simulation.scenario import load_scenarios
from quietsleep.simulation.sensors import read_back
from quietsleep.simulation.sessions import infant_of, slots_of

SOURCE = Path(simulation.__file__).parent


@pytest.fixture(scope="module")
def study(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_demo_study(
        tmp_path_factory.mktemp("demo"), seed=3, sessions_per_centre=2, processes=1
    )


def rows(path: Path) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(path.read_text("utf-8"))))


def digest(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_the_simulator_imports_nothing_of_the_analysis() -> None:
    for path in SOURCE.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom):
                names = [node.module or ""]
            own = {n for n in names if n.split(".")[0] == "quietsleep"}
            other = {n for n in own if not n.startswith("quietsleep.simulation")}
            assert other <= {"quietsleep.data"}, path.name


def test_faults_name_rules_that_exist() -> None:
    judged = {k: f for k, f in FAULTS.items() if f.owner != "delivery" and f.expected_rule}
    assert len(judged) >= 20
    for key, fault in judged.items():
        assert fault.expected_rule in contract.RULES, key
        severity = contract.RULES[fault.expected_rule].severity
        assert fault.verdict == severity, key


def test_every_planted_fault_is_in_the_registry_and_fits_its_technique() -> None:
    for scenario in load_scenarios():
        for plan in scenario.planted:
            fault = FAULTS[plan.fault]
            if plan.technique:
                assert plan.technique in scenario.techniques
                assert fault.owner in (plan.technique, "delivery")


def test_five_centres_cover_formats_units_rates_and_directions() -> None:
    scenarios = load_scenarios()
    devices = [s.device for s in scenarios if s.delivers]
    sensors = [x for s in scenarios if s.delivers for x in s.sensors]
    assert len(scenarios) == 5
    assert sum(not s.delivers for s in scenarios) == 1
    assert {d["file_format"] for d in devices} == {"csv", "parquet", "edf"}
    assert {d["rate_hz"] for d in devices} == {100.0, 125.0, 250.0, 1000.0}
    assert {x.unit for x in sensors if x.channel == "flow"} == {"mL/s", "L/s", "L/min"}
    assert {x.bits for x in sensors} == {12, 16}
    assert {x.positive for x in sensors} == {"inspiration", "expiration", "above", "below"}
    assert any(s.altitude_m > 2400.0 and s.delivers for s in scenarios)
    assert {x.filter_order for x in sensors} == {2, 4, 8}
    assert {x.corner_hz for x in sensors} >= {28.0, 100.0}
    assert max(x.delay_ms for x in sensors) <= 4.0
    shutters = [s.setting.shutter_s for s in scenarios if s.delivers]
    assert min(shutters) < 0.004 and max(shutters) == 0.02
    assert any(d.get("csv_decimal") == "," and d["csv_delimiter"] == ";" for d in devices)


def test_every_centre_has_the_air_of_its_altitude() -> None:
    for scenario in load_scenarios():
        near = standard_pressure_kpa(scenario.altitude_m)
        assert scenario.setting.barometric_pressure_kpa == pytest.approx(near, abs=0.01)


def test_slips_of_the_second_visit_are_planted_in_second_visits() -> None:
    for scenario in load_scenarios():
        for plan in scenario.planted:
            if plan.fault in ("length_misread", "age_mistyped"):
                assert slots_of(scenario, seed=7, sessions=12)[plan.session - 1].visit == "v2"
            if plan.fault == "sea_level_pressure":
                assert scenario.altitude_m > 1000.0
            if plan.fault in ("header_unit", "tidal_samples_lost"):
                assert scenario.form.file_format == "edf"


def test_one_infant_grows_between_visits() -> None:
    scenario = next(s for s in load_scenarios() if s.centre == "willow")
    slots = slots_of(scenario, seed=7, sessions=12)
    first, second = slots[0], slots[8]
    assert first.infant == second.infant
    young, _ = infant_of(scenario, first, seed=7)
    older, _ = infant_of(scenario, second, seed=7)
    assert young.sex == older.sex
    assert older.age_days - young.age_days == pytest.approx(8 * 14)
    assert older.length_cm > young.length_cm
    assert older.frc_ml > young.frc_ml
    assert (slots[-1].tested_at - slots[0].tested_at).days == pytest.approx(154, abs=3)


def test_the_same_seed_gives_the_same_bytes_in_any_number_of_processes(
    study: Path, tmp_path: Path
) -> None:
    again = write_demo_study(tmp_path / "again", seed=3, sessions_per_centre=2, processes=2)
    assert digest(again) == digest(study)
    other = write_demo_study(tmp_path / "other", seed=4, sessions_per_centre=1, processes=1)
    name = "truth/infants.csv"
    assert (other / name).read_bytes() != (study / name).read_bytes()


def test_deliveries_list_every_file_with_its_checksum(study: Path) -> None:
    for manifest in study.glob("deliveries/*/*/delivery.json"):
        listed = {f["path"]: f for f in json.loads(manifest.read_text())["files"]}
        there = digest(manifest.parent)
        there.pop("delivery.json")
        assert {path: f["sha256"] for path, f in listed.items()} == there


def test_tables_have_the_columns_of_the_contract(study: Path) -> None:
    for name in ("sessions", "recordings", "checks", "reported"):
        wanted = [c.name for c in contract.TABLES[f"delivery_{name}"].columns]
        for path in study.glob(f"deliveries/*/*/{name}.csv"):
            assert path.read_text().splitlines()[0].split(",") == wanted


def test_signal_files_read_back_by_the_registered_export_map(study: Path) -> None:
    for scenario in (s for s in load_scenarios() if s.delivers):
        sensor = next(s for s in scenario.sensors if s.channel == "flow")
        folder = study / "deliveries" / scenario.centre
        if scenario.zipped and not any(folder.glob("*/signals")):
            continue
        path = next(folder.glob(f"*/signals/*/*-s001-tid1.{scenario.form.file_format}"))
        raw = read_raw(path, sensor.column, scenario.device)
        flow = read_back(raw, sensor)
        assert 40.0 < np.quantile(flow, 0.99) < 400.0
        assert abs(flow.mean()) < 0.1 * flow.max()


def test_the_whole_seconds_of_edf_cut_no_stroke_of_the_syringe(study: Path) -> None:
    scenario = next(s for s in load_scenarios() if s.form.file_format == "edf")
    sensor = next(s for s in scenario.sensors if s.channel == "flow")
    for path in (study / "deliveries" / scenario.centre).glob("*/signals/*syringe/*.edf"):
        flow = read_back(read_raw(path, sensor.column, scenario.device), sensor)
        for side in (flow[flow > 5.0], -flow[flow < -5.0]):
            assert side.sum() / scenario.form.rate_hz == pytest.approx(600.0, rel=0.012)


def read_raw(path: Path, column: str, device: dict[str, object]) -> np.ndarray:
    if path.suffix == ".parquet":
        return np.asarray(pq.read_table(path)[column])
    if path.suffix == ".edf":
        return edfio.read_edf(path).get_signal(column).data
    text = path.read_text()
    delimiter = str(device.get("csv_delimiter", ","))
    lines = list(csv.DictReader(io.StringIO(text), delimiter=delimiter))
    return np.array([float(line[column].replace(",", ".")) for line in lines])


def test_centre_files_hold_the_export_map_and_nothing_of_the_truth(study: Path) -> None:
    for path in study.glob("centres/*.toml"):
        raw = tomllib.loads(path.read_text())
        assert raw["centre"] == path.stem
        for channel in raw["devices"][0]["channels"]:
            assert set(channel) == {"channel", "column", "unit", "gain", "offset", "positive"}
        assert "box_factor" not in path.read_text()


def test_truth_names_recordings_of_the_study_and_its_faults(study: Path) -> None:
    delivered = {
        row["recording"] for p in study.glob("deliveries/*/*/recordings.csv") for row in rows(p)
    }
    delivered |= {row["check"] for p in study.glob("deliveries/*/*/checks.csv") for row in rows(p)}
    for archive in study.glob("deliveries/*/*.zip"):
        with zipfile.ZipFile(archive) as opened:
            for table, key in (("recordings.csv", "recording"), ("checks.csv", "check")):
                text = io.StringIO(opened.read(table).decode())
                delivered |= {row[key] for row in csv.DictReader(text)}
    assert {row["recording"] for row in rows(study / "truth" / "trials.csv")} == delivered
    planted = {row["fault"] for row in rows(study / "truth" / "faults.csv")}
    assert {"tidal_leak", "superseded", "nothing_delivered", "pleth_looping"} <= planted


def test_a_corrected_session_comes_again_later(study: Path) -> None:
    first, later = (
        study / "deliveries" / "willow" / name for name in ("willow-01", "willow-02-corrected")
    )
    created = [json.loads((f / "delivery.json").read_text())["created"] for f in (first, later)]
    weights = [rows(f / "sessions.csv")[0]["weight_kg"] for f in (first, later)]
    assert created[0] < created[1]
    assert float(weights[0]) == pytest.approx(float(weights[1]) + 1.5)


def test_slips_of_unit_show_in_the_reported_results_of_a_whole_study() -> None:
    slips = {(s.centre, x.outcome, x.factor) for s in load_scenarios() for x in s.slips}
    assert {factor for _, _, factor in slips} == {0.0980665, 0.06, 0.001, 0.916}
