"""What needs action on the pages: the open data queries of the warehouse, and nothing else."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from quietsleep.site.actions import actions_of, rescuable
from quietsleep.site.read import CentreData, PublishedNight, Row, read_centre
from tests.site.nights import EditedNight, WrittenNight, copy_of

Change = Callable[[EditedNight], None]


def calm(night: EditedNight) -> EditedNight:
    """Keep one technique of one centre, with nothing that needs action."""
    night.keep(centres=["willow"], techniques=["tidal"])
    for verdict in night.tables["verdicts"]:
        verdict["state"] = "pass"
    for table in ("tests", "sessions", "checks"):
        for row in night.tables[table]:
            row["status"] = "accepted"
    night.tables["problems"].clear()
    night.tables["queries"].clear()
    return night


def read_willow(edited: EditedNight, path: Path) -> CentreData:
    """Publish the rows and read the centre."""
    with closing(PublishedNight(edited.publish(path))) as night:
        night.rules, night.citations, night.night, night.facts  # noqa: B018
        return read_centre(night, "willow")


@pytest.fixture
def centre_after(edited: EditedNight, tmp_path: Path) -> Callable[[Change], CentreData]:
    """Read a calm centre after a change to its rows."""

    def read(change: Change) -> CentreData:
        change(calm(edited))
        return read_willow(edited, tmp_path)

    return read


def ask(night: EditedNight, kind: str, **more: Any) -> Row:
    """Put a query into the table of a night and return it."""
    row = {
        "query": len(night.tables["queries"]) + 1, "kind": kind, "centre": "willow",
        "delivery": None, "session": None, "item": None, "sentence": "Something is wrong.",
        "remedy": "Put it right.", "state": "open", "opened_in": "n000001", "answered_by": None,
        "answered_at": None, "answer": None, "closed_in": None, "closed_why": None,
        "cause_stands": True, "facts": "f",
    } | more  # fmt: skip
    night.tables["queries"].append(row)
    return row


def in_time(night: EditedNight, table: str, by: str) -> list[Row]:
    return sorted(night.tables[table], key=lambda row: row[by])


def fail(night: EditedNight, rule: str, item: str, **more: Any) -> None:
    verdict = night.row("verdicts", rule=rule, item=item)
    verdict |= {"state": "fail", "sentence": "Not met."} | more


def test_a_calm_centre_has_nothing_to_do(centre_after: Any) -> None:
    assert actions_of(centre_after(lambda night: None)) == []


def test_what_is_wrong_and_was_not_asked_is_not_shown(centre_after: Any) -> None:
    """Nothing is found a second time here: a failed check without its query stays silent."""

    def change(night: EditedNight) -> None:
        in_time(night, "checks", "done_at")[-1]["status"] = "rejected"
        fail(night, "session.enough_staff", night.tables["sessions"][0]["session"])

    assert actions_of(centre_after(change)) == []


def test_queries_stand_by_kind_and_the_most_urgent_is_first(centre_after: Any) -> None:
    def change(night: EditedNight) -> None:
        ask(night, "column_unread", item="Vdot2")
        ask(night, "column_unread", item="Vdot3")
        ask(night, "safety_alert", session="willow-s012", item="session.enough_staff")

    first, second = actions_of(centre_after(change))
    assert (first.key, first.summary) == ("safety_alert", "1 safety alert")
    assert first.items[0].headline == "Query 3: willow-s012, too few staff"
    assert first.items[0].links[0].text == "Session willow-s012"
    assert first.items[0].query == 3
    assert second.summary == "2 columns that are not read"
    assert [item.headline for item in second.items] == ["Query 1: Vdot2", "Query 2: Vdot3"]
    assert second.items[0].todo == ("Put it right.",)
    assert second.items[0].note == "Something is wrong."


def test_answered_and_closed_queries_are_kept_below_with_what_was_said(centre_after: Any) -> None:
    def change(night: EditedNight) -> None:
        said = {"answered_by": "r1", "answered_at": night.started_at, "answer": "It will come."}
        ask(night, "session_held", session="willow-s001", state="answered", **said)
        closed = {"closed_in": "n000001", "closed_why": "cured by delivery willow-03"}
        ask(night, "session_held", session="willow-s002", state="closed", **closed)

    answered, closed = actions_of(centre_after(change))
    assert (answered.key, closed.key) == ("answered", "closed")
    assert not answered.items and answered.n == closed.n == 0
    assert "r1, " in answered.folded[0].note and "It will come." in answered.folded[0].note
    assert "Closed in n000001, cured by delivery willow-03" in closed.folded[0].note


def test_a_check_out_of_tolerance_names_what_hangs_on_it(centre_after: Any) -> None:
    def change(night: EditedNight) -> None:
        syringe = [c for c in in_time(night, "checks", "done_at") if c["kind"] == "syringe"]
        syringe[-1]["status"] = "rejected"
        ask(night, "check_failed", item=syringe[-1]["check_id"])

    (group,) = actions_of(centre_after(change))
    assert "1 session hangs on it." in group.items[0].note
    assert [link.text for link in group.items[0].links] == [
        "Control chart", "willow-s012, Tidal breathing"]  # fmt: skip


def test_the_sessions_of_a_check_are_those_that_the_warehouse_links(centre_after: Any) -> None:
    """And no others: a check of the evening before is no check of the day, nor is a held one."""

    def change(night: EditedNight) -> None:
        session = in_time(night, "sessions", "tested_at")[-1]
        link = night.row("session_checks", session=session["session"], kind="syringe")
        check = night.row("checks", check_id=link["check_id"])
        # Less than a day before, yet the day before: the night would not link it.
        check["done_at"] = session["tested_at"] - timedelta(hours=20)
        ask(night, "check_failed", item=check["check_id"])
        night.drop("session_checks", session=session["session"], kind="syringe")

    data = centre_after(change)
    (group,) = actions_of(data)
    assert "on it" not in group.items[0].note
    assert ("willow-s012", "syringe") not in data.checks_behind
    assert data.checks_behind["willow-s011", "syringe"]["kind"] == "syringe"


Observed = tuple[str, float | None]
MISTYPED: Observed = ("session.length_plausible", 11.7)
NO_TRIAL: Observed = ("tidal.one_trial", 0.0)
# What holds a test, and whether a new delivery could bring it back.
HOLDS: tuple[tuple[tuple[Observed, ...], bool], ...] = (
    ((("tidal.syringe_check", None),), True),
    ((("tidal.syringe_check", 0.0),), False),
    ((NO_TRIAL,), False),
    ((MISTYPED,), True),
    ((MISTYPED, NO_TRIAL), False),
)


@pytest.fixture(scope="module")
def could_be_rescued(
    demo: WrittenNight, tmp_path_factory: pytest.TempPathFactory
) -> tuple[bool, ...]:
    """Hold tests of a calm centre side by side, each as `HOLDS` says; which may come back."""
    night = calm(copy_of(demo.made))
    tests = night.tables["tests"][: len(HOLDS)]
    for test, (held_by, _) in zip(tests, HOLDS, strict=True):
        test["status"] = "rejected"
        for rule, observed in held_by:
            item = test["session"] if rule.startswith("session.") else test["test"]
            fail(night, rule, item, observed=observed)
    group = rescuable(read_willow(night, tmp_path_factory.mktemp("held")))
    named = [link.text for item in group.items for link in item.links]
    assert group.n == len(named)
    return tuple(f"{test['session']}, Tidal breathing" in named for test in tests)


@pytest.mark.parametrize("case", range(len(HOLDS)))
def test_only_what_is_missing_or_mistyped_and_nothing_beside_it_can_be_rescued(
    case: int, could_be_rescued: tuple[bool, ...]
) -> None:
    _, wanted = HOLDS[case]
    assert could_be_rescued[case] is wanted


def test_a_problem_is_shown_with_row_value_expected_and_remedy(
    demo: WrittenNight, centre_after: Any
) -> None:
    problem = demo.made.row("problems", centre="larch") | {"centre": "willow", "row": 7}

    def change(night: EditedNight) -> None:
        session = night.tables["sessions"][0]
        query = ask(night, "session_held", session=session["session"])["query"]
        night.tables["problems"].append(problem | {"delivery": session["delivery"], "query": query})

    (group,) = actions_of(centre_after(change))
    assert group.items[0].rows == (
        ("sessions.csv", "7", "weight_kg", "7,4", problem["expected"], problem["sentence"]),
    )
    assert group.items[0].todo == (problem["remedy"],)
    assert group.items[0].note.startswith("Session willow-s0")
