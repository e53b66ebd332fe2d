"""Pages print what the warehouse found of agreement, and compute no statistic of their own."""

from __future__ import annotations

import ast
import re
from html import unescape
from pathlib import Path
from typing import Any

import pytest

import quietsleep.site
from quietsleep.site.words import number, with_unit
from tests.site.nights import WrittenNight

SITE = Path(quietsleep.site.__file__).parent
# What a statistic is made with; the pages count, and print.
STATISTICS = {"quietsleep.warehouse.statistics", "statistics", "statsmodels", "pandas"}
CALLS = {"mean", "median", "std", "var", "quantile", "percentile", "ppf", "cdf", "fmean", "stdev"}


def modules() -> list[Path]:
    return sorted(SITE.rglob("*.py"))


def test_no_page_imports_what_statistics_are_made_with() -> None:
    for path in modules():
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            if isinstance(node, ast.ImportFrom):
                names = [node.module or "", *(f"{node.module}.{a.name}" for a in node.names)]
            assert not STATISTICS & set(names), (path, names)


def test_no_page_computes_a_statistic() -> None:
    found = set()
    for path in modules():
        for function in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(function, ast.FunctionDef):
                called = {
                    node.func.attr
                    for node in ast.walk(function)
                    if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute)
                }
                if called & CALLS:
                    found.add(function.name)
        # Nor does a question that a page asks of the database.
        for sql in re.findall(r'"[^"]*SELECT[^"]*"', path.read_text(encoding="utf-8")):
            assert not re.search(r"\b(avg|stddev|median|var|corr)\w*\(", sql), (path, sql)
    assert found == set()


def said(page: Path, outcome: str) -> tuple[str, str]:
    """Return what the page of a centre says of an outcome: the sentence, and its picture."""
    text = page.read_text(encoding="utf-8")
    figure = re.search(rf'<figure id="{outcome}">.*?</figure>', text, re.S)
    assert figure, (page, outcome)
    caption, _, picture = figure[0].partition("</figcaption>")
    return unescape(re.sub(r"<[^>]+>", "", caption)), picture.partition("</svg>")[0]


def words_of(row: dict[str, Any]) -> tuple[str, str, str]:
    unit = row["unit"]
    return (
        with_unit(f"{row['bias']:+.3g}", unit),
        number(row["lower_limit"], 3),
        with_unit(number(row["upper_limit"], 3), unit),
    )


def test_every_agreement_of_a_centre_is_that_of_the_warehouse(demo: WrittenNight) -> None:
    rows = demo.rows("agreement_limits")
    assert len(rows) > 30 and any(row["n_suspected"] for row in rows)
    for row in rows:
        sentence, picture = said(demo.pages / row["centre"] / "agreement.html", row["outcome"])
        bias, lower, upper = words_of(row)
        assert f"{row['n_pairs']} pairs: the centre reads {bias} against central" in sentence
        assert f"95 % of pairs between {lower} and {upper}." in sentence
        left_out = re.search(r"(\d+) pairs? with a suspected slip", sentence)
        assert int(left_out[1] if left_out else 0) == row["n_suspected"]
        drawn = re.findall(r'class="tick (?:limit|bias)-word"[^>]*>([^<]*)<', picture)
        assert drawn == [number(row[n], 3) for n in ("upper_limit", "bias", "lower_limit")]


def test_the_overview_says_the_same_of_every_centre(demo: WrittenNight) -> None:
    text = (demo.pages / "overview/agreement.html").read_text(encoding="utf-8")
    table = text.split("by centre and outcome</caption>")[1].split("</table>")[0]
    shown = [
        [unescape(re.sub(r"<[^>]+>", "", cell)) for cell in re.split(r"<t[dh][^>]*>", line)[1:]]
        for line in re.split(r"<tr[^>]*>", table)[2:]
    ]
    wanted = [
        [row["centre"], row["outcome"], str(row["n_pairs"]), str(row["n_suspected"]),
         with_unit(number(row["bias"], 3), row["unit"]),
         f"{number(row['lower_limit'], 3)} to {number(row['upper_limit'], 3)}"]
        for row in demo.rows("agreement_limits")
    ]  # fmt: skip
    assert sorted(line[:6] for line in shown) == sorted(wanted)
    for outcome in {row["outcome"] for row in demo.rows("agreement_limits")}:
        sentence, picture = said(demo.pages / "overview/agreement.html", outcome)
        own = demo.rows("agreement_limits", outcome=outcome)
        if len(own) > 1:
            n = sum(row["n_pairs"] for row in own)
            assert f"{n} pairs of {len(own)} centres." in sentence
            assert "-word" not in picture


@pytest.mark.parametrize("kept", [2, 0])
def test_too_few_pairs_have_no_limits(kept: int, edited: Any, tmp_path: Path) -> None:
    edited.keep(centres=["willow"])
    row = edited.row("agreement_limits", outcome="fvc_ml")
    row |= dict.fromkeys(("bias", "lower_limit", "upper_limit", "icc")) | {"n_pairs": kept}
    sentence, picture = said(edited.write(tmp_path).pages / "willow/agreement.html", "fvc_ml")
    assert f"{kept} pairs; limits of agreement need three." in sentence
    assert "-word" not in picture
