"""Damage that keeps the shape of a file: valid files, each with a few things wrong in them.

Every function takes a generator of random numbers and the bytes of a sound file, and returns the
bytes of a spoilt one. Random bytes alone die in the first line of a reader; these reach further in.
"""

from __future__ import annotations

import io
import json
import math
import random
import re
import struct
import zipfile
from collections.abc import Callable
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

Mutation = Callable[[random.Random, bytes], bytes]

PIECES = (
    b"", b"\0", b"\n", b"\r", b"\r\n", b",", b";", b"\t", b'"', b'""', b"'", b"\xff", b"\xfe",
    b"\xef\xbb\xbf", b"\xff\xfe", b"nan", b"NaN", b"inf", b"-inf", b"1e308", b"-1e308", b"1e400",
    b"1e-320", b"-0", b"9" * 40, b"0x10", b"1_000", b"=1+1", b"@SUM(A1)", b"+cmd|' /C x'!A0",
    b"<script>alert(1)</script>", b"'; DROP TABLE sessions; --", b"../../x", b"/etc/x", b"{", b"]",
    b"\xe2\x80\xa8", b"\xe2\x80\xae", b"\xf0\x9f\x91\xb6", b"\xed\xa0\x80", b"\xc0\xaf", b"\x1b[2J",
    b"0000-00-00T99:99:99+99:99", b"9999-12-31T23:59:59-23:59", b"2026-02-30", b"%s%n", b"${x}",
    b"\xd9\xa1\xd9\xa2", b"\xc2\xa0", b"true", b"null", b"-1", b"1,5", b"1.5.2", b"\x85", b"\x0c",
)  # fmt: skip
WORDS = tuple(piece.decode("utf-8", "replace") for piece in PIECES)
NUMBERS = (0, -1, 1, 2**31 - 1, 2**31, 2**32 - 1, 2**63 - 1, 255, 256, 65_535, 65_536)
FLOATS = (math.nan, math.inf, -math.inf, 1e308, -1e308, 5e-324, -0.0, 1e12, 1e13, -1.0)


def in_bytes(rng: random.Random, data: bytes) -> bytes:
    """Flip, cut, repeat, overwrite or insert at a few places."""
    out = bytearray(data)
    for _ in range(rng.randint(1, 4)):
        at = rng.randrange(len(out) + 1)
        if rng.random() < 0.3:
            at = min(at, rng.randrange(256))
        how = rng.randrange(6)
        if how == 0 and at < len(out):
            out[at] ^= 1 << rng.randrange(8)
        elif how == 1:
            del out[at : at + rng.randint(1, 80)]
        elif how == 2:
            out[at:at] = rng.choice(PIECES)
        elif how == 3:
            piece = rng.choice(PIECES)
            out[at : at + len(piece)] = piece
        elif how == 4:
            out[at:at] = out[at : at + rng.randint(1, 200)]
        else:
            out[at : at + 4] = struct.pack("<I", rng.choice(NUMBERS) & 0xFFFFFFFF)
    return bytes(out[: rng.randrange(len(out) + 1)]) if rng.random() < 0.05 else bytes(out)


def in_lines(rng: random.Random, data: bytes) -> bytes:
    """Spoil a table of text: cells, rows, columns, the header, the encoding."""
    text = data.decode("utf-8", "replace")
    lines = text.split("\n")
    delimiter = max(",;\t|", key=lines[0].count)
    rows = [line.split(delimiter) for line in lines]
    for _ in range(rng.randint(1, 4)):
        _in_rows(rng, rows)
    text = rng.choice(["\n"] * 6 + ["\r\n", "\r", "\n\n"]).join(delimiter.join(r) for r in rows)
    how = rng.randrange(14)
    if how < 4:
        codes = ("utf-8-sig", "utf-16", "utf-16-le", "cp1252")
        return text.encode(codes[how], "replace")
    if how == 4:
        return text.replace(delimiter, rng.choice(",;\t| ")).encode("utf-8", "replace")
    out = text.encode("utf-8", "replace")
    return in_bytes(rng, out) if how == 5 else out


def _in_rows(rng: random.Random, rows: list[list[str]]) -> None:
    at = 0 if rng.random() < 0.2 else rng.randrange(len(rows))
    row = rows[at]
    column = rng.randrange(len(row))
    how = rng.randrange(9)
    if how < 4:
        word = rng.choice(WORDS)
        row[column] = word if rng.random() < 0.7 else row[column] + word
    elif how == 4:
        rows.insert(rng.randrange(len(rows) + 1), list(row))
    elif how == 5 and len(rows) > 1:
        del rows[at]
    elif how == 6:
        row.insert(column, rng.choice(WORDS))
    elif how == 7 and len(row) > 1:
        del row[column]
    else:
        other = rows[rng.randrange(len(rows))]
        there = rng.randrange(len(other))
        row[column], other[there] = other[there], row[column]


def in_json(rng: random.Random, data: bytes) -> bytes:
    """Put another value, or none, somewhere into a JSON document."""
    if rng.random() < 0.15:
        return in_bytes(rng, data)
    whole = {"": json.loads(data)}
    for _ in range(rng.randint(1, 3)):
        _in_node(rng, whole)
    text = json.dumps(whole.get("", whole))
    if rng.random() < 0.1:
        return text.encode(rng.choice(["utf-16", "utf-8-sig", "utf-32"]))
    return text.encode()


def _any_json(rng: random.Random) -> Any:
    simple: tuple[Any, ...] = (
        None,
        True,
        "",
        [],
        {},
        0,
        -1,
        2**70,
        1e308,
        math.nan,
        "2026-03-02",
        ["x"],
        {"a": 1},
    )
    return rng.choice([*simple, *WORDS])


def _in_node(rng: random.Random, whole: Any) -> None:
    node = whole
    while True:
        keys = list(node) if isinstance(node, dict) else list(range(len(node)))
        if not keys:
            return
        key = rng.choice(keys)
        if isinstance(node[key], dict | list) and node[key] and rng.random() < 0.8:
            node = node[key]
            continue
        how = rng.randrange(5)
        if how == 0 and node is not whole:
            del node[key]
        elif how == 1 and isinstance(node, list):
            node.append(node[key])
        elif how == 2 and isinstance(node, dict) and node is not whole:
            node[rng.choice(WORDS)] = _any_json(rng)
        else:
            node[key] = _any_json(rng)
        return


TOML_VALUES = (
    "", '""', '"x"', "0", "-1", "1e308", "nan", "-inf", "true", "[]", "{}", "[1, 2]", "[2, 1]",
    "2026-03-02", "2026-03-02T00:00:00Z", "07:32:00", "9" * 30, "0x7f", '"../../x"', "'''a\nb'''",
    '"\\u0000"', '"a b"', "[[1]]", '{ x = 1 }', '"<b>"', '"; DROP TABLE rules"', "1_000", "+1.5",
    '"flow"', '"mL/s"', '"parquet"', '"female"', "9223372036854775808", "1e-320", "0.0", '" "',
    '"mL/kPa"', '"10*-3.L"', '"[in_i]"', '"%"', '"{breaths}"', '"m[H2O]/s2"',
)  # fmt: skip


def in_toml(rng: random.Random, data: bytes) -> bytes:
    """Change, remove, repeat or move lines and values of a TOML file."""
    lines = data.decode("utf-8", "replace").split("\n")
    for _ in range(rng.randint(1, 3)):
        at = rng.randrange(len(lines))
        how = rng.randrange(8)
        name, equals, _ = lines[at].partition("=")
        if how < 4 and equals:
            lines[at] = f"{name}= {rng.choice(TOML_VALUES)}"
        elif how == 4 and len(lines) > 1:
            del lines[at]
        elif how == 5:
            lines.insert(at, lines[rng.randrange(len(lines))])
        elif how == 6:
            lines[at] = f"{rng.choice(WORDS)} = {rng.choice(TOML_VALUES)}"
        else:
            lines[at] = re.sub(r"[a-z_]+", rng.choice(["x", "flow", "rule", "limit"]), lines[at])
    out = "\n".join(lines).encode("utf-8", "replace")
    return in_bytes(rng, out) if rng.random() < 0.15 else out


def in_parquet(rng: random.Random, data: bytes) -> bytes:
    """Write a parquet table anew with other types, values, names, pages or metadata."""
    if rng.random() < 0.35:
        tail = data[-2000:]
        return (
            data[: -len(tail)] + in_bytes(rng, tail) if rng.random() < 0.7 else in_bytes(rng, data)
        )
    table = pq.read_table(io.BytesIO(data))
    for _ in range(rng.randint(1, 3)):
        table = _in_columns(rng, table)
    if rng.random() < 0.2:
        table = table.replace_schema_metadata({rng.choice(WORDS): "x" * rng.choice([1, 10_000])})
    sink = io.BytesIO()
    try:
        pq.write_table(
            table,
            sink,
            compression=rng.choice(["snappy", "zstd", "gzip", "none", "lz4", "brotli"]),
            row_group_size=rng.choice([1_000, 64, 1_000_000]),
            use_dictionary=rng.random() < 0.5,
            data_page_version=rng.choice(["1.0", "2.0"]),
            write_statistics=rng.random() < 0.5,
        )
    except (pa.ArrowException, ValueError, TypeError):
        return in_bytes(rng, data)
    return sink.getvalue()


def _in_columns(rng: random.Random, table: pa.Table) -> pa.Table:
    return _other_shape(rng, table) if table.num_columns else table


def _other_shape(rng: random.Random, table: pa.Table) -> pa.Table:
    at = rng.randrange(table.num_columns)
    name, n = table.column_names[at], table.num_rows
    how = rng.randrange(8)
    if how == 0:
        return table.remove_column(at)
    if how == 1:
        return table.append_column(rng.choice([name, *WORDS]), table.column(at))
    if how == 2:
        return table.slice(0, rng.choice([0, 1, 2, 3, n // 2]))
    if how == 3:
        return table.rename_columns([*table.column_names[1:], rng.choice(WORDS)])
    if how == 4:
        values = table.column(at).to_numpy().copy() if n else np.empty(0)
        if n and values.dtype.kind == "f":
            begin = rng.randrange(n)
            values[begin : begin + rng.choice([1, 5, n])] = rng.choice(FLOATS)
        return _put(table, at, pa.array(values))
    return _put(table, at, _odd_column(rng, n))


def _put(table: pa.Table, at: int, column: pa.Array) -> pa.Table:
    return table.set_column(at, table.column_names[at], column)


def _odd_column(rng: random.Random, n: int) -> pa.Array:
    made: tuple[Callable[[], pa.Array], ...] = (
        lambda: pa.array([[1.0, 2.0]] * n),
        lambda: pa.array([{"a": 1, "b": "x"}] * n),
        lambda: pa.array([rng.choice(WORDS)] * n),
        lambda: pa.array(["a"] * n).dictionary_encode(),
        lambda: pa.array([None] * n, pa.float64()),
        lambda: pa.nulls(n),
        lambda: pa.array([True] * n),
        lambda: pa.array(np.arange(n), pa.timestamp("us")),
        lambda: pa.array(np.arange(n), pa.int64()),
        lambda: pa.array(np.full(n, 2**63 - 1), pa.int64()),
        lambda: pa.array(np.full(n, 2**64 - 1, dtype=np.uint64)),
        lambda: pa.array(np.linspace(0, 1, n).astype(np.float16)),
        lambda: pa.array(np.linspace(0, 1, n).astype(np.float32)),
        lambda: pa.array([b"\0\xff"] * n),
        lambda: pa.array([1] * n).cast(pa.decimal128(38, 2)),
        lambda: pa.array([[["x"]]] * n),
        lambda: pa.array(-np.arange(n) / 200.0),
        lambda: pa.array(np.zeros(n)),
    )
    return rng.choice(made)()


# Fields of the first 256 bytes of an EDF header, and the widths of those of each signal.
EDF_FIELDS = ((0, 8), (8, 80), (88, 80), (168, 8), (176, 8), (184, 8), (192, 44), (236, 8),
              (244, 8), (252, 4))  # fmt: skip
EDF_SIGNAL_WIDTHS = (16, 80, 8, 8, 8, 8, 8, 80, 8, 32)
EDF_WORDS = (
    b"", b"0", b"-1", b"1", b"nan", b"inf", b"1e9", b"1e-9", b"99999999", b"-9999999", b"32767",
    b"-32768", b"EDF+C", b"EDF+D", b"EDF Annotations", b"X X X X", b"\xff\xff", b"\0", b"1.5",
    b"Startdate 01-JAN-2026 X X X", b"Startdate X X X X", b"99.99.99", b"0x1", b"65536", b"1 1",
    b"mV", b"\xc2\xb5V", b"+5", b"1e400", b"5e-324", b"32-FEB-2026 X", b"F X 02-MAR-2020 a_b",
)  # fmt: skip


def in_edf(rng: random.Random, data: bytes) -> bytes:
    """Put other words into the fields of an EDF header, or spoil its records."""
    if rng.random() < 0.2:
        return in_bytes(rng, data)
    out = bytearray(data)
    count = out[252:256].strip()
    n_signals = int(count) if count.isdigit() else 1
    for _ in range(rng.randint(1, 4)):
        if rng.random() < 0.4:
            at, width = rng.choice(EDF_FIELDS)
        else:
            field = rng.randrange(len(EDF_SIGNAL_WIDTHS))
            width = EDF_SIGNAL_WIDTHS[field]
            before = 256 + n_signals * sum(EDF_SIGNAL_WIDTHS[:field])
            at = before + width * rng.randrange(max(n_signals, 1))
        out[at : at + width] = rng.choice(EDF_WORDS)[:width].ljust(width)
    if rng.random() < 0.1:
        out += out[-rng.randint(1, 5000) :]
    return bytes(out)


def in_zip(rng: random.Random, data: bytes) -> bytes:
    """Pack an archive anew with odd entries, or spoil the numbers of its list of entries."""
    if rng.random() < 0.5:
        return _in_directory(rng, data)
    with zipfile.ZipFile(io.BytesIO(data)) as whole:
        entries = [(info, whole.read(info)) for info in whole.infolist()]
    names = (
        "../x.csv",
        "/abs.csv",
        "a\\b.csv",
        "C:x",
        "a/../../b",
        "a/b/c/d/e",
        "",
        ".",
        "x\0y",
        "délivré.csv",
        "delivery.json",
        "d1/delivery.json",
        "a" * 5000,
        "CON",
        "x.csv.",
        " ",
    )
    sink = io.BytesIO()
    with zipfile.ZipFile(sink, "w", allowZip64=rng.random() < 0.8) as out:
        for info, body in entries:
            if rng.random() < 0.1:
                continue
            fresh = zipfile.ZipInfo(info.filename)
            if rng.random() < 0.1:
                fresh.filename = rng.choice(names)
            fresh.external_attr = rng.choice([0, 0o100644 << 16, 0o120777 << 16, 0x10])
            fresh.comment = rng.choice(PIECES) if rng.random() < 0.1 else b""
            fresh.compress_type = rng.choice([0, 8, 8, 8, 12, 14])
            spoilt = in_bytes(rng, body) if rng.random() < 0.1 else body
            out.writestr(fresh, spoilt)
        out.comment = rng.choice(PIECES)
    return in_bytes(rng, sink.getvalue()) if rng.random() < 0.2 else sink.getvalue()


def _in_directory(rng: random.Random, data: bytes) -> bytes:
    out = bytearray(data)
    marks = [m.start() for m in re.finditer(b"PK(?:\x01\x02|\x03\x04|\x05\x06)", data)]
    for _ in range(rng.randint(1, 3)):
        if marks:
            at = rng.choice(marks) + rng.randrange(4, 46)
            width = rng.choice([1, 2, 4])
            value = rng.choice([*NUMBERS, rng.getrandbits(32)]) & (256**width - 1)
            out[at : at + width] = value.to_bytes(width, "little")
    return bytes(out)
