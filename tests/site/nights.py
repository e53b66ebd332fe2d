"""The demo night's rows, edited where a test needs a special case, and published again.

Nothing is judged here: an edit says what it changes, and the rest stays as the night left it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from time import process_time

import pandas as pd
import pytest

from quietsleep import contract
from quietsleep.site.packing import PackedTrial, pieces_of
from quietsleep.site.read import PublishedNight, Row
from quietsleep.site.report.write import write_report
from quietsleep.site.traces import Draw, Wanted
from quietsleep.site.write import PagesReport, write_site
from quietsleep.study.study import Study, load_study
from quietsleep.warehouse.current import current_night
from quietsleep.warehouse.publish import NightFacts, publish
from tests.shared import made_once

# Columns whose value is, or begins with, the code of a session, a recording or a check.
CODES = ("session", "recording", "check_id", "test", "trial", "item")
TEXTS = ("delivery", "infant", "operator", "file", "where_found", "sentence", "why")
_CODE = re.compile(r"[^#/]+")


@dataclass
class EditedNight:
    """Rows of a night by table, free to be changed."""

    study: Study
    tables: dict[str, list[Row]]

    def rows(self, table: str, **wanted: object) -> list[Row]:
        """Return the rows of a table with these values."""
        return [r for r in self.tables[table] if all(r[k] == v for k, v in wanted.items())]

    def row(self, table: str, **wanted: object) -> Row:
        """Return the first such row."""
        return self.rows(table, **wanted)[0]

    @property
    def started_at(self) -> datetime:
        """When the night began."""
        at: datetime = self.tables["nights"][0]["started_at"]
        return at

    def drop(self, table: str, **wanted: object) -> None:
        """Take the rows with these values out."""
        self.tables[table] = [
            r for r in self.tables[table] if any(r[k] != v for k, v in wanted.items())
        ]

    def keep(self, *, centres: Sequence[str], techniques: Sequence[str] = ()) -> EditedNight:
        """Keep only these centres, and these techniques where some are named."""
        kept = [contract.TECHNIQUES[name] for name in techniques or contract.TECHNIQUES]
        others = set(contract.TECHNIQUES) - {spec.key for spec in kept}
        outcomes = {outcome.name for spec in kept for outcome in spec.outcomes}
        self.tables = {
            name: [r for r in rows if r.get("centre") in (None, *centres)
                   and r.get("technique") not in others
                   and r.get("outcome") in (None, *outcomes)]
            for name, rows in self.tables.items()
        }  # fmt: skip
        return self

    def recoded(self, text: Callable[[str], str], columns: Sequence[str]) -> dict[str, list[Row]]:
        """Return the rows with every code, and every text in `columns`, written anew."""
        return {
            name: [_recoded(row, text, columns) for row in rows]
            for name, rows in self.tables.items()
        }

    def repeat_sessions(self, times: int) -> None:
        """Put every session there `times` times with all that hangs on it, under codes of its own.

        Rows that have no code of a session in them stay as they are, and so do waivers.
        """
        found = {name: list(rows) for name, rows in self.tables.items()}
        for k in range(1, times):
            copy = self.recoded(lambda code, k=k: f"{code}-{k}", ())  # type: ignore[misc]
            for name in found.keys() - {"waivers"}:
                found[name] += [
                    new for old, new in zip(self.tables[name], copy[name], strict=True)
                    if new != old
                ]  # fmt: skip
        self.tables = found
        for table, name in (("problems", "problem"), ("queries", "query")):
            for number, row in enumerate(self.tables[table], start=1):
                row[name] = number

    def repeat_trials(self, recording: str, times: int) -> None:
        """Put the trials of a recording there `times` times, numbered on."""
        own = self.rows("trials", recording=recording)
        for k in range(1, times):
            item = own[0]["trial"].rpartition("#")[0]
            renamed = {t["trial"]: f"{item}#{t['trial_index'] + k * len(own)}" for t in own}
            for table, column in (("trials", "trial"), ("trial_values", "trial"),
                                  ("verdicts", "item")):  # fmt: skip
                for row in list(self.tables[table]):
                    if row[column] in renamed:
                        name = renamed[row[column]]
                        more = {"trial_index": int(name.rpartition("#")[2])}
                        self.tables[table].append(
                            row | {column: name} | (more if table == "trials" else {})
                        )

    def publish(self, path: Path, night: str = "n000001") -> Path:
        """Publish the rows as a night of the study at `path` and return its folder."""
        frames = {
            name: pd.DataFrame(rows, columns=[c.name for c in contract.TABLES[name].columns])
            for name, rows in self.tables.items()
        }
        frames["nights"]["night"] = night
        row = self.tables["nights"][0]
        facts = NightFacts(**{name: row[name] for name in (
            "started_at", "ended_at", "state", "code_fingerprint", "rules_version",
            "contract_version")}, study=self.study.name)  # fmt: skip
        return publish(path, night, frames, facts)

    def write(self, path: Path, draw: Draw | None = None, night: str = "n000001") -> WrittenNight:
        """Publish the rows and write their pages below `path`."""
        bare = self.without_pages(path, night)
        return replace(bare, report=write_site(bare.study, bare.night, draw))

    def without_pages(self, path: Path, night: str = "n000001") -> WrittenNight:
        """Publish the rows alone; of the study, the centres that are left."""
        folder = self.publish(path, night)
        centres = {r["centre"] for r in self.tables["centres"]}
        study = replace(
            self.study,
            path=path,
            centres={k: v for k, v in self.study.centres.items() if k in centres},
        )
        return WrittenNight(study, folder, self)


def _recoded(row: Row, text: Callable[[str], str], columns: Sequence[str]) -> Row:
    codes = {n: _CODE.sub(lambda m: text(m[0]), row[n], count=1) for n in CODES if row.get(n)}
    return row | codes | {n: text(row[n]) for n in columns if row.get(n)}


@dataclass(frozen=True)
class WrittenNight:
    """A night with its pages."""

    study: Study
    night: Path
    made: EditedNight
    report: PagesReport | None = None

    @property
    def pages(self) -> Path:
        """Where the pages are."""
        return self.study.path / "pages"

    def rows(self, table: str, **wanted: object) -> list[Row]:
        """Return the rows of a table with these values."""
        return self.made.rows(table, **wanted)

    def row_of(self, table: str, **wanted: object) -> Row:
        """Return the first such row."""
        return self.made.row(table, **wanted)


@dataclass
class CopiedTraces:
    """Draws with the traces that the demo night drew; notes which recordings were asked for.

    `origin` says which trial of the demo night stands behind a recording and the number of a trial.
    """

    pages: Path
    origin: Callable[[str, int], tuple[str, int]] = lambda recording, index: (recording, index)
    read: list[str] = field(default_factory=list)

    def __call__(self, wanted: Sequence[Wanted]) -> Iterator[dict[int, PackedTrial]]:
        """Yield the trials of each recording, under the numbers that are asked for."""
        for each in wanted:
            self.read.append(each.item)
            origins = {index: self.origin(each.item, index) for index in each.trials}
            yield {
                index: self._pieces(each.centre, item)[item, number]
                for index, (item, number) in origins.items()
            }

    def _pieces(self, centre: str, item: str) -> dict[tuple[str, int], PackedTrial]:
        session = item.partition("/")[0]
        return {
            (p.head["item"], p.head["index"]): p
            for file in (self.pages / centre / "traces").glob(f"{session}--*.js")
            for p in pieces_of(file.read_text(encoding="ascii"))[1]
        }


# What a night says of its own tables and of the night before, made anew from what is written.
TOLD = ("changes", "session_changes", "briefing")


def read_night(study_path: Path) -> EditedNight:
    """Read every table of the published night of a study."""
    night = PublishedNight(current_night(study_path))
    names = [name for name, t in contract.TABLES.items() if t.group == "warehouse"]
    tables = {name: night.rows(f"SELECT * FROM {name}") for name in names if name not in TOLD}
    night.close()
    return EditedNight(load_study(study_path), tables)


def copy_of(night: EditedNight) -> EditedNight:
    """Return rows that can be changed without changing the others."""
    return EditedNight(
        night.study, {n: [dict(row) for row in rows] for n, rows in night.tables.items()}
    )


# A test whose every trial was rejected.
SIXTY = "willow/tests/willow-s010--single_occlusion.html"


def sixty_trials(demo: WrittenNight, night: EditedNight, path: Path) -> None:
    """Write a test of sixty trials, all rejected as the five that it had, with their traces."""
    (recording,) = (r["recording"] for r in demo.rows(
        "recordings", session="willow-s010", technique="single_occlusion"))  # fmt: skip
    night.keep(centres=["willow"], techniques=["single_occlusion"])
    night.repeat_trials(recording, 12)
    again = CopiedTraces(demo.pages, lambda name, index: (name, (index - 1) % 5 + 1))
    night.write(path, again)


def sixty_pages(factory: pytest.TempPathFactory, demo: WrittenNight) -> Path:
    """Return the pages of that test, written once for all who look at them."""

    def make(path: Path) -> None:
        sixty_trials(demo, copy_of(demo.made), path)

    return made_once(factory, "sixty", make)[0] / "pages"


def report_of(factory: pytest.TempPathFactory, release: Path) -> Path:
    """Return the report of the demo night's release, written once for all who look at it."""

    def make(path: Path) -> None:
        write_report(release, path)

    return made_once(factory, "demo-report", make)[0] / "report.html"


@dataclass(frozen=True, slots=True)
class Crowded:
    """A centre of more than 500 sessions, and how its pages were written, twice."""

    n_sessions: int
    first: PagesReport
    again: PagesReport
    first_s: float
    again_s: float


def crowded_pages(factory: pytest.TempPathFactory, demo: WrittenNight) -> tuple[Path, Crowded]:
    """Return the pages of a large centre without traces, written once for all who look at them."""

    def make(path: Path) -> Crowded:
        made = copy_of(demo.made).keep(centres=["willow"], techniques=["tidal", "single_occlusion"])
        made.repeat_sessions(42)
        bare = made.without_pages(path)
        begun = process_time()
        first = write_site(bare.study, bare.night)
        between = process_time()
        again = write_site(bare.study, bare.night)
        ended = process_time()
        n = len(made.tables["sessions"])
        return Crowded(n, first, again, between - begun, ended - between)

    folder, said = made_once(factory, "crowded", make)
    return folder / "pages", said


def nasty(night: EditedNight, text: str) -> EditedNight:
    """Put `text` behind every code and free text, as a centre could deliver it."""
    night.tables = night.recoded(lambda old: old + text, TEXTS)
    for row in night.tables["agreement"]:
        if row["suspected_cause"] not in (None, "none"):
            row["suspected_cause"] += text
    for row in night.tables["problems"]:
        row["value"] = row["value"] and row["value"] + text
    return night
