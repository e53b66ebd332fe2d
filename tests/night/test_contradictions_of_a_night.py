"""What sessions say against each other is in the night's sentences, the table and the page."""

from __future__ import annotations

import shutil
from pathlib import Path

from quietsleep.judge.contradictions import KINDS
from quietsleep.measure.pool import InProcess
from quietsleep.night.night import NightReport
from quietsleep.night.stages import run_night
from quietsleep.warehouse.database import open_current
from tests.handmade import deliveries_of
from tests.night.conftest import pool as pool  # noqa: PLC0414  (a fixture)


def test_the_invented_study_contradicts_itself_where_that_is_planted_alone(
    demo_night: tuple[Path, NightReport],
) -> None:
    with open_current(demo_night[0]) as warehouse:
        found = warehouse.execute("SELECT kind, sentence FROM problems").fetchall()
    said = [(kind, sentence) for kind, sentence in found if kind in KINDS]
    ((kind, sentence),) = said
    # One infant of the scenario has an age that does not fit the days between its two visits.
    assert kind == "ages_and_days_differ"
    assert "In doubt: juniper-s001 and juniper-s009." in sentence


def test_contradictions_are_told_until_they_are_mended(two_after: Path, pool: InProcess) -> None:
    first, second = deliveries_of(two_after, "larch")
    infant = first.rows("sessions")[0]["infant"]
    kept = second.rows("sessions")
    second.put("sessions", [row | {"infant": infant, "sex": "male"} for row in kept])
    first.put("sessions", [row | {"sex": "female"} for row in first.rows("sessions")])
    recordings = [delivery.rows("recordings")[0]["file"] for delivery in (first, second)]
    before = (second.folder / recordings[1]).read_bytes()
    shutil.copy(first.folder / recordings[0], second.folder / recordings[1])
    first.seal()
    second.seal()
    report = run_night(two_after)
    said = " ".join(report.sentences)
    assert report.state == "amber" and "byte for byte" in said and "days passed" in said
    assert "3 infants that change between sessions at larch" in said
    with open_current(two_after) as warehouse:
        rows = warehouse.execute(
            "SELECT kind, centre, delivery FROM problems WHERE kind IN (SELECT unnest(?)) "
            "ORDER BY ALL",
            [list(KINDS)],
        ).fetchall()
        asked = warehouse.execute(
            "SELECT kind, centre, item FROM queries WHERE state = 'open' AND "
            "kind IN (SELECT unnest(?)) ORDER BY query",
            [list(KINDS)],
        ).fetchall()
        found = warehouse.execute(
            "SELECT kind, centre, where_found FROM problems WHERE kind IN (SELECT unnest(?)) "
            "ORDER BY query",
            [list(KINDS)],
        ).fetchall()
    assert ("infant_differs", "larch", None) in rows and ("same_bytes", "larch", None) in rows
    assert asked == found and len(asked) == 5
    page = (two_after / "pages" / "larch" / "index.html").read_text(encoding="utf-8")
    assert "sex is female in" in page and "infants that change between sessions" in page
    second.put("sessions", kept)
    (second.folder / recordings[1]).write_bytes(before)
    second.seal()
    said = " ".join(run_night(two_after).sentences)
    assert not any(w in said for w in ("that change", "byte for byte", "days passed"))
    with open_current(two_after) as warehouse:
        states = warehouse.execute(
            "SELECT DISTINCT state FROM queries WHERE kind IN (SELECT unnest(?))", [list(KINDS)]
        ).fetchall()
    assert states == [("closed",)]
