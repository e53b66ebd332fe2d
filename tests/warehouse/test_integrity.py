"""A published night that was changed by hand is found out, wherever it was changed."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import pytest

from quietsleep.errors import WarehouseError
from quietsleep.study.register import Register
from quietsleep.warehouse.current import current_night, night_facts
from quietsleep.warehouse.integrity import (
    damage,
    database_damage,
    open_as_published,
    unlike_published,
)
from quietsleep.warehouse.registered import note_published


@pytest.fixture
def path(published: Path, tmp_path: Path) -> Path:
    """A study folder with one published night, to be changed."""
    return shutil.copytree(published, tmp_path / "study", symlinks=True)


@pytest.fixture
def register(path: Path, tmp_path: Path) -> Register:
    """A register that knows the night as it was published."""
    found = Register(path, path / "work", study="small study", key_path=tmp_path / "key")
    note_published(found, path)
    return found


def by_hand(path: Path, *statements: str) -> None:
    """Change the database of the published night, its time set back afterwards."""
    file = current_night(path) / "study.duckdb"
    before = file.stat()
    with duckdb.connect(file) as connection:
        for statement in statements:
            connection.execute(statement)
    os.utime(file, ns=(before.st_atime_ns, before.st_mtime_ns))


def double(path: Path) -> None:
    by_hand(path, "UPDATE outcomes SET value = 2 * value")


def double_the_view(path: Path) -> None:
    by_hand(path, "UPDATE stored.clean_outcomes SET value = 2 * value")


def double_and_write_down(path: Path) -> None:
    """Change the database, and NIGHT.json with it."""
    from quietsleep.warehouse.current import sha256_of

    double(path)
    night = current_night(path)
    facts = night_facts(night)
    file = night / "study.duckdb"
    facts["files"]["study.duckdb"] = {"bytes": file.stat().st_size, "sha256": sha256_of(file)}
    (night / "NIGHT.json").write_text(json.dumps(facts), encoding="utf-8")


def change_a_part(path: Path) -> None:
    part = max(current_night(path).glob("tables/outcomes/*/*"), key=lambda p: p.stat().st_size)
    part.write_bytes(part.read_bytes()[::-1])


def change_the_dictionary(path: Path) -> None:
    file = current_night(path) / "dictionary.csv"
    file.write_text(file.read_text(encoding="utf-8").replace("mL", "uL"), encoding="utf-8")


CHANGES: tuple[tuple[Callable[[Path], None], str], ...] = (
    (double, "study.duckdb holds other rows than published in outcomes."),
    (double_the_view, "study.duckdb was changed; its tables hold what was published, its views "),
    (double_and_write_down, "NIGHT.json is not the one that the study register knows."),
    (change_a_part, "part.parquet is missing or was changed."),
    (change_the_dictionary, "dictionary.csv is missing or was changed."),
)


def test_a_night_that_nobody_touched_is_as_published(path: Path, register: Register) -> None:
    assert unlike_published(path, register) == []
    assert damage(current_night(path)) == database_damage(current_night(path)) == []
    with open_as_published(path) as connection:
        assert connection.execute("SELECT count(*) FROM clean_sessions").fetchone() == (4,)


@pytest.mark.parametrize(("change", "sentence"), CHANGES, ids=lambda c: getattr(c, "__name__", ""))
def test_what_was_changed_by_hand_is_named(
    path: Path, register: Register, change: Callable[[Path], None], sentence: str
) -> None:
    change(path)
    (found,) = unlike_published(path, register)
    assert sentence in found and found.startswith("n1: ")


@pytest.mark.parametrize("change", [double, double_the_view, double_and_write_down])
def test_a_changed_database_answers_nothing(
    path: Path, register: Register, change: Callable[[Path], None]
) -> None:
    assert register.of("published")
    change(path)
    with pytest.raises(WarehouseError, match="was changed since it was published"):
        open_as_published(path)


def test_what_was_changed_is_not_written_down_as_published(path: Path, register: Register) -> None:
    double_and_write_down(path)
    note_published(register, path)
    assert len(register.of("published")) == 1


def test_a_copy_is_read_once_and_then_known_by_its_times(
    path: Path, register: Register, monkeypatch: pytest.MonkeyPatch
) -> None:
    from quietsleep.warehouse import integrity

    read: list[Path] = []

    def counted(file: Path, sha256: str) -> bool:
        read.append(file)
        return bool(sha256)

    monkeypatch.setattr(integrity, "_is_same", counted)
    assert unlike_published(path, register) == []
    assert any(file.name == "study.duckdb" for file in read)
    read.clear()
    assert unlike_published(path, register) == []
    open_as_published(path).close()
    assert read == []
    os.utime(current_night(path) / "views.sql")
    assert unlike_published(path, register) == []
    assert read


def test_a_night_of_an_older_program_is_counted_as_before(path: Path) -> None:
    night = current_night(path)
    facts = night_facts(night)
    for name in ("files", "contents", "contents_sha256"):
        del facts[name]
    for part in facts["parts"]:
        del part["contents_sha256"]
    (night / "NIGHT.json").write_text(json.dumps(facts), encoding="utf-8")
    assert database_damage(night) == []
    by_hand(path, "DELETE FROM outcomes WHERE outcome = 'vt_ml'")
    assert database_damage(night) == [
        "n1: study.duckdb holds other rows than published in outcomes."
    ]


def test_a_night_that_stays_beside_answers_has_digests_too(
    study: Any, tmp_path: Path, facts: Callable[..., Any]
) -> None:
    from quietsleep.warehouse.publish import publish_again

    first = study.publish(tmp_path, "n1")
    before = night_facts(first)
    for part in before["parts"]:
        del part["contents_sha256"]
    (first / "NIGHT.json").write_text(json.dumps(before), encoding="utf-8")
    nights = study.frames()["nights"]
    second = publish_again(tmp_path, "n2", {"nights": nights}, facts())
    # What is told of the other tables is told anew.
    told = {"briefing", "session_changes"}
    contents = (night_facts(second)["contents"], before["contents"])
    one, other = ({n: d for n, d in said.items() if n not in told} for said in contents)
    assert one and one == other
    assert damage(second) == database_damage(second) == []
