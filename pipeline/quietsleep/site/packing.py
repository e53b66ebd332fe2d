"""Traces packed small: the trials of a test in one script, its numbers binary inside.

A script, since a page opened from a file share may not read other files in any other way. Inside:
base64 of deflated bytes, a length (uint32, little end first), so many bytes of JSON, then for each
trial its samples: the places of those that are kept, and every channel at these places. Places are
written as steps from one to the next, three bytes each. Numbers are whole steps of a channel
(int16), their differences (`order` times) folded so that small ones stay small (0, -1, 1, -2 ...).
All low bytes are written, then all higher ones: what changes little deflates to little. One index
of places serves all channels of a trial, so that a loop pairs what was measured at one moment. A
page undoes this with what a browser has (`DecompressionStream`).
"""

from __future__ import annotations

import base64
import json
import re
import struct
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from quietsleep.records import FloatArray, IntArray
from quietsleep.site.folder import for_script

_PLACE_BYTES = 3
_CALL = re.compile(r'quietsleep\.traces\("[^"]*","([A-Za-z0-9+/=]*)"\);\s*')


class PackedTrial(NamedTuple):
    """One trial, packed: what the page is told of it, and its samples."""

    head: dict[str, Any]
    body: bytes


@dataclass(frozen=True, slots=True)
class Trace:
    """One trial, unpacked: time (n,) in s from the start of the recording, channels (n,) each."""

    head: Mapping[str, Any]
    time_s: FloatArray
    channels: Mapping[str, FloatArray]


def pack_trial(
    head: Mapping[str, Any],
    places: IntArray,
    channels: Mapping[str, FloatArray],
    *,
    steps: int,
) -> PackedTrial:
    """Pack the samples of a trial at rising `places`; each channel in so many steps of its range.

    `head` says the rate of the recording as `rate`; what channels there are is added to it.
    """
    said: list[list[Any]] = []
    parts = [_planes(np.diff(places, prepend=0).astype("<u4"), _PLACE_BYTES)]
    for name, values in channels.items():
        low, high = float(np.min(values)), float(np.max(values))
        step = (high - low) / steps or 1.0
        counts = np.rint((values - low) / step).astype(np.int64)
        once = np.diff(counts, prepend=0)
        twice = np.diff(once, prepend=0)
        order, least = min(((2, twice), (1, once)), key=lambda pair: int(np.abs(pair[1]).sum()))
        parts.append(_folded(least))
        said.append([name, float(f"{low:.6g}"), float(f"{step:.6g}"), order])
    return PackedTrial({**head, "n": int(places.size), "channels": said}, b"".join(parts))


def pack_script(name: str, common: Mapping[str, Any], pieces: Sequence[PackedTrial]) -> str:
    """Return the script that hands the trials of a test to its page."""
    text = json.dumps({**common, "trials": [p.head for p in pieces]}, separators=(",", ":"))
    head = text.encode("utf-8", "surrogatepass")
    packed = struct.pack("<I", len(head)) + head + b"".join(p.body for p in pieces)
    said = base64.b64encode(zlib.compress(packed, 9)).decode("ascii")
    return f'quietsleep.traces({for_script(name.rpartition("/")[2])},"{said}");\n'


def pieces_of(script: str) -> tuple[dict[str, Any], list[PackedTrial]]:
    """Return what a script says of all trials, and its trials as they were packed; ValueError for
    another text."""
    found = _CALL.fullmatch(script)
    if found is None:
        raise ValueError("this is no script of traces")
    packed = zlib.decompress(base64.b64decode(found[1]))
    (length,) = struct.unpack_from("<I", packed)
    common = json.loads(packed[4 : 4 + length])
    at, pieces = 4 + length, []
    for head in common.pop("trials"):
        size = head["n"] * (_PLACE_BYTES + 2 * len(head["channels"]))
        pieces.append(PackedTrial(head, packed[at : at + size]))
        at += size
    return common, pieces


def unpack(piece: PackedTrial) -> Trace:
    """Return the samples of a trial."""
    head, body, n = piece.head, piece.body, piece.head["n"]
    at, channels = _PLACE_BYTES * n, {}
    time_s = np.cumsum(_joined(body[:at], n)) / head["rate"]
    for name, low, step, order in head["channels"]:
        folded = _joined(body[at : at + 2 * n], n)
        counts = (folded >> 1) ^ -(folded & 1)
        for _ in range(order):
            counts = np.cumsum(counts)
        channels[name] = low + step * counts.astype(np.int16).astype(np.float64)
        at += 2 * n
    return Trace(head, time_s, channels)


def _folded(values: NDArray[np.int64]) -> bytes:
    """Whole numbers modulo 2^16, folded, as all low bytes and then all high ones."""
    short = values.astype(np.int16)
    return _planes(((short << 1) ^ (short >> 15)).astype("<u2"), 2)


def _planes(values: NDArray[Any], n_bytes: int) -> bytes:
    """The lowest bytes of all values, then the next ones, up to `n_bytes` a value."""
    planes = values.view(np.uint8).reshape(values.size, values.itemsize)
    return b"".join(planes[:, byte].tobytes() for byte in range(n_bytes))


def _joined(held: bytes, n: int) -> NDArray[np.int64]:
    planes = np.frombuffer(held, dtype=np.uint8).reshape(-1, n).astype(np.int64)
    return np.asarray(sum(plane << 8 * at for at, plane in enumerate(planes)), dtype=np.int64)
