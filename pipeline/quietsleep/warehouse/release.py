"""Releases: dated, frozen, citable copies of a night, with a checksum for every file.

A release leaves the study, so columns that the contract marks as not publishable are empty in it,
and no calendar day leaves from which a date of birth follows (`privacy`), unless the study signed
that it may.

The checksums are in the form that `sha256sum --check SHA256SUMS` reads.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import secrets
import shutil
from collections.abc import Mapping
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from quietsleep import contract
from quietsleep.contract.model import Table
from quietsleep.contract.sql import exact_path, identifier, literal
from quietsleep.errors import WarehouseError
from quietsleep.judge.rules import rules_in_study, rules_version
from quietsleep.store.tables import PLAIN_CODE, HeldTable
from quietsleep.study.register import Register, RegisterError
from quietsleep.study.register_file import sync_folder
from quietsleep.study.register_key import read_key
from quietsleep.study.study import Privacy, Study
from quietsleep.warehouse.current import (
    current_night,
    night_facts,
    sha256_of,
    sync_tree,
)
from quietsleep.warehouse.database import open_night
from quietsleep.warehouse.described import warehouse_contract
from quietsleep.warehouse.errata import ERRATUM, erratum, superseded
from quietsleep.warehouse.integrity import damage
from quietsleep.warehouse.privacy import Coarsener, coarsener, quarter_of, released_table
from quietsleep.warehouse.proof import (
    RELEASE,
    SUMS,
    files_below,
    verify_files,
    whole_digest,
)
from quietsleep.warehouse.publish import (
    ShownViews,
    describe_tables,
    read_table,
    write_json,
    write_tables,
)
from quietsleep.warehouse.registered import note_release, open_register
from quietsleep.warehouse.views import comments_on, views


def release_night(
    study: Study,
    label: str,
    *,
    anyway: str | None = None,
    supersedes: str | None = None,
    why: str | None = None,
) -> Path:
    """Freeze the current night under a label and write its digest down in the study register.

    Days are told as the study says. Raises KeyMissing and RegisterError where the register cannot
    be written, WarehouseError as `make_release` does, and while something that was decided is not
    judged: a changed limit, a waiver, a reader's decision, a withdrawal. Then there is no release.
    """
    register = open_register(study)
    if register.broken:
        raise RegisterError(register.broken)
    refuse_unjudged(study, register, current_night(study.path))
    folder = make_release(
        study.path,
        label,
        anyway=anyway,
        supersedes=supersedes,
        why=why,
        privacy=study.privacy,
        secret=release_secret(register.key_path),
    )
    note_release(register, folder)
    return folder


def release_secret(key_path: Path) -> bytes:
    """Return what days in codes are put into letters by: the same for all releases of a study."""
    return hmac.new(read_key(key_path), b"days of releases", hashlib.sha256).digest()


def refuse_unjudged(study: Study, register: Register, night: Path) -> None:
    """Raise WarehouseError where the night was judged without something that was decided since."""
    facts = night_facts(night)
    said = f"Night {facts['night']} was judged without "
    rejudge = f"Run 'quietsleep rejudge {study.path.name}', then release."
    now = rules_in_study(contract.RULES.values(), study.limit_changes)
    if rules_version(now) != facts["rules_version"]:
        then = {
            (row["rule"], row["valid_from"], row["limit_low"], row["limit_high"])
            for row in read_table(night, "rules").to_pylist()
        }
        fresh = sorted({r.key for r in now if (r.key, r.valid_from, r.low, r.high) not in then})
        named = f": {', '.join(fresh[:5])}" if fresh else ""
        raise WarehouseError(f"{said}the limits and rules of now{named}. {rejudge}")
    waived = {(w["waiver"], w["item"]) for w in read_table(night, "waivers").to_pylist()}
    if fresh := sorted(w.waiver for w in study.waivers if (w.waiver, w.item) not in waived):
        raise WarehouseError(f"{said}waiver {', '.join(fresh[:5])}. {rejudge}")
    entries = register.since(int((facts.get("register") or {}).get("entries", 0)))
    kinds = {entry.kind for entry in entries}
    if "withdrawal" in kinds:
        raise WarehouseError(
            f"{said}a withdrawal that was written down since. Run 'quietsleep nightly "
            f"{study.path.name}', then release: what was withdrawn must not leave."
        )
    if "review" in kinds:
        raise WarehouseError(f"{said}decisions of readers that were made since. {rejudge}")


def make_release(
    study_path: Path,
    label: str,
    *,
    anyway: str | None = None,
    supersedes: str | None = None,
    why: str | None = None,
    privacy: Privacy | None = None,
    secret: bytes | None = None,
) -> Path:
    """Freeze the current night as `warehouse/releases/<label>` and return that folder.

    `supersedes` names an earlier release, and `why`; an erratum then says what differs. Days that
    stand in codes are put into letters by `secret`, a new one where none is given. WarehouseError
    when the label is taken or not plain, when the earlier release is not there, or when the night
    is red and no reason is given in `anyway`; reasons are written into RELEASE.json.
    """
    if not PLAIN_CODE.fullmatch(label):
        raise WarehouseError(f"{label!r} cannot be a release label: use letters, digits, . _ -")
    releases = study_path / "warehouse" / "releases"
    final = releases / label
    if final.exists():
        raise WarehouseError(f"Release {label} exists already; a release is never changed.")
    earlier = superseded(releases, supersedes, why)
    night = current_night(study_path)
    facts = night_facts(night)
    reason = (anyway or "").strip()
    if facts["state"] == "red" and not reason:
        raise WarehouseError(
            f"Night {facts['night']} is red and is not released. Mend it, or give a reason."
        )
    if changed := damage(night):
        raise WarehouseError(
            f"What was published is not whole and is not released: {changed[0]} 'quietsleep doctor "
            f"{study_path.name}' says all of it; run a night, then release."
        )
    signed = privacy or Privacy()
    exact = signed.dates == "exact"
    releases.mkdir(parents=True, exist_ok=True)
    aside = releases / f".{label}.new"
    shutil.rmtree(aside, ignore_errors=True)
    aside.mkdir()
    _write_publishable(night, aside, secret=None if exact else secret or secrets.token_bytes(32))
    said = _release_json(label, facts, signed) | {
        "released_anyway": reason if facts["state"] == "red" else None,
        "supersedes": earlier,
    }
    if earlier:
        text = erratum(releases / earlier["release"], aside, said)
        (aside / ERRATUM).write_text(text, encoding="utf-8")
    write_json(aside / RELEASE, _with_digest(said, whole_digest(aside)))
    _write_sums(aside)
    _freeze(aside, by_quarter=not exact)
    sync_tree(aside)
    aside.replace(final)
    sync_folder(releases)
    return final


def _write_publishable(night: Path, folder: Path, *, secret: bytes | None) -> None:
    """Write the tables of a night afresh, with what may not leave emptied or coarser.

    They are written rather than copied, because a database file keeps what was deleted from it.
    Without a secret days stay as they are.
    """
    facts = {k: v for k, v in night_facts(night).items() if k not in ("counts", "parts")}
    if secret is None:
        tables = {
            n: HeldTable(t, _emptied(t, _read(night, t)))
            for n, t in sorted(warehouse_contract().items())
        }
        describe_tables(folder, tables, write_tables(folder, tables, before=None), facts)
        return
    # The tables first: views count the tests by what the table of tests says.
    coarse = coarsener(str(facts["night"]), lambda name: read_table(night, name), secret)
    tables = {
        name: HeldTable(released_table(table), coarse.coarsened(table, _read(night, table)))
        for name, table in sorted(warehouse_contract().items())
    }
    laid_out = folder / ".views"
    facts |= {"started_at": None, "ended_at": None}
    # What the code says of itself holds versions, which look like days.
    facts |= {name: _hidden(said, coarse) for name, said in facts.items() if name != "code"}
    describe_tables(
        folder,
        tables,
        write_tables(folder, tables, before=None),
        facts,
        shown=_shown(night, coarse, laid_out),
    )
    shutil.rmtree(laid_out)


def _hidden(said: Any, coarse: Coarsener) -> Any:
    """Put the days in every text of what a night says of itself into letters."""
    if isinstance(said, str):
        return coarse.hide(said, "")
    if isinstance(said, Mapping):
        return {key: _hidden(value, coarse) for key, value in said.items()}
    if isinstance(said, list):
        return [_hidden(value, coarse) for value in said]
    return said


def _read(night: Path, table: Table) -> pa.Table:
    return _as_described(night, table, read_table(night, table.name))


def _as_described(night: Path, table: Table, data: pa.Table) -> pa.Table:
    """Return what a night holds as a table or view; WarehouseError where it has other columns."""
    if data.schema.names != [column.name for column in table.columns]:
        raise WarehouseError(
            f"Night {night.name} is of another version of the program (table {table.name}). Run a "
            "night first."
        )
    return data


def _emptied(table: Table, data: pa.Table) -> pa.Table:
    for position, column in enumerate(table.columns):
        if not column.publishable:
            field = data.schema.field(column.name)
            data = data.set_column(position, field, pa.nulls(data.num_rows, field.type))
    return data.combine_chunks()


def _shown(night: Path, coarse: Coarsener, laid_out: Path) -> ShownViews:
    """Lay the views of a night out as they may leave.

    They are not worked out anew, because the tables of a release hold too little for that.
    """
    laid_out.mkdir()
    described, made, said = [], ["CREATE SCHEMA stored;"], []
    with open_night(night) as connection:
        for view in views():
            data = connection.sql(f"SELECT * FROM {identifier(view.name)}").to_arrow_table()
            data = _as_described(night, view, data)
            released, path = released_table(view), laid_out / f"{view.name}.parquet"
            pq.write_table(coarse.coarsened(view, data), path)
            described.append(released)
            made.append(
                f"CREATE TABLE stored.{view.name} AS "
                f"SELECT * FROM read_parquet({literal(exact_path(path))});"
            )
            said.append(f"CREATE VIEW main.{view.name} AS SELECT * FROM stored.{view.name};")
            said += comments_on(released)
    return ShownViews(tuple(described), [*made, " ".join(said)], "\n".join(said))


def _release_json(label: str, facts: Mapping[str, Any], privacy: Privacy) -> dict[str, Any]:
    today = datetime.now(UTC).date()
    exact = privacy.dates == "exact"
    # The day of a release bounds the days of the newest tests in it.
    released_on = today.isoformat() if exact else quarter_of(today)
    kept = ("study", "night", "state", "code_fingerprint", "rules_version", "contract_version")
    signed_on = privacy.signed_on.isoformat() if privacy.signed_on else None
    return {
        "release": label,
        "released_on": released_on,
        **{name: facts[name] for name in kept},
        "dates": {
            "told": privacy.dates,
            "reason": privacy.reason if exact else None,
            "signed_by": privacy.signed_by if exact else None,
            "signed_on": signed_on if exact else None,
        },
        "code": facts.get("code"),
    }


def _with_digest(said: Mapping[str, Any], digest: str) -> dict[str, Any]:
    """Add the digest of the whole, and how a release is cited."""
    cite_as = (
        f"{said['study']}, research data release {said['release']} ({said['released_on']}), night "
        f"{said['night']}, rules {said['rules_version']}, code {said['code_fingerprint']}, "
        f"digest {digest}."
    )
    return {**said, "digest": digest, "cite_as": cite_as}


def tells_exact_days(release_path: Path) -> bool:
    """Say whether a release holds days as they are; those of earlier versions do."""
    said = json.loads((release_path / "RELEASE.json").read_text(encoding="utf-8"))
    return bool((said.get("dates") or {"told": "exact"})["told"] == "exact")


def running_quarter(release_path: Path, today: date) -> tuple[str, int]:
    """Return the quarter of today, and how many sessions of a release are told to be of it."""
    if tells_exact_days(release_path):
        return quarter_of(today), 0
    told = read_table(release_path, "sessions")["tested_quarter"].to_pylist()
    return quarter_of(today), told.count(quarter_of(today))


def _write_sums(folder: Path) -> None:
    lines = [f"{sha256_of(folder / path)}  {path}\n" for path in files_below(folder)]
    (folder / SUMS).write_text("".join(lines), encoding="utf-8")


def _freeze(folder: Path, *, by_quarter: bool) -> None:
    """Take the right to write from every file; the hour at which it was made goes as well."""
    today = datetime.now(UTC)
    begun = datetime(today.year, (today.month - 1) // 3 * 3 + 1, 1, tzinfo=UTC).timestamp()
    for path in (*files_below(folder), SUMS):
        (folder / path).chmod(0o444)
        if by_quarter:
            os.utime(folder / path, (begun, begun))


def release_digest(release_path: Path) -> str:
    """Return one digest that stands for the whole release, as `warehouse.proof` makes it."""
    return whole_digest(release_path)


def verify_release(release_path: Path) -> list[str]:
    """Say of each file that is missing, changed or not listed so; an intact release has none."""
    return verify_files(release_path)
