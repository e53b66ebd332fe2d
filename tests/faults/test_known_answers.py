"""A night does not publish when a number with a known answer has moved."""

from __future__ import annotations

import json
import math
import shutil
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from quietsleep import contract
from quietsleep.contract import Rule
from quietsleep.judge import outcomes, rules, scores
from quietsleep.measure import fingerprint
from quietsleep.measure.pool import InProcess
from quietsleep.night import answers_asked
from quietsleep.night import known_answers as compare
from quietsleep.night.answers_asked import answers_that_stand, stood_before
from quietsleep.night.answers_by_hand import truth_by_hand
from quietsleep.night.known_answers import (
    FOLDER,
    KnownAnswer,
    answers_file,
    known_answers,
    moved,
    published_cells,
    read_answers,
    told,
)
from quietsleep.night.night import open_night
from quietsleep.night.record_answers import (
    UnexplainedChange,
    answers_digest,
    uncovered,
    write_answers,
)
from quietsleep.night.stages import publish_aside, run_night
from quietsleep.records import Measured
from quietsleep.signals import channels, fits, gas
from quietsleep.study.register_witness import remember_answers
from quietsleep.techniques import plethysmography, tidal
from quietsleep.warehouse.current import current_night, night_facts
from tests.conftest import ANSWER
from tests.faults.nights import SECOND
from tests.night.conftest import Remembering
from tests.night.conftest import pool as pool  # noqa: PLC0414  (a fixture)
from tests.shared import copy_of_one


def asked(aside: Path, pool: InProcess) -> list[KnownAnswer]:
    return known_answers(partial(publish_aside, pool), aside / "known")


@dataclass(frozen=True, slots=True)
class Asked:
    """The answers of a sound program, and what was measured and published for them."""

    answers: list[KnownAnswer]
    cells: Any
    measured: list[Measured]
    left: list[Path]


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Asked:
    aside, pool = tmp_path_factory.mktemp("known"), Remembering()
    cells: dict[Any, Any] = {}

    def run(study: Path) -> Path:
        night = publish_aside(pool, study)
        cells.update(published_cells(night))
        return night

    answers = known_answers(run, aside / "known")
    return Asked(answers, cells, [*pool.known.values()], [*aside.iterdir()])


@pytest.fixture
def cells(sound: Asked) -> Any:
    return sound.cells


def test_all_answers_stand_and_the_folder_aside_is_gone(sound: Asked) -> None:
    answers = sound.answers
    assert moved(answers) == [] and len(answers) > 10_000
    assert sound.left == []
    shown = told(answers)
    assert len(shown) > 60
    assert all(abs(a["measured"] - a["truth"]) <= a["within"] for a in shown)


def test_every_outcome_quantity_and_rule_has_an_answer(cells: Any) -> None:
    assert uncovered(FOLDER, cells, contract.RULES.values()) == []


def test_new_rule_without_an_answer_is_named(cells: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    rule: Rule = replace(contract.RULES["tidal.no_leak"], name="new", quantity="n_hiccups")
    quantity = contract.QUANTITIES["tidal", "trial", "n_sighs"]
    more = {**contract.QUANTITIES, ("tidal", "trial", "n_hiccups"): quantity}
    monkeypatch.setattr(contract, "QUANTITIES", more)
    assert uncovered(FOLDER, cells, [rule]) == [
        "n_hiccups, which tidal.new reads, has no answer.",
        "Rule tidal.new has no made-up numbers about its limit.",
    ]


def test_every_unit_of_flow_and_pressure_of_the_sets_is_another() -> None:
    units = {
        (channel["channel"] == "flow", channel["unit"])
        for file in (FOLDER / "centres").glob("*.toml")
        for device in tomllib.loads(file.read_text(encoding="utf-8"))["devices"]
        for channel in device["channels"]
    }
    assert {unit for flow, unit in units if flow} == {"mL/s", "L/s", "L/min", "mL/min"}
    assert {unit for flow, unit in units if not flow} == {"kPa", "Pa", "mbar", "cm[H2O]", "mm[Hg]"}


def test_files_are_small_and_every_tolerance_has_its_reason() -> None:
    size = sum(p.stat().st_size for p in FOLDER.rglob("*") if p.is_file())
    assert size < 2.1e6
    content = tomllib.loads((FOLDER / "tolerances.toml").read_text(encoding="utf-8"))
    for entry in content["tolerances"]:
        assert len(entry["reason"]) > 5, entry
        if "outcome" not in entry["levels"]:
            continue
        target, _, percent = entry["target"].partition(" ")
        assert entry["within_pct" if percent else "within"] <= 3.0 * float(target), entry


def test_answers_change_only_with_a_dated_reason(cells: Any, tmp_path: Path) -> None:
    changed = tomllib.loads((FOLDER / "answers.toml").read_text(encoding="utf-8"))["changed"]
    assert changed[-1]["answers"] == answers_digest(FOLDER)
    assert all(len(entry["what"]) > 10 and len(entry["why"]) > 10 for entry in changed)
    shutil.copytree(FOLDER, tmp_path / "known")
    with pytest.raises(UnexplainedChange, match="--why"):
        write_answers(tmp_path / "known", [], cells, what="", why="")
    write_answers(tmp_path / "known", [], cells, what="No truth any more.", why="A test.")
    again = tomllib.loads((tmp_path / "known" / "answers.toml").read_text(encoding="utf-8"))
    assert again["changed"][:-1] == changed and again["changed"][-1]["why"] == "A test."
    assert again["changed"][-1]["answers"] == answers_digest(tmp_path / "known")


def test_what_was_written_is_read_again(cells: Any) -> None:
    read = {a.place: a for a in read_answers(answers_file(FOLDER)) if a.origin == "recorded"}
    assert read.keys() == cells.keys()
    for place, (_, value) in cells.items():
        if isinstance(value, float) and math.isfinite(value):
            assert read[place].value == pytest.approx(value, rel=1e-6), place


def median_summary(original: Callable[..., Any]) -> Callable[..., Any]:
    def summarise(outcome: Any, trials: Any) -> dict[str, Any]:
        found: dict[str, Any] = original(outcome, trials)
        values = [t.values.get(outcome.quantity, math.nan) for _, t in trials]
        return found | {"value": float(np.median(values))}

    return summarise


def scaled(original: Callable[..., Any], factor: float) -> Callable[..., Any]:
    return lambda *given, **named: original(*given, **named) * factor


def above(value: Any, low: float | None, high: float | None) -> Any:
    return (value > (-np.inf if low is None else low)) & (
        value < (np.inf if high is None else high)
    )


# By what they break; "box", "noise" and "spread" break the measures of one technique.
BREAKAGES: dict[str, Callable[[pytest.MonkeyPatch], None]] = {
    "gas": lambda p: p.setattr(gas, "BODY_C", 37.5),
    "unit": lambda p: p.setattr(channels, "_unit_factor", scaled(channels._unit_factor, 1.01)),
    "box": lambda p: p.setattr(
        plethysmography, "box_factor_ml_kpa", scaled(plethysmography.box_factor_ml_kpa, 1.01)
    ),
    "noise": lambda p: p.setattr(tidal, "drift_ml_s", lambda *_: 0.0),
    "spread": lambda p: p.setattr(plethysmography, "cv_pct", scaled(fits.cv_pct, 1.01)),
    "limit": lambda p: p.setattr(rules, "within", above),
    "summary": lambda p: p.setattr(outcomes, "summarise", median_summary(outcomes.summarise)),
    "z": lambda p: p.setattr(scores, "_transformed", scaled(scores._transformed, 1.01)),
}


# What is measured of these is what a sound program measures: it is not measured again.
EVERY = {*contract.TECHNIQUES, *contract.CHECKS}
NOT_BROKEN = {
    **dict.fromkeys(("limit", "summary", "z"), EVERY),
    **dict.fromkeys(("box", "spread"), EVERY - {"plethysmography"}),
    "noise": EVERY - {"tidal"},
}


@pytest.mark.parametrize("name", BREAKAGES)
def test_slip_is_found(
    name: str, sound: Asked, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    channels._unit_factor.cache_clear()
    BREAKAGES[name](monkeypatch)
    whole = NOT_BROKEN.get(name, set())
    pool = Remembering(each for each in sound.measured if each.technique in whole)
    wrong = moved(asked(tmp_path, pool))
    assert bool(pool.measured) == (whole != EVERY)
    assert wrong and all("Nothing is published" in sentence for sentence in wrong)


def test_slip_in_a_formula_stops_publication_and_keeps_the_last_good_night(
    micro: Path, tmp_path: Path, pool: object, monkeypatch: pytest.MonkeyPatch
) -> None:
    study = tmp_path / "study"
    shutil.copytree(micro, study)
    run_night(study)
    good = current_night(study)
    facts = night_facts(good)["known_answers"]
    assert len(facts) > 60 and {"truth", "within", "measured"} <= facts[0].keys()
    with monkeypatch.context() as patched:
        patched.setattr(gas, "BODY_C", 50.0)
        red = run_night(study, full=True)
    assert red.state == "red" and not red.published and current_night(study) == good
    said = [s for s in red.sentences if s.startswith("Known answer of")]
    assert 0 < len(said) <= compare.MOST_SENTENCES and "Nothing is published" in said[0]
    again = run_night(study)
    assert again.state == "green" and again.published and not again.idle


def test_study_that_cannot_be_run_stops_publication(
    micro: Path, tmp_path: Path, pool: object, monkeypatch: pytest.MonkeyPatch
) -> None:
    known = tmp_path / "known"
    shutil.copytree(FOLDER, known)
    study = copy_of_one(micro, tmp_path / "study", centre=SECOND)
    (known / "study.toml").write_text("study =", encoding="utf-8")
    monkeypatch.setattr(compare, "FOLDER", known)
    red = run_night(study)
    assert red.state == "red" and not red.published
    assert any("study.toml" in sentence for sentence in red.sentences)


def test_damaged_recording_or_missing_installation_is_no_answer(
    sound: Asked, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    copy = tmp_path / "known"
    shutil.copytree(FOLDER, copy)
    monkeypatch.setattr(compare, "FOLDER", copy)
    file = next((copy / "deliveries").rglob("*sot1.parquet"))
    body = bytearray(file.read_bytes())
    body[5000] ^= 1
    file.write_bytes(body)
    wrong = moved(asked(tmp_path / "aside", Remembering(sound.measured)))
    assert any("single_occlusion" in sentence for sentence in wrong)
    assert moved([]) != []


def test_truth_is_the_simulators_and_its_own(cells: Any, tmp_path: Path) -> None:
    """What is worked out by hand follows the truth of trials, not what was measured."""
    truth = tmp_path / "truth.json"
    place = ("trials", "linden|linden-s002/linden-s002-rvt1#1", "status")
    others = [("trials", f"linden|linden-s002/linden-s002-rvt{n}#1", "status") for n in (2, 3)]
    said: dict[Any, Any] = {place: "accepted", **dict.fromkeys(others, "accepted")}
    for number, (_, row, _) in enumerate([place, *others]):
        for name in ("fvc_ml", "fev0_5_ml"):
            said["trial_values", row, name] = 100.0 + number
        said["trial_values", row, "fvc_fev0_5_ml"] = 200.0 - number
    truth.write_text(json.dumps([]), encoding="utf-8")
    found = {a.place: a.value for a in truth_by_hand(FOLDER, said, cells)}
    row = "linden|linden-s002|raised_volume|fvc_ml"
    assert found["outcomes", row, "value"] == 100.0
    assert found["test_values", "linden|linden-s002/raised_volume", "n_accepted"] == 3.0


@pytest.fixture
def times_asked(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[Path]]:
    """The studies whose nights asked; asking itself is left out."""
    asked: list[Path] = []

    def noted(run: object, aside: Path) -> list[KnownAnswer]:
        asked.append(aside)
        return [ANSWER]

    monkeypatch.setattr(answers_asked, "known_answers", noted)
    remember_answers({})
    yield asked
    remember_answers({})


def test_answers_that_stood_are_asked_again_when_what_they_rest_on_changed(
    micro: Path,
    tmp_path: Path,
    pool: object,
    times_asked: list[Path],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Their ground is the program, the libraries as installed, the machine, and they themselves."""
    one, other = (copy_of_one(micro, tmp_path / n, centre=SECOND) for n in ("one", "other"))
    run_night(one)
    run_night(other)  # the same machine, the same program
    assert len(times_asked) == 1
    first, second = (night_facts(current_night(s))["known_answers"] for s in (one, other))
    assert first == second and {"truth", "asked_at"} <= first[0].keys()
    run_night(other, full=True)
    assert len(times_asked) == 2
    known = tmp_path / "known"
    shutil.copytree(FOLDER, known)
    (known / "more.toml").touch()
    changed: list[tuple[object, str, object]] = [
        (compare, "FOLDER", known),
        (compare, "installation_digest", lambda: "a library of other size"),
        (answers_asked, "STAND_FOR", timedelta(0)),
    ]
    with open_night(other) as night:
        for module, name, value in changed:
            assert answers_that_stand(night, current_night)  # on the ground as it is
            before = len(times_asked)
            assert answers_that_stand(night, current_night)
            assert len(times_asked) == before
            with monkeypatch.context() as patched:
                patched.setattr(module, name, value)
                assert answers_that_stand(night, current_night)
            assert len(times_asked) == before + 1, name


@pytest.mark.parametrize("said", [
    {}, {"rests_on": "x"}, {"rests_on": "x", "asked_at": "yesterday", "answers": []},
    {"rests_on": "x", "asked_at": "2026-01-01T00:00:00+00:00", "answers": "none"},
    {"rests_on": "x", "asked_at": "2026-01-01T00:00:00+00:00", "answers": []},
    {"rests_on": "x", "asked_at": "2026-01-01T00:00:00", "answers": [{"truth": 1.0}]},
    {"rests_on": "x", "asked_at": "2026-01-02T00:00:01+00:00", "answers": [{"truth": 1.0}]},
    {"rests_on": "x", "asked_at": "2025-12-26T00:00:00+00:00", "answers": [{"truth": 1.0}]},
    {"rests_on": "y", "asked_at": "2026-01-01T00:00:00+00:00", "answers": [{"truth": 1.0}]},
])  # fmt: skip
def test_what_is_remembered_of_answers_and_says_nothing_is_not_believed(said: Any) -> None:
    now = datetime(2026, 1, 2, tzinfo=UTC)
    remember_answers(said)
    assert stood_before("x", now) is None
    stands = {"rests_on": "x", "asked_at": "2026-01-01T00:00:00+00:00", "answers": [{"truth": 1.0}]}
    remember_answers(stands)
    assert stood_before("x", now) == [{"truth": 1.0}]
    remember_answers({})


def test_file_of_a_library_that_was_put_anew_is_another_installation(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    library = tmp_path / "anewly"
    library.mkdir()
    (library / "__init__.py").touch()
    monkeypatch.syspath_prepend(tmp_path)
    behind = fingerprint.Code(frozenset(), frozenset({"anewly"}))
    monkeypatch.setattr(fingerprint, "code_behind", lambda modules: behind)
    digests = []
    for text in ("", "1", "2"):
        (library / "fast.so").write_text(text, encoding="utf-8")
        fingerprint.installation_digest.cache_clear()
        digests.append(fingerprint.installation_digest())
    fingerprint.installation_digest.cache_clear()
    assert len({*digests}) == 3
