"""What needs action, and what does not any more."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from quietsleep.site.actions import ActionItem, Link, actions_of
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
        for row in edited.tables["deliveries"]:
            row["first_night"] = "long ago"
        edited.tables["problems"].clear()
        change(edited)
        with closing(PublishedNight(edited.publish(tmp_path))) as night:
            night.rules, night.citations, night.night, night.facts  # noqa: B018
            return read_centre(night, "willow")

    return read


def keys(data: CentreData) -> list[str]:
    return [group.key for group in actions_of(data)]


def in_time(night: EditedNight, table: str, by: str) -> list[Row]:
    return sorted(night.tables[table], key=lambda row: row[by])


def fail(night: EditedNight, rule: str, item: str, **more: Any) -> None:
    verdict = night.row("verdicts", rule=rule, item=item)
    verdict |= {"state": "fail", "sentence": "Not met."} | more


def first_link(item: ActionItem) -> str:
    cell = item.rows[0][0]
    assert isinstance(cell, Link)
    return cell.text


def test_a_calm_centre_has_nothing_to_do(centre_after: Any) -> None:
    assert keys(centre_after(lambda night: None)) == []


def test_a_recent_alert_is_first_and_an_old_one_is_kept_below(centre_after: Any) -> None:
    def change(night: EditedNight) -> None:
        sessions = in_time(night, "sessions", "tested_at")
        sessions[-1]["tested_at"] = night.started_at - timedelta(days=1)
        sessions[0]["tested_at"] = night.started_at - timedelta(days=60)
        for session in (sessions[0], sessions[-1]):
            fail(night, "session.enough_staff", session["session"])

    (group,) = actions_of(centre_after(change))
    assert group.summary == "1 recent safety alert"
    assert [first_link(m) for m in group.items] == ["willow-s012"]
    assert [first_link(m) for m in group.earlier] == ["willow-s001"]
    assert group.items[0].todo


def test_an_alert_of_a_delivery_new_tonight_is_recent_however_old_the_session(
    centre_after: Any,
) -> None:
    def change(night: EditedNight) -> None:
        session = in_time(night, "sessions", "tested_at")[0]
        session["tested_at"] -= timedelta(days=300)
        (delivery,) = night.rows("deliveries", delivery=session["delivery"])
        delivery["first_night"] = "n000001"
        fail(night, "session.enough_staff", session["session"])

    (group,) = actions_of(centre_after(change))
    assert group.items and not group.earlier


def test_a_check_out_of_tolerance_names_its_sessions_until_a_later_one_is_good(
    centre_after: Any,
) -> None:
    def last(night: EditedNight) -> None:
        syringe = [c for c in in_time(night, "checks", "done_at") if c["kind"] == "syringe"]
        syringe[-1]["status"] = "rejected"

    (group,) = actions_of(centre_after(last))
    assert "1 session hangs on it." in group.items[0].note
    assert [link.text for link in group.items[0].links] == [
        "Control chart", "willow-s012, Tidal breathing"]  # fmt: skip


def test_a_settled_check_moves_to_the_earlier_ones(centre_after: Any) -> None:
    def first(night: EditedNight) -> None:
        in_time(night, "checks", "done_at")[0]["status"] = "rejected"

    (group,) = actions_of(centre_after(first))
    assert not group.items and len(group.earlier) == 1


def test_the_sessions_of_a_check_are_those_that_the_warehouse_links(centre_after: Any) -> None:
    """And no others: a check of the evening before is no check of the day, nor is a held one."""

    def change(night: EditedNight) -> None:
        session = in_time(night, "sessions", "tested_at")[-1]
        link = night.row("session_checks", session=session["session"], kind="syringe")
        check = night.row("checks", check_id=link["check_id"])
        # Less than a day before, yet the day before: the night would not link it.
        check["done_at"] = session["tested_at"] - timedelta(hours=20)
        check["status"] = "rejected"
        night.drop("session_checks", session=session["session"], kind="syringe")

    data = centre_after(change)
    (group,) = actions_of(data)
    assert "0 sessions hang on it." in group.items[0].note
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

    assert keys(centre_after(change)) == (["rescue"] if rescued else [])


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

    assert keys(centre_after(change)) == ([] if beside_another else ["rescue"])


def test_a_problem_is_shown_with_row_value_expected_and_remedy(
    demo: WrittenNight, centre_after: Any
) -> None:
    problem = demo.made.row("problems", centre="larch") | {"centre": "willow", "row": 7}

    def change(night: EditedNight) -> None:
        session = night.tables["sessions"][0]
        session["status"] = "quarantined"
        night.tables["problems"].append(
            problem | {"session": session["session"], "delivery": session["delivery"]}
        )

    group = actions_of(centre_after(change))[0]
    assert group.key == "deliveries"
    assert group.items[0].rows == (
        ("sessions.csv", "7", "weight_kg", "7,4", problem["expected"], problem["sentence"]),
    )
    assert group.items[0].todo == (problem["remedy"],)
    assert group.items[0].note == "1 session of it held; the rest was taken in."


def test_a_superseded_delivery_asks_for_nothing(demo: WrittenNight, centre_after: Any) -> None:
    def change(night: EditedNight) -> None:
        old = night.tables["deliveries"][0] | {"delivery": "old", "state": "superseded"}
        night.tables["deliveries"].append(old)
        night.tables["problems"].append(
            demo.made.row("problems", centre="willow") | {"delivery": "old"}
        )

    assert keys(centre_after(change)) == []
