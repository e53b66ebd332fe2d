"""Slips of registration, from the raw file to the verdict: another unit, a turned sign.

The signals are sound; only what is registered of the device is wrong. Each slip must be refused by
the rule that names it, or be seen as what it is; the same signals rightly registered are accepted.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import numpy as np
import pytest

from quietsleep.contract import TECHNIQUES
from quietsleep.judge.analysis import Analysis, judge_recording
from quietsleep.judge.slips import registered_of
from quietsleep.measure.recording import measure_recording
from quietsleep.records import Measured, RawSignal
from quietsleep.signals.channels import assemble, calibrate
from quietsleep.simulation.physiology import SimulatedRecording, draw_infant
from quietsleep.simulation.recordings import record
from quietsleep.simulation.sensors import Head, sense
from quietsleep.study.study import Device
from tests.techniques.conftest import device_of, usual_sensors


@dataclass(frozen=True)
class Written:
    """A recording as the device wrote it, and the device as it should be registered."""

    made: SimulatedRecording
    columns: dict[str, Any]
    device: Device
    length_cm: float


@pytest.fixture(scope="module", params=TECHNIQUES)
def written(request: pytest.FixtureRequest) -> Written:
    rng = np.random.default_rng(21)
    infant = draw_infant(rng, length_cm=66.0)
    made = record(request.param, infant, rng=rng)
    sensors = usual_sensors(1.0)
    columns = sense(made, sensors, head=Head(), rng=rng)
    return Written(made, dict(columns), device_of(sensors, made.rate_hz), 66.0)


def registered(device: Device, channel: str, **changed: object) -> Device:
    channels = tuple(
        replace(c, **changed) if c.channel == channel else c  # type: ignore[arg-type]
        for c in device.channels
    )
    return replace(device, channels=channels)


def read(written: Written, device: Device) -> tuple[Measured, Analysis]:
    made = written.made
    spec = TECHNIQUES[made.technique]
    wanted = {c.column for c in device.channels if c.channel in spec.channels}
    columns = {name: values for name, values in written.columns.items() if name in wanted}
    channels = calibrate(RawSignal(made.time_s, columns), device, spec.channels)
    recording = assemble(
        channels, name="r", technique=made.technique, device=device, context=made.context
    )
    measured = measure_recording(recording, key="")
    said = {**made.context, "length_cm": written.length_cm}
    judged = judge_recording(
        measured,
        technique=made.technique,
        on=date(2026, 3, 1),
        said=said,
        registered=registered_of(device),
    )
    return measured, judged


def refused_by(judged: Analysis) -> dict[str, str]:
    """Rule -> sentence, of all that failed on the trials."""
    rows = judged.verdicts[
        (judged.verdicts["state"] == "fail") & (judged.verdicts["item"] != "test")
    ]
    return {str(r.rule).partition(".")[2]: str(r.sentence) for r in rows.itertuples()}


# A plausible number of each technique, and the rules that may refuse it.
POSSIBLE = {
    "tidal": {"possible_tidal_volume"},
    "single_occlusion": {"possible_compliance", "possible_resistance"},
    "double_occlusion": {"possible_compliance", "possible_resistance"},
    "plethysmography": {"possible_frc"},
    "tidal_forced_expiration": {"possible_flow"},
    "raised_volume": {"possible_fvc"},
}


def test_rightly_registered_nothing_is_impossible(written: Written) -> None:
    _, judged = read(written, written.device)
    said = refused_by(judged)
    assert not {rule for rule in said if rule.startswith("possible")}, said
    assert "flow_sign" not in said


BY_FLOW = ["tidal", "single_occlusion", "double_occlusion", "raised_volume"]
BY_PRESSURE = ["single_occlusion", "double_occlusion", "plethysmography"]


def impossible(written: Written, judged: Analysis) -> list[str]:
    said = refused_by(judged)
    found = [text for rule, text in said.items() if rule in POSSIBLE[written.made.technique]]
    assert found, said
    assert (judged.trials["status"] != "accepted").all()
    return found


@pytest.mark.parametrize("written", [*BY_FLOW, "tidal_forced_expiration"], indirect=True)
def test_flow_too_large_by_its_unit_is_refused_and_named(written: Written) -> None:
    """The file holds L/min; L/s is registered, which makes it 60 times too much."""
    _, judged = read(written, registered(written.device, "flow", unit="L/s"))
    named = "flow is registered in L/s; if the file holds L/min"
    assert any(named in text for text in impossible(written, judged))


@pytest.mark.parametrize("written", BY_FLOW, indirect=True)
def test_flow_too_small_by_its_unit_is_refused_and_named(written: Written) -> None:
    """The file holds L/min; mL/s is registered, which makes it 16.7 times too little.

    A forced flow of a sixteenth is that of a sick infant: its quiet breathing is refused.
    """
    _, judged = read(written, registered(written.device, "flow", unit="mL/s"))
    assert any("if the file holds L/min" in text for text in impossible(written, judged))


@pytest.mark.parametrize("written", BY_PRESSURE, indirect=True)
def test_pressure_in_another_unit_is_refused_and_named(written: Written) -> None:
    """The file holds cmH2O; kPa is registered."""
    _, judged = read(written, registered(written.device, "airway_pressure", unit="kPa"))
    named = "airway pressure is registered in kPa; if the file holds cmH2O"
    assert any(named in text for text in impossible(written, judged))


def test_flow_that_is_turned_is_refused_by_its_rule(written: Written) -> None:
    """Where no manoeuvre can be found the whole recording is the trial that the rule refuses."""
    for device in (written.device, replace(written.device, gas_state="btps")):
        measured, judged = read(written, registered(device, "flow", positive="inspiration"))
        assert measured.state == "measured"
        assert "against its registered direction" in refused_by(judged)["flow_sign"]
        if written.made.technique != "tidal":  # the shape of breaths tells it too weakly
            assert (judged.trials["status"] == "rejected").all()
        _, sound = read(written, device)
        assert "flow_sign" not in refused_by(sound)


@pytest.mark.parametrize("written", ["tidal"], indirect=True)
def test_a_turned_sign_is_no_leak_at_the_mask(written: Written) -> None:
    """Gas is warmed in one direction only, so turned flow looks like a leak; the sign is named."""
    _, judged = read(written, registered(written.device, "flow", positive="inspiration"))
    rows = judged.verdicts[judged.verdicts["state"] == "fail"].set_index("rule")
    leak = rows.loc["tidal.no_leak"]
    assert "have the registered sign looked at before" in leak["sentence"]
    assert leak["remedy"] == rows.loc["tidal.flow_sign", "remedy"]
    assert "Reposition" not in " ".join(rows["remedy"])
    told = judged.verdicts["sentence"].str.contains("looked at before anything").sum()
    assert told <= 2
    _, sound = read(written, written.device)
    assert not sound.verdicts["sentence"].str.contains("looked at before anything").any()
