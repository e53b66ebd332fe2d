"""What needs action, and what does not any more."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from quietsleep.site.actions import actions_of
from quietsleep.site.read import CentreData, PublishedNight, read_centre

Change = Callable[[dict[str, list[dict[str, Any]]]], None]


@pytest.fixture
def centre_after(frames: Any, plan_of: Any, tmp_path: Path) -> Callable[[Change], CentreData]:
    """Read a calm centre after a change to its invented tables."""

    def read(change: Change) -> CentreData:
        plan = plan_of("larch", 4, fail_share=0.0, held_sessions=0, techniques=("tidal",))
        made = frames.invent([plan])
        for verdict in made.tables["verdicts"]:
            verdict["state"] = "pass"
        for table, states in (("tests", "accepted"), ("sessions", "accepted"),
                              ("checks", "accepted")):  # fmt: skip
            for row in made.tables[table]:
                row["status"] = states
        for row in made.tables["deliveries"]:
            row["first_night"] = "long ago"
        change(made.tables)
        night = PublishedNight(frames.publish_invented(tmp_path, made))
        try:
            night.rules, night.citations, night.night, night.facts  # noqa: B018
            return read_centre(night, "larch")
        finally:
            night.close()

    return read


def keys(data: CentreData) -> list[str]:
    return [group.key for group in actions_of(data)]


def fail(tables: dict[str, list[dict[str, Any]]], rule: str, item: str, **more: Any) -> None:
    verdict = next(v for v in tables["verdicts"] if v["rule"] == rule and v["item"] == item)
    verdict |= {"state": "fail", "sentence": "Not met."} | more


def test_a_calm_centre_has_nothing_to_do(centre_after: Any) -> None:
    assert keys(centre_after(lambda tables: None)) == []


def test_a_recent_alert_is_first_and_an_old_one_is_kept_below(centre_after: Any) -> None:
    def change(tables: Any) -> None:
        old, new = tables["sessions"][0], tables["sessions"][-1]
        old["tested_at"] -= timedelta(days=60)
        for session in (old, new):
            fail(tables, "session.enough_staff", session["session"])

    (group,) = actions_of(centre_after(change))
    assert group.summary == "1 recent safety alert"
    assert [m.rows[0][0].text for m in group.matters] == ["larch-s0003"]
    assert [m.rows[0][0].text for m in group.earlier] == ["larch-s0000"]
    assert group.matters[0].todo


def test_an_alert_of_a_delivery_new_tonight_is_recent_however_old_the_visit(
    centre_after: Any,
) -> None:
    def change(tables: Any) -> None:
        tables["sessions"][0]["tested_at"] -= timedelta(days=300)
        tables["deliveries"][0]["first_night"] = "2026-03-30"
        fail(tables, "session.enough_staff", "larch-s0000")

    (group,) = actions_of(centre_after(change))
    assert group.matters and not group.earlier


def test_a_check_out_of_tolerance_names_its_sessions_until_a_later_one_is_good(
    centre_after: Any,
) -> None:
    def last(tables: Any) -> None:
        tables["checks"][-1]["status"] = "rejected"

    def first(tables: Any) -> None:
        tables["checks"][0]["status"] = "rejected"

    (group,) = actions_of(centre_after(last))
    assert "1 session hangs on it." in group.matters[0].note
    assert [link.text for link in group.matters[0].links] == [
        "Control chart", "larch-s0003, Tidal breathing"]  # fmt: skip


def test_a_settled_check_moves_to_the_earlier_ones(centre_after: Any) -> None:
    def first(tables: Any) -> None:
        tables["checks"][0]["status"] = "rejected"

    (group,) = actions_of(centre_after(first))
    assert not group.matters and len(group.earlier) == 1


@pytest.mark.parametrize(
    ("rule", "observed", "rescued"),
    [("tidal.syringe_check", None, True), ("tidal.syringe_check", 0.0, False),
     ("tidal.one_trial", 0.0, False)],
)  # fmt: skip
def test_only_what_is_missing_can_be_rescued(
    rule: str, observed: float | None, rescued: bool, centre_after: Any
) -> None:
    def change(tables: Any) -> None:
        tables["tests"][0]["status"] = "rejected"
        fail(tables, rule, tables["tests"][0]["test"], observed=observed)

    assert keys(centre_after(change)) == (["rescue"] if rescued else [])


def test_a_mistyped_length_can_be_rescued_but_not_beside_another_fault(centre_after: Any) -> None:
    def typed(tables: Any) -> None:
        tables["tests"][0]["status"] = "rejected"
        fail(tables, "session.length_plausible", tables["tests"][0]["session"], observed=11.7)

    def both(tables: Any) -> None:
        typed(tables)
        fail(tables, "tidal.one_trial", tables["tests"][0]["test"], observed=0.0)

    assert keys(centre_after(typed)) == ["rescue"]


def test_a_problem_is_shown_with_row_value_expected_and_remedy(centre_after: Any) -> None:
    def change(tables: Any) -> None:
        tables["sessions"][0]["status"] = "quarantined"
        tables["problems"].append(
            {"problem": 1, "night": "2026-03-30", "centre": "larch", "delivery": "larch-2026-03",
             "session": "larch-s0000", "kind": "bad_cell", "where_found": "sessions.csv", "row": 7,
             "column_name": "weight_kg", "value": "7,4", "expected": "a number",
             "sentence": "weight_kg is no number.", "remedy": "Write 7.4."})  # fmt: skip

    group = actions_of(centre_after(change))[0]
    assert group.key == "deliveries"
    assert group.matters[0].rows == (
        ("sessions.csv", "7", "weight_kg", "7,4", "a number", "weight_kg is no number."),
    )
    assert group.matters[0].todo == ("Write 7.4.",)
    assert group.matters[0].note == "1 session of it held; the rest was taken in."


def test_a_superseded_delivery_asks_for_nothing(centre_after: Any) -> None:
    def change(tables: Any) -> None:
        tables["deliveries"].append(
            {"centre": "larch", "delivery": "old", "state": "superseded", "n_sessions": 1,
             "n_recordings": 1, "n_checks": 0, "n_problems": 1})  # fmt: skip
        tables["problems"].append(
            {"problem": 1, "night": "2026-03-30", "centre": "larch", "delivery": "old",
             "kind": "bad_cell", "sentence": "Something."})  # fmt: skip

    assert keys(centre_after(change)) == []
