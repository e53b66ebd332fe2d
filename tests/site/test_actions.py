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
from tests.site.nights import EditedNight, WrittenNight

Change = Callable[[EditedNight], None]


@pytest.fixture
def centre_after(edited: EditedNight, tmp_path: Path) -> Callable[[Change], CentreData]:
    """Read a calm centre after a change to its rows."""

    def read(change: Change) -> CentreData:
        edited.keep(centres=["willow"], techniques=["tidal"])
        for verdict in edited.tables["verdicts"]:
            verdict["state"] = "pass"
        for table in ("tests", "sessions", "checks"):
            for row in edited.tables[table]:
                row["status"] = "accepted"
        edited.tables["problems"].clear()
        edited.tables["queries"].clear()
        change(edited)
        with closing(PublishedNight(edited.publish(tmp_path))) as night:
            night.rules, night.citations, night.night, night.facts  # noqa: B018
            return read_centre(night, "willow")

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


@pytest.mark.parametrize(
    ("rule", "observed", "rescued"),
    [("tidal.syringe_check", None, True), ("tidal.syringe_check", 0.0, False),
     ("tidal.one_trial", 0.0, False)],
)  # fmt: skip
def test_only_what_is_missing_can_be_rescued(
    rule: str, observed: float | None, rescued: bool, centre_after: Any
) -> None:
    def change(night: EditedNight) -> None:
        test = night.tables["tests"][0]
        test["status"] = "rejected"
        fail(night, rule, test["test"], observed=observed)

    assert rescuable(centre_after(change)).n == rescued


@pytest.mark.parametrize("beside_another", [False, True])
def test_a_mistyped_length_can_be_rescued_but_not_beside_another_fault(
    beside_another: bool, centre_after: Any
) -> None:
    def change(night: EditedNight) -> None:
        test = night.tables["tests"][0]
        test["status"] = "rejected"
        fail(night, "session.length_plausible", test["session"], observed=11.7)
        if beside_another:
            fail(night, "tidal.one_trial", test["test"], observed=0.0)

    assert rescuable(centre_after(change)).n == (not beside_another)


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
