"""A release waits for what was decided, and takes the place of another with an erratum."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from quietsleep.errors import WarehouseError
from quietsleep.study.study import load_study
from quietsleep.warehouse.current import night_facts
from quietsleep.warehouse.errata import superseded_by
from quietsleep.warehouse.registered import open_register
from quietsleep.warehouse.release import make_release, release_night, verify_release


@pytest.fixture
def study_path(small_night: tuple[Path, Any], tmp_path: Path) -> Path:
    """A copy of a study after its night."""
    return shutil.copytree(small_night[0], tmp_path / "study", symlinks=True)


def test_a_release_waits_until_what_was_decided_is_judged(study_path: Path) -> None:
    limits = study_path / "limits.toml"
    said = limits.read_text(encoding="utf-8")
    limits.write_text(
        said + '\n[[limits]]\nrule = "double_occlusion.prompt_release"\nlimit = 0.05\n'
        'valid_from = 2026-02-01\nreason = "Analysis plan."\nsigned_by = "r1"\n'
        "signed_on = 2026-02-01\n",
        encoding="utf-8",
    )
    with pytest.raises(
        WarehouseError, match=r"judged without .*double_occlusion\.prompt_release.*rejudge"
    ):
        release_night(load_study(study_path), "r1")
    limits.write_text(said, encoding="utf-8")
    waivers = study_path / "waivers.toml"
    kept = waivers.read_text(encoding="utf-8")
    waivers.write_text(kept.replace('waiver = "', 'waiver = "x-'), encoding="utf-8")
    with pytest.raises(WarehouseError, match=r"judged without waiver x-.*rejudge"):
        release_night(load_study(study_path), "r1")
    waivers.write_text(kept, encoding="utf-8")
    study = load_study(study_path)
    assert verify_release(release_night(study, "r1")) == []
    open_register(study).append(
        "withdrawal", {"centre": "larch", "infant": "i1", "sessions": [], "by": "r1"}
    )
    with pytest.raises(WarehouseError, match=r"withdrawal .* nightly .* must not leave"):
        release_night(study, "r2")
    assert night_facts(study_path / "warehouse/current")["night"]


def test_an_erratum_says_what_to_take_out(study: Any, tmp_path: Path) -> None:
    study.publish(tmp_path, "n1")
    first = make_release(tmp_path, "first")
    before = verify_release(first)
    for name, rows in study.rows.items():
        study.rows[name] = [
            row for row in rows
            if not (row.get("centre") == "larch" and row.get("session") == "S1")
        ]  # fmt: skip
    for row in study.rows["outcomes"]:
        if row["centre"] == "maple" and row.get("value"):
            row["value"] = 31.0
    study.publish(tmp_path, "n2")
    with pytest.raises(WarehouseError, match="no release other"):
        make_release(tmp_path, "second", supersedes="other", why="x")
    with pytest.raises(WarehouseError, match="Say why"):
        make_release(tmp_path, "second", supersedes="first", why=" ")
    second = make_release(tmp_path, "second", supersedes="first", why="A family withdrew.")
    text = (second / "ERRATUM.txt").read_text(encoding="utf-8")
    assert "Sessions to be taken out of every copy: 1\n  larch S1\n" in text
    assert "Sessions with other outcomes: 1\n  maple S1\n" in text
    assert "Sessions that came to it: none" in text
    said = json.loads((second / "RELEASE.json").read_text(encoding="utf-8"))
    assert said["supersedes"]["release"] == "first"
    assert said["supersedes"]["digest"] in text
    assert verify_release(second) == verify_release(first) == before == []
    assert superseded_by(first) == [
        "Superseded by release second: A family withdrew. See second/ERRATUM.txt."
    ]
    assert superseded_by(second) == []
