"""A tiny study, and deliveries of it that tests write and spoil."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import zipfile
from dataclasses import dataclass, field
from pathlib import Path
from types import SimpleNamespace
from typing import Literal, get_args

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from edfio import Edf, EdfSignal

from quietsleep import contract
from quietsleep.records import FloatArray
from quietsleep.study.study import Centre, ChannelMap, Device, Study

FileFormat = Literal["csv", "parquet", "edf"]
Delimiter = Literal[",", ";", "\t", "|"]
Decimal = Literal[".", ","]
Samples = dict[str, FloatArray]
RATE_HZ = 200.0
CHANNELS = (
    ChannelMap("flow", "Flow", "mL/s", 1.0, 0.0, "inspiration"),
    ChannelMap("airway_pressure", "Pao", "kPa", 1.0, 0.0, "above"),
    ChannelMap("box_pressure", "Pbox", "kPa", 1.0, 0.0, "above"),
    ChannelMap("jacket_pressure", "Pj", "kPa", 1.0, 0.0, "above"),
)


def make_device(
    file_format: FileFormat = "csv",
    *,
    delimiter: Delimiter = ",",
    decimal: Decimal = ".",
    code: str = "larch-set-1",
) -> Device:
    return Device(
        device=code,
        centre="larch",
        equipment_class="screen-pneumotach",
        file_format=file_format,
        rate_hz=RATE_HZ,
        time_column=None if file_format == "edf" else "t_s",
        csv_delimiter=delimiter,
        csv_decimal=decimal,
        gas_state="measured",
        expired_temperature_c=34.0,
        expired_humidity_pct=100.0,
        box_volume_l=65.0,
        box_calibrated_empty=True,
        channels=CHANNELS,
    )


def make_samples(n: int = 400, *, seed: int = 1) -> Samples:
    """Invented samples: time and four channels, rounded as an export rounds them."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(n) / RATE_HZ
    columns = {"t_s": time_s, "Flow": 80 * np.sin(2 * np.pi * 0.5 * time_s)}
    columns |= {name: rng.normal(0, 0.1, n) for name in ("Pao", "Pbox", "Pj")}
    return {name: np.round(values, 4) for name, values in columns.items()}


def signal_bytes(samples: Samples, device: Device) -> bytes:
    if device.file_format == "csv":
        mark = device.csv_decimal
        lines = [device.csv_delimiter.join(samples)]
        for row in zip(*samples.values(), strict=True):
            lines.append(device.csv_delimiter.join(f"{v:.4f}".replace(".", mark) for v in row))
        return ("\n".join(lines) + "\n").encode()
    sink = io.BytesIO()
    if device.file_format == "parquet":
        pq.write_table(pa.table(samples), sink)
        return sink.getvalue()
    signals = [
        EdfSignal(values, RATE_HZ, label=name, physical_range=(-200, 200))
        for name, values in samples.items()
        if name != "t_s"
    ]
    return Edf(signals).to_bytes()


@dataclass
class Draft:
    """A delivery before it is written; tests change it at will."""

    centre: str = "larch"
    delivery: str = "d1"
    created: str = "2026-03-10T18:00:00+01:00"
    tables: dict[str, list[dict[str, str]]] = field(default_factory=dict)
    signals: dict[str, bytes] = field(default_factory=dict)
    extra: dict[str, object] = field(default_factory=dict)
    unlisted: dict[str, bytes] = field(default_factory=dict)
    raw: dict[str, bytes] = field(default_factory=dict)

    def files(self) -> dict[str, bytes]:
        """All files with their bytes, as they are listed."""
        files = {f"{n}.csv": self.table_bytes(n) for n in self.tables} | self.signals
        return files | {p: b for p, b in self.raw.items() if p in files}

    def table_bytes(self, name: str) -> bytes:
        sink = io.StringIO()
        columns = [c.name for c in contract.TABLES[f"delivery_{name}"].columns]
        for row in self.tables[name]:
            columns += [c for c in row if c not in columns]
        writer = csv.DictWriter(sink, columns, lineterminator="\n")
        writer.writeheader()
        writer.writerows(self.tables[name])
        return sink.getvalue().encode()

    def manifest(self, files: dict[str, bytes] | None = None) -> bytes:
        files = self.files() if files is None else files
        listed = [
            {"path": p, "bytes": len(b), "sha256": hashlib.sha256(b).hexdigest()}
            for p, b in files.items()
        ]
        whole = {
            "contract": "1",
            "centre": self.centre,
            "delivery": self.delivery,
            "created": self.created,
            "files": listed,
        }
        return json.dumps(whole | self.extra).encode()

    def write(self, deliveries: Path) -> Path:
        folder = deliveries / self.centre / self.delivery
        content = {**self.files(), **self.unlisted, "delivery.json": self.manifest()}
        for path, data in content.items():
            target = folder / path
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(data)
        return folder

    def write_zip(self, deliveries: Path, *, around: str = "") -> Path:
        archive = deliveries / self.centre / f"{self.delivery}.zip"
        archive.parent.mkdir(parents=True, exist_ok=True)
        content = {**self.files(), **self.unlisted, "delivery.json": self.manifest()}
        with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED) as out:
            for path, data in content.items():
                out.writestr(around + path, data)
        return archive


def day_of(number: int) -> str:
    """Day of a session by its number."""
    return f"2026-03-{2 + number % 7:02d}"


def session_row(number: int, *, device: str = "larch-set-1") -> dict[str, str]:
    return {
        "session": f"larch-s{number:03d}",
        "infant": f"larch-i{number:03d}",
        "visit": "Visit 1",
        "tested_at": f"{day_of(number)}T09:30:00+01:00",
        "device": device,
        "sex": "female",
        "gestation_weeks": "39.5",
        "birth_weight_kg": "3.4",
        "age_days": "120",
        "weight_kg": "6.2",
        "length_cm": "62",
        "room_temperature_c": "23",
        "room_humidity_pct": "40",
        "barometric_pressure_kpa": "101.3",
        "sedation": "none",
        "sedation_mg_per_kg": "",
        "sedation_to_sleep_min": "",
        "days_since_respiratory_infection": "40",
        "noisy_breathing": "no",
        "staff_present": "2",
        "resuscitation_equipment_checked": "yes",
        "consent": "yes",
        "spo2_min_pct": "96",
        "operator": "op1",
        "feed_given": "yes",
        "followup_call_done": "pending",
    }


def recording_row(
    session: str, technique: str, number: int, *, file_format: str = "csv"
) -> dict[str, str]:
    recording = f"{session}-{technique[:3]}{number}"
    return {
        "recording": recording,
        "session": session,
        "technique": technique,
        "file": f"signals/{session}/{recording}.{file_format}",
        "started_at": f"{day_of(int(session[-3:]))}T10:00:00+01:00",
        "sleep_state": "quiet",
        "mask_dead_space_ml": "5",
        "compressible_dead_space_ml": "",
        "apparatus_resistance_kpa_s_l": "0.5",
        "jacket_pressure_set_kpa": "",
        "inflation_pressure_set_kpa": "",
        "box_closed_s": "",
        "operator_accepts": "yes",
    }


def check_row(
    day: str, kind: str = "syringe", *, device: str = "larch-set-1", file_format: str = "csv"
) -> dict[str, str]:
    check = f"larch-{day}-{kind}"
    return {
        "check": check,
        "device": device,
        "kind": kind,
        "done_at": f"{day[:4]}-{day[4:6]}-{day[6:]}T08:00:00+01:00",
        "file": f"signals/{check}/{check}.{file_format}",
        "heated_min": "45",
        "known_volume_ml": "100",
        "box_volume_l": "65",
    }


def make_draft(n_sessions: int = 3, *, device: Device | None = None) -> Draft:
    device = device or make_device()
    sessions = [session_row(i, device=device.device) for i in range(1, n_sessions + 1)]
    recordings = [
        recording_row(s["session"], technique, n, file_format=device.file_format)
        for s in sessions
        for n, technique in enumerate(("tidal", "single_occlusion"), start=1)
    ]
    checks = [check_row("20260303", device=device.device, file_format=device.file_format)]
    reported = [
        {
            "session": s["session"],
            "technique": "tidal",
            "outcome": "vt_ml",
            "value": "52.1",
            "unit": "mL",
            "conditions": "BTPS",
        }
        for s in sessions
    ]
    draft = Draft(
        tables={
            "sessions": sessions,
            "recordings": recordings,
            "checks": checks,
            "reported": reported,
        }
    )
    for number, row in enumerate([*recordings, *checks]):
        draft.signals[row["file"]] = signal_bytes(make_samples(seed=number), device)
    return draft


@pytest.fixture
def study(tmp_path: Path) -> Study:
    devices = {
        f"larch-set-{n}": make_device(form, code=f"larch-set-{n}")
        for n, form in enumerate(get_args(FileFormat), start=1)
    }
    centre = Centre("larch", "Larch laboratory", 120.0, devices)
    other = Centre("rowan", "Rowan laboratory", 10.0, {})
    centres = {"larch": centre, "rowan": other}
    return Study(tmp_path, "invented", "An invented study", centres, devices=devices)


@pytest.fixture
def draft() -> Draft:
    return make_draft()


@pytest.fixture
def kit() -> SimpleNamespace:
    """The functions above, for tests that build their own deliveries."""
    return SimpleNamespace(
        device=make_device,
        samples=make_samples,
        signal_bytes=signal_bytes,
        draft=make_draft,
        session=session_row,
        recording=recording_row,
        check=check_row,
    )
