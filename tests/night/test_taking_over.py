"""What sessions were judged to is taken over until something changes that they rest on.

That any history of changes gives the same bytes as judging from nothing is held by `tests/weeks`,
whose nights cut a study into blocks of a session or two.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietsleep import contract
from quietsleep.judge import blocks as cutting
from quietsleep.judge import study as judging
from quietsleep.judge.blocks import begins_a_block, blocks_of
from quietsleep.judge.kept import digest_of_frames, read_frames, write_frames
from quietsleep.judge.readers import PlacedReview, ReviewEffects
from quietsleep.judge.rules import rules_in_study
from quietsleep.judge.study import JudgingInputs, named_blocks
from quietsleep.measure.plan import plan_checks, plan_recordings
from quietsleep.measure.pool import InProcess
from quietsleep.measure.roster import Roster, read_roster
from quietsleep.night.night import NightReport
from quietsleep.night.stages import run_night
from quietsleep.store.state import State
from quietsleep.study.history import history_of
from quietsleep.study.review_log import Review
from quietsleep.study.study import Waiver, load_study
from quietsleep.warehouse.registered import open_register
from tests.handmade import deliveries_of
from tests.night.test_blocks import published

CENTRE = "sedge"
OTHER = "larch"
SESSIONS = 2
WAIVER = f"""
[[waivers]]
waiver = "w-900"
centre = "{CENTRE}"
item_kind = "session"
item = "{CENTRE}-s001"
rule = "session.length_plausible"
reason = "Shows that a waiver is one of the things that judging rests on."
signed_by = "coordinator-1"
signed_on = 2026-02-21
"""


@pytest.fixture
def a_block_a_session(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cutting, "WORTH_A_BLOCK", 1)
    monkeypatch.setattr(cutting, "MORE_A_BLOCK", 1)


@pytest.fixture
def judged(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The blocks that were judged, night after night."""
    names: list[str] = []
    judge_block = judging.judge_block

    def noted(kept: Any, given: Any) -> Mapping[str, str]:
        names.append(given.name)
        return judge_block(kept, given)

    monkeypatch.setattr(judging, "judge_block", noted)
    return names


def no_more(study: Path) -> None:
    with (study / "study.toml").open("a") as file:
        file.write("# nothing that a verdict rests on\n")


def one_weight(study: Path) -> None:
    (delivery,) = deliveries_of(study, CENTRE)
    first, *others = delivery.rows("sessions")
    weight = f"{float(first['weight_kg']) + 0.05:.2f}"
    delivery.put("sessions", [first | {"weight_kg": weight}, *others])
    delivery.seal()


def a_waiver(study: Path) -> None:
    (study / "waivers.toml").write_text(WAIVER)


def a_file_by_hand(study: Path) -> None:
    """Rows of one block in the place of those of the other, and rows that nobody judged."""
    first, second = sorted((study / "work" / "judged" / "verdicts").glob("*/*.parquet"))
    first.write_bytes(second.read_bytes())
    stray = study / "work" / "judged" / "sessions" / f"centre={CENTRE}" / "stray.parquet"
    stray.write_bytes(b"no rows")
    no_more(study)


CHANGES: list[tuple[Callable[[Path], None], int]] = [
    (a_waiver, SESSIONS),  # and the night before was cut into larger blocks
    (one_weight, 1),
    (a_file_by_hand, 1),
]


def test_what_changed_is_judged_and_nothing_else(
    one_after: Path, pool: InProcess, a_block_a_session: None, judged: list[str]
) -> None:
    (one_after / "waivers.toml").unlink(missing_ok=True)
    for change, expected in CHANGES:
        judged.clear()
        change(one_after)
        report = run_night(one_after)
        assert report.published and report.conservation["balances"].all()
        assert len(judged) == expected, change.__name__
    before = published(one_after)
    judged.clear()
    assert run_night(one_after, full=True).published
    assert len(judged) == SESSIONS
    differ = before.items() ^ published(one_after).items()
    assert all("/problems/" in path for path, _ in differ)  # they say when they were found


def test_a_block_with_a_mistake_of_ours_is_judged_again(
    one_after: Path,
    pool: InProcess,
    a_block_a_session: None,
    judged: list[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    with monkeypatch.context() as broken:
        broken.setattr("quietsleep.judge.scores.score", lambda *given: 1 / 0)
        assert _after_a_change(one_after).state == "red"
    failed = [*judged]
    judged.clear()
    assert _after_a_change(one_after).state != "red"
    assert judged == failed and len(failed) == SESSIONS


def _after_a_change(study: Path) -> NightReport:
    no_more(study)
    return run_night(study)


@pytest.fixture
def rests_on(
    one_after: Path, a_block_a_session: None
) -> Iterator[tuple[State, JudgingInputs, Roster]]:
    """What the sessions of a study are judged by, and their roster as it is judged."""
    study = load_study(one_after)
    with State(study.work_path) as state:
        checks = plan_checks(read_roster(state, history_of(open_register(study))), study)
        roster = plan_recordings(checks.roster, study, state).roster
        rules = rules_in_study(contract.RULES.values(), ())
        yield state, JudgingInputs(study, ReviewEffects((), ()), rules, []), roster


def test_every_thing_that_judging_rests_on_names_blocks_anew(
    rests_on: tuple[State, JudgingInputs, Roster], tmp_path: Path
) -> None:
    state, inputs, roster = rests_on

    def names(given: JudgingInputs = inputs, rows: Roster = roster) -> list[str]:
        return [name for name, _ in named_blocks(state, given, blocks_of(rows))]

    first = names()
    assert len(set(first)) == SESSIONS and names() == first
    waiver = Waiver("w-900", CENTRE, "session", "s", "r", "why", "c-1", date(2026, 2, 21))
    own, other = replace(waiver), replace(waiver, centre=OTHER)
    assert names(replace(inputs, waivers=[other])) == first
    assert _n_changed(first, names(replace(inputs, waivers=[own]))) == SESSIONS
    assert _n_changed(first, names(replace(inputs, rules=inputs.rules[1:]))) == SESSIONS
    assert names(replace(inputs, effects=_read_at(OTHER))) == first
    assert _n_changed(first, names(replace(inputs, effects=_read_at(CENTRE)))) == SESSIONS
    equations = tmp_path / "own.toml"
    for text, n_changed in (("a = 1", SESSIONS), ("a = 2", SESSIONS)):
        equations.write_text(text)
        study = replace(inputs.study, reference_files=(equations,))
        again = names(replace(inputs, study=study))
        assert _n_changed(first, again) == n_changed
        first = again
    centres = dict(inputs.study.centres)
    moved = centres | {OTHER: replace(centres[OTHER], altitude_m=1.0)}
    first = names()
    assert names(replace(inputs, study=replace(inputs.study, centres=moved))) == first
    moved = centres | {CENTRE: replace(centres[CENTRE], altitude_m=1.0)}
    moved_inputs = replace(inputs, study=replace(inputs.study, centres=moved))
    assert _n_changed(first, names(moved_inputs)) == SESSIONS
    for name in ("sessions", "recordings", "reported", "session_checks", "checks"):
        rows = getattr(roster, name)
        fewer = replace(roster, **{name: rows.iloc[:-1]})
        assert names(rows=fewer) != first, name
    key = roster.recordings["content_key"].dropna().iloc[0]
    state.run("UPDATE measured SET night = 'n000009' WHERE content_key = ?", [key])
    assert _n_changed(first, names()) == 1


def _n_changed(before: list[str], after: list[str]) -> int:
    return len(set(before) - set(after))


def _read_at(centre: str) -> ReviewEffects:
    values: dict[str, Any] = dict.fromkeys(Review.__dataclass_fields__, "x")
    review = Review(**values | {"centre": centre, "overrules": ()})
    return ReviewEffects((PlacedReview(review, "t", "s", "counts"),), ())


codes = st.lists(
    st.text("abcdefgh0123456789", min_size=1, max_size=6), unique=True, min_size=400, max_size=600
)


@given(codes.flatmap(lambda known: st.tuples(st.just(known), st.sampled_from(known))))
def test_a_session_less_leaves_most_blocks_as_they_were(drawn: tuple[list[str], str]) -> None:
    sessions, gone = drawn
    whole, fewer = _cuts(sessions), _cuts([code for code in sessions if code != gone])
    # The block that it was in, and those until both ways of cutting meet again.
    assert len(whole - fewer) <= 6
    assert 2 * len(whole) > len(sessions) / 200


def _cuts(sessions: list[str]) -> set[tuple[str, ...]]:
    found: list[list[str]] = [[]]
    for code in sorted(sessions):
        n_held = 5 * len(found[-1])
        if found[-1] and begins_a_block(CENTRE, code, n_coming=5, n_held=n_held):
            found.append([])
        found[-1].append(code)
    return {tuple(block) for block in found}


def test_frames_come_back_from_disk(tmp_path: Path) -> None:
    frames = {
        "a": pd.DataFrame(
            {
                "text": pd.Series(["x", None], dtype="str"),
                "day": [date(2026, 3, 1), None],
                "at": pd.to_datetime(["2026-03-01T20:00Z", "2026-03-02T20:00Z"]),
                "number": [1.5, float("nan")],
                "truth": pd.Series([True, None], dtype="object"),
            }
        ),
        "none": pd.DataFrame({"text": pd.Series(dtype="str"), "n": pd.Series(dtype="int64")}),
    }
    write_frames(tmp_path / "f.arrows", frames.values())
    again = read_frames(tmp_path / "f.arrows", frames)
    for name, frame in frames.items():
        pd.testing.assert_frame_equal(again[name], frame)
    assert digest_of_frames(frames.values()) == digest_of_frames(again.values())
    other = frames["a"].assign(number=[1.5, 0.0])
    assert digest_of_frames([other]) != digest_of_frames([frames["a"]])
