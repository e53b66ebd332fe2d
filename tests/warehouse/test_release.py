"""A release is frozen, complete, checked byte by byte, and not made of a red night unawares."""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess
from contextlib import closing
from pathlib import Path
from typing import Any

import duckdb
import pytest

from quietsleep.errors import WarehouseError
from quietsleep.warehouse.compare import compare
from quietsleep.warehouse.database import open_night
from quietsleep.warehouse.release import make_release, release_digest, verify_release


@pytest.fixture(scope="module")
def release(published: Path) -> Path:
    """One release, to be read only."""
    return make_release(published, "2026-03")


def test_it_is_intact_and_says_what_it_is(release: Path) -> None:
    assert verify_release(release) == []
    facts = json.loads((release / "RELEASE.json").read_text())
    assert facts["night"] == "n1"
    assert facts["released_anyway"] is None
    assert facts["rules_version"] in facts["cite_as"]
    assert len(release_digest(release)) == 64
    with open_night(release) as connection:
        assert connection.execute("SELECT count(*) FROM clean_sessions").fetchone() == (4,)


def test_the_checksums_are_those_of_the_usual_tool(release: Path) -> None:
    tool = shutil.which("sha256sum")
    if tool is None:
        pytest.skip("no sha256sum here")
    command = [tool, "--check", "--strict", "--quiet", "SHA256SUMS"]
    assert subprocess.run(command, cwd=release, check=False).returncode == 0


def test_a_flipped_byte_a_lost_and_a_strange_file_are_told(release: Path, tmp_path: Path) -> None:
    copy = tmp_path / "copy"
    shutil.copytree(release, copy)
    part = copy / "tables/sessions/centre=larch/part.parquet"
    part.chmod(0o644)
    content = bytearray(part.read_bytes())
    content[len(content) // 2] ^= 1
    part.write_bytes(content)
    (copy / "views.sql").unlink()
    (copy / "notes.txt").write_text("not released")
    assert verify_release(copy) == [
        "views.sql is missing.",
        "notes.txt is not listed.",
        "tables/sessions/centre=larch/part.parquet is not the file that was released.",
    ]
    (copy / "SHA256SUMS").unlink()
    assert verify_release(copy) == ["SHA256SUMS is missing, so nothing can be checked."]


def test_a_red_night_needs_a_reason_and_the_reason_is_kept(study: Any, tmp_path: Path) -> None:
    study.publish(tmp_path, "n1", state="red")
    with pytest.raises(WarehouseError, match="red"):
        make_release(tmp_path, "r1")
    with pytest.raises(WarehouseError, match="red"):
        make_release(tmp_path, "r1", anyway="  ")
    assert not (tmp_path / "warehouse/releases/r1").exists()
    made = make_release(tmp_path, "r1", anyway="One recording crashed; it is not in the analysis.")
    facts = json.loads((made / "RELEASE.json").read_text())
    assert facts["state"] == "red"
    assert facts["released_anyway"] == "One recording crashed; it is not in the analysis."


def test_a_label_is_used_once_and_stays_inside(release: Path, published: Path) -> None:
    assert release.is_dir()
    with pytest.raises(WarehouseError, match="exists already"):
        make_release(published, "2026-03")
    for label in ("../out", "a/b", "", ".hidden"):
        with pytest.raises(WarehouseError, match="label"):
            make_release(published, label)


def test_it_does_not_hang_on_the_night_it_came_from(study: Any, tmp_path: Path) -> None:
    night = study.publish(tmp_path, "n1")
    made = make_release(tmp_path, "r1")
    part = "tables/trials/centre=larch/part.parquet"
    assert (night / part).read_bytes() == (made / part).read_bytes()
    assert not (night / part).samefile(made / part)
    shutil.rmtree(night)
    assert verify_release(made) == []


def test_what_may_not_be_published_is_in_no_file_of_it(study: Any, tmp_path: Path) -> None:
    secret = "a cell that may not leave the study"
    study.add("problems", night="n1", problem=1, centre="larch", kind="bad_cell", value=secret,
              sentence="A cell is no number.")  # fmt: skip
    night = study.publish(tmp_path, "n1")
    made = make_release(tmp_path, "r1")
    query = "SELECT value, sentence FROM problems"
    with open_night(night) as inside, open_night(made) as outside:
        assert inside.execute(query).fetchall() == [(secret, "A cell is no number.")]
        assert outside.execute(query).fetchall() == [(None, "A cell is no number.")]
    for file in made.rglob("*"):
        if file.is_file():
            assert secret.encode() not in file.read_bytes(), file
    database = duckdb.connect(made / "study.duckdb", read_only=True)
    assert database.execute("SELECT count(value) FROM problems").fetchone() == (0,)
    database.close()


def test_a_night_of_an_older_contract_is_not_released(study: Any, tmp_path: Path) -> None:
    import pyarrow.parquet as pq

    night = study.publish(tmp_path, "n1")
    (part,) = (night / "tables/nights").rglob("*.parquet")
    pq.write_table(pq.ParquetFile(part).read().drop_columns(["libraries"]), part)
    facts = json.loads((night / "NIGHT.json").read_text())
    for said in facts["parts"]:
        if night / said["path"] == part:
            said["file_sha256"] = hashlib.sha256(part.read_bytes()).hexdigest()
    (night / "NIGHT.json").write_text(json.dumps(facts))
    with pytest.raises(WarehouseError, match="another version of the program"):
        make_release(tmp_path, "r1")


def test_a_killed_release_is_not_there(
    study: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from quietsleep.warehouse import release as releasing

    study.publish(tmp_path, "n1")

    def killed(*_: Any) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch, pytest.raises(KeyboardInterrupt):
        patch.setattr(releasing, "sync_tree", killed)
        make_release(tmp_path, "r1")
    assert not (tmp_path / "warehouse/releases/r1").exists()
    assert verify_release(make_release(tmp_path, "r1")) == []


def test_beside_a_night_a_release_is_compared_by_its_own_night(study: Any, tmp_path: Path) -> None:
    first = study.publish(tmp_path, "n1")
    released = make_release(tmp_path, "r1")
    same = compare(released, first)
    assert same.cells.empty and same.sessions.empty
    assert same.notes[0] == "Release r1 is compared by the night that it was made of."


def test_what_a_release_holds_empty_is_left_out_of_a_comparison_and_said(
    study: Any, tmp_path: Path
) -> None:
    for row in study.rows["sessions"]:
        row["visit"] = None
    first = study.publish(tmp_path, "n1")
    released = make_release(tmp_path, "r1")
    for row in study.rows["sessions"]:
        row["visit"] = "first"
    for row in study.rows["outcomes"]:
        if (row["centre"], row["session"], row["outcome"]) == ("maple", "S1", "rr_per_min"):
            row["value"] = 31.0
    second = study.publish(tmp_path, "n2")
    assert "visit" in set(compare(first, second).cells["column_name"])
    shutil.rmtree(first)
    found = compare(released, second)
    assert found.cells[["table_name", "column_name"]].values.tolist() == [["outcomes", "value"]]
    assert found.sessions["session"].tolist() == ["S1"]
    assert "only one of the two holds them: " in found.notes[-1]
    assert "sessions.visit" in found.notes[-1]
    assert "differ in such details alone are not listed: 0." in found.notes[0]


def test_versions_of_libraries_stay_versions(study: Any, tmp_path: Path) -> None:
    libraries = "python 3.11.7, filelock 4.2.12, numpy 26.1.12"
    for row in study.rows["nights"]:
        row["libraries"] = libraries
    study.publish(tmp_path, "n1")
    with closing(open_night(make_release(tmp_path, "r1"))) as connection:
        for table in ("nights", "provenance"):
            rows = connection.execute(f"SELECT DISTINCT libraries FROM {table}").fetchall()
            assert rows == [(libraries,)], table


def test_a_night_that_is_not_whole_is_not_released_and_what_lacks_is_named(
    study: Any, tmp_path: Path
) -> None:
    night = study.publish(tmp_path, "n1")
    lost = next((night / "tables" / "deliveries").rglob("*.parquet"))
    lost.unlink()
    with pytest.raises(WarehouseError, match=f"{lost.relative_to(night)} is missing"):
        make_release(tmp_path, "r1")
    assert not (tmp_path / "warehouse" / "releases" / "r1").exists()
