"""The centre's own results against the central ones, outcome by outcome.

Bias and limits of agreement are those of the warehouse, one line a centre and outcome; pairs on
which a slip is suspected are drawn, and counted, but not among them.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from markupsafe import Markup

from quietsleep import contract
from quietsleep.site import words
from quietsleep.site.charts import Agreement, Pair, difference_chart
from quietsleep.site.read import PublishedNight, Row, grouped
from quietsleep.site.words import technique_title

WIDEST_IN_TABLE = 60


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


def agreement_by_technique(rows: list[Row], limits: list[Row]) -> list[TechniqueAgreement]:
    """Gather the outcomes of each technique that has pairs.

    `rows` are of the table `agreement`, `limits` of `agreement_limits`: of one centre, or of all.
    """
    found = []
    of_outcome = grouped(limits, "outcome")
    for technique, own in grouped(rows, "technique").items():
        outcomes = tuple(
            _outcome(outcome, pairs, of_outcome.get(outcome, []))
            for outcome, pairs in grouped(own, "outcome").items()
            if any(not words.missing(row["difference"]) for row in pairs)
        )
        if outcomes:
            found.append(TechniqueAgreement(technique, technique_title(technique), outcomes))
    return found


def agreement_of_centres(night: PublishedNight) -> dict[str, Any]:
    """Return what the overview says: the numbers of every centre, then the pairs of all."""
    rows = night.rows("SELECT * FROM agreement ORDER BY technique, outcome, centre, session")
    limits = night.rows("SELECT * FROM agreement_limits ORDER BY centre, outcome, unit")
    pairs = grouped(rows, "centre", "outcome")
    return {
        "techniques": agreement_by_technique(rows, limits),
        "centres": [_centre_line(row, pairs[row["centre"], row["outcome"]]) for row in limits],
    }


def _centre_line(row: Row, pairs: list[Row]) -> tuple[str | int, ...]:
    found = limits_in(row)
    bias, between = "–", "–"
    if found:
        bias = words.with_unit(words.number(found.bias, 3), row["unit"])
        between = f"{words.number(found.lower, 3)} to {words.number(found.upper, 3)}"
    causes = sorted({words.plain(pair["suspected_cause"]) for pair in pairs if suspects(pair)})
    return (
        row["centre"], row["outcome"], row["n_pairs"], row["n_suspected"], bias, between,
        "; ".join(causes),
    )  # fmt: skip


def limits_in(row: Row) -> Agreement | None:
    """Return bias and limits of a row of `agreement_limits`; None where it has none."""
    if words.missing(row["bias"]):
        return None
    return Agreement(row["bias"], row["lower_limit"], row["upper_limit"])


def suspects(row: Row) -> bool:
    """Say whether a known factor explains the difference of a pair."""
    return (row["suspected_cause"] or "none") not in ("none", "")


def _outcome(outcome: str, rows: list[Row], limits: list[Row]) -> OutcomeAgreement:
    unit = rows[0]["unit"]
    known = contract.OUTCOMES.get(outcome)
    causes: dict[str, int] = {}
    for row in rows:
        if suspects(row):
            causes[row["suspected_cause"]] = causes.get(row["suspected_cause"], 0) + 1
    cause = "; ".join(f"{words.plain(c)} in {words.count(n, 'pair')}" for c, n in causes.items())
    widest = sorted(rows, key=lambda row: -abs(row["difference_pct"] or 0.0))
    said = said_of(limits)
    return OutcomeAgreement(
        outcome=outcome,
        title=str(known.meaning) if known else words.plain(outcome),
        said=said,
        cause=cause,
        chart=difference_chart(
            [_pair(row) for row in rows if not words.missing(row["difference"])],
            limits_in(limits[0]) if len(limits) == 1 else None,
            title=f"{words.plain(outcome)}: {said}",
            unit=unit,
        ),
        rows=tuple(_row(row) for row in widest[:WIDEST_IN_TABLE]),
        left_out=max(0, len(rows) - WIDEST_IN_TABLE),
    )


def _pair(row: Row) -> Pair:
    return Pair(
        session=row["session"],
        centre_value=row["reported_converted"],
        central_value=row["central_value"],
        difference=row["difference"],
        suspected=suspects(row),
    )


def said_of(limits: list[Row]) -> str:
    """Say the bias and limits of one centre in words; of several, how many pairs there are."""
    n, n_left_out = (sum(row[name] for row in limits) for name in ("n_pairs", "n_suspected"))
    left_out = ""
    if n_left_out:
        verb = "is" if n_left_out == 1 else "are"
        left_out = f" {words.count(n_left_out, 'pair')} with a suspected slip {verb} left out."
    pairs = words.count(n, "pair")
    if len(limits) > 1:
        return f"{pairs} of {len(limits)} centres.{left_out}"
    found = limits_in(limits[0]) if limits else None
    if found is None:
        return f"{pairs}; limits of agreement need three.{left_out}"
    unit = limits[0]["unit"]
    return (
        f"{pairs}: the centre reads {words.with_unit(f'{found.bias:+.3g}', unit)} against central "
        f"on average, 95 % of pairs between {words.number(found.lower, 3)} and "
        f"{words.with_unit(words.number(found.upper, 3), unit)}.{left_out}"
    )


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
