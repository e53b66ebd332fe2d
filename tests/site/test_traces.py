"""Traces are reduced without losing peaks, and carry loops and marks where they belong."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietsleep import contract
from quietsleep.records import Breaths, Mark, Recording, Trial
from quietsleep.site.folder import test_file as file_of_test
from quietsleep.site.folder import trace_file
from quietsleep.site.traces import (
    MOST_SOUND_SHOWN,
    TIME_BUCKETS,
    Wanted,
    peaks_kept,
    shown_trials,
    trace_of,
    trace_script,
)
from tests.site.nights import CopiedTraces, EditedNight, WrittenNight

RATE_HZ = 200.0
SPIKE_S, SPIKE_ML_S = 14.5, 987.0


def breathing(technique: str, seconds: float) -> Recording:
    """Return quiet breathing with one spike of flow."""
    t = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    flow = 70 * np.sin(2 * np.pi * t / 1.7)
    volume = np.cumsum(flow) / RATE_HZ
    flow[int(SPIKE_S * RATE_HZ)] = SPIKE_ML_S
    pressures = {
        c: 0.4 + 0.3 * np.sin(2 * np.pi * t / 1.7)
        for c in contract.TECHNIQUES[technique].channels
        if c != "flow"
    }
    none = np.array([], dtype=np.int64)
    breaths = Breaths(none, none, none, np.array([], dtype=np.float64), 0.0)
    return Recording("r", technique, RATE_HZ, flow, volume, pressures, breaths, {})


@given(
    n=st.integers(1, 30_000), buckets=st.integers(1, 1000), seed=st.integers(0, 2**16),
    spikes=st.lists(st.floats(-1e6, 1e6), max_size=5),
)  # fmt: skip
def test_no_peak_is_lost(n: int, buckets: int, seed: int, spikes: list[float]) -> None:
    random = np.random.default_rng(seed)
    values = random.normal(size=n)
    for spike in spikes:
        values[random.integers(n)] = spike
    kept = peaks_kept(values, buckets)
    assert len(kept) <= max(2 * buckets + 2, 1)
    assert np.all(np.diff(kept) > 0)
    assert kept[0] == 0 and kept[-1] == n - 1
    assert values[kept].max() == values.max()
    assert values[kept].min() == values.min()
    # Every stretch keeps at least one sample, so no two neighbours are two stretches apart.
    assert len(kept) == n or np.max(np.diff(kept)) <= 2 * (n // buckets + 1)


def test_missing_samples_do_not_hide_peaks() -> None:
    values = np.full(10_000, np.nan)
    values[4321] = 7.0
    values[8765] = -7.0
    assert {4321, 8765} <= set(peaks_kept(values, 100).tolist())


@pytest.mark.parametrize("technique", sorted(contract.TECHNIQUES))
def test_every_technique_has_its_loop(technique: str, demo: WrittenNight) -> None:
    trace = drawn(demo, technique)
    assert len(trace["loops"]) == len(contract.TECHNIQUES[technique].loops) > 0
    channels = contract.TECHNIQUES[technique].channels
    along, up = trace["loops"][0]["x"]["name"], trace["loops"][0]["y"]["name"]
    if "box_pressure" in channels:
        assert (along, up) == ("airway_pressure", "box_volume")
    elif "jacket_pressure" in channels:
        assert (along, up) == ("volume", "flow")
    assert {p["name"] for p in trace["panels"]} == {"flow", "volume", *channels}


def drawn(demo: WrittenNight, technique: str) -> dict[str, Any]:
    """Return a trace that the demo night drew of a technique."""
    files = (
        demo.pages
        / trial["centre"]
        / trace_file(trial["trial"].rpartition("#")[0], trial["trial_index"])
        for trial in demo.rows("trials", technique=technique)
    )
    return data_in(next(file for file in files if file.exists()).read_text(encoding="ascii"))


def data_in(script: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(script.partition(",")[2].removesuffix(");\n"))
    return found


def test_the_fault_stands_at_its_time_and_value() -> None:
    mark = Mark("flow", "spike", (SPIKE_S,), (SPIKE_ML_S,), "plateau_s")
    trace = trace_of(breathing("single_occlusion", 26.0), Trial(2, 2400, 3400), [mark])
    shown = next(m for m in trace["marks"] if m["quantity"] == "plateau_s")
    assert (shown["axis"], shown["x"], shown["y"]) == ("flow", [SPIKE_S], [SPIKE_ML_S])
    flow = next(p for p in trace["panels"] if p["name"] == "flow")
    assert flow["y"][flow["x"].index(SPIKE_S)] == SPIKE_ML_S
    assert flow["x"][0] <= 11.0 and flow["x"][-1] >= 18.0


def test_marks_before_the_trial_widen_the_picture() -> None:
    marks = [Mark("volume", "breaths before", (10.0, 14.0), (0.0, 0.0))]
    trace = trace_of(breathing("tidal", 26.0), Trial(3, 3600, 4600), marks)
    assert trace["panels"][0]["x"][0] <= 10.0
    assert trace["trial"] == [18.0, 22.995]


def test_a_long_trace_stays_small_and_is_one_plain_call() -> None:
    recording = breathing("plethysmography", 368.0)
    script = trace_script("traces/r-1.js", recording, Trial(1, 0, len(recording.flow_ml_s)), [])
    assert len(script) < 300_000
    assert script.startswith('quietsleep.trace("r-1.js",') and script.endswith(");\n")
    assert all(len(p["x"]) == len(p["y"]) <= 2 * TIME_BUCKETS + 2
               for p in data_in(script)["panels"])  # fmt: skip


def test_hostile_traces_stay_data(hostile_text: str) -> None:
    mark = Mark("flow", hostile_text, (SPIKE_S,), (SPIKE_ML_S,), hostile_text)
    name = trace_file(f"r{hostile_text}", 1)
    content = trace_script(name, breathing("tidal", 20.0), Trial(1, 2400, 3400), [mark])
    assert content.isascii() and "<" not in content
    assert content.startswith('quietsleep.trace("') and content.endswith(");\n")
    assert "[U+202E]" in data_in(content)["marks"][0]["label"]


def test_a_recording_that_cannot_be_read_leaves_a_page_without_trace(
    edited: EditedNight, tmp_path: Path
) -> None:
    def draw(wanted: Sequence[Wanted]) -> Iterator[dict[str, str]]:
        yield from ({} for _ in wanted)

    written = edited.keep(centres=["willow"], techniques=["tidal"]).write(tmp_path, draw)
    assert written.report and written.report.n_traces == 0
    lost = edited.row("tests", status="rejected")
    text = (written.pages / "willow" / file_of_test(lost["test"])).read_text(encoding="utf-8")
    assert "could not be read again" in text
    assert not (written.pages / "willow/assets/plotly.min.js").exists()


@pytest.mark.parametrize("changed", ["content_key", "code_fingerprint"])
def test_new_signals_or_code_renew_the_trace(
    changed: str, edited: EditedNight, traces: CopiedTraces, tmp_path: Path
) -> None:
    edited.keep(centres=["willow"], techniques=["single_occlusion"]).write(tmp_path, traces)
    recording = traces.read[0]
    edited.row("recordings", item=recording)[changed] = "new"
    traces.read.clear()
    edited.write(tmp_path, traces, "n000002")
    assert traces.read == [recording]


def test_a_long_test_shows_every_trial_at_fault_and_a_few_sound_ones() -> None:
    sound = {"status": "accepted", "flagged": False}
    odd = [{"status": "rejected", "flagged": False}, {"status": "accepted", "flagged": True}]
    shown = shown_trials([*[sound] * 40, *odd])
    assert shown == [*[sound] * MOST_SOUND_SHOWN, *odd]
