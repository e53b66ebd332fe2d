"""Plays a history into a study folder, runs its nights, and reads what stands.

Reading goes through the published warehouse alone; names that it may change are in `NAMES`.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta, tzinfo
from functools import cache
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from quietsleep.measure.pool import in_process
from quietsleep.night.night import NightReport
from quietsleep.night.stages import run_night
from quietsleep.simulation.centres import columns_of
from quietsleep.simulation.checks import simulate_check_day
from quietsleep.simulation.exports import table_bytes
from quietsleep.simulation.scenario import Planted, Scenario, centre_toml, load_scenarios
from quietsleep.simulation.sessions import simulate_session, slots_of
from tests.weeks.history import (
    Action,
    Begin,
    Bytes,
    Check,
    Deliver,
    Delivery,
    Edit,
    Finish,
    LoseWork,
    Recalibrate,
    Recording,
    Remove,
    Rename,
    Reported,
    Session,
    Withdraw,
)

START = datetime(2026, 3, 2, 20, 0, tzinfo=UTC)  # the first night looks now
ZONES = {"aspen": None, "briar": "Australia/Brisbane", "cedar": "Europe/Lisbon"}
WRITES_UTC = {"briar"}
NOT_DELIVERED = "--not-delivered-yet"
SCHEDULE = "\n[schedule]\ndeliveries_every_days = 7\ndelivery_grace_days = 2\n"
KEPT_LINES = 2600  # of a recording at 100 Hz
KIND_OF = {"sound": "tidal", "leaky": "tidal", "syringe": "syringe", "syringe_high": "syringe"}


# ---------------------------------------------------------------------- signal files


@cache
def scenario() -> Scenario:
    """The cheapest laboratory there is: one device, tidal breathing, syringe checks."""
    larch = next(s for s in load_scenarios() if s.centre == "larch")
    return replace(larch, techniques=("tidal",), checks=("syringe",), planted=(), slips=())


@cache
def made(kind: str) -> tuple[Mapping[str, str], Mapping[str, str], list[bytes]]:
    """Rows and lines of one simulated signal; every one is simulated once."""
    faults = {"leaky": "tidal_leak", "syringe_high": "syringe_reads_high"}
    technique = "tidal" if kind == "leaky" else None
    planted = (Planted(1, faults[kind], technique),) if kind in faults else ()
    laboratory = replace(scenario(), planted=planted)
    slot = slots_of(laboratory, seed=7, sessions=12)[0]
    if KIND_OF[kind] == "syringe":
        day = simulate_check_day(laboratory, slot, seed=7)
        return {}, day.rows[0], next(iter(day.files.values())).splitlines(keepends=True)
    session = simulate_session(laboratory, slot, seed=7)
    lines = next(iter(session.files.values())).splitlines(keepends=True)
    return session.session_row, session.recording_rows[0], lines[:KEPT_LINES]


@cache
def bytes_of(what: Bytes) -> bytes:
    """The bytes of a signal file: variants differ in the last samples and nothing else."""
    lines = made(what.kind)[2]
    *kept, last = lines[: len(lines) - what.variant % 40]
    return b"".join(kept) + last.rstrip()[:-3] + f"{what.variant // 40:03d}\n".encode()


def sha256_of(what: Bytes) -> str:
    """Digest of a signal file."""
    return hashlib.sha256(bytes_of(what)).hexdigest()


# ---------------------------------------------------------------------- time


def local(centre: str, day: int, hour: int = 0, minute: int = 0) -> datetime:
    """A moment of a local day, as the centre writes it."""
    stem = centre.split("-", maxsplit=1)[0]
    zone: tzinfo = ZoneInfo(name) if (name := ZONES[stem]) else UTC
    midnight = datetime(START.year, START.month, START.day) + timedelta(days=day)
    moment = (midnight + timedelta(hours=hour, minutes=minute)).replace(tzinfo=zone)
    return moment.astimezone(UTC) if stem in WRITES_UTC else moment


class _Now:
    """The moment at which the night believes to be."""

    def __init__(self) -> None:
        self.moment = START

    def __call__(self) -> datetime:
        self.moment += timedelta(milliseconds=1)
        return self.moment


def clock_of(now: _Now) -> type[datetime]:
    """A datetime whose now() is ours; whatever else it makes is a plain datetime."""

    class Meta(type):
        def __instancecheck__(cls, other: object) -> bool:
            return isinstance(other, datetime)

    class Clock(datetime, metaclass=Meta):
        def __new__(cls, *args: Any, **kwargs: Any) -> datetime:  # type: ignore[misc]
            return datetime(*args, **kwargs)

        @classmethod
        def now(cls, tz: tzinfo | None = None) -> datetime:  # type: ignore[override]
            return now().astimezone(tz) if tz else now().replace(tzinfo=None)

    return Clock


@contextmanager
def at(moment: datetime) -> Iterator[None]:
    """Let all modules of the package believe in a moment."""
    now = _Now()
    now.moment = moment
    clock = clock_of(now)
    with pytest.MonkeyPatch.context() as patch:
        for name, module in list(sys.modules.items()):
            if name.startswith("quietsleep.") and tells_time(name):
                patch.setattr(module, "datetime", clock)
        yield


@cache
def tells_time(name: str) -> bool:
    """Whether a module asks for the time."""
    module = sys.modules[name]
    file = getattr(module, "__file__", None)
    asks = file is not None and "datetime.now(" in Path(file).read_text("utf-8")
    return asks and getattr(module, "datetime", None) is datetime


# ---------------------------------------------------------------------- what a centre writes


def session_cells(centre: str, row: Session) -> dict[str, str]:
    """Cells of a row of sessions.csv."""
    tested = local(centre, row.day, row.hour)
    return dict(made("sound")[0]) | {
        "session": row.session,
        "infant": row.infant,
        "visit": row.visit,
        "tested_at": tested.isoformat(),
        "device": device_of(centre),
        "sex": row.sex,
        "age_days": str(row.age_days),
        "gestation_weeks": str(row.gestation_weeks),
        "birth_weight_kg": str(row.birth_weight_kg),
        "weight_kg": f"{row.weight_kg:.2f}",
        "length_cm": "70.2 o'clock" if row.spoiled else "70.2",
        "consent": row.consent,
        "spo2_min_pct": str(row.spo2_min_pct),
    }


def recording_cells(centre: str, row: Recording) -> dict[str, str]:
    """Cells of a row of recordings.csv."""
    return dict(made(row.bytes_.kind)[1]) | {
        "recording": row.recording,
        "session": row.session,
        "file": f"signals/{row.session}/{row.recording}.csv",
        "started_at": local(centre, row.day, 10, row.minute).isoformat(),
        "ended_at": "",
    }


def check_cells(centre: str, row: Check) -> dict[str, str]:
    """Cells of a row of checks.csv."""
    return dict(made(row.bytes_.kind)[1]) | {
        "check": row.check,
        "device": device_of(centre),
        "done_at": local(centre, row.day, row.hour).isoformat(),
        "file": f"signals/{row.check}/{row.check}.csv",
    }


def reported_cells(row: Reported) -> dict[str, str]:
    """Cells of a row of reported.csv."""
    return {
        "session": row.session,
        "technique": "tidal",
        "outcome": row.outcome,
        "value": f"{row.value_ml:.1f}",
        "unit": "mL",
        "conditions": "BTPS",
    }


def device_of(centre: str) -> str:
    """A centre that is renamed keeps its devices."""
    return f"{centre.split('-', maxsplit=1)[0]}-set-1"


def files_of(delivery: Delivery) -> dict[str, bytes]:
    """Tables and signal files as they leave the centre."""
    centre = delivery.centre
    rows = {
        "sessions": [session_cells(centre, r) for r in delivery.sessions],
        "recordings": [recording_cells(centre, r) for r in delivery.recordings],
        "checks": [check_cells(centre, r) for r in delivery.checks],
        "reported": [reported_cells(r) for r in delivery.reported],
    }
    files = {f"{name}.csv": table_bytes(rows[name], columns_of(name)) for name in rows}
    cells = [*rows["recordings"], *rows["checks"]]
    signals = [r.bytes_ for r in delivery.recordings] + [r.bytes_ for r in delivery.checks]
    files |= {c["file"]: bytes_of(what) for c, what in zip(cells, signals, strict=True)}
    return files


def manifest_of(delivery: Delivery, files: Mapping[str, bytes], arrives: datetime) -> bytes:
    """delivery.json."""
    whole: dict[str, Any] = {
        "contract": "2" if delivery.replaces else "1",
        "centre": delivery.centre,
        "delivery": delivery.delivery,
        "created": (arrives + timedelta(days=delivery.created_days)).isoformat(),
        "files": [
            {"path": path, "bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}
            for path, data in sorted(files.items())
        ],
    }
    if delivery.replaces:
        whole["replaces"] = list(delivery.replaces)
    return json.dumps(whole, indent=1).encode()


def damaged(delivery: Delivery, files: Mapping[str, bytes]) -> dict[str, bytes]:
    """The files as they arrive."""
    arrived = dict(files)
    if delivery.cut:
        arrived["sessions.csv"] = files["sessions.csv"][: len(files["sessions.csv"]) // 2]
    for row in delivery.recordings:
        path = recording_cells(delivery.centre, row)["file"]
        if row.file == "cut":
            arrived[path] = files[path][: len(files[path]) // 2]
        elif row.file == "absent":
            del arrived[path]
    return arrived


# ---------------------------------------------------------------------- the study


@dataclass(slots=True)
class StudyOfWeeks:
    """A study folder to which a history happens."""

    path: Path
    centres: tuple[str, ...]
    gains: dict[str, list[tuple[int, float]]] = field(default_factory=dict)
    was: dict[str, list[str]] = field(default_factory=dict)
    lies: dict[str, Path] = field(default_factory=dict)
    arriving: dict[str, bytes] = field(default_factory=dict)
    first_seen: dict[str, int] = field(default_factory=dict)

    @property
    def key(self) -> Path:
        """The key of the register lies outside the study folder."""
        return self.path.with_name(f"{self.path.name}.key")

    def begin(self) -> None:
        """Write the study folder without any delivery."""
        for folder in ("centres", "deliveries"):
            (self.path / folder).mkdir(parents=True)
        text = 'study = "weeks"\ntitle = "Weeks"\ncontract = "1"\nseed = 1\n' + SCHEDULE
        (self.path / "study.toml").write_text(text, encoding="utf-8")
        for centre in self.centres:
            self.write_centre(centre)

    def write_centre(self, centre: str) -> None:
        """The file of a centre with its dated devices."""
        stem = centre.split("-", maxsplit=1)[0]
        zone, was = ZONES[stem], self.was.get(centre, [])
        device = scenario().device | {"device": device_of(centre)}
        text = centre_toml(replace(scenario(), centre=centre, device=device))
        head, entry = text.split("\n[[devices]]\n", 1)
        head += f'time_zone = "{zone}"\n' if zone else ""
        head += f"was = {json.dumps(was)}\n" if was else ""
        text = f"{head}\n[[devices]]\n{entry}"
        for day, factor in self.entries(centre):
            dated = entry.replace("gain = 1.02", f"gain = {1.02 * factor:.6f}")
            from_day = (START + timedelta(days=day)).date().isoformat()
            text += f"\n[[devices]]\nvalid_from = {from_day}\n{dated}"
        (self.path / "centres" / f"{centre}.toml").write_text(text, encoding="utf-8")

    def entries(self, centre: str) -> list[tuple[int, float]]:
        """Later entries of a device in order of time, one a day: the last said counts."""
        return sorted(dict(self.gains.get(centre, ())).items())

    def happens(self, night: int, action: Action) -> None:
        """Do to the folder what happened before a night."""
        match action:
            case Deliver(delivery):
                self.write(night, delivery)
            case Begin(delivery):
                self.write(night, delivery, whole=False)
            case Finish(_, name):
                folder = self.lies[name]
                (folder / "delivery.json").write_bytes(self.arriving.pop(name))
                self.touch(folder, night)
            case Edit(delivery):
                shutil.rmtree(self.lies[delivery.delivery])
                self.write(night, delivery)
            case Remove(_, name):
                shutil.rmtree(self.lies[name])
            case LoseWork():
                shutil.rmtree(self.path / "work", ignore_errors=True)
            case Recalibrate(centre, day, factor):
                self.gains.setdefault(centre, []).append((day, factor))
                self.write_centre(centre)
            case Withdraw():
                self.withdraw(night, action)
            case Rename():
                self.rename(action)

    def write(self, night: int, delivery: Delivery, *, whole: bool = True) -> None:
        """Write a delivery, its list of files last."""
        default = self.path / "deliveries" / delivery.centre / delivery.delivery
        folder = self.lies.setdefault(delivery.delivery, default)
        files = files_of(delivery)
        arrives = START + timedelta(days=self.first_seen.setdefault(delivery.delivery, night))
        manifest = manifest_of(delivery, files, arrives)
        for path, data in damaged(delivery, files).items():
            (folder / path).parent.mkdir(parents=True, exist_ok=True)
            (folder / path).write_bytes(data)
        if whole:
            (folder / "delivery.json").write_bytes(manifest)
        else:
            self.arriving[delivery.delivery] = manifest
        self.touch(folder, night)

    def touch(self, folder: Path, night: int) -> None:
        """Files are an hour old when the night looks."""
        moment = (START + timedelta(days=night, hours=-1)).timestamp()
        for file in (folder, *folder.rglob("*")):
            os.utime(file, (moment, moment))

    def rename(self, action: Rename) -> None:
        """Another code, and perhaps another name of the folder of deliveries."""
        was, now = action.was, action.centre
        (self.path / "centres" / f"{was}.toml").unlink()
        self.was[now] = [*self.was.get(was, ()), was]
        if was in self.gains:
            self.gains[now] = self.gains.pop(was)
        self.write_centre(now)
        old, new = self.path / "deliveries" / was, self.path / "deliveries" / now
        if action.moves_folder and old.exists():
            old.rename(new)
            self.lies = {
                name: new / path.name if path.parent == old else path
                for name, path in self.lies.items()
            }

    def withdraw(self, night: int, action: Withdraw) -> None:
        """By the command, as a person would."""
        from typer.testing import CliRunner

        from quietsleep.cli.main import app

        what = ["--infant", action.infant] if action.infant else ["--session", action.session]
        words = ["withdraw", str(self.path), *what, "--centre", action.centre, "--by", "r1"]
        words += ["--reason", "the family asked for it"]
        words += ["--erase-deliveries"] if action.erase else []
        with self.environment(), at(START + timedelta(days=night, hours=-0.5)):
            result = CliRunner().invoke(app, words)
            if NOT_DELIVERED in result.output:  # its deliveries went, and work/ after them
                result = CliRunner().invoke(app, [*words, NOT_DELIVERED])
        assert result.exit_code == 0, result.output

    @contextmanager
    def environment(self) -> Iterator[None]:
        """Where the key lies."""
        with pytest.MonkeyPatch.context() as patch:
            patch.setenv("QUIETSLEEP_REGISTER_KEY", str(self.key))
            yield

    def night(self, number: int) -> NightReport:
        """Run one night."""
        with self.environment(), at(START + timedelta(days=number)):
            return run_night(self.path, pool=in_process)

    def rebuilt(self, path: Path, number: int) -> StudyOfWeeks:
        """The same study in an empty folder, from deliveries, register and key alone."""
        path.mkdir(parents=True)
        for entry in self.path.iterdir():
            if entry.name in ("deliveries", "centres"):
                shutil.copytree(entry, path / entry.name)
            elif entry.is_file():
                shutil.copy2(entry, path / entry.name)
        other = StudyOfWeeks(path, self.centres, self.gains, self.was, self.lies, self.arriving)
        if self.key.exists():
            shutil.copy2(self.key, other.key)
        other.night(number)
        return other
