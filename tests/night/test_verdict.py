"""What a night says of what is open, and the state that it gives the night."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from quietsleep import contract
from quietsleep.contract.wording import listed_in_short
from quietsleep.measure.pool import InProcess
from quietsleep.night.stages import run_night
from quietsleep.night.verdict import open_in_words, verdict_of_night
from quietsleep.store.tables import in_contract
from tests.faults.nights import write_micro_study
from tests.handmade import deliveries_of
from tests.night.conftest import pool as pool  # noqa: PLC0414  (a fixture)


def table(*rows: dict[str, Any]) -> pd.DataFrame:
    """A table of open queries, each with what a row says of it."""
    usual = {
        "kind": "session_held", "centre": "larch", "sentence": "It is held.", "remedy": "Mend it.",
        "state": "open", "opened_in": "n000001", "cause_stands": True, "facts": "",
    }  # fmt: skip
    made = [usual | {"query": number} | row for number, row in enumerate(rows, 1)]
    return in_contract(pd.DataFrame(made), "queries")


def held(n: int) -> list[dict[str, Any]]:
    return [{"session": f"s{number:03d}"} for number in range(1, n + 1)]


def test_the_only_query_of_a_kind_is_said_in_full() -> None:
    assert open_in_words(table({"sentence": "Session s1 is held."})) == [
        "larch: Session s1 is held. (query 1)"
    ]
    said = "Delivery d1 of larch is refused."
    assert open_in_words(table({"sentence": said})) == [f"{said} (query 1)"]
    assert open_in_words(table({"centre": None, "sentence": said})) == [f"{said} (query 1)"]


def test_several_of_a_kind_are_counted_and_named() -> None:
    assert open_in_words(table(*held(2))) == [
        "2 sessions held at larch: s001 and s002 (queries 1 and 2)."
    ]
    (said,) = open_in_words(table(*held(40)))
    assert said.startswith("40 sessions held at larch: s001, s002, s003, s004, s005 and 35 more (")
    elsewhere = open_in_words(table(*held(2), {"centre": "birch"}))
    assert [sentence.partition(":")[0] for sentence in elsewhere] == [
        "birch", "2 sessions held at larch"]  # fmt: skip


def test_every_kind_is_said_and_the_most_urgent_comes_first() -> None:
    kinds = contract.QUERIES.kinds
    rows = table(*({"kind": kind, "sentence": f"Of {kind}."} for kind in reversed([*kinds])))
    said = open_in_words(rows)
    assert [sentence.partition(" (")[0] for sentence in said] == [
        f"larch: Of {kind}." for kind in kinds
    ]


@pytest.mark.parametrize("state", ["answered", "closed"])
def test_what_is_answered_or_closed_asks_for_nothing(state: str) -> None:
    assert open_in_words(table({"state": state})) == []
    assert verdict_of_night(None, [], table({"state": state})).state == "green"


def test_the_state_of_a_night_is_read_from_what_is_open() -> None:
    assert verdict_of_night(None, [], table().iloc[:0]).state == "green"
    assert verdict_of_night(None, [], table({})).state == "amber"
    assert verdict_of_night(None, ["It failed."], table({})).state == "red"
    assert verdict_of_night(None, [], None).state == "red"
    told = verdict_of_night(None, [], table().iloc[:0], ["Changes the weight of s1."])
    assert (told.state, told.sentences) == ("green", ("Changes the weight of s1.",))


def test_many_codes_are_counted() -> None:
    codes = [f"s{n:03d}" for n in range(40)]
    assert listed_in_short(codes) == "s000, s001, s002, s003, s004 and 35 more"
    assert listed_in_short(codes[:1]) == "s000" and listed_in_short(codes[:2]) == "s000 and s001"


def test_a_night_whose_only_trouble_are_two_alerts_is_amber_night_after_night(
    tmp_path: Path, pool: InProcess
) -> None:
    assert run_night(write_micro_study(tmp_path / "calm")).state == "green"
    study = write_micro_study(tmp_path / "study")
    (delivery,) = deliveries_of(study, "larch")
    delivery.change("sessions", staff_present="1", resuscitation_equipment_checked="no")
    (other,) = deliveries_of(study, "juniper")
    for _ in range(2):
        report = run_night(study)
        assert report.state == "amber"
        alerts, *others = report.sentences
        assert alerts == "2 safety alerts at larch: larch-s001 (queries 1 and 2)."
        assert all("was edited since" in sentence for sentence in others), others
        other.seal(note="again")  # the next night has something to do, and says it again
