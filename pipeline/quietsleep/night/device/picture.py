"""The trace of an export by the entry proposed for it: in a terminal, and as a page of its own."""

from __future__ import annotations

from collections.abc import Iterator
from importlib.resources import files
from itertools import pairwise
from pathlib import Path

import numpy as np
from markupsafe import Markup

from quietsleep import contract
from quietsleep.errors import QuietsleepError
from quietsleep.night.device.propose import Proposal
from quietsleep.records import FloatArray, Recording

SHOWN_S = 10.0
_BUCKETS = 4000
_ROWS = 11
_LABEL = 9
_SVG_WIDTH, _SVG_HEIGHT = 900, 220


def signals_of(recording: Recording) -> dict[str, FloatArray]:
    """The channels of a recording and its volume, by key with its unit, shape (n,)."""
    found = {"flow_ml_s": recording.flow_ml_s, "volume_ml": recording.volume_ml}
    return found | {f"{name}_kpa": v for name, v in recording.pressures_kpa.items()}


def title_of(key: str) -> str:
    """Return a channel and its unit as people write them."""
    signal = next(s for s in contract.SIGNALS.values() if s.key == key)
    return f"{signal.title}, {signal.unit}"


def busiest(recording: Recording, seconds: float = SHOWN_S) -> slice:
    """The stretch of a recording in which most moves: that of a manoeuvre, if there is one."""
    n = recording.flow_ml_s.size
    length = min(n, round(seconds * recording.rate_hz))
    moving = next(
        (p for name, p in recording.pressures_kpa.items() if name != "box_pressure"),
        recording.flow_ml_s,
    )
    summed = np.cumsum(np.abs(moving - np.median(moving)))
    starts = np.arange(0, n - length + 1, max(1, length // 10))
    best = starts[int(np.argmax(summed[starts + length - 1] - summed[starts]))]
    return slice(int(best), int(best) + length)


def draw(recording: Recording, key: str, *, columns: int, part: slice) -> Iterator[str]:
    """Draw one channel in text, `columns` wide: the range of its samples in each column."""
    values = signals_of(recording)[key][part]
    width = max(20, min(columns, 120) - _LABEL - 1)
    low, high = float(values.min()), float(values.max())
    span = high - low or 1.0
    edges = np.linspace(0, values.size, width + 1).astype(int)
    grid = [[" "] * width for _ in range(_ROWS)]
    zero = round((high - 0.0) / span * (_ROWS - 1))
    if 0 <= zero < _ROWS:
        grid[zero] = ["-"] * width
    for x, (begin, end) in enumerate(pairwise(edges)):
        piece = values[begin : max(end, begin + 1)]
        top = round((high - float(piece.max())) / span * (_ROWS - 1))
        bottom = round((high - float(piece.min())) / span * (_ROWS - 1))
        for y in range(top, bottom + 1):
            grid[y][x] = "*"
    labels = {0: f"{high:.3g}", _ROWS - 1: f"{low:.3g}"}
    if 0 < zero < _ROWS - 1:
        labels[zero] = "0"
    yield title_of(key)
    for y, row in enumerate(grid):
        yield f"{labels.get(y, ''):>{_LABEL - 1}} {''.join(row)}".rstrip()
    begin_s, end_s = part.start / recording.rate_hz, part.stop / recording.rate_hz
    left, right = f"{begin_s:.1f} s", f"{end_s:.1f} s"
    yield " " * _LABEL + left + right.rjust(width - len(left))


def write_picture(proposal: Proposal, path: Path) -> None:
    """Write all channels as a page (.html, can be zoomed) or a drawing (.svg)."""
    recording = proposal.recording
    if recording is None:
        raise QuietsleepError("There is nothing to draw while the unit of flow is not known.")
    ending = path.suffix.casefold()
    if ending == ".html":
        text = _page(recording)
    elif ending == ".svg":
        text = _drawing(recording)
    else:
        raise QuietsleepError(f"A picture is written as .html or .svg, not as {ending or 'this'}.")
    path.write_text(text, encoding="utf-8")


def _page(recording: Recording) -> str:
    """A page of one file: the script and style of the pages of a night, and the trace in it.

    More than any screen can show is left out, peaks never are.
    """
    from quietsleep.site.folder import page
    from quietsleep.site.packing import pack_script, pack_trial
    from quietsleep.site.traces import peaks_kept

    names = {signal.key: signal.name for signal in contract.SIGNALS.values()}
    signals = {names[key]: v for key, v in signals_of(recording).items()}
    n, rate = recording.flow_ml_s.size, recording.rate_hz
    kept = np.unique(np.concatenate([peaks_kept(v, _BUCKETS) for v in signals.values()]))
    whole = [0.0, (n - 1) / rate]
    lost = [[s.channel, (s.start - 1) / rate, s.end / rate] for s in recording.lost]
    railed = [[s.channel, s.start / rate, (s.end - 1) / rate] for s in recording.clipped]
    head = {"rate": rate, "trial": whole, "segments": [whole], "loop": whole, "marks": [],
            "lost": lost, "clipped": railed}  # fmt: skip
    piece = pack_trial(head, kept, {k: v[kept] for k, v in signals.items()}, steps=4000)
    panels = [{"name": k, "title": contract.SIGNALS[k].title, "unit": contract.SIGNALS[k].unit}
              for k in signals]  # fmt: skip
    return page(
        "picture.html.jinja",
        title=recording.name,
        n_panels=len(panels),
        script=Markup(pack_script("trace", {"panels": panels, "loops": []}, [piece])),
        drawing=Markup(_static("trace.js")),
        style=Markup(_static("style.css")),
    )


def _static(name: str) -> str:
    return (files("quietsleep.site") / "static" / name).read_text(encoding="utf-8")


def _drawing(recording: Recording) -> str:
    signals = signals_of(recording)
    part = busiest(recording)
    height = _SVG_HEIGHT * len(signals)
    pieces = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_SVG_WIDTH} {height}" '
        'font-family="sans-serif" font-size="13">',
        f'<rect width="{_SVG_WIDTH}" height="{height}" fill="white"/>',
    ]
    for number, (key, samples) in enumerate(signals.items()):
        pieces += _panel(title_of(key), samples[part], number * _SVG_HEIGHT)
    begin_s, end_s = part.start / recording.rate_hz, part.stop / recording.rate_hz
    foot = f'<text x="60" y="{height - 4}">{begin_s:.1f} s to {end_s:.1f} s</text>'
    return "\n".join([*pieces, foot, "</svg>\n"])


def _panel(title: str, values: FloatArray, top: int) -> Iterator[str]:
    low, high = float(values.min()), float(values.max())
    span = high - low or 1.0
    x = np.linspace(60.0, _SVG_WIDTH - 10.0, values.size)
    y = top + 30.0 + (high - values) / span * (_SVG_HEIGHT - 60.0)
    points = " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x, y, strict=True))
    yield f'<text x="60" y="{top + 20}">{title}</text>'
    yield f'<text x="4" y="{top + 36}">{high:.3g}</text>'
    yield f'<text x="4" y="{top + _SVG_HEIGHT - 26}">{low:.3g}</text>'
    yield f'<polyline points="{points}" fill="none" stroke="#1f4e79" stroke-width="1"/>'
