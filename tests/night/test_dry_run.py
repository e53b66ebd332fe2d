"""A dry run says what the next night would change, and changes nothing itself."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pandas as pd
import pytest

from quietsleep.measure.pool import InProcess
from quietsleep.night.dry_run import CHANGES, counted, dry_run
from quietsleep.night.night import NightReport
from quietsleep.night.stages import run_night
from quietsleep.study.register_key import KEY_VARIABLE
from quietsleep.study.study import load_study
from quietsleep.warehouse.database import open_current
from quietsleep.warehouse.session_changes import session_changes
from tests.shared import copy_of_one

LIMIT = """
[[limits]]
rule = "tidal.enough_breaths"
limit = 5000
valid_from = 2020-01-01
reason = "To see what it would cost."
signed_by = "coordinator-1"
signed_on = 2020-01-01
"""


def digests(path: Path) -> dict[str, str]:
    """Every file, folder and link of a study with its digest, and when a file was written."""
    found = {}
    for each in sorted(path.rglob("*")):
        name = each.relative_to(path).as_posix()
        if each.is_symlink():
            found[name] = f"link {each.readlink()}"
        elif each.is_file():
            written = "" if name == "work/night.lock" else str(each.stat().st_mtime_ns)
            found[name] = hashlib.sha256(each.read_bytes()).hexdigest() + written
        else:
            found[name] = "folder"
    return found


def test_what_it_says_is_what_the_next_night_does(two_after: Path, pool: InProcess) -> None:
    run_night(two_after)  # it was copied: taken in where it lies now
    with (two_after / "limits.toml").open("a", encoding="utf-8") as file:
        file.write(LIMIT)
    before = digests(two_after)
    dry = dry_run(load_study(two_after))
    assert digests(two_after) == before
    assert dry.report.published and dry.sessions and dry.counts
    assert all("limit" in change.causes for change in dry.sessions)
    assert any("tidal from accepted to rejected" in change.sentence for change in dry.sessions)
    night = run_night(two_after)
    assert (night.state, night.night) == (dry.report.state, dry.report.night)
    assert night.sentences == dry.report.sentences
    with open_current(two_after) as warehouse:
        changes = warehouse.execute(CHANGES, [night.night]).df()
        n_open = warehouse.execute("SELECT count(*) FROM queries WHERE state = 'open'").fetchall()
    assert tuple(counted(changes)) == dry.counts
    assert tuple(session_changes(changes)) == dry.sessions
    assert n_open == [(dry.report.n_open,)]


def test_study_without_a_night_stays_without(
    tiny_deliveries: Path, tmp_path: Path, pool: InProcess, monkeypatch: pytest.MonkeyPatch
) -> None:
    study = copy_of_one(tiny_deliveries, tmp_path / "study", centre="larch")
    key = tmp_path / "keys" / "register.key"
    monkeypatch.setenv(KEY_VARIABLE, str(key))
    before = digests(study)
    dry = dry_run(load_study(study))
    assert digests(study) == before and not key.exists()
    assert dry.against is None and dry.report.published
    assert dry.new_queries and not dry.counts


def test_unchanged_study_would_change_nothing(
    small_night: tuple[Path, NightReport], pool: InProcess
) -> None:
    study = load_study(small_night[0])
    before = digests(study.path)
    dry = dry_run(study)
    assert digests(study.path) == before
    assert dry.report.idle and not (dry.sessions or dry.counts or dry.new_queries)


def test_changes_of_a_session_in_words() -> None:
    rows = [
        ("tests", "larch|s1/tidal", "status", "accepted", "rejected", "limit"),
        ("trials", "larch|s1/t1#1", "status", "accepted", "rejected", "limit"),
        ("outcomes", "larch|s1|tidal|vt_ml", "value", "60.123456", "61.5", "formula"),
        ("outcomes", "larch|s1|tidal|rr", "value", "40", None, "formula"),
        ("sessions", "larch|s2", "", None, "row added", "file"),
        ("tests", "larch|s2/tidal", "", None, "row added", "file"),
        ("outcomes", "larch|s2|tidal|vt_ml", "", None, "row added", "file"),
        ("sessions", "rowan|s3", "weight_kg", "4", "5", "file"),
        ("rules", "tidal.x|2026-01-01", "", None, "row added", "limit"),
    ]
    names = ["table_name", "key", "column_name", "before", "after", "cause"]
    said = {c.session: c for c in session_changes(pd.DataFrame(rows, columns=names))}
    assert said["s1"].sentence == (
        "tidal from accepted to rejected; vt_ml from 60.123 to 61.5; 1 outcome lost; "
        "1 trial judged otherwise"
    )
    assert said["s1"].causes == ("formula", "limit")
    assert said["s2"].sentence == "the session is new, with 1 test and 1 outcome"
    assert said["s3"].sentence == "details that no result depends on"
