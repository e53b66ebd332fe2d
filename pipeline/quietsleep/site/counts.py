"""Counts of tests by technique and month; they add up to the rows of the warehouse."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from markupsafe import Markup

from quietsleep import contract
from quietsleep.site.charts import Month, months_chart, shares_of
from quietsleep.site.faults import technique_title
from quietsleep.site.read import Row
from quietsleep.site.words import month, month_words, share


class TechniqueCount(NamedTuple):
    """Tests of one technique, counted by what became of them."""

    technique: str
    title: str
    attempted: int
    accepted: int
    flagged: int
    rejected: int
    not_judgeable: int
    quarantined: int
    share: str


class TechniqueMonths(NamedTuple):
    """The months of one technique: the chart, and the same numbers as rows."""

    technique: str
    title: str
    summary: str
    chart: Markup
    rows: tuple[tuple[str, int, int, int, int, str], ...]


def techniques_in(rows: Iterable[Row]) -> list[str]:
    """Return the techniques that occur, in the order of the contracts."""
    present = {row["technique"] for row in rows}
    ordered = [key for key in contract.TECHNIQUES if key in present]
    return ordered + sorted(present - set(ordered))


def count_tests(tests: Sequence[Row]) -> list[TechniqueCount]:
    """Count tests by technique, with the total as last line."""
    found = []
    for key in techniques_in(tests):
        own = [test for test in tests if test["technique"] == key]
        found.append(_count(key, technique_title(key), own))
    if len(found) > 1:
        found.append(_count("", "All techniques", tests))
    return found


def _count(key: str, title: str, tests: Sequence[Row]) -> TechniqueCount:
    def of(status: str) -> int:
        return sum(test["status"] == status for test in tests)

    return TechniqueCount(
        technique=key,
        title=title,
        attempted=len(tests),
        accepted=of("accepted"),
        flagged=sum(test["status"] == "accepted" and bool(test["flagged"]) for test in tests),
        rejected=of("rejected"),
        not_judgeable=of("not_judgeable"),
        quarantined=of("quarantined"),
        share=share(of("accepted"), len(tests)),
    )


def months_of(tests: Sequence[Row]) -> list[TechniqueMonths]:
    """Count tests by technique and month, each technique with its chart."""
    found = []
    for key in techniques_in(tests):
        by_month: dict[str, list[str]] = {}
        for test in tests:
            if test["technique"] == key:
                by_month.setdefault(month(test["tested_at"]), []).append(test["status"])
        months = [_month(name, by_month[name]) for name in sorted(by_month)]
        title = technique_title(key)
        found.append(
            TechniqueMonths(
                technique=key,
                title=title,
                summary=shares_of(months),
                chart=months_chart(months, title=f"{title} over months: {shares_of(months)}"),
                rows=tuple(
                    (month_words(m.key), m.total, m.accepted, m.rejected, m.other,
                     share(m.accepted, m.total))
                    for m in reversed(months)
                ),
            )
        )  # fmt: skip
    return found


def _month(key: str, statuses: list[str]) -> Month:
    accepted, rejected = statuses.count("accepted"), statuses.count("rejected")
    return Month(key, accepted, rejected, len(statuses) - accepted - rejected)
