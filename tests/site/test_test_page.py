"""The page of one test says what is true: read or not, which check, which trial stands for it."""

from __future__ import annotations

import re
from itertools import pairwise
from pathlib import Path

import pytest

from quietsleep import contract
from quietsleep.site.folder import test_file as file_of_test
from quietsleep.site.read import PublishedNight, Row, read_centre
from quietsleep.site.strips import LEAST_OTHERS, MOST_DOTS
from tests.site.nights import CopiedTraces, EditedNight, WrittenNight


def text_of(written: WrittenNight, test: Row) -> str:
    """Return the words of a test's page."""
    page = written.pages / test["centre"] / file_of_test(test["test"])
    raw = re.sub(r"<(script|style|svg).*?</\1>", " ", page.read_text(encoding="utf-8"), flags=re.S)
    return re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", raw))


def test_a_test_that_was_not_read_says_so_why_and_what_to_do(demo: WrittenNight) -> None:
    unread = demo.rows("tests", status="quarantined")
    assert unread
    for test in unread:
        said = text_of(demo, test)
        assert "Nothing of this test was read" in said and "What to do" in said
        assert "No trial was found" not in said
        assert "none of this device was delivered" not in said
        assert "no check before the test" not in said
        (why, *_) = (r["why"] for r in demo.rows("recordings", session=test["session"],
                                                 technique=test["technique"]))  # fmt: skip
        assert why in said.replace("&#34;", '"')
        asked = [q for q in demo.rows("queries", session=test["session"])
                 if q["kind"] in ("session_held", "recording_held")]  # fmt: skip
        assert asked and any(query["remedy"] in said for query in asked)


def test_an_accepted_check_of_the_day_is_named_though_nothing_was_read(
    demo: WrittenNight,
) -> None:
    test = demo.row_of("tests", centre="larch", session="larch-s009", technique="tidal")
    said = text_of(demo, test)
    assert "Accepted Syringe check" in said or "● Accepted Syringe check" in said
    assert "nothing of the test rests on it" in said


def test_a_failed_check_wants_something_else_than_a_missing_one(
    edited: EditedNight, tmp_path: Path
) -> None:
    edited.keep(centres=["willow"], techniques=["tidal"])
    first, second = edited.rows("tests", technique="tidal")[:2]
    edited.drop("session_checks", session=first["session"], kind="syringe")
    (link,) = edited.rows("session_checks", session=second["session"], kind="syringe")
    check = edited.row("checks", check_id=link["check_id"])
    check["status"] = "rejected"
    verdict = next(v for v in edited.rows("verdicts", item=check["check_id"])
                   if v["severity"] == "reject")  # fmt: skip
    verdict["state"] = "fail"
    written = edited.write(tmp_path)
    dependents = contract.CHECKS["syringe"].dependents
    assert dependents is not None
    missing, failed = text_of(written, first), text_of(written, second)
    assert dependents.remedy_missing in missing
    assert dependents.remedy_missing not in failed
    rule = next(r for r in contract.CHECKS["syringe"].rules if r.key == verdict["rule"])
    assert rule.remedy_for(verdict["observed"]) in failed


def test_the_spread_of_one_trial_is_no_number(demo: WrittenNight) -> None:
    alone = [o for o in demo.rows("outcomes", technique="raised_volume", status="accepted")
             if o["n_trials"] == 1 and o["cv_pct"] is not None]  # fmt: skip
    assert alone
    test = demo.row_of("tests", session=alone[0]["session"], technique="raised_volume")
    page = (demo.pages / test["centre"] / file_of_test(test["test"])).read_text(encoding="utf-8")
    row = re.search(rf"<code>{alone[0]['outcome']}</code>(.*)", page)
    assert row is not None
    assert re.findall(r"<td>([^<]*)", row[1])[1:3] == ["the best one", "–"]


def test_tests_of_a_technique_follow_each_other(demo: WrittenNight) -> None:
    tests = sorted(demo.rows("tests", centre="willow", technique="tidal"),
                   key=lambda t: t["tested_at"])  # fmt: skip
    pages = [demo.pages / "willow" / file_of_test(t["test"]) for t in tests]
    for earlier, later in pairwise(pages):
        assert f'rel="next" href="../tests/{later.name}"' in earlier.read_text("utf-8")
        assert f'rel="prev" href="../tests/{earlier.name}"' in later.read_text("utf-8")


def test_every_trial_is_shown_small_and_one_of_an_accepted_test_is_best(
    demo: WrittenNight,
) -> None:
    for test in demo.rows("tests", centre="willow", status="accepted"):
        page = (demo.pages / "willow" / file_of_test(test["test"])).read_text(encoding="utf-8")
        assert page.count('<a class="best"') == 1
        assert page.count('class="mini"') == 2 * test["n_trials"]
        assert page.count("<use ") == test["n_trials"]


def test_a_strip_holds_values_of_its_own_centre_and_thins_them(
    edited: EditedNight, traces: CopiedTraces, tmp_path: Path
) -> None:
    edited.keep(centres=["willow"], techniques=["tidal_forced_expiration"])
    edited.repeat_sessions(6)
    written = edited.write(tmp_path)
    (strip, *_) = sorted((written.pages / "willow/strips").iterdir())
    assert strip.stat().st_size < 16_000
    with_values = strip.read_text(encoding="ascii")
    assert with_values.count('"willow-s') <= 2 * MOST_DOTS


def test_other_centres_are_one_density_and_only_where_there_are_enough(
    demo: WrittenNight,
) -> None:
    night = PublishedNight(demo.night)
    try:
        data = read_centre(night, "willow")
        quantity = "rr_per_min"
        others = {r["centre"] for r in demo.rows("trials", technique="tidal")} - {"willow"}
        assert len(others) >= LEAST_OTHERS
        found = night.others_density(data.name, "tidal", quantity, bins=24, least_centres=3)
        assert found is not None and max(found[2]) == 100 and len(found[2]) == 24
        more = len(others) + 1
        assert night.others_density("willow", "tidal", quantity, bins=9, least_centres=more) is None
    finally:
        night.close()


@pytest.mark.parametrize("centre", ["willow", "larch"])
def test_a_folder_names_no_drawing_library_and_its_tests_are_small(
    centre: str, demo: WrittenNight
) -> None:
    assets = {file.name for file in (demo.pages / centre / "assets").iterdir()}
    assert assets == {"style.css", "list.js", "trace.js"}
    assert (demo.pages / centre / "assets/trace.js").stat().st_size < 40_000
    tests = [
        *(demo.pages / centre / "tests").iterdir(),
        *(demo.pages / centre / "traces").iterdir(),
    ]
    assert sum(f.stat().st_size for f in tests) / len(demo.rows("tests", centre=centre)) < 32_000
