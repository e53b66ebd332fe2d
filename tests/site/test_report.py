"""The report of a release: its numbers are those of the release, and its pictures show them."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import duckdb
import pytest
from markupsafe import escape
from typer.testing import CliRunner

from quietsleep.cli.main import app
from quietsleep.errors import QuietsleepError, WarehouseError
from quietsleep.site.report import figures
from quietsleep.site.report.figures import (
    IntervalMark,
    OutcomeMark,
    interval_picture,
    outcome_picture,
)
from quietsleep.site.report.flow import flow_chart
from quietsleep.site.report.write import write_report
from quietsleep.warehouse.account import account_of
from quietsleep.warehouse.database import open_night
from tests.site.nights import report_of

SVG = re.compile(r"<svg class=\"(?:plot|flow)\".*?</svg>", re.S)


@pytest.fixture(scope="module")
def release(demo_release: Path) -> Path:
    return demo_release


@pytest.fixture(scope="module")
def page(release: Path, tmp_path_factory: pytest.TempPathFactory) -> str:
    return report_of(tmp_path_factory, release).read_text("utf-8")


@pytest.fixture(scope="module")
def ask(release: Path) -> Iterator[duckdb.DuckDBPyConnection]:
    with open_night(release) as connection:
        yield connection


class Seen(HTMLParser):
    """Text of tables by their caption, every tag, and every id."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tables: dict[str, list[list[str]]] = {}
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self._rows: list[list[str]] = []
        self._caption, self._into = "", ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag == "table":
            self._rows, self._caption = [], ""
        elif tag == "tr":
            self._rows.append([])
        elif tag in ("th", "td"):
            self._rows[-1].append("")
        if tag in ("caption", "th", "td"):
            self._into = tag

    def handle_data(self, data: str) -> None:
        if self._into == "caption":
            self._caption += data
        elif self._into:
            self._rows[-1][-1] += data

    def handle_endtag(self, tag: str) -> None:
        if tag == self._into:
            self._into = ""
        if tag == "table":
            self.tables[self._caption] = self._rows

    def table(self, begins: str) -> list[list[str]]:
        (found,) = (rows for caption, rows in self.tables.items() if caption.startswith(begins))
        return found[1:]


@pytest.fixture(scope="module")
def seen(page: str) -> Seen:
    return Seen(page)


def texts(svg: str) -> list[str]:
    return ["".join(t.itertext()) for t in ElementTree.fromstring(svg).iter() if t.tag == "text"]


def of_class(svg: str, name: str) -> list[ElementTree.Element]:
    return [e for e in ElementTree.fromstring(svg).iter() if e.get("class") == name]


def picture_of(page: str, title: str) -> str:
    """Return the picture above a caption."""
    before, found, _ = page.partition(f"</svg><figcaption><strong>{escape(title)}</strong>")
    assert found, title
    return before[before.rindex("<svg ") :] + "</svg>"


def test_it_says_which_release_it_is(page: str, release: Path) -> None:
    said = json.loads((release / "RELEASE.json").read_text())
    for name in ("release", "night", "digest", "cite_as", "rules_version", "code_fingerprint"):
        assert said[name] in page, name
    assert said["code"]["version"] in page and said["code"]["libraries"]["scipy"] in page
    assert "not diagnosis" in page and "not a clinical report" in page


def test_nothing_in_it_runs_or_is_fetched_or_forbidden(seen: Seen, page: str) -> None:
    tags = {tag for tag, _ in seen.tags}
    assert not tags & {"script", "link", "img", "iframe", "object", "form", "base"}
    assert "style-src 'sha256-" in page and "unsafe" not in page
    for tag, attributes in seen.tags:
        assert "style" not in attributes, (tag, attributes)
        assert not [name for name in attributes if name.startswith("on")]
        link = attributes.get("href") or "#"
        assert link.startswith("#"), link


def test_no_two_parts_share_a_name_and_every_link_leads_somewhere(seen: Seen, page: str) -> None:
    ids = [attributes["id"] for _, attributes in seen.tags if attributes.get("id")]
    assert len(ids) == len(set(ids))
    asked = {(attributes.get("href") or "")[1:] for _, attributes in seen.tags} - {""}
    assert asked | set(re.findall(r"url\(#([^)]+)\)", page)) <= set(ids)


def test_the_same_release_gives_the_same_bytes(release: Path, page: str, tmp_path: Path) -> None:
    assert write_report(release, tmp_path / "again").read_text("utf-8") == page


def test_the_boxes_say_what_the_table_says_and_add_up(page: str, seen: Seen) -> None:
    flows = [svg for svg in SVG.findall(page) if 'class="flow"' in svg[:20]]
    assert len(flows) == 2
    for svg, kind in zip(flows, ("Sessions", "Tests"), strict=True):
        rows = [(name, n) for name, n in seen.table(f"{kind}: steps")]
        boxes = [int(t.split()[0]) for t in texts(svg) if re.fullmatch(r"\d+ (session|test)s?", t)]
        lost = [t.split(" ", 1) for t in texts(svg) if re.match(r"\d+ [^st]|\d+ too|\d+ the", t)]
        left, steps = int(rows[0][1]), []
        for name, n in rows:
            if [n, name] in lost:
                left -= int(n)
                continue
            assert int(n) == left, name
            steps.append(int(n))
        assert steps == boxes and len(boxes) == 6
        assert len(lost) == len(rows) - 6


def test_tests_are_counted_as_the_release_counts_them(
    seen: Seen, ask: duckdb.DuckDBPyConnection
) -> None:
    rows = {row[0]: [int(cell) for cell in row[1:]] for row in seen.table("Tests by technique")}
    told = ask.execute(
        "SELECT technique, count(*), count(*) FILTER (status = 'accepted') FROM tests "
        "GROUP BY 1 ORDER BY 1"
    ).fetchall()
    assert len(rows) == len(told) + 1
    assert [rows["All"][1], rows["All"][4]] == [sum(n) for n in list(zip(*told, strict=True))[1:]]
    assert sorted(row[1:5:3] for name, row in rows.items() if name != "All") == sorted(
        [n, accepted] for _, n, accepted in told
    )


def test_each_centre_stands_on_its_picture_with_its_share(
    page: str, seen: Seen, ask: duckdb.DuckDBPyConnection
) -> None:
    rows = [row for row in seen.table("Accepted tests;") if row[0] == "Tidal breathing"]
    told = ask.execute(
        "SELECT centre, count(*), count(*) FILTER (status = 'accepted') FROM tests "
        "WHERE technique = 'tidal' GROUP BY 1 ORDER BY 1"
    ).fetchall()
    assert [(r[1], int(r[2]), int(r[3])) for r in rows[:-1]] == told
    svg = picture_of(page, "Tidal breathing")
    assert [t for t in texts(svg) if "(" in t and "%" not in t] == [
        f"{c} ({n})" for c, n, _ in told
    ]
    for name in ("interval", "estimate"):
        assert len(of_class(svg, name)) == len(told)
    assert len(of_class(svg, "reference")) == 1


def test_each_value_is_one_mark_and_flagged_ones_are_hollow(
    page: str, ask: duckdb.DuckDBPyConnection
) -> None:
    told = dict(ask.execute(
        "SELECT flagged, count(*) FROM clean_outcomes WHERE outcome = 'vt_ml' "
        "AND age_days IS NOT NULL GROUP BY 1"
    ).fetchall())  # fmt: skip
    svg = picture_of(page, "VT, mL")
    marks = {
        flagged: [use for group in of_class(svg, name) for use in group.iter() if use.tag == "use"]
        for flagged, name in ((True, "flagged"), (False, "unflagged"))
    }
    assert {flagged: len(own) for flagged, own in marks.items()} == told
    assert {use.get("fill") for use in marks[True]} == {"var(--sheet)"}
    assert "var(--sheet)" not in {use.get("fill") for use in marks[False]}
    assert len(of_class(svg, "reference")) == 3
    assert {"Age, days", "mL"} <= set(texts(svg))
    assert "z-score" in texts(picture_of(page, "V'maxFRC, mL/s"))


def test_numbers_beside_the_pictures_are_those_of_the_tables(
    seen: Seen, ask: duckdb.DuckDBPyConnection
) -> None:
    n = ask.execute("SELECT count(*) FROM agreement_limits WHERE bias IS NOT NULL").fetchall()
    assert len(seen.table("Agreement in numbers")) == n[0][0] > 10
    n = ask.execute("SELECT count(*) FROM comparability WHERE mean IS NOT NULL").fetchall()
    assert len(seen.table("Comparability in numbers")) == n[0][0] > 30
    rows = {row[0].split()[-1]: row for row in seen.table("Outcomes in numbers")}
    for name, count, middle in ask.execute(
        "SELECT outcome, count(*), median(value) FROM clean_outcomes GROUP BY 1"
    ).fetchall():
        assert int(rows[name][1]) == count
        assert float(rows[name][3].split()[0]) == pytest.approx(middle, rel=5e-3)


def test_every_limit_in_force_is_listed_with_its_origin(
    seen: Seen, ask: duckdb.DuckDBPyConnection
) -> None:
    (listed,) = (rows for caption, rows in seen.tables.items() if "limits in force" in caption)
    rows = {row[0]: row for row in listed[1:]}
    told = ask.execute(
        "SELECT rule, arg_max(obtained, valid_from), arg_max(changed_by, valid_from) FROM rules "
        "GROUP BY 1"
    ).fetchall()
    assert len(rows) == len(told)
    for rule, obtained, changed_by in told:
        assert rows[rule][4].startswith(obtained)
        assert not changed_by or f"changed by {changed_by}" in rows[rule][4]


def test_the_methods_name_versions_and_counts(page: str, ask: duckdb.DuckDBPyConnection) -> None:
    text = re.sub(r"<[^>]+>", " ", page.partition('class="paste"')[2].partition("</div>")[0])
    n_rules = ask.execute("SELECT count(DISTINCT rule) FROM rules").fetchall()[0][0]
    printed = ask.execute(
        "SELECT count(DISTINCT rule) FROM rules WHERE obtained = 'printed'"
    ).fetchall()[0][0]
    n_tests, accepted = ask.execute(
        "SELECT count(*), count(*) FILTER (status = 'accepted') FROM tests"
    ).fetchall()[0]
    assert f"judged by {n_rules} written rules" in text
    assert f"{printed} limits are printed in the source cited" in text
    assert f"Of {n_tests} tests delivered" in text and f"{accepted} were accepted" in text
    assert "scipy 1." in text and "BTPS" in text and "1 signed waiver" in text


def test_a_changed_release_gets_no_report(release: Path, tmp_path: Path) -> None:
    copy = tmp_path / "r1"
    shutil.copytree(release, copy)
    (copy / "views.sql").chmod(0o644)
    (copy / "views.sql").write_text("-- other views")
    with pytest.raises(WarehouseError, match=r"not as it was released.*views\.sql"):
        write_report(copy, tmp_path / "out")
    with pytest.raises(WarehouseError, match="never changed"):
        write_report(release, release / "report")
    with pytest.raises(WarehouseError, match="no folder of a release"):
        write_report(tmp_path, tmp_path / "out")
    assert not (tmp_path / "out").exists() and not (release / "report").exists()


def test_without_the_library_it_says_what_to_install(
    release: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(figures, "find_spec", lambda _: None)
    with pytest.raises(QuietsleepError, match=r"pip install 'quietsleep\[report\]'"):
        write_report(release, tmp_path / "out")
    said = CliRunner().invoke(app, ["report", str(release), "--out", str(tmp_path / "out")])
    assert said.exit_code == 2 and "pip install" in said.output


def test_the_command_writes_beside_the_release(release: Path, tmp_path: Path) -> None:
    copy = shutil.copytree(release, tmp_path / "r1")
    said = CliRunner().invoke(app, ["report", str(copy)])
    target = tmp_path / "r1-report" / "report.html"
    assert said.exit_code == 0 and target.is_file()
    assert f"Written to {target}" in said.output.replace("\n", "")


def drawn(n: int, **changed: Any) -> str:
    marks = [OutcomeMark(10.0 + i, 50.0 + i % 7, i % 3 == 0, i % 2) for i in range(n)]
    given: dict[str, Any] = {"name": "vt", "title": "VT", "label": "mL", "lines": ()}
    return str(outcome_picture(marks, **(given | changed)))


def test_very_many_values_are_counted_in_cells() -> None:
    svg = drawn(50_000)
    assert len(svg) < 200_000
    assert not of_class(svg, "unflagged") and 50 < len(of_class(svg, "cell")) <= 22 * 22
    assert len(of_class(drawn(figures.MOST_POINTS), "cell")) == 0


def test_names_of_a_study_cannot_leave_a_picture() -> None:
    name = '</text><script>alert(1)</script>"\u202e$x$'
    svg = str(
        interval_picture([IntervalMark(name, 1.0, 0.5, 2.0)], name="a", title=name, label=name)
    )
    assert "<script" not in svg and "\u202e" not in svg
    assert any("$x$" in text for text in texts(svg))


def test_a_number_without_an_interval_is_drawn_without_one() -> None:
    svg = str(interval_picture(
        [IntervalMark("larch", 1.0, None, None), IntervalMark("maple", 2.0, 1.0, 3.0)],
        name="a", title="a", label="mL",
    ))  # fmt: skip
    assert (len(of_class(svg, "estimate")), len(of_class(svg, "interval"))) == (2, 1)


def test_colours_are_those_of_the_page() -> None:
    assert not re.search(r"#0[0-9a-f]{5}|style=|DejaVu", drawn(9, lines=((52.0, "middle"),)))


def test_all_of_a_flow_lies_in_its_picture(release: Path) -> None:
    with open_night(release) as connection:
        flow = account_of(connection).tests
    svg = str(flow_chart(flow, one="test", title="Tests"))
    height = float((ElementTree.fromstring(svg).get("viewBox") or "").split()[3])
    lowest = max(float(t.get("y") or 0) for t in ElementTree.fromstring(svg).iter("text"))
    assert lowest < height
