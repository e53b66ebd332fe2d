"""Two nights or releases held against each other: in words, by cell, causes only as evidence."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from typer.testing import CliRunner, Result

from quietsleep.cli.main import app
from quietsleep.errors import WarehouseError
from quietsleep.warehouse.compare import SESSIONS, Comparison, compare, place_of
from quietsleep.warehouse.session_changes import COLUMNS as CELLS

pytestmark = pytest.mark.usefixtures("quick")


def pick(study: Any, table: str, **match: Any) -> dict[str, Any]:
    """Return the one row of a table that matches."""
    (row,) = (r for r in study.rows[table] if all(r.get(k) == v for k, v in match.items()))
    found: dict[str, Any] = row
    return found


def new_value(study: Any) -> None:
    pick(study, "outcomes", centre="maple", session="S1", outcome="rr_per_min")["value"] = 31.0


def bring_back(study: Any) -> None:
    """Another delivery brings a recording again, and the test is accepted now."""
    study.add("deliveries", centre="maple", delivery="maple-04", sha256="f" * 64)
    row = pick(study, "recordings", centre="maple", session="S1", technique="single_occlusion")
    row |= {"delivery": "maple-04", "file_sha256": "b" * 64}
    pick(study, "tests", centre="maple", test="S1/single_occlusion")["status"] = "accepted"


def other_code(study: Any) -> None:
    row = pick(study, "recordings", centre="maple", session="S1", technique="tidal")
    row |= {"code_fingerprint": "code2", "content_key": "k2"}
    new_value(study)


def other_device(study: Any) -> None:
    pick(study, "devices", centre="maple")["registration_sha256"] = "other gain"
    pick(study, "recordings", centre="maple", technique="tidal")["content_key"] = "k2"
    new_value(study)


def other_limit(study: Any) -> None:
    change = {"limit_low": 1.0, "state": "pass"}
    pick(study, "verdicts", rule="raised_volume.enough_trials").update(change)
    pick(study, "rules", remedy="new remedy").update(changed_by="dm1", limit_low=1.0)
    pick(study, "tests", centre="larch", test="S1/raised_volume")["status"] = "accepted"


def waived(study: Any) -> None:
    study.add("waivers", centre="larch", waiver="w2", item_kind="session", item="S2",
              rule="session.consent")  # fmt: skip
    pick(study, "verdicts", rule="session.consent").update(state="waived", waiver="w2")
    pick(study, "sessions", centre="larch", session="S2")["status"] = "accepted"
    pick(study, "tests", centre="larch", test="S2/tidal")["status"] = "accepted"


def no_evidence(study: Any) -> None:
    new_value(study)


VALUE = "rr_per_min from 30 to 31"
CASES: tuple[tuple[Callable[[Any], None], str], ...] = (
    (bring_back, "Delivery maple-04 brought back 1 test of S1: "
     "single occlusion from quarantined to accepted."),
    (other_code, f"Other code changed S1: {VALUE}."),
    (other_device, f"The registration of maple-set changed S1: {VALUE}."),
    (other_limit, "The limit of raised_volume.enough_trials brought back 1 test of S1: "
     "raised volume from rejected to accepted."),
    (waived, "Waiver w2 brought back 1 test of S2: tidal from rejected to accepted."),
    (no_evidence, f"S1: {VALUE}; nothing in either says why."),
)  # fmt: skip


def compared(study: Any, path: Path, change: Callable[[Any], None], **facts: Any) -> Comparison:
    first = study.publish(path, "n1")
    change(study)
    return compare(first, study.publish(path, "n2", **facts))


@pytest.mark.parametrize(("change", "sentence"), CASES, ids=lambda c: getattr(c, "__name__", ""))
def test_a_sentence_begins_with_what_is_evidence(
    study: Any, tmp_path: Path, change: Callable[[Any], None], sentence: str
) -> None:
    found = compared(study, tmp_path, change)
    assert found.sessions["sentence"].tolist() == [sentence]


def test_it_is_never_the_code_where_the_fingerprint_is_the_same(study: Any, tmp_path: Path) -> None:
    def other_key(study: Any) -> None:
        pick(study, "recordings", centre="maple", technique="tidal")["content_key"] = "k2"
        new_value(study)

    found = compared(study, tmp_path, other_key, code_fingerprint="another code of the night")
    assert found.cells["cause"].tolist() == ["not known"]
    assert "code: code1, then another code of the night" in found.notes
    assert "rules: rules1 in both" in found.notes


def test_a_session_that_was_withdrawn_is_gone_for_that(study: Any, tmp_path: Path) -> None:
    first = study.publish(tmp_path, "n1")
    for name in ("sessions", "tests", "outcomes", "recordings", "trials", "verdicts"):
        study.rows[name] = [
            row
            for row in study.rows[name]
            if (row.get("centre"), row.get("session")) != ("larch", "S2")
        ]
    second = study.publish(tmp_path, "n2")
    found = compare(first, second, withdrawn={("larch", "S2")})
    assert set(found.cells["cause"]) == {"withdrawal"}
    assert (
        found.sessions["sentence"]
        .tolist()[0]
        .startswith("The withdrawal took away 1 test of S2: the session is gone, with 1 test")
    )


def test_versions_of_libraries_that_differ_are_said(study: Any, tmp_path: Path) -> None:
    code = {"version": "1.0", "commit": None, "python": "3.11.7", "libraries": {"numpy": "2.3"}}
    first = study.publish(tmp_path, "n1", code=code)
    later = code | {"commit": "c0ffee", "libraries": {"numpy": "2.4", "scipy": "1.17"}}
    found = compare(first, study.publish(tmp_path, "n2", code=later))
    assert found.cells.empty and found.sessions.empty
    assert found.notes[-3:] == (
        "commit: not known, then c0ffee",
        "numpy: 2.3, then 2.4",
        "scipy: absent, then 1.17",
    )


def run(*words: object) -> Result:
    return CliRunner().invoke(app, ["diff", *(str(word) for word in words)])


def test_the_command_prints_sessions_before_cells_and_writes_parquet(
    study: Any, tmp_path: Path
) -> None:
    first = study.publish(tmp_path, "n1")
    bring_back(study)
    new_value(study)
    second = study.publish(tmp_path, "n2")
    out = tmp_path / "out"
    said = run(first, second, "--out", out, "--cells", 1)
    assert said.exit_code == 0, said.stderr
    words, cells = said.stdout.index("Delivery maple-04"), said.stdout.index("Cells that differ: 5")
    assert words < cells and "... and 4 more; --out writes all." in said.stdout
    sessions, written = (pd.read_parquet(out / f"{n}.parquet") for n in ("sessions", "cells"))
    assert list(sessions.columns) == list(SESSIONS) and len(sessions) == 1
    assert list(written.columns) == list(CELLS) and len(written) == 5


def test_a_place_that_is_none_and_a_night_of_other_keys_are_said(
    study: Any, tmp_path: Path
) -> None:
    import pyarrow.parquet as pq

    night = study.publish(tmp_path, "n1")
    said = run(night, tmp_path / "nothing")
    assert said.exit_code != 0 and "neither the folder nor the name" in said.stderr
    assert place_of("n1", tmp_path) == place_of("current", tmp_path) == night
    old = shutil.copytree(night, tmp_path / "old")
    for part in (old / "tables/recordings").rglob("*.parquet"):
        pq.write_table(pq.ParquetFile(part).read().drop_columns(["item"]), part)
    with pytest.raises(WarehouseError, match="by other keys"):
        compare(old, night)
