"""The overview adds up; the dictionary holds every column, rule and source; its queries run."""

from __future__ import annotations

import re
from contextlib import closing
from datetime import date, timedelta
from html import unescape
from pathlib import Path
from typing import Any

import pytest

from quietsleep import contract
from quietsleep.site.pages.dictionary import example_queries
from quietsleep.site.read import PublishedNight, read_centre
from quietsleep.site.words import faults_of
from quietsleep.warehouse.database import open_night
from quietsleep.warehouse.views import views
from tests.site.nights import CopiedTraces, EditedNight, WrittenNight


def body(page: Path) -> str:
    return unescape(re.sub(r"<[^>]+>", " ", page.read_text(encoding="utf-8")))


def test_the_conservation_table_is_that_of_the_warehouse(demo: WrittenNight) -> None:
    text = (demo.pages / "overview/conservation.html").read_text(encoding="utf-8")
    table = text.split('id="conservation"')[1].split("</table>")[0]
    shown = sum(int(n) for n in re.findall(r'<td class="n">(\d+)</td>', table))
    names = ("delivered", "measured", "no_trial", "quarantined", "crashed", "superseded",
             "withdrawn", "found", "accepted", "rejected", "not_judgeable", "flagged")  # fmt: skip
    assert shown == sum(row[name] for row in demo.rows("conservation") for name in names)


def test_the_overview_lists_every_open_query_once(edited: EditedNight, tmp_path: Path) -> None:
    edited.keep(centres=["sedge", "rowan"])
    rows = edited.tables["queries"]
    rows[-1]["state"], waiting = "answered", rows[:-1]
    shared = waiting[0] | {"query": 900, "centre": None, "kind": "same_bytes", "sentence": "Twice."}
    rows.append(shared)
    pages = edited.write(tmp_path).pages
    page = (pages / "overview/index.html").read_text(encoding="utf-8")
    shown = re.findall(r'<li id="q(\d+)">', page)
    assert sorted(map(int, shown)) == sorted(row["query"] for row in (*waiting, shared))
    assert f">{len(waiting) + 1} queries are open, 1 answered.<" in page
    for centre in ("sedge", "rowan"):
        own = (pages / centre / "index.html").read_text(encoding="utf-8")
        assert "Twice." not in own  # what is of several centres names others


def test_a_crash_and_a_broken_balance_come_first(edited: EditedNight, tmp_path: Path) -> None:
    edited.keep(centres=["willow"], techniques=["tidal"])
    edited.tables["recordings"][0] |= {"state": "crashed", "why": "Division by zero."}
    edited.tables["conservation"][0]["balances"] = False
    edited.tables["nights"][0]["state"] = "red"
    pages = edited.write(tmp_path).pages
    text = (pages / "overview/index.html").read_text(encoding="utf-8")
    assert '<h1 id="h-lead">Code failed on 1 item</h1>' in text
    assert "do not release this night" in text
    assert "Division by zero." in text
    site = (pages / "willow/index.html").read_text(encoding="utf-8")
    assert "Nothing for you to do" in site
    assert "does not add up" in site


def test_changes_since_the_night_before_are_listed(
    edited: EditedNight, traces: CopiedTraces, tmp_path: Path
) -> None:
    edited.keep(centres=["willow"], techniques=["tidal"]).publish(tmp_path)
    changed = edited.tables["sessions"][0]
    changed["weight_kg"] = 8.125
    pages = edited.write(tmp_path, traces, "n000002").pages
    text = body(pages / "overview/changes.html")
    assert changed["session"] in text and "8.125" in text and "weight_kg" in text


def test_the_dictionary_holds_every_column_of_every_table_and_view(demo: WrittenNight) -> None:
    text = (demo.pages / "dictionary/index.html").read_text(encoding="utf-8")
    for table in (*contract.TABLES.values(), *views()):
        part = text.split(f'<section class="band" id="{table.name}"')[1].split("</section>")[0]
        shown = re.findall(r'<tr><th scope="row"><code>(\w+)</code>', part)
        assert shown == [column.name for column in table.columns]


def test_the_database_holds_nothing_that_the_dictionary_does_not(demo: WrittenNight) -> None:
    text = (demo.pages / "dictionary/index.html").read_text(encoding="utf-8")
    con = open_night(demo.night)
    names = {r[0] for r in con.execute("SELECT table_name FROM duckdb_tables()").fetchall()}
    names |= {
        r[0] for r in con.execute(
            "SELECT view_name FROM duckdb_views() WHERE NOT internal").fetchall()
    }  # fmt: skip
    con.close()
    assert all(f'id="{name}"' in text for name in names)


def test_every_quantity_outcome_rule_and_source_is_explained(demo: WrittenNight) -> None:
    quantities = (demo.pages / "dictionary/quantities.html").read_text(encoding="utf-8")
    for _, _, name in contract.QUANTITIES:
        assert f"<code>{name}</code>" in quantities
    for name in contract.OUTCOMES:
        assert f"<code>{name}</code>" in quantities
    for folder in ("dictionary", "willow"):
        rules = (demo.pages / folder / "rules.html").read_text(encoding="utf-8")
        for key, rule in contract.RULES.items():
            assert f"<code>{key}</code>" in rules
            assert rule.remedy in unescape(rules)
    sources = body(demo.pages / "dictionary/sources.html")
    assert all(source.citation in sources for source in contract.SOURCES.values())


def change_limit(night: EditedNight, rule: str, on: date, high: float) -> None:
    """Let a rule have another limit from a day on, as a limit change of the study does."""
    old = night.row("rules", rule=rule)
    old["valid_until"] = on - timedelta(days=1)
    night.tables["rules"].append(
        old | {"valid_from": on, "valid_until": None, "limit_high": high,
               "obtained": "study proposal", "changed_by": "sc-2"})  # fmt: skip


def test_a_dated_decision_stands_beside_the_rule_it_changed(
    edited: EditedNight, tmp_path: Path
) -> None:
    kept = edited.keep(centres=["willow"], techniques=["tidal"])
    change_limit(kept, "tidal.no_leak", date(2026, 2, 1), 8.0)
    text = body(edited.write(tmp_path).pages / "willow/rules.html").replace("\xa0", " ")
    assert "at most 8 %" in text and "from 1 Feb 2026" in text and "changed by" in text
    assert "until 31 Jan 2026" in text


@pytest.mark.parametrize("high", [0.01, None])
def test_a_limit_has_the_origin_of_the_day_of_the_test(
    high: float | None, edited: EditedNight, tmp_path: Path
) -> None:
    """A change of a limit, or of nothing but who stands for it, leaves earlier origins alone."""
    edited.keep(centres=["willow", "larch"], techniques=["single_occlusion"])
    rule = "single_occlusion.plateau_steady"
    before = edited.row("verdicts", rule=rule, state="fail", centre="larch")
    after = edited.row("verdicts", rule=rule, state="fail", centre="willow")
    days = [edited.row("sessions", session=v["session"])["tested_at"].date()
            for v in (before, after)]  # fmt: skip
    assert days[0] < days[1]
    change_limit(edited, rule, days[1], high or after["limit_high"])
    after["limit_high"] = high or after["limit_high"]
    said = []
    with closing(PublishedNight(edited.publish(tmp_path))) as night:
        for verdict in (before, after):
            faults = faults_of(read_centre(night, verdict["centre"]), "trial", verdict["item"])
            said.append(next(f.source for f in faults if f.rule == rule))
    assert "changed by" not in said[0] and "changed by sc-2" in said[1]
    assert "proposed" not in "".join(said), "how a limit was obtained stands on the rule book"
    assert f"in force from {days[1]:%-d %b %Y}" in said[1]


@pytest.mark.parametrize("query", example_queries(), ids=lambda q: q.title[:40])
def test_example_queries_run(query: Any, demo: WrittenNight) -> None:
    night = PublishedNight(demo.night)
    rows = night.rows(query.sql)
    night.close()
    assert query.title
    assert rows or "Longitudinal" in query.title
