"""Traces are reduced without losing peaks, and carry loops and marks where they belong."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietsleep import contract
from quietsleep.records import Mark
from quietsleep.site.traces import (
    LOOPS,
    MOST_SOUND_SHOWN,
    TIME_BUCKETS,
    draw_with,
    peaks_kept,
    shown_trials,
    trace_of,
    trace_script,
)


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
def test_every_technique_has_its_loop(technique: str, signals: Any) -> None:
    recording = signals.breathing("r", technique, 2)
    trial = signals.Trial(1, 1200, 2200)
    trace = trace_of(recording, trial, signals.mark_trial(recording, trial))
    assert len(trace["loops"]) == len(LOOPS[technique]) > 0
    channels = contract.TECHNIQUES[technique].channels
    along, up = trace["loops"][0]["x"]["name"], trace["loops"][0]["y"]["name"]
    if "box_pressure" in channels:
        assert (along, up) == ("airway_pressure", "box_volume")
    elif "jacket_pressure" in channels:
        assert (along, up) == ("volume", "flow")
    assert {p["name"] for p in trace["panels"]} == {"flow", "volume", *channels}


def test_the_fault_stands_at_its_time_and_value(signals: Any) -> None:
    recording = signals.breathing("r", "single_occlusion", 3)
    trial = signals.Trial(2, 2400, 3400)
    trace = trace_of(recording, trial, signals.mark_trial(recording, trial))
    at = 12.0 + signals.FAULT_AT_S
    mark = next(m for m in trace["marks"] if m["quantity"] == "plateau_s")
    assert (mark["axis"], mark["x"], mark["y"]) == ("flow", [at], [signals.PEAK_ML_S])
    flow = next(p for p in trace["panels"] if p["name"] == "flow")
    assert flow["y"][flow["x"].index(at)] == signals.PEAK_ML_S
    assert flow["x"][0] <= 11.0 and flow["x"][-1] >= 18.0


def test_marks_before_the_trial_widen_the_picture(signals: Any) -> None:
    recording = signals.breathing("r", "tidal", 3)
    trial = signals.Trial(3, 3600, 4600)
    marks = [Mark("volume", "breaths before", (10.0, 14.0), (0.0, 0.0))]
    trace = trace_of(recording, trial, marks)
    assert trace["panels"][0]["x"][0] <= 10.0
    assert trace["trial"] == [18.0, 22.995]


def test_a_long_trace_stays_small_and_is_one_plain_call(signals: Any) -> None:
    recording = signals.breathing("r", "plethysmography", 60)
    trial = signals.Trial(1, 0, len(recording.flow_ml_s))
    script = trace_script("traces/r-1.js", recording, trial, [])
    assert len(script) < 300_000
    assert script.startswith('quietsleep.trace("r-1.js",') and script.endswith(");\n")
    data = json.loads(script[len('quietsleep.trace("r-1.js",') : -3])
    assert all(len(p["x"]) == len(p["y"]) <= 2 * TIME_BUCKETS + 2 for p in data["panels"])


def test_a_recording_that_cannot_be_read_leaves_a_page_without_trace(
    frames: Any, plan_of: Any, tmp_path: Any
) -> None:
    from quietsleep.site.write import write_pages

    plans = [plan_of("larch", 3, techniques=("tidal",), fail_share=0.5)]
    night = frames.publish_invented(tmp_path, frames.invent(plans))
    draw = draw_with(lambda _centre, _recording: None)
    report = write_pages(frames.study_at(tmp_path, plans), night, draw)
    assert report.n_traces == 0
    text = (tmp_path / "pages/larch/tests/larch-s0000--tidal.html").read_text(encoding="utf-8")
    assert "could not be read again" in text
    assert not (tmp_path / "pages/larch/assets/plotly.min.js").exists()


def test_new_signals_or_code_renew_the_trace(writer: Any, plan_of: Any, frames: Any,
                                             tmp_path: Any) -> None:  # fmt: skip
    from quietsleep.site.write import write_pages

    first = writer(tmp_path, [plan_of("larch", 4, fail_share=0.3)])
    changed = first.loader.read[0]
    for row in first.made.tables["recordings"]:
        if row["recording"] == changed:
            row["content_key"] = "new"
    night = frames.publish_invented(tmp_path, first.made, night="2026-03-31")
    first.loader.read.clear()
    write_pages(first.study, night, draw_with(first.loader))
    assert first.loader.read == [changed]


def test_a_long_test_shows_every_trial_at_fault_and_a_few_sound_ones() -> None:
    sound = {"status": "accepted", "flagged": False}
    odd = [{"status": "rejected", "flagged": False}, {"status": "accepted", "flagged": True}]
    shown = shown_trials([*[sound] * 40, *odd])
    assert shown == [*[sound] * MOST_SOUND_SHOWN, *odd]
