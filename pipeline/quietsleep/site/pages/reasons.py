"""What each reason costs: by centre, technique, month, operator and device, and what saves it.

Counts are sums of rows of the table `lost_tests`: a test stands in one centre, technique, month,
operator and device, so that the sums of one reason count each test once.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple

from quietsleep.contract.model import fault_for
from quietsleep.site import words
from quietsleep.site.folder import slug
from quietsleep.site.read import PublishedNight, Row
from quietsleep.site.words import technique_title

FIRST = 5
UNFOLDED = 15
MOST_REASONS = 120
MOST_PARTS = 12
READ = "could not be read"
PARTS = {
    "centre": "Centre", "technique": "Technique", "month": "Month", "operator": "Operator",
    "device": "Device",
}  # fmt: skip

RANKED = """
SELECT l.level, l.rule, l.is_missing, any_value(r.fault) AS fault,
    any_value(r.fault_missing) AS fault_missing, min(l.technique) AS technique,
    count(DISTINCT l.technique) AS n_techniques, CAST(sum(l.n_tests) AS BIGINT) AS n_tests,
    CAST(sum(l.n_tests_alone) AS BIGINT) AS n_tests_alone, arg_max(l.reason, l.n_tests) AS reason,
    arg_max(l.centre, l.n_tests) AS centre, arg_max(l.remedy, l.n_tests_alone) AS remedy,
    count(DISTINCT l.centre) AS n_centres
FROM lost_tests AS l
LEFT JOIN (SELECT rule, any_value(fault) AS fault, any_value(fault_missing) AS fault_missing
    FROM rules GROUP BY rule) AS r ON r.rule = l.rule
GROUP BY l.level, l.rule, l.is_missing
ORDER BY n_tests_alone DESC, n_tests DESC, l.rule, l.is_missing, l.level
"""
OF_PARTS = """
SELECT level, rule, is_missing, {part} AS part, CAST(sum(n_tests) AS BIGINT) AS n_tests,
    CAST(sum(n_tests_alone) AS BIGINT) AS n_tests_alone
FROM lost_tests GROUP BY ALL ORDER BY {order}
"""


class CostShare(NamedTuple):
    """One way to share the cost of a reason out, such as by centre or by month."""

    title: str
    rows: tuple[tuple[str, int, int, str], ...]
    left_out: int


class Reason(NamedTuple):
    """One reason for which tests were lost."""

    key: str
    rank: int
    technique: str
    fault: str
    n_tests: int
    n_alone: int
    width_pct: int
    alone_pct: int
    example: str
    remedy: str
    parts: tuple[CostShare, ...]


class Reasons(NamedTuple):
    """All reasons, first what costs most by itself."""

    n_lost: int
    n_reasons: int
    ranked: tuple[Reason, ...]


def reasons_of(night: PublishedNight, titles: Mapping[str, str]) -> Reasons:
    """Return the reasons, first those that cost most tests by themselves."""
    rows = night.rows(RANKED)
    parts = _parts(night, titles)
    most = max((row["n_tests"] for row in rows), default=1)
    n_lost = night.tuples("SELECT count(*) FROM tests WHERE status <> 'accepted'")[0][0]
    ranked = tuple(
        _reason(rank, row, most, titles, parts)
        for rank, row in enumerate(rows[:MOST_REASONS], start=1)
    )
    return Reasons(n_lost, len(rows), ranked)


def reasons_page(reasons: Reasons) -> dict[str, Any]:
    """Return what the page of reasons says."""
    return {"reasons": reasons, "first": UNFOLDED}


def _key(row: Row) -> tuple[Any, ...]:
    return (row["level"], row["rule"], row["is_missing"])


def _parts(
    night: PublishedNight, titles: Mapping[str, str]
) -> dict[tuple[Any, ...], list[CostShare]]:
    found: dict[tuple[Any, ...], list[CostShare]] = {}
    for part, title in PARTS.items():
        order = "part DESC" if part == "month" else "n_tests DESC, part"
        own: dict[tuple[Any, ...], list[Row]] = {}
        for row in night.rows(OF_PARTS.format(part=part, order=order)):
            own.setdefault(_key(row), []).append(row)
        for key, rows in own.items():
            most = max(row["n_tests"] for row in rows)
            lines = tuple(
                (
                    titles.get(row["part"], row["part"]) if part == "centre" else _shown(part, row),
                    row["n_tests"],
                    row["n_tests_alone"],
                    f"{max(round(100 * row['n_tests'] / most), 1)}",
                )
                for row in rows[:MOST_PARTS]
            )
            found.setdefault(key, []).append(CostShare(title, lines, len(rows) - len(lines)))
    return found


def _shown(part: str, row: Row) -> str:
    value = str(row["part"])
    if part == "technique":
        return technique_title(value)
    is_month = part == "month" and value[:4].isdigit()
    return words.month_words(value) if is_month else value


def _reason(
    rank: int,
    row: Row,
    most: int,
    titles: Mapping[str, str],
    parts: Mapping[tuple[Any, ...], list[CostShare]],
) -> Reason:
    fault = READ
    if row["fault"]:
        fault = fault_for(row["fault"], row["fault_missing"], is_missing=row["is_missing"])
    centre = titles.get(row["centre"], row["centre"])
    where = centre if row["n_centres"] == 1 else f"most at {centre}"
    return Reason(
        key=slug(*map(str, _key(row))),
        rank=rank,
        technique=technique_title(row["technique"])
        if row["n_techniques"] == 1
        else words.count(row["n_techniques"], "technique"),
        fault=fault,
        n_tests=row["n_tests"],
        n_alone=row["n_tests_alone"],
        width_pct=round(100 * row["n_tests"] / most),
        alone_pct=round(100 * row["n_tests_alone"] / most),
        example=f"{where}: {row['reason']}" if row["reason"] else where,
        remedy=row["remedy"] or "",
        parts=tuple(parts.get(_key(row), [])),
    )
