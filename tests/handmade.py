"""Deliveries edited by hand, as a data manager would: rows changed, files put in, listed anew."""

from __future__ import annotations

import csv
import hashlib
import io
import json
from pathlib import Path

Rows = list[dict[str, str]]


class Handmade:
    """One delivery folder that tests may change; `seal` writes delivery.json anew."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def rows(self, table: str) -> Rows:
        """Return the rows of a table as it lies there."""
        text = self._file(table).read_text(encoding="utf-8-sig")
        return list(csv.DictReader(io.StringIO(text), delimiter=_delimiter(text)))

    def put(self, table: str, rows: Rows) -> None:
        """Write the rows of a table in the dialect that it has."""
        file = self._file(table)
        text = file.read_text(encoding="utf-8-sig")
        delimiter = _delimiter(text)
        names = next(csv.reader([text.splitlines()[0]], delimiter=delimiter))
        sink = io.StringIO()
        writer = csv.DictWriter(sink, names, delimiter=delimiter, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
        file.write_text(sink.getvalue(), encoding="utf-8")

    def change(self, table: str, **cells: str) -> None:
        """Write these cells into every row of a table, and list the files anew."""
        self.put(table, [row | cells for row in self.rows(table)])
        self.seal()

    def seal(self, **said: object) -> None:
        """List every file that lies there, as `quietsleep` asks of a centre."""
        manifest = self.folder / "delivery.json"
        content = json.loads(manifest.read_text(encoding="utf-8")) | said
        files = sorted(p for p in self.folder.rglob("*") if p.is_file() and p != manifest)
        content["files"] = [
            {
                "path": p.relative_to(self.folder).as_posix(),
                "bytes": p.stat().st_size,
                "sha256": hashlib.sha256(p.read_bytes()).hexdigest(),
            }
            for p in files
        ]
        manifest.write_text(json.dumps(content), encoding="utf-8")

    def _file(self, table: str) -> Path:
        return self.folder / f"{table}.csv"


def _delimiter(text: str) -> str:
    return max((",", ";", "\t"), key=text.splitlines()[0].count)


def deliveries_of(study: Path, centre: str) -> list[Handmade]:
    """Return the delivery folders of a centre, by name."""
    return [Handmade(p) for p in sorted((study / "deliveries" / centre).iterdir()) if p.is_dir()]
