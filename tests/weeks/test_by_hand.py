"""Weeks by hand, one for each way in which tests once vanished in silence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from tests.weeks.driver import StudyOfWeeks
from tests.weeks.history import (
    CENTRES,
    Action,
    Begin,
    Bytes,
    Check,
    Deliver,
    Delivery,
    Edit,
    Finish,
    History,
    LoseWork,
    Recalibrate,
    Recording,
    Remove,
    Rename,
    Reported,
    Session,
    Withdraw,
)
from tests.weeks.oracle import Expected, Oracle
from tests.weeks.play import play
from tests.weeks.standing import Published, values_of

Nights = Sequence[Sequence[Action]]
N_BYTES = iter(range(1, 10_000))


def fresh(kind: str = "sound") -> Bytes:
    """A signal that no other file has."""
    return Bytes("syringe" if kind == "syringe" else "sound", next(N_BYTES))


def session(code: str, *, infant: str, day: int, age_days: int | None = None) -> Session:
    """An infant born 250 days before the first night."""
    return Session(code, infant, day, 250 + day if age_days is None else age_days)


def visit(
    delivery: str, code: str, *, infant: str = "i1", day: int = 0, centre: str = "aspen"
) -> Delivery:
    """A delivery of one session with two recordings and the check of its day, codes as always."""
    return Delivery(
        centre,
        delivery,
        sessions=(session(code, infant=infant, day=day),),
        recordings=tuple(Recording(code, f"tid{n}", day, fresh(), minute=5 * n) for n in (1, 2)),
        checks=(Check("syr", day, fresh("syringe")),),
    )


def stands(nights: Nights, folder: Path, *, n_centres: int = 1) -> Expected:
    """Play nights by hand, and give back what should stand, and stands, at the end."""
    history = History(tuple(tuple(night) for night in nights), n_centres=n_centres)
    failure = play(history, folder)
    assert failure is None, str(failure)
    oracle = Oracle(CENTRES[:n_centres])
    for night, actions in enumerate(history.nights):
        for action in actions:
            oracle.happens(night, action)
    return oracle.stands(len(history.nights) - 1)


def test_codes_of_recordings_and_checks_may_come_again_in_each_visit(tmp_path: Path) -> None:
    nights = [[Deliver(visit(f"d{n}", f"s{n}", day=n))] for n in range(3)]
    end = stands(nights, tmp_path)
    assert end.accepted == {("aspen", f"s{n}") for n in range(3)} and len(end.checks) == 3
    assert not end.superseded


def test_a_weight_a_recording_and_results_can_come_alone(tmp_path: Path) -> None:
    first = visit("d1", "s1")
    (row,) = first.sessions
    alone = (
        Delivery("aspen", "c-weight", sessions=(replace(row, weight_kg=8.6),)),
        Delivery("aspen", "b-forgotten", recordings=(Recording("s1", "tid3", 0, fresh()),)),
        Delivery("aspen", "a-results", reported=(Reported("s1", 71.5),)),
    )
    end = stands([[Deliver(first)], *([Deliver(one)] for one in alone)], tmp_path)
    assert len(end.recordings) == 3 and end.sessions["aspen", "s1"][:2] == ("c-weight", 8.6)
    assert end.reported and end.accepted


def test_the_clock_of_a_centre_decides_nothing(tmp_path: Path) -> None:
    first = replace(visit("d1", "s1"), created_days=4000.0)
    (row,) = first.sessions
    later = Delivery("aspen", "d2", sessions=(replace(row, weight_kg=8.6),), created_days=-365.0)
    ahead = visit("d3", "s2", infant="i2")
    ahead = replace(ahead, sessions=(replace(ahead.sessions[0], hour=10 + 24 * 3653),))
    end = stands([[Deliver(first)], [Deliver(later)], [Deliver(ahead)]], tmp_path)
    assert end.sessions["aspen", "s1"][1] == 8.6 and end.held_sessions == {("aspen", "s2")}


def test_a_silent_centre_is_late_and_alerts_stay_until_somebody_signs(tmp_path: Path) -> None:
    first = visit("d1", "s1")
    first = replace(first, sessions=(replace(first.sessions[0], spo2_min_pct=85),))
    second = visit("d2", "s2", infant="i2")
    second = replace(second, sessions=(replace(second.sessions[0], consent="no"),))
    nights: list[list[Action]] = [[Deliver(first)], [Deliver(second)], *([] for _ in range(10))]
    end = stands(nights, tmp_path)
    assert end.centres == {"aspen": "late"}
    assert {what for what, _, _ in end.queries} == {"alert", "consent", "late"}


def test_what_was_refused_and_delivered_anew_is_no_matter_any_more(tmp_path: Path) -> None:
    first = visit("d1", "s1")
    nights: list[list[Action]] = [
        [Deliver(replace(first, cut=True))],
        [Deliver(replace(first, delivery="c2"))],
        [],
    ]
    end = stands(nights, tmp_path)
    assert end.accepted == {("aspen", "s1")} and not end.queries


def test_what_is_withdrawn_or_taken_away_is_not_forgotten(tmp_path: Path) -> None:
    twice = visit("d1", "s1"), visit("d2", "s2", infant="i2")
    nights: list[list[Action]] = [
        [Deliver(one) for one in twice[:1]],
        [Deliver(twice[1])],
        [Withdraw("aspen", infant="i2")],
        [LoseWork()],
        [Remove("aspen", "d1")],
    ]
    end = stands(nights, tmp_path)
    assert ("vanished", "aspen", frozenset({"d1"})) in end.queries
    assert set(end.sessions) == {("aspen", "s1")} and end.counts["aspen"]["withdrawn"] == 2


def test_a_withdrawal_takes_nothing_of_the_same_code_at_another_centre(tmp_path: Path) -> None:
    """What was taken in of a delivery that is gone cannot be measured again."""
    nights: list[list[Action]] = [
        [Deliver(visit("d1", "s1")), Deliver(visit("e1", "s1", centre="briar"))],
        [Remove("briar", "e1")],
        [Withdraw("aspen", session="s1")],
    ]
    end = stands(nights, tmp_path, n_centres=2)
    assert end.accepted == {("briar", "s1")} and end.counts["aspen"]["withdrawn"] == 2


def test_erasing_leaves_a_count_and_no_question(tmp_path: Path) -> None:
    nights: list[list[Action]] = [
        [Deliver(visit("d1", "s1"))],
        [Deliver(visit("d2", "s2", infant="i2"))],
        [Withdraw("aspen", session="s2", erase=True)],
        [LoseWork()],
    ]
    end = stands(nights, tmp_path)
    assert end.counts["aspen"]["withdrawn"] == 2 and not end.queries


def test_a_centre_of_which_nothing_is_left_is_published(tmp_path: Path) -> None:
    first = visit("d1", "s1")
    refuses = replace(first, sessions=(replace(first.sessions[0], consent="no"),))
    checks = replace(first, sessions=(), recordings=())
    other = Deliver(visit("e1", "s1", centre="briar", day=-1))
    stands([[Deliver(checks), other]], tmp_path / "checks", n_centres=2)
    ways: dict[str, Nights] = {
        "withdrawn": [[Deliver(first), other], [Withdraw("aspen", session="s1")]],
        "no": [[Deliver(refuses), other]],
    }
    for name, nights in ways.items():
        end = stands(nights, tmp_path / name, n_centres=2)
        assert end.counts["aspen"] == {"delivered": 2, "withdrawn": 2}


def test_a_renamed_centre_keeps_all_it_has(tmp_path: Path) -> None:
    for moves in (False, True):
        nights: list[list[Action]] = [
            [Deliver(visit("d1", "s1"))],
            [Rename("aspen", "aspen-east", moves_folder=moves)],
            [Deliver(visit("d2", "s2", day=2, centre="aspen-east"))],
        ]
        end = stands(nights, tmp_path / str(moves))
        assert end.accepted == {("aspen-east", "s1"), ("aspen-east", "s2")}


def test_contradictions_between_sessions_are_asked_about(tmp_path: Path) -> None:
    first = visit("d1", "s1")
    same_day = visit("d2", "s2")
    copy = visit("d3", "s3", infant="i3")
    copy = replace(
        copy,
        recordings=tuple(
            replace(r, bytes_=old.bytes_)
            for r, old in zip(copy.recordings, first.recordings, strict=True)
        ),
    )
    other = visit("d4", "s4", day=3)
    other = replace(other, sessions=(replace(other.sessions[0], sex="female"),))
    nights: list[list[Action]] = [[Deliver(d)] for d in (first, same_day, copy, other)]
    end = stands(nights, tmp_path)
    whats = {what for what, _, _ in end.queries}
    assert whats == {"same_infant_and_day", "same_bytes", "infant_differs"}


def test_a_contradiction_outlives_one_of_its_sessions_that_is_withdrawn(tmp_path: Path) -> None:
    def born(session: str, day: int, sex: str) -> Deliver:
        made = visit(f"d{session}", session, day=day)
        return Deliver(replace(made, sessions=(replace(made.sessions[0], sex=sex),)))

    nights: list[list[Action]] = [
        [born("s1", 0, "male")],
        [born("s2", 1, "male")],
        [born("s3", 2, "female")],
        [Withdraw("aspen", session="s2")],
    ]
    end = stands(nights, tmp_path / "one")
    assert {what for what, _, _ in end.queries} == {"infant_differs"}
    nights.append([Withdraw("aspen", session="s3")])
    assert not stands(nights, tmp_path / "all that differ").queries


def test_an_infant_is_taken_out_also_when_the_work_folder_was_lost_before(tmp_path: Path) -> None:
    """Which sessions are the infant's stands in deliveries that have to be read again."""
    other = visit("d2", "s1", infant="i2")
    corrected = replace(other, recordings=(), checks=())
    nights: list[list[Action]] = [
        [Deliver(visit("d1", "s1"))],
        [Deliver(visit("d3", "s2", infant="i2", day=1))],
        [LoseWork(), Deliver(corrected), Withdraw("aspen", infant="i1")],
        [Deliver(visit("d4", "s3", day=3))],
    ]
    end = stands(nights, tmp_path)
    assert end.counts["aspen"]["withdrawn"] == 4 and end.accepted == {("aspen", "s2")}


def test_equal_pairs_of_one_centre_stop_no_publication(tmp_path: Path) -> None:
    signal = fresh()
    alike = [visit(f"d{n}", f"s{n}", infant=f"i{n}") for n in range(3)]
    alike = [
        replace(
            one,
            recordings=(replace(one.recordings[0], bytes_=signal),),
            reported=(Reported(one.sessions[0].session, 70.0),),
        )
        for one in alike
    ]
    end = stands([[Deliver(one)] for one in alike], tmp_path)
    assert len(end.accepted) == 3


def test_a_new_gain_changes_nothing_before_its_day(tmp_path: Path) -> None:
    first, second = visit("d1", "s1"), visit("d2", "s2", infant="i2", day=2)
    twins = tuple(replace(r, session="s2", day=2) for r in first.recordings)
    nights: list[list[Action]] = [
        [Deliver(first)],
        [Recalibrate("aspen", 2, 1.01)],
        [Deliver(replace(second, recordings=twins))],
    ]
    stands(nights, tmp_path)  # the same values every night, as long as all they rest on is the same
    with Published(tmp_path / "study") as ask:
        values = values_of(ask)
    before, after = (dict(values["aspen", code])["vt_ml"] for code in ("s1", "s2"))
    assert abs(after / before - 1.01) < 0.002


def test_a_centre_ten_hours_east_that_writes_utc_keeps_its_mornings(tmp_path: Path) -> None:
    nights: list[list[Action]] = [[], [Deliver(visit("d1", "s1", day=1, centre="briar"))]]
    end = stands(nights, tmp_path, n_centres=2)
    assert end.accepted == {("briar", "s1")}
    with Published(tmp_path / "study") as ask:
        days = ask("SELECT tested_on FROM sessions")
    assert [str(day) for (day,) in days] == ["2026-03-03"]


def test_a_delivery_edited_in_place_keeps_its_place_in_the_order(tmp_path: Path) -> None:
    first = visit("d1", "s1")
    (row,) = first.sessions
    later = Delivery("aspen", "d2", sessions=(replace(row, weight_kg=8.6),))
    edited = replace(first, sessions=(replace(row, weight_kg=9.0),))
    end = stands([[Deliver(first)], [Deliver(later)], [Edit(edited)]], tmp_path)
    assert end.sessions["aspen", "s1"][:2] == ("d2", 8.6)
    assert ("edited", "aspen", frozenset({"d1"})) in end.queries


def test_what_is_still_arriving_is_no_delivery(tmp_path: Path) -> None:
    end = stands([[Begin(visit("d1", "s1"))], [Finish("aspen", "d1")]], tmp_path / "finished")
    assert end.accepted == {("aspen", "s1")}
    end = stands([[Begin(visit("d1", "s1"))], []], tmp_path / "begun")
    assert end.centres == {"aspen": "nothing"}


def test_a_change_that_is_held_is_not_passed_over(tmp_path: Path) -> None:
    first = visit("d1", "s1")
    (row,) = first.sessions
    again = replace(first.recordings[0], bytes_=fresh())
    nights: list[list[Action]] = [
        [Deliver(first)],
        [Deliver(Delivery("aspen", "d2", recordings=(replace(again, file="cut"),)))],
        [Deliver(Delivery("aspen", "d3", recordings=(again,)))],
        [Deliver(Delivery("aspen", "d4", sessions=(replace(row, spoiled=True),)))],
    ]
    end = stands(nights, tmp_path / "held")
    assert end.held_sessions == {("aspen", "s1")} and end.counts["aspen"]["quarantined"] == 2
    nights.append([Deliver(Delivery("aspen", "d5", sessions=(row,)))])
    end = stands(nights, tmp_path / "put right")
    assert end.accepted == {("aspen", "s1")} and not end.queries


def test_erasing_does_not_hide_an_edit(tmp_path: Path) -> None:
    first, second = visit("d1", "s1"), visit("d1", "s2", infant="i2")
    both = replace(
        first,
        sessions=first.sessions + second.sessions,
        recordings=first.recordings + second.recordings,
    )
    row, other = both.sessions
    edited = Edit(replace(both, sessions=(replace(row, weight_kg=8.5), other)))
    erased = Withdraw("aspen", session="s2", erase=True)
    ways: dict[str, Nights] = {
        "seen": [[Deliver(both)], [edited], [erased]],
        "not yet seen": [[Deliver(both)], [edited, erased]],
    }
    for name, nights in ways.items():
        end = stands(nights, tmp_path / name)
        assert ("edited", "aspen", frozenset({"d1"})) in end.queries


def test_what_is_taken_away_and_lost_is_held(tmp_path: Path) -> None:
    nights: list[list[Action]] = [
        [Deliver(visit("d1", "s1"))],
        [Deliver(visit("d2", "s2", infant="i2", day=1))],
        [Remove("aspen", "d1"), LoseWork()],
    ]
    end = stands(nights, tmp_path)
    assert end.counts["aspen"] == {"delivered": 4, "in_force": 2, "quarantined": 2}


def test_reported_results_do_not_vanish_in_silence(tmp_path: Path) -> None:
    results = Delivery("aspen", "d2", reported=(Reported("s1", 70.0),))
    nights: list[list[Action]] = [
        [Deliver(visit("d1", "s1"))],
        [Deliver(results)],
        [Remove("aspen", "d2")],
        [LoseWork()],
    ]
    end = stands(nights, tmp_path)
    assert {what for what, _, _ in end.queries} == {"vanished"}


def test_replaces_takes_all_recordings_of_a_session_out(tmp_path: Path) -> None:
    first = visit("d1", "s1")
    whole = replace(visit("d2", "s1"), replaces=("s1",), checks=())
    whole = replace(whole, recordings=whole.recordings[1:])
    end = stands([[Deliver(first)], [Deliver(whole)]], tmp_path)
    assert set(end.recordings) == {("aspen", "s1", "tid2")}
    assert end.counts["aspen"] == {"delivered": 3, "in_force": 1, "superseded": 2}


def test_the_study_of_the_weeks_stands(tmp_path: Path) -> None:
    """Without any delivery a night has nothing to say."""
    study = StudyOfWeeks(tmp_path / "study", CENTRES)
    study.begin()
    assert study.night(0).state != "red"


def test_a_check_that_is_lost_with_its_delivery_is_asked_about_as_lost_not_as_missing(
    tmp_path: Path,
) -> None:
    first = visit("d1", "s1")
    row = replace(first.sessions[0], weight_kg=8.6)
    anew = Delivery("aspen", "d2", sessions=(row,), recordings=(fresh_of("s1"),), replaces=("s1",))
    nights: Nights = [[Deliver(first)], [Remove("aspen", "d1"), LoseWork(), Deliver(anew)]]
    end = stands(nights, tmp_path)
    assert ("aspen", "s1") in end.sessions
    assert {what for what, _, _ in end.queries} == {"vanished"}


def test_a_signal_that_a_held_session_has_too_is_asked_about(tmp_path: Path) -> None:
    first, second = visit("d1", "s1"), visit("d2", "s2", infant="i2", day=1)
    spoiled = replace(first, sessions=(replace(first.sessions[0], spoiled=True),))
    same = replace(second.recordings[0], bytes_=first.recordings[0].bytes_)
    mixed = replace(second, recordings=(same, *second.recordings[1:]))
    end = stands([[Deliver(spoiled)], [Deliver(mixed)]], tmp_path)
    assert ("same_bytes", "aspen", frozenset({"s1", "s2"})) in end.queries


def test_a_delivery_that_is_written_again_unchanged_was_not_edited(tmp_path: Path) -> None:
    first = visit("d1", "s1")
    end = stands([[Deliver(first)], [Edit(first)]], tmp_path)
    assert not end.queries


def fresh_of(code: str) -> Recording:
    """A recording anew of the first day."""
    return Recording(code, "new1", 0, fresh())
