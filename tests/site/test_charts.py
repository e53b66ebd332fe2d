"""The printed charts: honest scales, limits that hold, shapes that say what colours say."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietsleep.site import charts
from quietsleep.site.charts import Agreement, CheckPoint, FunnelPoint, Month, Pair

DAY = datetime(2026, 1, 1, 8, tzinfo=UTC)


def drawn(picture: str) -> ElementTree.Element:
    return ElementTree.fromstring(picture)


@given(low=st.floats(-1e4, 1e4), span=st.floats(1e-3, 1e5), about=st.integers(2, 8))
def test_ticks_are_round_and_inside(low: float, span: float, about: int) -> None:
    found = charts.ticks(low, low + span, about=about)
    assert len(found) <= about + 2
    assert all(low - 1e-6 * span <= t <= low + span + 1e-6 * span for t in found)


def test_a_centre_outside_the_funnel_is_a_triangle() -> None:
    picture = charts.funnel(
        [FunnelPoint("larch", 90, 100), FunnelPoint("rowan", 88, 100), FunnelPoint("yew", 40, 100)],
        title="Tidal",
    )
    shapes = {
        t.text: e.tag.rpartition("}")[2]
        for e in drawn(picture).iter()
        for t in e
        if t.tag.endswith("title")
    }
    assert [tag for said, tag in shapes.items() if said and said.startswith("yew")] == ["path"]
    assert [tag for said, tag in shapes.items() if said and said.startswith("larch")] == ["path"]


def test_twelve_of_twelve_around_four_in_five_is_no_alarm() -> None:
    """Chance gives it in 0.806 ** 12 = 7.5 %."""
    shown = charts.funnel(
        [FunnelPoint("larch", 12, 12), FunnelPoint("rowan", 9, 12), FunnelPoint("yew", 8, 12)],
        title="Tidal",
    )
    assert 'class="dot act"' not in shown


def test_the_band_of_a_chart_is_the_one_that_it_is_given() -> None:
    values = [0.0, 0.1] * 6 + [9.0]
    shown = points(values, [2.0] * 13)
    band = charts.control_chart(shown, title="t", unit="%", band=(0.05, -0.2, 0.3))
    assert 'class="usual"' in band
    height = re.search(r'class="usual".*?height="([^"]*)"', band)
    assert height and 0 < float(height.group(1)) < 20
    assert 'class="usual"' not in charts.control_chart(shown, title="t", unit="%")


def points(values: list[float], limits: list[float]) -> list[CheckPoint]:
    return [CheckPoint(f"c{i}", DAY + timedelta(days=i), v, None, limit, v <= limit)
            for i, (v, limit) in enumerate(zip(values, limits, strict=True))]  # fmt: skip


def test_a_dated_limit_is_drawn_as_a_step_and_failures_as_triangles() -> None:
    picture = charts.control_chart(
        points([1.0, 3.0, 1.5], [2.0, 2.0, 1.0]), title="Syringe", unit="%"
    )
    assert picture.count('class="dot act"') == 2
    limit = re.search(r'class="limit" d="([^"]*)"', picture)
    assert limit
    heights = {pair.split()[1] for pair in limit.group(1)[1:].split("L")}
    assert len(heights) == 2
    assert "limit 1" in picture


def test_one_check_and_equal_checks_can_be_drawn() -> None:
    for values in ([1.0], [1.0, 1.0, 1.0], [0.0]):
        drawn(charts.control_chart(points(values, [1.0] * len(values)), title="t", unit="1"))


def test_differences_show_bias_and_limits_of_the_warehouse() -> None:
    pairs = [Pair(f"s{i}", 100.0 + i + d, 100.0 + i, d) for i, d in enumerate((1.0, 2.0, 3.0))]
    picture = charts.difference_chart(pairs, Agreement(2.0, 0.04, 3.96), title="FVC", unit="mL")
    assert "2</text>" in picture and "3.96" in picture and "0.04" in picture
    alone = charts.difference_chart(pairs[:1], None, title="FVC", unit="mL")
    assert "bias-word" in picture and "bias-word" not in alone
    drawn(alone)


@pytest.mark.parametrize("side", [-1.0, 1.0])
def test_names_of_lines_stay_apart_and_off_the_axis(side: float) -> None:
    far = Pair("s1", 100.0, 100.0 - side * 900.0, side * 900.0, suspected=True)
    near = Pair("s2", 100.0, 100.0, side * -50.0)
    limits = Agreement(side * -50.0, side * -50.0 - 1.0, side * -50.0 + 1.0)
    picture = charts.difference_chart([far, near], limits, title="FVC", unit="mL")
    heights = sorted(
        float(y) for y in re.findall(r'class="tick (?:limit|bias)-word" x="\S+" y="(\S+)"', picture)
    )
    assert len(heights) == 3
    assert all(below - above >= charts.LINE_HEIGHT for above, below in pairwise(heights))
    # The numbers of the axis stand at 13 below the picture.
    assert heights[-1] <= charts.HEIGHT - charts.BOTTOM + 4


def test_months_show_counts_and_shares() -> None:
    months = [Month(f"2026-{m:02d}", m, 2, 1) for m in range(1, 13)]
    picture = charts.months_chart(months, title="Tidal")
    assert "Mar 2026: 3 of 6 accepted" in picture
    assert picture.count('class="bar filled"') == 12
    drawn(picture)


def test_titles_cannot_break_out_of_a_picture() -> None:
    name = '"><script>x</script>\u202e'
    for picture in (
        charts.funnel([FunnelPoint(name, 1, 2)], title=name),
        charts.control_chart([CheckPoint(name, DAY, 1.0, 0.0, 2.0, True)], title=name, unit=name),
        charts.difference_chart([Pair(name, 1.0, 2.0, -1.0)], None, title=name, unit=name),
    ):
        drawn(picture)
        assert "<script" not in picture and "\u202e" not in picture
