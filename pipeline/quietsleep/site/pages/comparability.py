"""How comparable centres are: for each outcome a forest of centres, and agreement beside it.

The forests draw the rows of `comparability` and `agreement_limits` as they are. Zero is the pooled
line: of all centres with the same equipment where residuals are compared, of the reference
equation where z-scores are; of agreement, that the centre's own software reads as the central
analysis does.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from markupsafe import Markup

from quietsleep import contract
from quietsleep.site import words
from quietsleep.site.read import PublishedNight, Row, grouped
from quietsleep.site.strips import Estimate, forest, legend, shapes_of
from quietsleep.site.words import technique_title

# So many centres are drawn, those furthest from the line, and so many are listed.
MOST_DRAWN = 40
MOST_LISTED = 60
RESIDUAL = "0: all with the same equipment"
REFERENCE = "0: the reference equation"
AGREES = "0: reads as the central analysis"


class Forest(NamedTuple):
    """One forest: its sentence, its picture, its numbers, and what they cannot say."""

    said: str
    chart: Markup
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    unlisted: int
    left_out: int
    notes: tuple[str, ...]


class OutcomeForests(NamedTuple):
    """One outcome: centres beside each other, and their own software against the central one."""

    outcome: str
    title: str
    centres: Forest | None
    agreement: Forest | None


class TechniqueForests(NamedTuple):
    """The outcomes of one technique."""

    key: str
    title: str
    outcomes: tuple[OutcomeForests, ...]


def comparability_page(night: PublishedNight) -> dict[str, Any]:
    """Return what the page of comparability says."""
    means = night.rows("SELECT * FROM comparability ORDER BY outcome, equipment_class, centre")
    limits = night.rows("SELECT * FROM agreement_limits ORDER BY outcome, centre")
    titles = {row["centre"]: row["title"] or row["centre"] for row in night.centres()}
    shapes = shapes_of([row["equipment_class"] for row in means])
    found: dict[str, list[OutcomeForests]] = {}
    of_means, of_limits = grouped(means, "outcome"), grouped(limits, "outcome")
    for outcome, spec in contract.OUTCOMES.items():
        own = _centres(of_means.get(outcome, []), titles, shapes)
        beside = _agreement(of_limits.get(outcome, []), titles)
        if own or beside:
            technique = _technique_of(outcome)
            found.setdefault(technique, []).append(
                OutcomeForests(outcome, str(spec.meaning), own, beside)
            )
    return {
        "techniques": [
            TechniqueForests(key, technique_title(key), tuple(outcomes))
            for key, outcomes in found.items()
        ],
        "legend": legend(shapes) if shapes else "",
    }


def _technique_of(outcome: str) -> str:
    for key, spec in contract.TECHNIQUES.items():
        if any(own.name == outcome for own in spec.outcomes):
            return str(key)
    return ""


def fitting(value: float | None, span: float) -> str:
    """Show a number with the decimals that matter beside an interval of this width."""
    if words.missing(value) or value is None:
        return "–"
    decimals = 2 if span <= 0 else min(max(1 - math.floor(math.log10(span)), 0), 6)
    shown = f"{value:.{decimals}f}"
    return shown.lstrip("-") if float(shown) == 0 else shown.replace("-", "−")


def _name(row: Row, titles: Mapping[str, str]) -> str:
    return str(titles.get(row["centre"], row["centre"]))


def estimate(row: Row, names: tuple[str, str, str], title: str, equipment: str) -> Estimate:
    """Return one centre of a forest from the columns that hold its number and its interval."""
    value, low, high = (row[name] for name in names)
    has = not (words.missing(low) or words.missing(high))
    span = high - low if has else abs(value)
    said = fitting(value, span)
    if has:
        said += f" ({fitting(low, span)} to {fitting(high, span)})"
    return Estimate(title, equipment, value, low if has else None, high if has else None, said)


def estimates_of(rows: Sequence[Row], titles: Mapping[str, str]) -> list[Estimate]:
    """Return the centres of an outcome by rows of `comparability` that have a mean."""
    return [
        estimate(row, ("mean", "lower", "upper"), _name(row, titles), row["equipment_class"])
        for row in rows
        if not words.missing(row["mean"])
    ]


def _centres(rows: list[Row], titles: dict[str, str], shapes: dict[str, str]) -> Forest | None:
    drawn = estimates_of(rows, titles)
    if not drawn:
        return None
    measures = sorted({row["measure"] for row in rows})
    unit = rows[0]["unit"]
    by_z = any("z-score" in measure for measure in measures)
    infants = sum(row["n_infants"] for row in rows)
    said = (
        f"{words.count(len({row['centre'] for row in rows}), 'centre')}, "
        f"{words.count(infants, 'infant')}; {'; '.join(measures)}. {_outside(drawn)}"
    )
    shown = _furthest(drawn)
    return Forest(
        said=said,
        chart=forest(
            shown, shapes, pooled=(0.0, REFERENCE if by_z else RESIDUAL), unit=unit, title=said
        ),
        heads=("Centre", "Equipment", "Infants", "Mean, 95 % interval"),
        rows=tuple(
            (e.centre, e.equipment_class, str(row["n_infants"]), e.said)
            for row, e in zip((r for r in rows if not words.missing(r["mean"])), drawn, strict=True)
        )[:MOST_LISTED],
        unlisted=max(0, len(drawn) - MOST_LISTED),
        left_out=len(drawn) - len(shown),
        notes=_notes(rows),
    )


def _outside(drawn: Sequence[Estimate]) -> str:
    off = [e.centre for e in drawn if e.excludes_zero]
    if not off:
        return "No centre's interval lies beside the line."
    verb = "lies" if len(off) == 1 else "lie"
    return f"{', '.join(off[:5])}{' and others' if len(off) > 5 else ''} {verb} beside the line."


def _furthest(drawn: list[Estimate]) -> list[Estimate]:
    """Return those to be drawn in their order: all, or the ones furthest from the line."""
    if len(drawn) <= MOST_DRAWN:
        return drawn
    kept = sorted(range(len(drawn)), key=lambda i: -abs(drawn[i].value))[:MOST_DRAWN]
    return [drawn[i] for i in sorted(kept)]


def _notes(rows: Sequence[Row]) -> tuple[str, ...]:
    """Say of each class of equipment which share lies between centres, and what is doubtful."""
    notes = []
    for equipment, own in grouped(rows, "equipment_class").items():
        row = own[0]
        if not words.missing(row["between_share_pct"]):
            low, high = row["between_share_low_pct"], row["between_share_high_pct"]
            between = "" if words.missing(low) else f" (95 % interval {low:.0f} to {high:.0f} %)"
            notes.append(
                f"{equipment}: {row['between_share_pct']:.0f} % of the variance lies between "
                f"centres{between}."
            )
        notes += [
            f"{equipment}: {said}" for said in dict.fromkeys(r["warning"] for r in own) if said
        ]
    return tuple(notes)


def _agreement(rows: list[Row], titles: dict[str, str]) -> Forest | None:
    kept = [row for row in rows if not words.missing(row["bias"])]
    if not kept:
        return None
    drawn = [
        estimate(row, ("bias", "lower_limit", "upper_limit"), titles[row["centre"]], "")
        for row in kept
    ]
    pairs, left_out = (sum(row[name] for row in rows) for name in ("n_pairs", "n_suspected"))
    said = f"{words.count(pairs, 'pair')}; bias and 95 % limits of agreement, own less central."
    if left_out:
        verb = "is" if left_out == 1 else "are"
        said += f" {words.count(left_out, 'pair')} with a suspected slip {verb} left out."
    shown = _furthest(drawn)
    return Forest(
        said=said,
        chart=forest(shown, {"": "round"}, pooled=(0.0, AGREES), unit=kept[0]["unit"], title=said),
        heads=("Centre", "Pairs", "Left out, slip suspected", "Bias, limits of agreement"),
        rows=tuple(
            (e.centre, str(row["n_pairs"]), str(row["n_suspected"]), e.said)
            for row, e in zip(kept, drawn, strict=True)
        )[:MOST_LISTED],
        unlisted=max(0, len(drawn) - MOST_LISTED),
        left_out=len(drawn) - len(shown),
        notes=tuple(f"{titles[r['centre']]}: {r['why']}" for r in rows if r["why"]),
    )
