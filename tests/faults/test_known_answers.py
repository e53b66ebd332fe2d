"""A night does not publish when a number with known truth has moved."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from quietsleep import contract
from quietsleep.night import known_answers as compare
from quietsleep.night.known_answers import FOLDER, known_answers, moved
from quietsleep.night.stages import run_night
from quietsleep.signals import gas
from quietsleep.warehouse.current import current_night, night_facts
from tests.night.conftest import pool as pool  # noqa: PLC0414  (a fixture)


def test_every_technique_and_check_has_answers_that_stand() -> None:
    answers = known_answers()
    assert moved(answers) == []
    assert {a.technique for a in answers} == {*contract.TECHNIQUES, *contract.CHECKS}
    of_outcomes = {(o.technique, o.quantity) for o in contract.OUTCOMES.values()}
    lacking = of_outcomes - {(a.technique, a.quantity) for a in answers}
    assert lacking == set()


def test_files_are_small_and_every_tolerance_has_its_reason() -> None:
    size = sum(p.stat().st_size for p in FOLDER.rglob("*") if p.is_file())
    assert size < 1024**2
    assert all(len(t["reason"]) > 20 for t in compare._entries("tolerances"))


def test_slip_in_a_formula_stops_publication_and_keeps_the_last_good_night(
    micro: Path, tmp_path: Path, pool: object, monkeypatch: pytest.MonkeyPatch
) -> None:
    study = tmp_path / "study"
    shutil.copytree(micro, study)
    run_night(study)
    good = current_night(study)
    facts = night_facts(good)["known_answers"]
    assert len(facts) > 30 and {"truth", "within", "measured"} <= facts[0].keys()
    n_known = len(facts)
    with monkeypatch.context() as patched:
        patched.setattr(gas, "BODY_C", 50.0)
        red = run_night(study, full=True)
    assert red.state == "red" and not red.published and current_night(study) == good
    said = [s for s in red.sentences if s.startswith("Known answer of")]
    assert 0 < len(said) < n_known and "Nothing is published" in said[0]
    again = run_night(study)
    assert again.state == "green" and again.published and not again.idle


def test_damaged_recording_or_missing_installation_is_no_answer(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    copy = tmp_path / "known"
    shutil.copytree(FOLDER, copy)
    monkeypatch.setattr(compare, "FOLDER", copy)
    file = next((copy / "signals").glob("*sot1*"))
    body = bytearray(file.read_bytes())
    body[5000] ^= 1
    file.write_bytes(body)
    wrong = moved(known_answers())
    assert len(wrong) == 5 and all("single_occlusion" in sentence for sentence in wrong)
    assert moved([]) != []
