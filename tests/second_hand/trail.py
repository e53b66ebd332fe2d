"""The way back: from a row of a published night or release to the bytes that a centre handed over.

Nothing of the pipeline is used here. The database is read as a statistician reads it, the delivery
as it was written: a folder or an archive, tables of text, signals as csv, parquet or EDF.
"""

from __future__ import annotations

import csv
import hashlib
import io
import json
import re
import tomllib
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import duckdb

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Source:
    """A file as it was delivered: centre, delivery, path in it, and what the tables say of it."""

    centre: str
    delivery: str
    path: str
    sha256: str


@dataclass(frozen=True, slots=True)
class Trial:
    """An accepted trial: its code, and where in the recording it lies (s)."""

    code: str
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class Outcome:
    """A published value, the trials it names, and its recordings with all accepted trials."""

    session: str
    centre: str
    outcome: str
    value: float
    used: set[str]
    recordings: dict[str, tuple[Source, list[Trial]]]
    checks: dict[str, tuple[str, Source]]


def rows(database: Path, question: str, *values: object) -> list[Row]:
    """Ask a database and give each row by its column names."""
    with duckdb.connect(str(database), read_only=True) as connection:
        answer = connection.execute(question, list(values))
        names = [column[0] for column in answer.description or []]
        return [dict(zip(names, row, strict=True)) for row in answer.fetchall()]


def published(database: Path, technique: str, outcome: str) -> Iterator[Outcome]:
    """Give every clean value of an outcome, and the files and trials that provenance names."""
    values = rows(
        database,
        "SELECT centre, session, value FROM clean_outcomes WHERE technique = ? AND outcome = ? "
        "ORDER BY centre, session",
        technique,
        outcome,
    )
    evidence = rows(
        database, "SELECT * FROM provenance WHERE technique = ? AND outcome = ?", technique, outcome
    )
    accepted: dict[str, list[Trial]] = {}
    question = "SELECT * FROM trials WHERE technique = ? AND status = 'accepted' ORDER BY trial"
    for row in rows(database, question, technique):
        trial = Trial(row["trial"], row["start_s"], row["end_s"])
        accepted.setdefault(trial.code.rpartition("#")[0], []).append(trial)
    for value in values:
        key = (value["centre"], value["session"])
        mine = [row for row in evidence if (row["centre"], row["session"]) == key]
        assert mine, f"nothing leads back from {key} {outcome}"
        assert all(row["value"] == value["value"] for row in mine)
        recordings: dict[str, tuple[Source, list[Trial]]] = {}
        checks: dict[str, tuple[str, Source]] = {}
        for row in mine:
            where = Source(row["centre"], row["delivery"], row["file"], row["file_sha256"])
            if row["evidence_kind"] == "recording":
                recordings[row["evidence"]] = (where, accepted.get(row["evidence"], []))
            else:
                checks[row["evidence_kind"]] = (row["evidence"], where)
        used = set(mine[0]["trials"].split(","))
        there = {trial.code for _, trials in recordings.values() for trial in trials}
        assert used and used <= there, f"{key} {outcome} rests on trials that are not accepted"
        yield Outcome(*key[::-1], outcome, value["value"], used, recordings, checks)


@dataclass(frozen=True, slots=True)
class Deliveries:
    """What the centres of a study handed over."""

    study: Path

    def content(self, centre: str, delivery: str, path: str) -> bytes:
        """Give the bytes of one file, from a folder or an archive of a delivery."""
        folder = self.study / "deliveries" / centre / delivery
        if folder.is_dir():
            return (folder / path).read_bytes()
        with zipfile.ZipFile(folder.with_name(f"{delivery}.zip")) as archive:
            return archive.read(path)

    def path(self, source: Source) -> str:
        """Give the path of a file in its delivery, by its digest in the list of the delivery.

        A release hides the days in the names of checks, so that digest and kind of file lead there.
        """
        listed = json.loads(self.content(source.centre, source.delivery, "delivery.json"))
        found = [each["path"] for each in listed["files"] if each["sha256"] == source.sha256]
        assert len(found) == 1, f"{len(found)} files of {source.delivery} are {source.path}"
        assert found[0] == source.path or "day-" in source.path
        return str(found[0])

    def signal(self, source: Source) -> bytes:
        """Give the bytes of a signal; they must be the ones that the tables speak of."""
        content = self.content(source.centre, source.delivery, self.path(source))
        digest = hashlib.sha256(content).hexdigest()
        assert digest == source.sha256, f"{source.path} is another file than was measured"
        return content

    def row(self, centre: str, delivery: str, table: str, code: str) -> dict[str, str]:
        """Give the row of a session by its code, of a file by its path, as it was written."""
        column = "session" if table == "sessions" else "file"
        found = [row for row in self.table(centre, delivery, table) if row[column] == code]
        assert len(found) == 1, f"{len(found)} rows of {code} in {table} of {delivery}"
        return found[0]

    def table(self, centre: str, delivery: str, table: str) -> list[dict[str, str]]:
        """Give a delivered table, cell by cell."""
        text = self.content(centre, delivery, f"{table}.csv").decode("utf-8-sig")
        first = text.splitlines()[0]
        delimiter = ";" if first.count(";") > first.count(",") else ","
        return list(csv.DictReader(io.StringIO(text), delimiter=delimiter))

    def last_with(self, centre: str, session: str) -> str:
        """Give the last delivery with a row of a session; in one night they count by names."""
        names = sorted(
            (
                path.name.removesuffix(".zip")
                for path in (self.study / "deliveries" / centre).iterdir()
            ),
            key=lambda name: [int(n) if n.isdigit() else n for n in re.split(r"(\d+)", name)],
        )
        having = [
            name
            for name in names
            if any(row["session"] == session for row in self.table(centre, name, "sessions"))
        ]
        return having[-1]

    def device(self, centre: str, device: str) -> Row:
        """Give the registration of a device; the studies of these tests have one entry of each."""
        entry = tomllib.loads((self.study / "centres" / f"{centre}.toml").read_text("utf-8"))
        (found,) = (each for each in entry["devices"] if each["device"] == device)
        return dict(found)
