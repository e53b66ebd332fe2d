"""What has to be measured: one job per recording or check, under a content key.

The key is a digest of the recording's bytes, of the visit and device values the measurement uses,
and of the code that can change the number. Equal keys mean equal numbers, so an unchanged night
measures nothing.
"""

from __future__ import annotations

import hashlib
import json
import sys
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from functools import cache
from importlib.metadata import version
from importlib.resources import files
from pathlib import Path

from quietsleep import contract
from quietsleep.data import data_folder
from quietsleep.intake.store import Address
from quietsleep.study.study import Centre, Device

# Every module below these can change a number that is measured on a signal.
MEASURING_CODE = (
    "records.py",
    "measure/recording.py",
    "intake/files/request.py",
    "intake/files/read.py",
    "intake/files/csv.py",
    "intake/files/edf.py",
    "intake/files/parquet.py",
    "signals",
)
MEASURING_LIBRARIES = ("numpy", "scipy", "pyarrow", "edfio")


@dataclass(frozen=True, slots=True)
class Job:
    """One recording or check to measure: where it is, how to read it, what it needs to know."""

    key: str
    centre: str
    delivery: str
    session: str | None
    item: str
    technique: str
    path: Path | Address
    file: str
    device: Device
    context: Mapping[str, float]
    file_sha256: str = ""


def content_key(
    *, file_sha256: str, technique: str, device: Device, context: Mapping[str, float]
) -> str:
    """Return the key under which the measures of one recording are stored."""
    parts = {
        "file": file_sha256,
        "technique": technique,
        "device": asdict(device),
        "context": {name: repr(value) for name, value in sorted(context.items())},
        "code": measuring_fingerprint(technique),
    }
    return hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()[:32]


@cache
def measuring_fingerprint(technique: str) -> str:
    """Return a digest of all code and settings that can change a number of one technique."""
    spec = contract.TECHNIQUES.get(technique) or contract.CHECKS[technique]
    folder = "techniques" if spec.kind == "technique" else "techniques/checks"
    digest = hashlib.sha256(_code_digest((*MEASURING_CODE, f"{folder}/{technique}.py")).encode())
    digest.update(repr(sorted(spec.settings.items())).encode())
    digest.update(repr((spec.channels, spec.shortest_s, sys.version_info[:2])).encode())
    for library in MEASURING_LIBRARIES:
        digest.update(f"{library}={version(library)}".encode())
    return digest.hexdigest()[:16]


@cache
def intake_fingerprint() -> str:
    """Return a digest of what decides whether a row is taken in: its code and the contract."""
    tables = _tree_digest(data_folder("contracts") / "tables")
    code = _code_digest(("intake", "study/study.py", "study/devices.py", "study/entry.py"))
    return hashlib.sha256((code + tables).encode()).hexdigest()[:12]


def registration_digest(centre: Centre) -> str:
    """Return a digest of what a centre has registered: a new device changes what is taken in."""
    return hashlib.sha256(repr(asdict(centre)).encode()).hexdigest()[:12]


@cache
def code_fingerprint() -> str:
    """Return a digest of all code and contracts that stand behind a published number."""
    parts = [_code_digest(("",)), _tree_digest(data_folder("contracts"))]
    return hashlib.sha256("".join(parts).encode()).hexdigest()[:12]


@cache
def _code_digest(names: tuple[str, ...]) -> str:
    root = Path(str(files("quietsleep")))
    return hashlib.sha256("".join(_tree_digest(root / name) for name in names).encode()).hexdigest()


def _tree_digest(path: Path) -> str:
    found = [path] if path.is_file() else sorted(path.rglob("*"))
    digest = hashlib.sha256()
    for file in found:
        if file.suffix in {".py", ".toml", ".sql"}:
            digest.update(file.name.encode())
            digest.update(file.read_bytes())
    return digest.hexdigest()
