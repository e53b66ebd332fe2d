"""State, warehouse, register, key: for owner and group only, also of an older study."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from quietsleep.measure.pool import InProcess
from quietsleep.night.night import open_night
from quietsleep.night.stages import run_night
from quietsleep.study.closed import close_study, closed_to_others
from quietsleep.study.register_key import key_path_of
from quietsleep.study.study import load_study
from tests.faults.nights import write_micro_study
from tests.night.conftest import pool as pool  # noqa: PLC0414  (a fixture)


@contextmanager
def umask(mask: int) -> Iterator[None]:
    before = os.umask(mask)
    try:
        yield
    finally:
        os.umask(before)


def open_to_others(*tops: Path) -> list[str]:
    """Name what others than owner and group may read, write or enter."""
    found = [p for top in tops for p in (top, *top.rglob("*")) if not p.is_symlink()]
    return [str(p) for p in found if stat.S_IMODE(p.stat().st_mode) & stat.S_IRWXO]


def private(study: Path) -> list[Path]:
    said = load_study(study)
    key = key_path_of(study, said.name, said.register_key)
    return [study / "work", study / "warehouse", study / "register.jsonl", key]


def test_a_night_closes_what_it_writes_and_what_an_older_version_left_open(
    tmp_path: Path, pool: InProcess
) -> None:
    with umask(0):
        study = write_micro_study(tmp_path / "study")
        assert run_night(study, workers=1).published
        assert os.umask(0) == 0  # the caller's own is as it was
        assert open_to_others(*private(study)) == []
        for top in private(study):
            for path in (top, *top.rglob("*")):
                if not path.is_symlink():
                    path.chmod(0o777 if path.is_dir() else 0o666)
        assert open_to_others(*private(study))
        with open_night(study):
            pass
        assert open_to_others(*private(study)) == []
        assert stat.S_IMODE(private(study)[-1].stat().st_mode) == 0o600


def test_a_release_and_what_a_link_leads_to_are_left_as_they_are(tmp_path: Path) -> None:
    outside, frozen = tmp_path / "outside", tmp_path / "warehouse" / "releases" / "first" / "x"
    frozen.parent.mkdir(parents=True)
    for path in (outside, frozen):
        path.write_text("", encoding="utf-8")
    frozen.chmod(0o444)
    outside.chmod(0o644)
    work = tmp_path / "work"
    work.mkdir()
    (work / "link").symlink_to(outside)
    for folder in (work, tmp_path / "warehouse", frozen.parent.parent):
        folder.chmod(0o777)
    close_study(tmp_path, work, tmp_path / "no key here")
    assert stat.S_IMODE(frozen.stat().st_mode) == 0o444
    assert stat.S_IMODE(outside.stat().st_mode) == 0o644
    assert open_to_others(work) == []
    assert stat.S_IMODE((tmp_path / "warehouse").stat().st_mode) == 0o770


def test_a_stricter_mask_stays_strict(tmp_path: Path) -> None:
    with umask(0o077), closed_to_others():
        (tmp_path / "own").write_text("", encoding="utf-8")
    assert stat.S_IMODE((tmp_path / "own").stat().st_mode) == 0o600
