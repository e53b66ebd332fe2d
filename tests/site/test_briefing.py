"""The five answers, the matrix, the reasons and the changes say what the warehouse says."""

from __future__ import annotations

import csv
import re
from datetime import date
from html import unescape
from pathlib import Path
from typing import Any

import pytest

from quietsleep.site import words
from quietsleep.site.pages.briefing import figure
from quietsleep.site.pages.changes import cause_words, csv_of
from quietsleep.site.read import PublishedNight
from tests.site.nights import EditedNight, WrittenNight, copy_of

QUESTIONS = ("missing", "slipping", "drifting", "comparable", "changed")


def text_of(page: Path) -> str:
    return page.read_text(encoding="utf-8")


def plain(html: str) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", html)).split())


def overview(night: WrittenNight, name: str = "index") -> str:
    return text_of(night.pages / f"overview/{name}.html")


def answer(page: str, question: str) -> str:
    return page.split(f'id="answer-{question}"')[1].split("</li>", maxsplit=1)[0]


@pytest.mark.parametrize("question", QUESTIONS)
def test_each_answer_is_what_its_query_gives(question: str, demo: WrittenNight) -> None:
    night = PublishedNight(demo.night)
    (row,) = night.rows("SELECT * FROM briefing WHERE question = ?", question)
    (found,) = night.rows(row["sql"])
    night.close()
    shown = answer(overview(demo), question)
    number = plain(shown.split('class="number">')[1].split("</p>")[0])
    wanted = figure(found["value"])
    if found["of_value"] is not None:
        wanted += f" of {figure(found['of_value'])}"
    assert number.startswith(f"{wanted} ")
    assert plain(row["sentence"]) in plain(shown)
    assert f'href="{row["page"]}"' in shown
    page, _, anchor = row["page"].partition("#")
    there = text_of(demo.pages / "overview" / page)
    assert not anchor or f'id="{anchor}"' in there
    assert "<svg" in shown or "yet" in shown or "No session changed" in shown


def test_the_answers_stand_in_their_order(demo: WrittenNight) -> None:
    assert re.findall(r'id="answer-(\w+)"', overview(demo)) == list(QUESTIONS)


def matrix_cells(page: str) -> dict[str, list[str]]:
    """Return the cells of each centre of the matrix, as text."""
    body = (
        page.split('class="scroll matrix"')[1].split("</table>", maxsplit=1)[0].split("<tbody>")[1]
    )
    lines = {}
    for line in body.split("<tr>")[1:]:
        cells = [plain(cell) for cell in re.split(r"<t[hd][^>]*>", line)[1:]]
        lines[cells[0]] = cells[1:]
    return lines


def test_every_cell_of_the_matrix_is_a_row_of_standing(demo: WrittenNight) -> None:
    cells = matrix_cells(overview(demo))
    titles = {row["centre"]: row["title"] for row in demo.rows("centres")}
    assert set(cells) == set(titles.values())
    standing = demo.rows("standing")
    assert len(standing) > 15
    for row in standing:
        said = f"{row['n_accepted']} of {words.count(row['n_tests'], 'test')}"
        shown = words.share(row["n_accepted"], row["n_tests"])
        own = [cell for cell in cells[titles[row["centre"]]] if cell.startswith(f"{shown} ")]
        assert any(said in cell for cell in own), (row["centre"], row["technique"])
    n_cells = sum(" of " in cell for line in cells.values() for cell in line)
    assert n_cells == len(standing)


def test_a_mark_speaks_where_no_query_does(edited: EditedNight, tmp_path: Path) -> None:
    """A centre that loses tests needs action, whether or not a query is open."""
    edited.keep(centres=["willow", "larch"])
    edited.tables["queries"] = []
    for row in edited.tables["standing"]:
        row |= {"slipping": False, "since": None, "funnel_mark": "inside"}
    edited.row("standing", centre="willow", technique="raised_volume").update(
        slipping=True, since=date(2026, 4, 13)
    )
    edited.row("standing", centre="larch", technique="tidal")["funnel_mark"] = "below"
    cells = matrix_cells(overview(edited.write(tmp_path)))
    assert next(iter(cells)) == "Willow centre"
    assert cells["Willow centre"][0] == "▼ slips: raised volume forced expiration"
    assert cells["Larch centre"][0] == "◣ low: tidal breathing"
    (slipping,) = (cell for cell in cells["Willow centre"][1:] if "▼ slips" in cell)
    assert "slipping since 13 Apr 2026" in slipping
    (low,) = (cell for cell in cells["Larch centre"][1:] if "◣ low" in cell)
    assert "below the 99.8 % limits" in low


def test_what_a_centre_is_asked_is_the_list_of_queries(demo: WrittenNight) -> None:
    cells = matrix_cells(overview(demo))
    for centre in demo.rows("centres"):
        n = len(demo.rows("queries", centre=centre["centre"], state="open"))
        asked = cells[centre["title"]][0]
        assert asked.startswith(f"◆ {n} open") if n else "open" not in asked


def test_each_query_can_be_answered_where_it_is_shown(demo: WrittenNight) -> None:
    page = overview(demo)
    for row in demo.rows("queries", state="open"):
        entry = page.split(f'<li id="q{row["query"]}">')[1].split("</li>")[0]
        assert f"<!--answer {row['query']}-->" in entry
        assert f"quietsleep answer STUDY {row['query']}" in entry
        assert plain(row["sentence"]) in plain(entry)
    assert page.count("<!--answer ") == len(demo.rows("queries", state="open"))


def test_reasons_cost_what_the_warehouse_counts(demo: WrittenNight) -> None:
    night = PublishedNight(demo.night)
    ranked = night.tuples(
        "SELECT CAST(sum(n_tests) AS BIGINT) AS n, CAST(sum(n_tests_alone) AS BIGINT) "
        "FROM lost_tests GROUP BY level, rule, is_missing ORDER BY 2 DESC, n DESC"
    )
    night.close()
    assert len(ranked) > 10
    page = overview(demo, "reasons")
    shown = [
        (int(n), int(alone))
        for n, alone in re.findall(
            r'class="cost"><b>(\d+)</b>.*?class="saves"><b>(\d+)</b>', page, re.S
        )
    ]
    assert shown == ranked
    first = re.findall(r'class="cost"><b>(\d+)</b>', overview(demo).split('id="reasons"')[1])
    assert list(map(int, first)) == [n for n, _ in ranked[:5]]


def test_the_parts_of_a_reason_add_up(demo: WrittenNight) -> None:
    for section in overview(demo, "reasons").split('<section class="ranked"')[1:]:
        lost = int(re.findall(r'class="cost"><b>(\d+)</b>', section)[0])
        tables = re.findall(r"<table.*?</table>", section, re.S)
        assert len(tables) == 5
        for table in tables:
            rows = re.findall(r'</th><td class="n">(\d+)</td>', table)
            assert sum(map(int, rows)) == lost


@pytest.fixture(scope="module")
def changed_night(demo: WrittenNight, tmp_path_factory: pytest.TempPathFactory) -> WrittenNight:
    """A night and one after it, in which one session says something else; do not change it."""
    path = tmp_path_factory.mktemp("changed")
    edited = copy_of(demo.made).keep(centres=["willow"], techniques=["tidal"])
    edited.publish(path)
    edited.tables["sessions"][0]["weight_kg"] = 8.125
    edited.tables["session_changes"] = [
        {"centre": "willow", "session": f"willow-s{i:03d}", "what": "changed", "n_tests_new": 0,
         "n_tests_gained": 4, "n_tests_lost": 0, "n_outcomes_changed": 3, "n_cells": 9,
         "cause": cause, "sentence": f"willow-04 brought back 4 tests of willow-s{i:03d}."}
        for i, cause in enumerate(["file"] * 30 + ["limit, waiver"], start=1)
    ]  # fmt: skip
    return edited.write(path, night="n000002")


def test_changes_are_told_session_by_session_and_by_cause(changed_night: WrittenNight) -> None:
    page = overview(changed_night, "changes")
    sentences = re.findall(r"willow-04 brought back 4 tests of willow-s(\d+)\.", page)
    assert sorted(map(int, sentences)) == list(range(1, 32))
    heads = [plain(h) for h in re.findall(r"<h2.*?</h2>", page, re.S)]
    assert heads[0] == "What deliveries brought 30 sessions"
    assert heads[1] == "A limit that the study changed and a waiver 1 session"
    # The cells fold away, and so do more sessions than a screen holds.
    assert page.count("<details") == 3 and "<details open" not in page
    assert "18 more sessions" in page


def test_the_csv_holds_every_changed_cell(changed_night: WrittenNight) -> None:
    night = PublishedNight(changed_night.night)
    rows = night.rows("SELECT * FROM changes WHERE night = 'n000002'")
    night.close()
    with (changed_night.pages / "overview/changes.csv").open(encoding="utf-8", newline="") as file:
        found = list(csv.DictReader(file))
    assert len(found) == len(rows) > 0
    assert {(r["key"], r["column_name"]) for r in found} == {
        (r["key"], r["column_name"]) for r in rows
    }
    assert 'href="changes.csv"' in overview(changed_night, "changes")


def test_no_cell_of_a_csv_is_run_by_a_spreadsheet() -> None:
    row = dict.fromkeys(("table_name", "key", "column_name", "before", "after", "cause"), "x")
    text = csv_of(
        [row | {"before": "=1+1", "after": "-4.5"}, row | {"before": "@x", "after": None}]
    )
    lines = list(csv.DictReader(text.splitlines()))
    assert [line["before"] for line in lines] == ["'=1+1", "'@x"]
    assert [line["after"] for line in lines] == ["-4.5", ""]


def test_causes_are_said_in_words() -> None:
    assert cause_words("formula (contract 1 to 2)") == (
        "A formula that is defined anew (contract 1 to 2)"
    )
    assert cause_words("file, review") == "What deliveries brought and what readers decided"
    assert cause_words("moved") == "moved"


def test_what_is_missing_is_what_was_expected(edited: EditedNight, tmp_path: Path) -> None:
    base: dict[str, Any] = dict.fromkeys(
        ("infant", "visit", "session", "technique", "earliest_on", "latest_on", "days_off",
         "changes_on")
    )  # fmt: skip
    states = ["received"] * 7 + ["late", "overdue", "missing", "missing", "not_yet", "due"]
    edited.tables["expected"] = [
        base | {"centre": "larch", "what": "visit", "item": f"i{n}/v1", "state": state,
                "due_on": date(2026, 3, n + 1)}
        for n, state in enumerate(states)
    ]  # fmt: skip
    made = edited.keep(centres=["larch"], techniques=["tidal"]).write(tmp_path)
    page = overview(made, "missing")
    assert "3 expected things have not come" in plain(page)
    table = page.split("Expected and received, table")[1].split("</table>")[0]
    assert re.findall(r'<td class="n">(\d+)</td>', table) == ["8", "1", "2", "2"]
    assert [item for item in ("i8/v1", "i9/v1", "i10/v1") if item in page] == [
        "i8/v1", "i9/v1", "i10/v1",
    ]  # fmt: skip
    assert "8 of 11" in answer(overview(made), "missing")


def test_every_page_links_the_dictionary(demo: WrittenNight) -> None:
    pages = sorted((demo.pages / "overview").glob("*.html"))
    assert len(pages) >= 7
    for page in pages:
        assert 'href="../dictionary/index.html"' in text_of(page)


def test_an_empty_study_has_its_pages(edited: EditedNight, tmp_path: Path) -> None:
    """Before anything has come, every question is asked and nothing is made up."""
    edited.keep(centres=["rowan"])
    for name in ("standing", "acceptance_weeks", "drifts", "lost_tests", "session_changes",
                 "comparability", "agreement", "agreement_limits", "tests", "queries"):  # fmt: skip
        edited.tables[name] = []
    made = edited.write(tmp_path)
    page = overview(made)
    assert re.findall(r'id="answer-(\w+)"', page) == list(QUESTIONS)
    assert "No test was lost." in page and "No query is open." in page
    assert "a first delivery" in page
    for name in ("missing", "reasons", "comparability", "changes", "equipment"):
        assert "<h1" in overview(made, name)
