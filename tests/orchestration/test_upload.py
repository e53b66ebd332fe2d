"""Carrying nights to a store: what changed is sent, the pointer last, and a kill costs nothing."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import fsspec
import pytest
from fsspec.implementations.memory import MemoryFileSystem

from quietsleep.errors import WarehouseError
from quietsleep.intake.store import Address
from quietsleep.warehouse.current import (
    FEWEST_NIGHTS_KEPT,
    current_night,
    night_facts,
    nights_folder,
    point_at,
)
from quietsleep.warehouse.integrity import damage
from quietsleep.warehouse.upload import LIST, fetch, nights_uploaded, upload
from tests.orchestration.services import BUCKET, Store

MUTATING = ("pipe_file", "put_file", "cp_file", "rm_file")


class Killed(BaseException):
    """Stands for the end of the process."""


@pytest.fixture
def memory() -> Iterator[Address]:
    forget()
    yield Address("memory://warehouse")
    forget()


def forget() -> None:
    MemoryFileSystem.store.clear()
    MemoryFileSystem.pseudo_dirs[:] = [""]


def after_first(two_nights: Path, folder: Path) -> Path:
    """The study as it was after the first of its two nights."""
    study = folder / "first"
    shutil.copytree(two_nights / "warehouse", study / "warehouse", symlinks=True)
    second = current_night(study)
    point_at(study, nights_folder(study) / night_facts(second)["previous"])
    shutil.rmtree(second)
    return study


def sent(store: Store, kind: str) -> list[str]:
    return [path for got, path in store.requests if got == kind]


def test_unchanged_parts_are_copied_inside_the_store_and_the_pointer_is_last(
    two_nights: Path, tmp_path: Path, s3: Store
) -> None:
    address = Address(f"s3://{BUCKET}/uploaded")
    first = upload(after_first(two_nights, tmp_path), address)
    assert (first.nights, first.copied) == (["n000001"], 0)
    s3.forget()
    second = upload(two_nights, address)
    facts = night_facts(current_night(two_nights))
    before = night_facts(nights_folder(two_nights) / facts["previous"])["parts"]
    known = {p["file_sha256"] for p in before}
    same = sum(p["file_sha256"] in known for p in facts["parts"])
    assert second.copied == same == len(sent(s3, "COPY")) > 10
    writes = [path for kind, path in s3.requests if kind in ("PUT", "COPY", "POST", "DELETE")]
    assert writes[-1].endswith("/uploaded/current") and writes[-2].endswith(f"/n000002/{LIST}")
    print("second night:", dict(s3.counts()), "parts", len(facts["parts"]))
    s3.forget()
    third = upload(two_nights, address)
    assert third.nights == [] and set(s3.counts()) == {"LIST", "GET"}


def kill_at(monkeypatch: pytest.MonkeyPatch, step: int) -> Callable[[], int]:
    """End the process at the step-th change of the store; returns how many there were."""
    done = 0

    def counted(real: Any) -> Any:
        def call(*args: Any, **kwargs: Any) -> Any:
            nonlocal done
            done += 1
            if done == step:
                raise Killed
            return real(*args, **kwargs)

        return call

    for name in MUTATING:
        monkeypatch.setattr(MemoryFileSystem, name, counted(getattr(MemoryFileSystem, name)))
    return lambda: done


def test_killed_at_any_step_the_store_names_a_whole_night(
    two_nights: Path, tmp_path: Path, memory: Address, monkeypatch: pytest.MonkeyPatch
) -> None:
    upload(after_first(two_nights, tmp_path), memory)
    kept = dict(MemoryFileSystem.store)
    with monkeypatch.context() as patched:
        count = kill_at(patched, 0)
        upload(two_nights, memory)
        steps = count()
    assert steps > 50
    for step in [1, *range(2, steps - 3, 9), steps - 2, steps - 1, steps]:
        MemoryFileSystem.store.clear()
        MemoryFileSystem.store.update(kept)
        with monkeypatch.context() as patched:
            kill_at(patched, step)
            with pytest.raises(Killed):
                upload(two_nights, memory)
        night = fetch(memory, tmp_path / f"at-{step}")
        assert night.name == "n000001" and damage(night) == []
        done = upload(two_nights, memory)
        assert fetch(memory, tmp_path / f"at-{step}").name == "n000002"
        whole = f"/warehouse/nights/n000002/{LIST}" in MemoryFileSystem.store
        assert whole and done.uploaded + done.copied + done.lay_there in {0, steps - 2}
    assert damage(tmp_path / f"at-{steps}" / "n000002") == []


def test_old_nights_go_and_the_newest_stay(
    two_nights: Path, tmp_path: Path, memory: Address
) -> None:
    """A study folder that lost its warehouse takes no night away that people may still read."""
    upload(two_nights, memory)
    files = fsspec.filesystem("memory")
    for number in range(3, 13):
        for name in ("x.bin", LIST):
            files.pipe_file(f"memory://warehouse/nights/n{number:06d}/{name}", b"{}")
    files.pipe_file("memory://warehouse/nights/n000000/half.bin", b"x")
    upload(two_nights, memory)
    paths = files.find("memory://warehouse/nights")
    left = sorted({path.split("/")[3] for path in paths})
    assert left == ["n000001", "n000002", *[f"n{number:06d}" for number in range(6, 13)]]
    assert len(left) == 2 + FEWEST_NIGHTS_KEPT and set(left) <= set(nights_uploaded(str(memory)))


def test_another_night_of_the_same_name_is_not_written_over(
    two_nights: Path, memory: Address
) -> None:
    upload(two_nights, memory)
    name = f"/warehouse/nights/n000002/{LIST}"
    files = fsspec.filesystem("memory")
    content = json.loads(files.cat_file(name))
    content["files"]["study.duckdb"]["bytes"] += 1
    files.pipe_file(name, json.dumps(content).encode())
    with pytest.raises(WarehouseError, match="holds another night called n000002"):
        upload(two_nights, memory)


def test_pointer_never_goes_back(two_nights: Path, tmp_path: Path, memory: Address) -> None:
    """As when the study folder was put back from a copy of last week."""
    upload(two_nights, memory)
    with pytest.raises(WarehouseError, match="later than n000001"):
        upload(after_first(two_nights, tmp_path), memory)
    assert fetch(memory, tmp_path / "fetched").name == "n000002"


@pytest.mark.parametrize("path", ["../out.bin", "/etc/out", "a/../../out", "a//b", "", "a/./b"])
def test_list_that_leads_out_of_the_folder_is_refused(
    path: str, two_nights: Path, tmp_path: Path, memory: Address
) -> None:
    upload(two_nights, memory)
    content = {"night": "n000002", "files": {path: {"bytes": 1, "sha256": "0" * 64}}}
    name = f"/warehouse/nights/n000002/{LIST}"
    fsspec.filesystem("memory").pipe_file(name, json.dumps(content).encode())
    with pytest.raises(WarehouseError, match="cannot be used"):
        fetch(memory, tmp_path / "fetched")
    assert not (tmp_path / "fetched").exists() and not (tmp_path / "out.bin").exists()


def test_bytes_that_changed_in_the_store_or_here_go_no_further(
    two_nights: Path, tmp_path: Path, memory: Address
) -> None:
    upload(two_nights, memory)
    fsspec.filesystem("memory").pipe_file("/warehouse/nights/n000002/views.sql", b"other")
    with pytest.raises(WarehouseError, match=r"views\.sql of night n000002 is not as it was"):
        fetch(memory, tmp_path / "fetched")
    assert not (tmp_path / "fetched" / "current").exists()
    forget()
    study = after_first(two_nights, tmp_path)
    part = current_night(study) / night_facts(current_night(study))["parts"][0]["path"]
    data = part.read_bytes()
    part.unlink()
    part.write_bytes(data[:-1] + b"x")
    with pytest.raises(WarehouseError, match="was changed since it was published"):
        upload(study, memory)
    assert nights_uploaded(str(memory)) == []


def test_nothing_there_yet_is_said(tmp_path: Path, memory: Address) -> None:
    with pytest.raises(WarehouseError, match="no published night at memory://warehouse"):
        fetch(memory, tmp_path)
    assert nights_uploaded("") == nights_uploaded(str(memory)) == []


def test_folder_of_another_machine_is_an_address_too(two_nights: Path, tmp_path: Path) -> None:
    address = Address(f"file://{tmp_path / 'mounted'}")
    upload(after_first(two_nights, tmp_path), address)
    done = upload(two_nights, address)
    assert done.copied > 10
    assert (tmp_path / "mounted" / "current").read_text() == "n000002\n"
    assert damage(fetch(address, tmp_path / "fetched")) == []
