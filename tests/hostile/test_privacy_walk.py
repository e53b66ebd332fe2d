"""Identifiers are planted wherever a delivery has room for text; then every output byte is read.

Each plant is a delivery of its own, so that one that is found does not hide the next. After one
night on all of them nothing of any plant may stand in `work`, `warehouse` or `pages`, and the
good deliveries beside them must have been published.
"""

from __future__ import annotations

import hashlib
import io
import json
import shutil
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import duckdb
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from quietsleep import contract
from quietsleep.contract.model import Table
from quietsleep.intake.delivery import read_delivery
from quietsleep.intake.find import found_at
from quietsleep.measure.pool import in_process
from quietsleep.night.stages import run_night
from quietsleep.simulation.exports import relist
from quietsleep.study.study import load_study
from quietsleep.warehouse.database import open_current
from quietsleep.warehouse.privacy import released_table
from quietsleep.warehouse.release import make_release
from tests.night.conftest import tiny_deliveries as tiny_deliveries  # noqa: PLC0414  (a fixture)

# Nothing that was planted may be found anywhere: this list stays empty.
ALLOWED: frozenset[str] = frozenset()
TABLES = ("sessions", "recordings", "checks", "reported")
# One secret of each kind; `{}` makes it that of one plant, so that a find tells where it was.
KINDS: dict[str, Callable[[str], str]] = {
    # Of a rare name alone in free text only its family can tell that it is one; where nothing is
    # refused, nothing may be written on either. What is packed is copied, so it must be refused.
    "name": lambda letters: f"Ottilie Quensel{letters}",
    "common name": lambda letters: f"Anna Quensel{letters}",
    "e-mail": lambda letters: f"quensel{letters}@clinic.example",
    "telephone": lambda letters: f"+49 30 9{_digits(letters)}",
    "birth date": lambda letters: f"{1 + len(letters) % 2:02d}.07.20{_digits(letters)[:2]}",
    "number": lambda letters: f"756.{_digits(letters)[:4]}.5678.97",
}


def _digits(letters: str) -> str:
    return f"{int(hashlib.sha256(letters.encode()).hexdigest(), 16) % 10**8:08d}"


class Planter:
    """Writes deliveries with one plant each, and remembers what was planted where."""

    def __init__(self, study: Path) -> None:
        self.study = study
        self.secrets: dict[str, str] = {}
        self.n = 0

    def secret(self, kind: str, place: str) -> str:
        self.n += 1
        letters = "".join("abcdefghij"[int(digit)] for digit in f"{self.n:03d}")
        text = KINDS[kind](letters)
        self.secrets[text] = f"{kind} in {place}"
        return text

    def delivery(self, source: str = "larch", *, with_signals: bool = True) -> Path:
        """A copy of a good delivery under a name of its own, later than the good one."""
        good = self.study / "deliveries" / source / f"{source}-01"
        folder = good.with_name(f"{source}-plant-{self.n:03d}")
        left_out = None if with_signals else shutil.ignore_patterns("signals")
        shutil.copytree(good, folder, ignore=left_out)
        return folder


def finish(folder: Path, changed: dict[str, Any] | None = None, also: str = "") -> None:
    """List the files of a delivery as they are now, later than the good delivery."""
    file = folder / "delivery.json"
    content = json.loads(file.read_text())
    content |= {"delivery": folder.name, "created": "2026-09-01T10:00:00+02:00"}
    paths = [entry["path"] for entry in content["files"]] + ([also] if also else [])
    content["files"] = [{"path": path} for path in paths if (folder / path).is_file()]
    file.write_text(json.dumps(content))
    relist(folder)
    file.write_text(json.dumps(json.loads(file.read_text()) | (changed or {})))


def put_into_cell(folder: Path, table: str, at: int, secret: str) -> None:
    """Write a secret into a column of the first row, or of its own where there is none yet."""
    file = folder / f"{table}.csv"
    rows = [line.split(",") for line in file.read_text().splitlines()]
    if at == len(rows[0]):
        rows = [[*row, secret if number == 0 else "x"] for number, row in enumerate(rows)]
    else:
        rows[1][at] = secret
    file.write_text("".join(",".join(row) + "\n" for row in rows))
    finish(folder)


def cells() -> list[tuple[str, int, str]]:
    """Every column of every table, and one past the last: a column with a telling name."""
    columns = {name: contract.TABLES[f"delivery_{name}"].columns for name in TABLES}
    return [
        (name, at, columns[name][at].name if at < len(columns[name]) else "a column's name")
        for name in TABLES
        for at in range(len(columns[name]) + 1)
    ]


def in_cells(planter: Planter) -> None:
    """Kinds take turns here; all kinds in all columns are taken in below, without a night."""
    kinds = list(KINDS)
    for number, (table, at, column) in enumerate(cells()):
        secret = planter.secret(kinds[number % len(kinds)], f"{table}.{column}")
        put_into_cell(planter.delivery(with_signals=False), table, at, secret)


def test_every_kind_in_every_column_is_kept_out(tiny_deliveries: Path, tmp_path: Path) -> None:
    study = load_study(shutil.copytree(tiny_deliveries, tmp_path / "demo"))
    planter = Planter(study.path)
    kept_quiet: set[tuple[str, str]] = set()
    for table, at, column in cells():
        for kind in KINDS:
            secret = planter.secret(kind, f"{table}.{column}")
            folder = planter.delivery(with_signals=False)
            put_into_cell(folder, table, at, secret)
            delivered = read_delivery(study, found_at(folder, "larch"))
            shutil.rmtree(folder)
            told = repr(delivered) + "".join(t.to_csv() for t in delivered.tables.values())
            told += "".join(t.to_csv() for t in delivered.held.values())
            assert secret not in told, planter.secrets[secret]
            if not any(p.kind == "person" for p in delivered.problems):
                kept_quiet.add((kind, column))
    # Not refused, for it may be a slip, and not repeated: a day where a time is asked for.
    assert kept_quiet == {("birth date", column) for column in TIMES}


TIMES = {"tested_at", "started_at", "ended_at", "done_at"}


def in_the_list(planter: Planter) -> None:
    for field in ("contract", "centre", "delivery", "created", "files", "note", "contact", "names"):
        for nested in (False, True):
            secret = planter.secret("name", f"delivery.json {field}")
            folder = planter.delivery(with_signals=False)
            finish(folder, {field: {"of": [secret, {secret: secret}]} if nested else secret})
    for kind in KINDS:
        secret = planter.secret(kind, "a name of a field of delivery.json")
        finish(planter.delivery(with_signals=False), {secret: 1})
        secret = planter.secret(kind, "a listed path")
        folder = planter.delivery(with_signals=False)
        file = folder / "signals" / f"{secret}.csv"
        file.parent.mkdir()
        file.write_text("1")
        finish(folder, also=f"signals/{secret}.csv")
        secret = planter.secret(kind, "an unlisted file and what is in it")
        folder = planter.delivery(with_signals=False)
        (folder / f"{secret}.txt").write_text(secret)
        finish(folder)
        secret = planter.secret(kind, "a listed file that no row names")
        folder = planter.delivery(with_signals=False)
        (folder / "signals").mkdir()
        (folder / "signals" / "letter.csv").write_text(secret)
        finish(folder, also="signals/letter.csv")
        if kind != "birth date":  # deliveries are called by the day they were made
            secret = planter.secret(kind, "the name of a delivery")
            folder = planter.delivery(with_signals=False)
            finish(folder)
            folder.rename(folder.with_name(secret))
        secret = planter.secret(kind, "beside the deliveries")
        (planter.study / "deliveries" / "larch" / f"{secret}.docx").write_text(secret)
        (planter.study / "deliveries" / secret).mkdir()


def pack(folder: Path, *, around: str = "", comment: str = "", of_entry: str = "") -> None:
    """Replace a delivery folder by an archive of it."""
    with zipfile.ZipFile(f"{folder}.zip", "w", zipfile.ZIP_DEFLATED) as out:
        for file in sorted(p for p in folder.rglob("*") if p.is_file()):
            info = zipfile.ZipInfo(around + file.relative_to(folder).as_posix())
            info.comment = info.extra = of_entry.encode()
            if of_entry:
                info.extra = b"\x99\x99" + len(of_entry).to_bytes(2, "little") + of_entry.encode()
            out.writestr(info, file.read_bytes())
        out.comment = comment.encode()
    shutil.rmtree(folder)


def in_archives(planter: Planter) -> None:
    for kind in ("common name", "e-mail"):
        for where in ("around", "comment", "of_entry"):
            secret = planter.secret(kind, f"archive: {where}")
            folder = planter.delivery()
            finish(folder)
            pack(folder, **{where: f"{secret}/" if where == "around" else secret})
        secret = planter.secret(kind, "archive: a listed file that no row names")
        folder = planter.delivery()
        (folder / "signals" / "letter.csv").write_text(secret)
        finish(folder, also="signals/letter.csv")
        pack(folder)


CSV_PLACES: dict[str, Callable[[list[str], str], None]] = {
    "a column's name": lambda lines, secret: _add_column(lines, secret, "1"),
    "an unregistered column": lambda lines, secret: _add_column(lines, "Remark", secret),
    "a line before the end": lambda lines, secret: lines.insert(-5, f"Patient: {secret}"),
    "a bad cell far down": lambda lines, secret: lines.insert(-9, f"{secret};1;1;1"),
    "instead of the heading": lambda lines, secret: lines.insert(0, f"# {secret}"),
}


def _add_column(lines: list[str], name: str, value: str) -> None:
    middle = len(lines) // 2
    lines[:] = [f"{lines[0]};{name}"] + [
        f"{line};{value if at == middle else ''}" for at, line in enumerate(lines[1:])
    ]


def in_csv_signals(planter: Planter) -> None:
    for place, put in CSV_PLACES.items():
        for kind in ("name", "e-mail"):
            for packed in (False, True):
                common = packed and kind == "name"
                secret = planter.secret("common name" if common else kind, f"signal csv: {place}")
                folder = planter.delivery()
                file = next(folder.glob("signals/*/*-tid1.csv"))
                lines = file.read_text().splitlines()
                put(lines, secret)
                file.write_text("\n".join(lines) + "\n")
                finish(folder)
                if packed:
                    pack(folder)


def in_edf_signals(planter: Planter) -> None:
    # Where the field stands, and how long it is; those of the signals stand behind all labels.
    fields = {"patient": (8, 80), "recording": (88, 80), "reserved": (192, 44), "label": (256, 16)}
    for place in (*fields, "transducer", "prefiltering"):
        for packed in (False, True):
            secret = planter.secret("common name" if packed else "name", f"EDF: {place}")
            folder = planter.delivery("juniper")
            file = next(folder.glob("signals/*/*-tid1.edf"))
            data = bytearray(file.read_bytes())
            n = int(data[252:256])
            of_signals = {"transducer": (256 + 16 * n, 80), "prefiltering": (256 + 136 * n, 80)}
            at, width = (fields | of_signals)[place]
            plant = secret.replace("Ottilie ", "").replace("Anna Quensel", "Anna Q")[:16]
            plant = plant if width < 20 else secret
            planter.secrets[plant] = f"EDF: {place}"
            data[at : at + width] = plant.encode().ljust(width)[:width]
            file.write_bytes(data)
            finish(folder)
            if packed:
                pack(folder)


def with_metadata(table: pa.Table, secret: str) -> pa.Table:
    return table.replace_schema_metadata({b"comment": secret.encode()})


def with_field_metadata(table: pa.Table, secret: str) -> pa.Table:
    field = table.schema.field(1).with_metadata({"note": secret})
    return table.cast(table.schema.set(1, field))


def with_pandas_attributes(table: pa.Table, secret: str) -> pa.Table:
    frame = table.to_pandas()
    frame.attrs["patient"] = secret
    return pa.Table.from_pandas(frame)


def with_index_name(table: pa.Table, secret: str) -> pa.Table:
    return pa.Table.from_pandas(table.to_pandas().rename_axis(columns=secret))


def with_text_column(table: pa.Table, secret: str) -> pa.Table:
    texts = [""] * table.num_rows
    texts[-1] = secret
    return table.append_column("Remark", pa.array(texts))


def with_dictionary_column(table: pa.Table, secret: str) -> pa.Table:
    return table.append_column("Remark", pa.array([secret] * table.num_rows).dictionary_encode())


def with_nested_column(table: pa.Table, secret: str) -> pa.Table:
    return table.append_column("Remark", pa.array([{"a": [secret]}] * table.num_rows))


def with_column_name(table: pa.Table, secret: str) -> pa.Table:
    return table.append_column(secret, table.column(1))


def instead_of_numbers(table: pa.Table, secret: str) -> pa.Table:
    return table.set_column(1, table.column_names[1], pa.array([secret] * table.num_rows))


PARQUET_PLACES = (
    with_metadata, with_field_metadata, with_pandas_attributes, with_index_name, with_text_column,
    with_dictionary_column, with_nested_column, with_column_name, instead_of_numbers,
)  # fmt: skip


def in_parquet_signals(planter: Planter) -> None:
    for put in PARQUET_PLACES:
        for packed in (False, True):
            kind = "common name" if packed else "name"
            secret = planter.secret(kind, f"parquet: {put.__name__}")
            folder = planter.delivery("willow")
            for file in folder.glob("signals/*/*"):  # small ones: the point is not in the samples
                table = pq.read_table(file).slice(0, 300)
                pq.write_table(put(table, secret) if "-tid1" in file.name else table, file)
            finish(folder)
            if packed:
                pack(folder)


@pytest.fixture(scope="module")
def walked(
    tiny_deliveries: Path, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Path, dict[str, str]]:
    study = shutil.copytree(tiny_deliveries, tmp_path_factory.mktemp("privacy") / "demo")
    shutil.rmtree(study / "truth")
    planter = Planter(study)
    for plant in (in_cells, in_the_list, in_archives, in_csv_signals, in_edf_signals,
                  in_parquet_signals):  # fmt: skip
        plant(planter)
    report = run_night(study, pool=in_process)
    assert report.published and report.state == "amber", report.sentences
    make_release(study, "walk")
    return study, planter.secrets


def outputs(study: Path) -> list[Path]:
    folders = ("work", "warehouse", "pages")
    return [p for f in folders for p in sorted((study / f).rglob("*")) if not p.is_dir()]


def texts_in(path: Path, data: bytes) -> Iterator[str]:
    """All text that a file holds, whatever packs it; each text in lower case."""
    yield path.as_posix().lower()
    for code in ("utf-8", "utf-16-le", "latin-1"):
        yield data.decode(code, "ignore").lower()
    if data[:4] == b"PAR1":
        yield from _of_parquet(data)
    elif data[8:12] == b"DUCK":
        yield from _of_duckdb(path)
    assert data[:2] not in (b"PK", b"\x1f\x8b"), f"{path} is packed in a way not looked into"
    assert data[:6] != b"SQLite", path


def _of_parquet(data: bytes) -> Iterator[str]:
    file = pq.ParquetFile(io.BytesIO(data))
    yield repr(file.schema_arrow.metadata).lower() + str(file.schema_arrow).lower()
    for column in file.read().columns:
        yield "\n".join(map(str, column.to_pylist())).lower()


def _of_duckdb(path: Path) -> Iterator[str]:
    with duckdb.connect(path, read_only=True) as connection:
        names = [r[0] for r in connection.execute("SHOW TABLES").fetchall()]
        assert names
        for name in names:
            frame = connection.execute(f'SELECT * FROM "{name}"').df()
            for column in frame:
                for value in frame[column].dropna():
                    if isinstance(value, bytes | bytearray) and value[:4] == b"PAR1":
                        yield from _of_parquet(bytes(value))
                    elif isinstance(value, str | bytes | bytearray):
                        yield str(value).lower()
        comments = "SELECT comment FROM duckdb_columns() UNION ALL SELECT sql FROM duckdb_views()"
        yield str(connection.execute(comments).fetchall()).lower()


def found_in(texts: Iterator[str], secrets: dict[str, str]) -> set[str]:
    wanted = {secret.lower(): place for secret, place in secrets.items()}
    found: set[str] = set()
    for text in texts:
        found |= {place for secret, place in wanted.items() if secret in text}
    return found


def test_nothing_planted_is_in_any_output(walked: tuple[Path, dict[str, str]]) -> None:
    study, secrets = walked
    assert len(secrets) > 150
    found: dict[str, set[str]] = {}
    files = outputs(study)
    assert len(files) > 100
    # Most files are alike page assets: each content is read once.
    seen: set[str] = set()
    for path in files:
        data = path.read_bytes()
        digest = hashlib.sha256(data).hexdigest()
        if digest not in seen:
            seen.add(digest)
            if leaks := found_in(texts_in(path.relative_to(study), data) if not _is_database(data)
                                 else texts_in(path, data), secrets):  # fmt: skip
                found[path.relative_to(study).as_posix()] = leaks - ALLOWED
    assert not ALLOWED
    assert not found


def _is_database(data: bytes) -> bool:
    return data[8:12] == b"DUCK"


def test_the_walk_finds_what_is_there(walked: tuple[Path, dict[str, str]], tmp_path: Path) -> None:
    """Codes that must be published are found in each kind of file, so a plant would be."""
    study, _ = walked
    kinds = {"duckdb": 0, "parquet": 0, "html": 0, "csv": 0}
    for path in outputs(study):
        kind = path.suffix.removeprefix(".")
        if kind in kinds and kinds[kind] == 0:
            kinds[kind] = len(found_in(texts_in(path, path.read_bytes()), {"larch": "code"}))
    assert all(kinds.values()), kinds
    with duckdb.connect(tmp_path / "x.duckdb") as connection:
        connection.execute("CREATE TABLE t (body BLOB)")
        body = io.BytesIO()
        pd.DataFrame({"a": ["Ottilie Quenselabc"]}).to_parquet(body)
        connection.execute("INSERT INTO t VALUES (?)", [body.getvalue()])
    path = tmp_path / "x.duckdb"
    assert found_in(texts_in(path, path.read_bytes()), {"Ottilie Quenselabc": "here"}) == {"here"}


def test_the_good_deliveries_went_on(walked: tuple[Path, dict[str, str]]) -> None:
    study, _ = walked
    with open_current(study) as warehouse:
        rows = warehouse.execute("SELECT centre, count(*) FROM sessions GROUP BY ALL").fetchall()
    assert {centre for centre, _ in rows} == {"larch", "juniper", "sedge", "willow"}


def test_only_columns_of_the_contract_are_published(
    walked: tuple[Path, dict[str, str]],
) -> None:
    study, _ = walked
    release = study / "warehouse" / "releases" / "walk"
    tables: dict[str, Table] = dict(contract.TABLES)
    for file in [*release.rglob("*.parquet"), *(study / "warehouse" / "nights").rglob("*.parquet")]:
        schema = pq.read_schema(file)
        name = next(part for part in (file.stem, *file.parts[::-1]) if part in tables)
        own = released_table(tables[name]) if release in file.parents else tables[name]
        assert set(schema.names) <= {c.name for c in own.columns}, file
    with duckdb.connect(release / "study.duckdb", read_only=True) as released:
        for name, table in tables.items():
            if name.startswith("delivery_"):
                continue
            for column in released_table(table).columns:
                if not column.publishable:
                    kept = f'SELECT count("{column.name}") FROM "{name}"'
                    assert released.execute(kept).fetchone() == (0,), (name, column.name)
