"""Releases: dated, frozen, citable copies of a night, with a checksum for every file.

A release leaves the study, so columns that the contract marks as not publishable are empty in it.

The checksums are in the form that `sha256sum --check SHA256SUMS` reads.
"""

from __future__ import annotations

import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pyarrow as pa

from quietsleep.errors import WarehouseError
from quietsleep.store.tables import PLAIN_CODE, HeldTable
from quietsleep.study.register import RegisterError
from quietsleep.study.study import Study
from quietsleep.warehouse.current import current_night, night_facts, sync_folder, sync_tree
from quietsleep.warehouse.proof import (
    RELEASE,
    SUMS,
    files_below,
    sha256_of,
    verify_files,
    whole_digest,
)
from quietsleep.warehouse.publish import (
    describe_tables,
    read_table,
    warehouse_contract,
    write_json,
    write_tables,
)
from quietsleep.warehouse.registered import note_release, open_register


def release_night(study: Study, label: str, *, anyway: str | None = None) -> Path:
    """Freeze the current night under a label and write its digest down in the study register.

    Raises KeyMissing and RegisterError where the register cannot be written, WarehouseError as
    `make_release` does; then there is no release.
    """
    register = open_register(study)
    if register.broken:
        raise RegisterError(register.broken)
    folder = make_release(study.path, label, anyway=anyway)
    note_release(register, folder)
    return folder


def make_release(study_path: Path, label: str, *, anyway: str | None = None) -> Path:
    """Freeze the current night as `warehouse/releases/<label>` and return that folder.

    WarehouseError when the label is taken or not plain, or when the night is red and no reason is
    given in `anyway`; a reason that is given is written into RELEASE.json.
    """
    if not PLAIN_CODE.fullmatch(label):
        raise WarehouseError(f"{label!r} cannot be a release label: use letters, digits, . _ -")
    releases = study_path / "warehouse" / "releases"
    final = releases / label
    if final.exists():
        raise WarehouseError(f"Release {label} exists already; a release is never changed.")
    night = current_night(study_path)
    facts = night_facts(night)
    reason = (anyway or "").strip()
    if facts["state"] == "red" and not reason:
        raise WarehouseError(
            f"Night {facts['night']} is red and is not released. Mend it, or give a reason."
        )
    releases.mkdir(parents=True, exist_ok=True)
    aside = releases / f".{label}.new"
    shutil.rmtree(aside, ignore_errors=True)
    aside.mkdir()
    _write_publishable(night, aside)
    digest = whole_digest(aside)
    write_json(aside / RELEASE, _release_json(label, facts, reason, digest))
    _write_sums(aside)
    _freeze(aside)
    sync_tree(aside)
    aside.replace(final)
    sync_folder(releases)
    return final


def _write_publishable(night: Path, folder: Path) -> None:
    """Write the tables of a night afresh, with the columns that may not be published emptied.

    They are written rather than copied, because a database file keeps what was deleted from it.
    """
    tables = {}
    for name, table in warehouse_contract().items():
        data = read_table(night, name)
        if data.schema.names != [column.name for column in table.columns]:
            raise WarehouseError(
                f"Night {night.name} is of an older version of the program (table {name}). Run a "
                "night first."
            )
        for position, column in enumerate(table.columns):
            if not column.publishable:
                field = data.schema.field(column.name)
                empty = pa.nulls(data.num_rows, field.type)
                data = data.set_column(position, field, empty)
        tables[name] = HeldTable(table, data.combine_chunks())
    facts = {k: v for k, v in night_facts(night).items() if k not in ("counts", "parts")}
    describe_tables(folder, tables, write_tables(folder, tables, before=None), facts)


def _release_json(label: str, facts: dict[str, Any], reason: str, digest: str) -> dict[str, Any]:
    released_on = datetime.now(UTC).date().isoformat()
    kept = ("study", "night", "state", "code_fingerprint", "rules_version", "contract_version")
    return {
        "release": label,
        "released_on": released_on,
        **{name: facts[name] for name in kept},
        "code": facts.get("code"),
        "digest": digest,
        "released_anyway": reason if facts["state"] == "red" else None,
        "cite_as": (
            f"{facts['study']}, research data release {label} ({released_on}), night "
            f"{facts['night']}, rules {facts['rules_version']}, code {facts['code_fingerprint']}, "
            f"digest {digest}."
        ),
    }


def _write_sums(folder: Path) -> None:
    lines = [f"{sha256_of(folder / path)}  {path}\n" for path in files_below(folder)]
    (folder / SUMS).write_text("".join(lines), encoding="utf-8")


def _freeze(folder: Path) -> None:
    """Take the right to write from every file."""
    for path in files_below(folder):
        (folder / path).chmod(0o444)
    (folder / SUMS).chmod(0o444)


def release_digest(release_path: Path) -> str:
    """Return one digest that stands for the whole release, as `warehouse.proof` makes it."""
    return whole_digest(release_path)


def verify_release(release_path: Path) -> list[str]:
    """Say of each file that is missing, changed or not listed so; an intact release has none."""
    return verify_files(release_path)
