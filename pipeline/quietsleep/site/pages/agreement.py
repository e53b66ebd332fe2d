"""The centre's own results against the central ones, outcome by outcome."""

from __future__ import annotations

from typing import NamedTuple

from markupsafe import Markup

from quietsleep import contract
from quietsleep.site import words
from quietsleep.site.comparisons import Pair, agreement_limits, difference_chart
from quietsleep.site.faults import technique_title
from quietsleep.site.read import Row, grouped

NEWEST_IN_TABLE = 60


class OutcomeAgreement(NamedTuple):
    """One outcome: the chart, its numbers in words, and the pairs that stand out."""

    outcome: str
    title: str
    said: str
    cause: str
    chart: Markup
    rows: tuple[tuple[str, ...], ...]
    left_out: int


class TechniqueAgreement(NamedTuple):
    """The outcomes of one technique."""

    key: str
    title: str
    outcomes: tuple[OutcomeAgreement, ...]


def agreement_by_technique(rows: list[Row]) -> list[TechniqueAgreement]:
    """Gather the outcomes of each technique that has pairs."""
    found = []
    for technique, own in grouped(rows, "technique").items():
        outcomes = tuple(agreement_of(own))
        if outcomes:
            found.append(TechniqueAgreement(technique, technique_title(technique), outcomes))
    return found


def agreement_of(rows: list[Row]) -> list[OutcomeAgreement]:
    """Gather each outcome that has a reported value beside an accepted central one."""
    found = []
    for outcome, own in grouped(rows, "outcome").items():
        pairs = [_pair(r) for r in own if not words.missing(r["difference"])]
        if pairs:
            found.append(_view(outcome, own, pairs))
    return found


def _pair(row: Row) -> Pair:
    return Pair(
        session=row["session"],
        centre_value=row["reported_converted"],
        central_value=row["central_value"],
        suspected=suspects(row),
    )


def suspects(row: Row) -> bool:
    """Say whether a known factor explains the difference of a pair."""
    return (row["suspected_cause"] or "none") not in ("none", "")


def _view(outcome: str, rows: list[Row], pairs: list[Pair]) -> OutcomeAgreement:
    unit = rows[0]["unit"]
    known = contract.OUTCOMES.get(outcome)
    causes: dict[str, int] = {}
    for row in rows:
        if suspects(row):
            causes[row["suspected_cause"]] = causes.get(row["suspected_cause"], 0) + 1
    cause = "; ".join(f"{words.plain(c)} in {words.count(n, 'pair')}" for c, n in causes.items())
    widest = sorted(rows, key=lambda r: -abs(_or_zero(r["difference_pct"])))
    return OutcomeAgreement(
        outcome=outcome,
        title=str(known.meaning) if known else words.plain(outcome),
        said=said_of(pairs, unit),
        cause=cause,
        chart=difference_chart(
            pairs, title=f"{words.plain(outcome)}: {said_of(pairs, unit)}", unit=unit
        ),
        rows=tuple(_row(r) for r in widest[:NEWEST_IN_TABLE]),
        left_out=max(0, len(rows) - NEWEST_IN_TABLE),
    )


def said_of(pairs: list[Pair], unit: str) -> str:
    """Say bias and limits of agreement in words."""
    limits = agreement_limits(pairs)
    if limits is None:
        return f"{words.count(len(pairs), 'pair')}; limits of agreement need three."
    bias = words.with_unit(f"{limits.bias:+.3g}", unit)
    return (
        f"{limits.n} pairs: the centre reads {bias} against central on average, 95 % of pairs "
        f"between {words.number(limits.lower, 3)} and "
        f"{words.with_unit(words.number(limits.upper, 3), unit)}."
    )


def _or_zero(value: float | None) -> float:
    return 0.0 if words.missing(value) else float(value or 0.0)


def _row(row: Row) -> tuple[str, ...]:
    reported = words.with_unit(words.number(row["reported_value"]), row["reported_unit"])
    return (
        row["session"],
        reported + (f" ({row['conditions']})" if row["conditions"] else ""),
        words.number(row["reported_converted"]),
        words.number(row["central_value"]),
        words.number(row["difference"], 3),
        "–" if words.missing(row["difference_pct"]) else f"{row['difference_pct']:+.1f} %",
        words.plain(row["suspected_cause"] or "none"),
    )
