"""The overview adds up; the dictionary holds every column, rule and source; its queries run."""

from __future__ import annotations

import re
from html import unescape
from typing import Any

import pytest

from quietsleep import contract
from quietsleep.site.pages.dictionary import example_queries
from quietsleep.site.read import PublishedNight
from quietsleep.site.traces import draw_with
from quietsleep.site.write import write_pages
from quietsleep.warehouse.database import open_night
from quietsleep.warehouse.views import views


def body(page: Any) -> str:
    return unescape(re.sub(r"<[^>]+>", " ", page.read_text(encoding="utf-8")))


def test_the_conservation_table_is_that_of_the_warehouse(small: Any) -> None:
    text = (small.pages / "overview/index.html").read_text(encoding="utf-8")
    table = text.split('id="conservation"')[1].split("</table>")[0]
    shown = sum(int(n) for n in re.findall(r'<td class="n">(\d+)</td>', table))
    names = ("delivered", "measured", "no_trial", "quarantined", "crashed", "found", "accepted",
             "rejected", "not_judgeable", "flagged")  # fmt: skip
    assert shown == sum(row[name] for row in small.rows("conservation") for name in names)


def test_the_overview_names_late_and_silent_centres(small: Any) -> None:
    text = body(small.pages / "overview/index.html")
    assert re.search(r"Late\s*: Laboratory rowan\.", text)
    assert re.search(r"No delivery so far\s*: Laboratory hazel\.", text)


def test_a_crash_and_a_broken_balance_come_first(frames: Any, plan_of: Any, tmp_path: Any) -> None:
    plans = [plan_of("larch", 3)]
    made = frames.invent(plans)
    made.tables["recordings"][0] |= {"state": "crashed", "why": "Division by zero."}
    made.tables["conservation"][0]["balances"] = False
    made.tables["nights"][0]["state"] = "red"
    night = frames.publish_invented(tmp_path, made)
    write_pages(frames.study_at(tmp_path, plans), night)
    text = (tmp_path / "pages/overview/index.html").read_text(encoding="utf-8")
    assert '<h1 id="h-lead">Code failed on 1 item</h1>' in text
    assert "do not release this night" in text
    assert "Division by zero." in text
    site = (tmp_path / "pages/larch/index.html").read_text(encoding="utf-8")
    assert "Nothing for you to do" in site
    assert "does not add up" in site


def test_changes_since_the_night_before_are_listed(writer: Any, plan_of: Any, frames: Any,
                                                   tmp_path: Any) -> None:  # fmt: skip
    first = writer(tmp_path, [plan_of("larch", 3)])
    changed = first.made.tables["sessions"][0]
    changed["weight_kg"] = 8.125
    first.made.tables["nights"][0]["night"] = "2026-03-31"
    night = frames.publish_invented(tmp_path, first.made, night="2026-03-31")
    write_pages(first.study, night, draw_with(first.loader))
    text = body(tmp_path / "pages/overview/changes.html")
    assert changed["session"] in text and "8.125" in text and "weight_kg" in text


def test_the_dictionary_holds_every_column_of_every_table_and_view(small: Any) -> None:
    text = (small.pages / "dictionary/index.html").read_text(encoding="utf-8")
    for table in (*contract.TABLES.values(), *views()):
        part = text.split(f'<section class="band" id="{table.name}"')[1].split("</section>")[0]
        shown = re.findall(r'<tr><th scope="row"><code>(\w+)</code>', part)
        assert shown == [column.name for column in table.columns]


def test_the_database_holds_nothing_that_the_dictionary_does_not(small: Any) -> None:
    text = (small.pages / "dictionary/index.html").read_text(encoding="utf-8")
    con = open_night(small.night)
    names = {r[0] for r in con.execute("SELECT table_name FROM duckdb_tables()").fetchall()}
    names |= {
        r[0] for r in con.execute(
            "SELECT view_name FROM duckdb_views() WHERE NOT internal").fetchall()
    }  # fmt: skip
    con.close()
    assert all(f'id="{name}"' in text for name in names)


def test_every_quantity_outcome_rule_and_source_is_explained(small: Any) -> None:
    quantities = (small.pages / "dictionary/quantities.html").read_text(encoding="utf-8")
    for _, _, name in contract.QUANTITIES:
        assert f"<code>{name}</code>" in quantities
    for name in contract.OUTCOMES:
        assert f"<code>{name}</code>" in quantities
    for folder in ("dictionary", "larch"):
        rules = (small.pages / folder / "rules.html").read_text(encoding="utf-8")
        for key, rule in contract.RULES.items():
            assert f"<code>{key}</code>" in rules
            assert rule.remedy in unescape(rules)
    sources = body(small.pages / "dictionary/sources.html")
    assert all(source.citation in sources for source in contract.SOURCES.values())


def test_a_dated_decision_stands_beside_the_rule_it_changed(frames: Any, plan_of: Any,
                                                           tmp_path: Any) -> None:  # fmt: skip
    from datetime import date

    plans = [plan_of("larch", 1)]
    made = frames.invent(plans)
    rule = next(r for r in made.tables["rules"] if r["rule"] == "tidal.no_leak")
    rule["valid_until"] = date(2026, 1, 31)
    made.tables["rules"].append(
        rule | {"valid_from": date(2026, 2, 1), "valid_until": None, "limit_high": 8.0,
                "decided_by": "sc-2"})  # fmt: skip
    write_pages(frames.study_at(tmp_path, plans), frames.publish_invented(tmp_path, made))
    text = body(tmp_path / "pages/larch/rules.html").replace("\xa0", " ")
    assert "at most 8 %" in text and "from 1 Feb 2026" in text and "decided by" in text
    assert "until 31 Jan 2026" in text


@pytest.mark.parametrize("query", example_queries(), ids=lambda q: q.title[:40])
def test_example_queries_run(query: Any, small: Any) -> None:
    night = PublishedNight(small.night)
    rows = night.rows(query.sql)
    night.close()
    assert query.title
    assert rows or "Longitudinal" in query.title
