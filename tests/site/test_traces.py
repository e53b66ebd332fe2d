"""Traces are reduced without losing peaks, packed small, and say where they were not measured."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietsleep import contract
from quietsleep.records import Breaths, Mark, Recording, SampleRun, Trial
from quietsleep.signals.lost import mark_signal
from quietsleep.site.folder import test_file as file_of_test
from quietsleep.site.folder import trace_file
from quietsleep.site.packing import PackedTrial, Trace, pack_script, pack_trial, pieces_of, unpack
from quietsleep.site.small import ShownTrial, draw_small, loop_of
from quietsleep.site.traces import FULL, SOUND, Wanted, common_of, peaks_kept, trace_of
from tests.site.nights import CopiedTraces, EditedNight, WrittenNight

RATE_HZ = 200.0
SPIKE_S, SPIKE_ML_S = 14.5, 987.0
# What rules ask that has no place on a trace: what was written down, or a slip of a whole channel.
NO_PLACE = {
    "quiet_sleep", "operator_accepts", "reader_accepts", "flow_polarity", "mask_on_min",
    "dead_space_ml_kg", "clock_difference_s", "box_closed_s",
}  # fmt: skip


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


@given(
    seed=st.integers(0, 2**16), n=st.integers(1, 400), steps=st.integers(1, 30_000),
    far=st.integers(0, 200_000), size=st.floats(1e-6, 1e6),
)  # fmt: skip
def test_what_is_packed_comes_back_within_half_a_step(
    seed: int, n: int, steps: int, far: int, size: float
) -> None:
    random = np.random.default_rng(seed)
    places = np.cumsum(random.integers(1, 9, size=n)) + far
    channels = {"flow": size * random.normal(size=n), "volume": size * np.sin(places / 40.0)}
    packed = pack_trial({"rate": 100.0}, places, channels, steps=steps)
    common, pieces = pieces_of(pack_script("traces/a.js", {"loops": []}, [packed, packed]))
    assert common == {"loops": []} and pieces == [packed, packed]
    trace = unpack(pieces[1])
    assert trace.time_s == pytest.approx(places / 100.0)
    for name, values in channels.items():
        step = float(np.ptp(values)) / steps
        # Six digits of the least value and the step are written.
        assert trace.channels[name] == pytest.approx(
            values, abs=0.51 * step + 2e-5 * np.ptp(values) + 1e-5 * abs(values).max()
        )


@pytest.mark.parametrize("technique", sorted(contract.TECHNIQUES))
def test_every_technique_has_its_loops_as_its_contract_says(
    technique: str, demo: WrittenNight
) -> None:
    common, traces = drawn(demo, technique)
    spec = contract.TECHNIQUES[technique]
    assert [[a["name"] for a in loop] for loop in common["loops"]] == [
        [loop.along.signal, loop.up.signal] for loop in spec.loops
    ]
    assert {p["name"] for p in common["panels"]} == {"flow", "volume", *spec.channels}
    assert spec.loops[0].source and spec.loops[0].obtained
    along, up = loop_of(traces[0], common["loops"][0]) or (np.zeros(0), np.zeros(0))
    if "jacket_pressure" in spec.channels:
        # Forced flow goes up, exhaled volume to the right from where the lungs were fullest.
        assert up.max() > -up.min() and float(along.min()) == pytest.approx(0.0)
        assert along[int(np.argmax(up))] < 0.6 * along.max()
    if "box_pressure" in spec.channels:
        assert spec.loops[0].up.signal == "box_volume"


def drawn(demo: WrittenNight, technique: str) -> tuple[dict[str, Any], list[Trace]]:
    """Return what the demo night drew of a test of a technique that was accepted."""
    test = next(t for t in demo.rows("tests", technique=technique) if t["status"] == "accepted")
    script = demo.pages / test["centre"] / trace_file(test["test"])
    common, pieces = pieces_of(script.read_text(encoding="ascii"))
    return common, [unpack(piece) for piece in pieces]


def test_every_trial_has_its_trace_accepted_ones_too(demo: WrittenNight) -> None:
    for test in demo.rows("tests", centre="willow"):
        trials = demo.rows("trials", session=test["session"], technique=test["technique"])
        file = demo.pages / "willow" / trace_file(test["test"])
        if trials:
            _, pieces = pieces_of(file.read_text(encoding="ascii"))
            named = [f"{p.head['item']}#{p.head['index']}" for p in pieces]
            assert named == [t["trial"] for t in trials]


def test_every_fault_that_has_a_place_is_marked(demo: WrittenNight) -> None:
    """Of the demo night's trials that break a rule, each has a mark of what it broke."""
    without = []
    for test in demo.rows("tests"):
        file = demo.pages / test["centre"] / trace_file(test["test"])
        if not file.exists():
            continue
        for piece in pieces_of(file.read_text(encoding="ascii"))[1]:
            marked = {q for mark in piece.head["marks"] for q in mark[4].split()}
            item = f"{piece.head['item']}#{piece.head['index']}"
            broken = {
                v["quantity"]
                for v in demo.rows("verdicts", item=item, centre=test["centre"], state="fail")
                if v["observed"] is not None and not np.isnan(v["observed"])
            }
            without += [(item, q) for q in broken - marked - NO_PLACE]
    assert without == []


def test_a_gap_and_clipped_samples_stand_where_they_are() -> None:
    lost, railed = SampleRun(2600, 2680), SampleRun(2900, 2950, "airway_pressure")
    recording = dataclasses.replace(
        breathing("single_occlusion", 26.0), lost=(lost,), clipped=(railed,), gap_s=0.4
    )
    trial = Trial(2, 2400, 3400)
    marks = mark_signal(recording, trial)
    gap, clipped = marks
    assert (gap.axis, gap.quantity, gap.x) == ("flow", "gap_s", (2599 / 200, 2680 / 200))
    assert "0.40 s" in gap.label
    assert (clipped.axis, clipped.x) == ("airway_pressure", (14.5, 2949 / 200))
    assert {clipped.quantity, *clipped.also} == {"clipped_share_pct", "manoeuvre_clipped_s"}
    head = trace_of(recording, trial, marks).head
    assert head["lost"] == [["", 12.995, 13.4]]
    assert head["clipped"] == [["airway_pressure", 14.5, 14.745]]


def test_no_small_line_is_drawn_through_a_gap() -> None:
    recording = breathing("tidal", 26.0)
    trial = Trial(1, 2400, 3400)
    whole = trace_of(recording, trial, [])
    broken = trace_of(dataclasses.replace(recording, lost=(SampleRun(2600, 2680),)), trial, [])
    common = common_of(contract.TECHNIQUES["tidal"])

    def pen_ups(piece: PackedTrial) -> list[int]:
        named = PackedTrial({**piece.head, "item": "s/r", "index": 1}, piece.body)
        shown = {("s/r", 1): ShownTrial(1, "sound", frozenset())}
        small = draw_small(common, [unpack(named)], shown, "flow").trials["s/r", 1]
        return [path.count("M") for path in str(small).split(' d="')[1:]]

    assert pen_ups(whole) == [1, 1]
    assert pen_ups(broken) == [2, 2]


def test_the_fault_stands_at_its_time_and_value() -> None:
    mark = Mark("flow", "spike", (SPIKE_S,), (SPIKE_ML_S,), "plateau_s", ("plateau_sd_kpa",))
    for detail in (FULL, SOUND):
        piece = trace_of(breathing("single_occlusion", 26.0), Trial(2, 2400, 3400), [mark], detail)
        assert piece.head["marks"] == [
            ["flow", "spike", [SPIKE_S], [SPIKE_ML_S], "plateau_s plateau_sd_kpa"]
        ]
        trace = unpack(piece)
        at = int(np.argmin(np.abs(trace.time_s - SPIKE_S)))
        assert trace.time_s[at] == pytest.approx(SPIKE_S)
        assert trace.channels["flow"][at] == pytest.approx(SPIKE_ML_S, rel=0.01)
        assert trace.time_s[0] <= 11.0 and trace.time_s[-1] >= 18.0


def test_marks_near_the_trial_widen_the_picture_and_far_ones_stand_apart() -> None:
    marks = [
        Mark("volume", "breaths before", (10.0, 14.0), (0.0, 0.0)),
        Mark("flow", "gap", (1.0, 1.4), (0.0, 0.0), "gap_s"),
    ]
    head = trace_of(breathing("tidal", 60.0), Trial(3, 3600, 4600), marks).head
    assert head["trial"] == [18.0, 22.995]
    (first, last), (start, end) = head["segments"]
    assert first <= 1.0 and 1.4 <= last < 5.0
    assert start <= 10.0 and end >= 23.9


def test_a_long_trace_stays_small_and_is_one_plain_call() -> None:
    recording = breathing("plethysmography", 368.0)
    piece = trace_of(recording, Trial(1, 0, len(recording.flow_ml_s)), [])
    common = common_of(contract.TECHNIQUES["plethysmography"])
    script = pack_script("traces/r.js", common, [piece])
    assert len(script) < 60_000
    assert script.startswith('quietsleep.traces("r.js","') and script.endswith('");\n')


def test_hostile_traces_stay_data(hostile_text: str) -> None:
    mark = Mark("flow", hostile_text, (SPIKE_S,), (SPIKE_ML_S,), hostile_text)
    name = trace_file(f"r{hostile_text}/tidal")
    piece = trace_of(breathing("tidal", 20.0), Trial(1, 2400, 3400), [mark])
    content = pack_script(name, {}, [PackedTrial({**piece.head, "item": hostile_text}, piece.body)])
    assert content.isascii() and "<" not in content
    assert content.startswith('quietsleep.traces("') and content.endswith('");\n')
    _, (back,) = pieces_of(content)
    assert "[U+202E]" in back.head["marks"][0][1]


def test_a_recording_that_cannot_be_read_leaves_a_page_without_trace(
    edited: EditedNight, tmp_path: Path
) -> None:
    def draw(wanted: Sequence[Wanted]) -> Iterator[dict[int, PackedTrial]]:
        yield from ({} for _ in wanted)

    written = edited.keep(centres=["willow"], techniques=["tidal"]).write(tmp_path, draw)
    assert written.report and written.report.n_traces == 0
    lost = edited.row("tests", status="rejected")
    text = (written.pages / "willow" / file_of_test(lost["test"])).read_text(encoding="utf-8")
    assert "could not be read again" in text


def test_new_signals_and_new_code_renew_the_trace_and_nothing_else_does(
    edited: EditedNight, traces: CopiedTraces, tmp_path: Path
) -> None:
    edited.keep(centres=["willow"], techniques=["single_occlusion"]).write(tmp_path, traces)
    signals, code, *others = traces.read
    assert others
    edited.row("recordings", item=signals)["content_key"] = "new"
    edited.row("recordings", item=code)["code_fingerprint"] = "new"
    traces.read.clear()
    edited.write(tmp_path, traces, "n000002")
    assert traces.read == [signals, code]
