"""The pages of a centre say what the warehouse says, link what they name, and hold nothing else."""

from __future__ import annotations

import csv
import io
import json
import re
from contextlib import closing
from html import unescape
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import duckdb
import pytest

from quietsleep import contract
from quietsleep.site.actions import rescuable
from quietsleep.site.folder import session_file as file_of_session
from quietsleep.site.folder import test_file as file_of_test
from quietsleep.site.packing import pieces_of
from quietsleep.site.pages.lost import lost_reasons
from quietsleep.site.read import PublishedNight, read_centre
from quietsleep.site.words import CAUTION
from tests.site.nights import EditedNight, WrittenNight

# They name rules, and define quantities in sentences.
BOOKS = ("rules.html", "dictionary.html")
UNSEEN = re.compile("[\u200b-\u200f\u202a-\u202e\u2066-\u2069\u2028\u2029]")


class Reader(HTMLParser):
    """Gathers tags, links, ids and text of a page."""

    def __init__(self, path: Path) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.ids: list[str] = []
        self.links: list[str] = []
        self.text: list[str] = []
        self.feed(path.read_text(encoding="utf-8"))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        self.tags.append((tag, given))
        if given.get("id"):
            self.ids.append(str(given["id"]))
        for name in ("href", "src", "data-src"):
            if given.get(name):
                self.links.append(str(given[name]))

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def pages_in(folder: Path) -> list[Path]:
    return sorted(folder.rglob("*.html"))


def table_of(page: Path, caption: str) -> list[list[str]]:
    """Return the body cells of the table whose caption begins so."""
    text = page.read_text(encoding="utf-8")
    found = re.search(rf"<caption>{re.escape(caption)}.*?<tbody>(.*?)</tbody>", text, re.S)
    assert found, caption
    rows = []
    for row in re.split(r"<tr[^>]*>", found.group(1))[1:]:
        cells = re.split(r"<t[dh][^>]*>", row)[1:]
        rows.append([unescape(re.sub(r"<[^>]+>", "", c)).strip() for c in cells])
    return rows


def test_counts_are_those_of_the_warehouse(demo: WrittenNight) -> None:
    con = duckdb.connect(demo.night / "study.duckdb", read_only=True)
    expected = con.execute(
        "SELECT technique, sum(n_tests), sum(n_tests_accepted), sum(n_tests_flagged), "
        "sum(n_tests_rejected), sum(n_tests_not_judgeable), sum(n_tests_quarantined) "
        "FROM acceptance WHERE centre = 'willow' GROUP BY ALL ORDER BY technique"
    ).fetchall()
    con.close()
    shown = table_of(demo.pages / "willow/index.html", "Tests by technique")
    titles = {contract.TECHNIQUES[row[0]].title: [int(n) for n in row[1:]] for row in expected}
    assert {row[0]: [int(n) for n in row[1:7]] for row in shown[:-1]} == titles
    total = [sum(column) for column in zip(*titles.values(), strict=True)]
    assert [int(n) for n in shown[-1][1:7]] == total


def test_months_add_up_to_the_warehouse(demo: WrittenNight) -> None:
    con = duckdb.connect(demo.night / "study.duckdb", read_only=True)
    expected = dict(con.execute(
        "SELECT month, sum(n_tests) FROM acceptance WHERE centre = 'willow' GROUP BY ALL"
    ).fetchall())  # fmt: skip
    con.close()
    listed = {
        page.stem: len(table_of(page, "Every test of"))
        for page in (demo.pages / "willow/months").iterdir()
    }
    assert listed == expected
    sessions = [
        row[0]
        for page in (demo.pages / "willow/months").iterdir()
        for row in table_of(page, "Every session of")
    ]
    assert sorted(sessions) == sorted(s["session"] for s in demo.rows("sessions", centre="willow"))


def test_every_lost_test_opens_with_one_click(demo: WrittenNight) -> None:
    links = set(Reader(demo.pages / "willow/index.html").links)
    assert "dictionary.html" in links
    lost = [t for t in demo.rows("tests", centre="willow") if t["status"] != "accepted"]
    assert lost
    for test in lost:
        assert file_of_test(test["test"]) in links
        assert (demo.pages / "willow" / file_of_test(test["test"])).is_file()


def rows_in(folder: Path, name: str) -> list[list[Any]]:
    """Return the rows of a list as the script of its pages reads them."""
    text = (folder / f"lists/{name}.js").read_text(encoding="utf-8")
    found: list[list[Any]] = json.loads(text.partition(" = ")[2].removesuffix(";\n"))["rows"]
    return found


@pytest.mark.parametrize("page", ["index", "tests", "sessions"])
def test_filters_count_what_they_keep(page: str, demo: WrittenNight) -> None:
    folder = demo.pages / "willow"
    text = (folder / f"{page}.html").read_text(encoding="utf-8")
    rows = rows_in(folder, "sessions" if page == "sessions" else "tests")
    tokens_of = [set(row[0].split()) for row in rows]
    if page == "index":
        tokens_of = [tokens for tokens in tokens_of if "lost" in tokens]
    options = re.findall(r'<option value="(\w+)" data-link="[^"]*">[^<]*\((\d+)\)</option>', text)
    assert {token[0] for token, _ in options} == set("lsom" if page == "sessions" else "lstrom")
    for token, n in options:
        assert sum(token in tokens for tokens in tokens_of) == int(n)


def test_lists_hold_every_test_and_session(demo: WrittenNight) -> None:
    for centre in ("willow", "larch", "juniper"):
        folder = demo.pages / centre
        listed = [row[3][1] for row in rows_in(folder, "tests")]
        tests = [file_of_test(t["test"]) for t in demo.rows("tests", centre=centre)]
        assert sorted(listed) == sorted(tests)
        pages = [row[2][1] for row in rows_in(folder, "sessions")]
        assert sorted(pages) == sorted(
            file_of_session(s["session"]) for s in demo.rows("sessions", centre=centre)
        )
        assert all((folder / page).is_file() for page in (*listed, *pages))
        for name, n in (("tests", len(tests)), ("sessions", len(pages))):
            text = (folder / f"lists/{name}.csv").read_text(encoding="utf-8")
            assert len([*csv.reader(io.StringIO(text))]) == n + 1


def test_lost_tests_are_those_of_the_warehouse(demo: WrittenNight) -> None:
    """The first page ranks them, and the list that each reason leads to holds as many rows."""
    with closing(PublishedNight(demo.night)) as night:
        for centre in ("willow", "larch", "juniper", "sedge"):
            reasons = lost_reasons(read_centre(night, centre))
            assert [r.alone for r in reasons] == sorted((r.alone for r in reasons), reverse=True)
            said = night.tuples(
                "SELECT sum(n_tests_alone) FROM lost_tests WHERE centre = ?", centre
            )
            assert sum(r.alone for r in reasons) == said[0][0]
            rules = night.tuples(
                "SELECT rule, sum(n_tests) FROM lost_tests WHERE centre = ? AND rule <> "
                "'quarantined' GROUP BY rule HAVING count(DISTINCT is_missing) = 1",
                centre,
            )
            text = (demo.pages / centre / "index.html").read_text(encoding="utf-8")
            for rule, n in rules:
                found = re.search(rf'data-link="{re.escape(rule)}">[^<]*\((\d+)\)<', text)
                assert found and int(found[1]) == n, (centre, rule)


def test_a_reason_names_the_fault_with_its_number_and_limit(demo: WrittenNight) -> None:
    """And never the name of the rule, which reads as its opposite."""
    said = [row[7] for row in rows_in(demo.pages / "willow", "tests") if row[7]]
    assert any(re.search(r"^leak 15.\d to 15.\d\xa0%, limit 5\xa0% \(2 trials\)$", s) for s in said)
    opposite = {r["rule"].partition(".")[2].replace("_", " ") for r in demo.rows("rules")}
    faults = {r["fault"] for r in demo.rows("rules")} | {
        r["fault_missing"] for r in demo.rows("rules")}  # fmt: skip
    for name in opposite - faults:
        if name.startswith("no ") or name in ("well for three weeks", "enough trials"):
            pages = [*(demo.pages / "willow").rglob("*.html")]
            assert not any(name in p.read_text("utf-8") for p in pages if p.name not in BOOKS), name


def test_a_test_that_was_not_read_says_so_and_what_to_do(demo: WrittenNight) -> None:
    rows = rows_in(demo.pages / "larch", "tests")
    held = [row[7] for row in rows if row[2][0] == "larch-s009"]
    assert held and all(text.startswith("not read: Row 2 of sessions.csv") for text in held)
    with closing(PublishedNight(demo.night)) as night:
        found = rescuable(read_centre(night, "larch"))
    (item,) = [item for item in found.items if "Not read" in item.note]
    assert "query" in item.note
    assert item.todo == ("Correct the cell and deliver the session again, in a new delivery.",)


def test_a_session_page_holds_the_morning(demo: WrittenNight) -> None:
    page = demo.pages / "willow" / file_of_session("willow-s012")
    text = re.sub(r"\s+", " ", "".join(Reader(page).text))
    for test in demo.rows("tests", session="willow-s012"):
        assert f"../{file_of_test(test['test'])}" in Reader(page).links
    for query in demo.rows("queries", session="willow-s012", state="open"):
        assert f"Query {query['query']}" in text and query["remedy"] in text
        assert f"<!--answer {query['query']}-->" in page.read_text(encoding="utf-8")
    for link in demo.rows("session_checks", session="willow-s012"):
        assert link["check_id"].rpartition("/")[2] in text
    assert "willow-i004" in text and "willow-03" in text
    whole = demo.pages / "willow" / file_of_session("willow-s008")
    text = "".join(Reader(whole).text).replace("\xa0", " ")
    for outcome in demo.rows("outcomes", session="willow-s008"):
        if outcome["value"] is not None and outcome["z"] is not None:
            assert f"{outcome['z']:+.2f}" in text


def test_a_check_that_is_held_is_not_called_missing(edited: EditedNight, tmp_path: Path) -> None:
    edited.keep(centres=["willow"], techniques=["tidal"])
    link = edited.row("session_checks", session="willow-s010", kind="syringe")
    check = edited.row("checks", check_id=link["check_id"])
    check |= {"state": "quarantined", "status": "quarantined", "why": "The file was cut short."}
    edited.drop("session_checks", session="willow-s010", kind="syringe")
    pages = edited.write(tmp_path).pages
    tests = edited.rows("tests", session="willow-s010")
    files = [file_of_session("willow-s010"), *(file_of_test(test["test"]) for test in tests)]
    assert len(files) > 1
    for name in files:
        text = "".join(Reader(pages / "willow" / name).text)
        assert f"delivered as {check['check_code']}, not read: The file was cut short." in text


def test_letters_say_the_month_and_name_no_other_centre(demo: WrittenNight) -> None:
    con = duckdb.connect(demo.night / "study.duckdb", read_only=True)
    rows = con.execute(
        "SELECT month, technique, n_tests, n_tests_accepted, place, n_centres FROM places "
        "WHERE centre = 'willow'"
    ).fetchall()
    con.close()
    assert {month for month, *_ in rows} == {
        p.stem for p in (demo.pages / "willow/letters").glob("*.html")
    }
    for month, technique, n, accepted, place, n_centres in rows:
        page = demo.pages / f"willow/letters/{month}.html"
        text = page.with_suffix(".txt").read_text(encoding="utf-8")
        assert max(len(line) for line in text.splitlines()) <= 80
        assert CAUTION in re.sub(r"\s+", " ", text)
        if technique != "all":
            (cells,) = [r for r in table_of(page, "Tests of")
                        if r[0] == contract.TECHNIQUES[technique].title]  # fmt: skip
            assert [int(cells[1]), int(cells[2])] == [n, accepted]
            assert cells[4] == (f"{place} of {n_centres}" if n_centres > 1 else "–")
        for said in table_of(page, "Tests of"):
            assert said[0] in text


def test_a_rejected_test_says_every_failed_rule(demo: WrittenNight) -> None:
    rules = {r["rule"]: r for r in demo.rows("rules")}
    rejected = demo.rows("tests", status="rejected")
    n_said = 0
    for test in rejected:
        page = demo.pages / test["centre"] / file_of_test(test["test"])
        text = re.sub(r"\s+", " ", "".join(Reader(page).text))
        items = {
            t["trial"]
            for t in demo.rows("trials", session=test["session"], technique=test["technique"])
        }
        items |= {test["test"], test["session"]}
        for verdict in demo.rows("verdicts", session=test["session"], state="fail"):
            if verdict["item"] not in items:
                continue
            rule = rules[verdict["rule"]]
            n_said += 1
            instead = rule["remedy_missing"] if verdict["observed"] is None else None
            remedy = instead or rule["remedy"]
            for said in (verdict["sentence"], remedy):
                assert re.sub(r"\s+", " ", said) in text, (page, said)
            # How its limit was obtained stands in the rule book.
            assert f"../rules.html#{rule['owner']}" in Reader(page).links
    assert n_said > 20


def test_observed_limit_and_unit_stand_beside_the_sentence(demo: WrittenNight) -> None:
    verdict = next(
        v for v in demo.rows("verdicts", centre="willow", state="fail", item_kind="trial")
        if v["operator"] == "at_most" and v["unit"] == "%" and v["observed"] == v["observed"]
    )  # fmt: skip
    page = demo.pages / "willow" / file_of_test(f"{verdict['session']}/{verdict['technique']}")
    text = "".join(Reader(page).text).replace("\xa0", " ")
    assert f"at most {verdict['limit_high']:g} %" in text
    assert re.search(r"Observed\s*[\d.]+ %", text)


def test_links_of_every_page_lead_somewhere(demo: WrittenNight) -> None:
    readers = {page: Reader(page) for page in pages_in(demo.pages)}
    for page, reader in readers.items():
        assert len(reader.ids) == len(set(reader.ids)), f"{page} has an id twice"
        for link in reader.links:
            path, _, anchor = unquote(link).partition("#")
            target = (page.parent / path).resolve() if path else page.resolve()
            assert "://" not in link
            assert target.is_file(), f"{page.name} links to {link}"
            # A choice of filters is no place on a page.
            if anchor and "=" not in anchor and target.suffix == ".html":
                assert anchor in readers[target].ids, f"{page.name} links to {link}"


def told_in(file: Path) -> bytes:
    """Return what a file says: of packed samples, the words with them, not letters by chance."""
    if file.parent.name != "traces":
        return file.read_bytes().lower()
    common, trials = pieces_of(file.read_text(encoding="ascii"))
    return json.dumps([common, *(trial.head for trial in trials)]).lower().encode()


def test_a_centre_folder_stands_alone_and_names_no_other_centre(demo: WrittenNight) -> None:
    others = ("juniper", "larch", "rowan", "sedge")
    for file in (demo.pages / "willow").rglob("*"):
        if file.is_file():
            content = told_in(file)
            assert not any(name.encode() in content for name in others), file
            assert not any(name in file.name for name in others)
            assert b"../../" not in content
    for page in pages_in(demo.pages / "willow"):
        for link in Reader(page).links:
            target = (page.parent / link.partition("#")[0]).resolve()
            assert (demo.pages / "willow").resolve() in [target, *target.parents], link


def test_every_page_carries_caution_language_and_policy(demo: WrittenNight) -> None:
    for page in pages_in(demo.pages):
        text = page.read_text(encoding="utf-8")
        assert CAUTION in text
        assert '<html lang="en">' in text
        assert "default-src 'none'" in text
        assert "<main" in text and 'class="skip"' in text
        assert not re.search(r"https?://", text), page
        for tag, given in Reader(page).tags:
            assert not any(name.startswith("on") for name in given), (page, tag)


@pytest.mark.parametrize("kind", ["first", "empty centre"])
def test_a_centre_without_deliveries_is_told_how_to_begin(
    kind: str, demo: WrittenNight, edited: EditedNight, tmp_path: Path
) -> None:
    pages = demo.pages
    if kind == "first":
        pages = edited.keep(centres=["rowan"]).write(tmp_path).pages
    folder = pages / "rowan"
    text = "".join(Reader(folder / "index.html").text)
    assert "Nothing has arrived from" in text
    assert "delivery.json" in text
    for name in ("equipment", "agreement", "rules"):
        assert (folder / f"{name}.html").is_file()


def test_hostile_text_is_shown_and_never_obeyed(hostile: WrittenNight, hostile_text: str) -> None:
    n_shown = 0
    for page in pages_in(hostile.pages):
        raw = page.read_text(encoding="utf-8")
        assert not UNSEEN.search(raw), page
        reader = Reader(page)
        scripts = [given for tag, given in reader.tags if tag == "script"]
        assert all(
            re.search(r"(^|/)(assets|traces|strips|lists)/[a-z0-9._-]+$", str(given.get("src")))
            for given in scripts
        ), page
        text = "".join(reader.text)
        assert "<script>window.hacked=1</script>" not in raw
        n_shown += "<script>window.hacked=1</script>" in text
        assert "window.hacked=1" not in "".join(
            f"{k}{v}"
            for _, given in reader.tags
            for k, v in given.items()
            if k in ("href", "src", "id")
        )
    assert n_shown > 8
    problem = "".join(Reader(hostile.pages / "willow/index.html").text)
    assert "[U+202E]gnp.exe" in problem


def test_unknown_centre_is_refused(demo: WrittenNight) -> None:
    with closing(PublishedNight(demo.night)) as night, pytest.raises(KeyError, match="yew"):
        read_centre(night, "yew")
