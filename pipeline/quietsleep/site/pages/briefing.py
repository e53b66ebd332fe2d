"""The briefing: the five questions of the coordinating centre, each with a number and a picture.

Sentence, number and tone are those of the table `briefing`; the picture beside them draws rows of
the table behind them, as they are.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from typing import NamedTuple

from markupsafe import Markup

from quietsleep.site import words
from quietsleep.site.pages.comparability import estimates_of
from quietsleep.site.read import PublishedNight, Row, grouped
from quietsleep.site.strips import (
    Bar,
    RunPoint,
    Week,
    bars,
    run_strip,
    small_forest,
    weeks_picture,
)
from quietsleep.site.words import Sign, technique_title

QUESTIONS = {
    "missing": ("What is missing tonight?", "All that is expected"),
    "slipping": ("Which centre slips?", "Centres and techniques"),
    "drifting": ("Which device drifts?", "All devices"),
    "comparable": ("How comparable are the centres?", "All outcomes"),
    "changed": ("What changed since last night?", "Session by session"),
}
TONES = {
    "good": Sign("●", "In order", "good"),
    "watch": Sign("◆", "Worth a look", "watch"),
    "act": Sign("▲", "Act on it", "act"),
    "none": Sign("○", "For information", "quiet"),
}
WHAT = {
    "visit": "Visits", "technique": "Techniques", "followup_call": "Calls",
    "delivery": "Deliveries",
}  # fmt: skip
RECEIVED = ("received", "early", "late", "unplanned")
WANTING = ("overdue", "missing")
ALL = "all"
NEWEST = 24


class Drawn(NamedTuple):
    """A small picture and what it shows."""

    chart: Markup
    shows: str


class BriefingAnswer(NamedTuple):
    """One question and its answer."""

    key: str
    question: str
    sign: Sign
    value: str
    of: str
    unit: str
    sentence: str
    drawn: Drawn
    href: str
    link: str


def answers_of(night: PublishedNight, titles: Mapping[str, str]) -> list[BriefingAnswer]:
    """Return the five answers in their order."""
    return [
        _answer(night, row, titles)
        for row in night.rows("SELECT * FROM briefing ORDER BY position")
    ]


def _answer(night: PublishedNight, row: Row, titles: Mapping[str, str]) -> BriefingAnswer:
    question, link = QUESTIONS[row["question"]]
    return BriefingAnswer(
        key=row["question"],
        question=question,
        sign=TONES[row["tone"]],
        value=figure(row["value"]),
        of="" if words.missing(row["of_value"]) else figure(row["of_value"]),
        unit=words.with_unit("", row["unit"]).strip() or row["unit"],
        sentence=row["sentence"],
        drawn=PICTURES[row["question"]](night, titles),
        href=row["page"],
        link=link,
    )


def figure(value: float | None) -> str:
    """Show the number of an answer: whole ones without decimals, a dash where there is none."""
    if value is None or words.missing(value):
        return "–"
    return f"{value:.0f}" if float(value).is_integer() else words.number(value, 3)


def _missing(night: PublishedNight, titles: Mapping[str, str]) -> Drawn:
    """Draw what came of what should have come by now; without a schedule, the centres."""
    rows = night.tuples(
        "SELECT what, count(*) FILTER (state IN ?), count(*) FILTER (state IN ?) "
        "FROM expected GROUP BY what ORDER BY what",
        [*RECEIVED, *WANTING],
        list(RECEIVED),
    )
    found = [
        Bar(WHAT.get(what, what), total, came, f"{came} of {total}")
        for what, total, came in sorted(rows, key=lambda r: list(WHAT).index(r[0]))
        if total
    ]
    shows = "Received of what should be here"
    if not found:
        states = Counter(row["state"] for row in night.centres() if row["state"] != "retired")
        came, total = states["delivered"], sum(states.values())
        found = [Bar("Centres", total, came, f"{came} of {total}")]
        shows = "Centres that have delivered and are not late"
    return Drawn(bars(found, title=_said(shows, found)), shows)


def _said(shows: str, found: list[Bar]) -> str:
    return f"{shows}: " + ", ".join(f"{bar.name} {bar.said}" for bar in found)


def _slipping(night: PublishedNight, titles: Mapping[str, str]) -> Drawn:
    """Draw the last weeks of what slips most, or of all tests where nothing slips."""
    slipping = night.rows(
        "SELECT centre, technique FROM standing WHERE slipping ORDER BY "
        "recent_share_pct - past_share_pct, technique = 'all', centre LIMIT 1"
    )
    if slipping:
        centre, technique = slipping[0]["centre"], slipping[0]["technique"]
        rows = night.tuples(
            "SELECT n_accepted, n_tests FROM acceptance_weeks "
            "WHERE centre = ? AND technique = ? ORDER BY week",
            centre,
            technique,
        )
        of = "all techniques" if technique == ALL else technique_title(technique).lower()
        shows = f"{titles.get(centre, centre)}, {of}: tests of the last weeks"
    else:
        rows = night.tuples(
            "SELECT sum(n_accepted), sum(n_tests) FROM acceptance_weeks "
            "WHERE technique = 'all' GROUP BY week ORDER BY week"
        )
        shows = "All centres: tests of the last weeks"
    weeks = [Week(int(accepted), int(total)) for accepted, total in rows]
    said = ", ".join(f"{w.accepted} of {w.total}" for w in weeks)
    return Drawn(
        weeks_picture(weeks, title=f"{shows}. Accepted, week by week: {said}"),
        f"{shows}, accepted above the line",
    )


def _drifting(night: PublishedNight, titles: Mapping[str, str]) -> Drawn:
    """Draw the newest checks of the device that drifts, or of the one with most checks."""
    rows = night.rows(
        "SELECT * FROM drifts ORDER BY NOT drifting, leaves_on NULLS LAST, n_checks DESC, "
        "centre, device, kind, quantity LIMIT 1"
    )
    if not rows:
        return Drawn(Markup(""), "No check yet")
    row = rows[0]
    points = night.tuples(
        "SELECT c.done_on, v.value, c.status = 'accepted' FROM check_values AS v "
        "JOIN checks AS c ON c.centre = v.centre AND c.check_id = v.check_id "
        "WHERE v.centre = ? AND c.device = ? AND v.kind = ? AND v.quantity = ? "
        "AND v.level = 'check' AND v.value IS NOT NULL AND c.done_on IS NOT NULL "
        f"ORDER BY c.done_at DESC LIMIT {NEWEST}",
        *(row[name] for name in ("centre", "device", "kind", "quantity")),
    )
    readings = [RunPoint(day, value, not met) for day, value, met in reversed(points)]
    names = ("usual_low", "usual_mean", "usual_high")
    low, mean, high = (row[name] for name in names)
    has_band = not any(words.missing(n) for n in (low, mean, high))
    quantity = words.quantity_name(row["quantity"], row["unit"])
    unit = words.with_unit("", row["unit"]).strip()
    shows = f"{row['device']}, {technique_title(row['kind']).lower()}: {quantity}"
    shows += f", {unit}" if unit else ""
    said = f"{shows}: the newest {words.count(len(readings), 'check')}"
    chart = run_strip(readings, band=(low, mean, high) if has_band else None, title=said)
    return Drawn(chart, shows)


def _comparable(night: PublishedNight, titles: Mapping[str, str]) -> Drawn:
    """Draw slips of unit where there are some; else the outcome with most centres off the line."""
    slips = night.rows(
        "SELECT * FROM unit_slips ORDER BY n_suspected DESC, centre, outcome, seen_in LIMIT 3"
    )
    if slips:
        found = [
            Bar(
                row["centre"], row["n_values"], row["n_suspected"],
                f"{row['n_suspected']} of {row['n_values']}",
            )
            for row in slips
        ]  # fmt: skip
        outcomes = ", ".join(dict.fromkeys(words.plain(row["outcome"]) for row in slips))
        shows = f"Values off by a known factor: {outcomes}"
        return Drawn(bars(found, title=_said(shows, found)), shows)
    rows = night.rows("SELECT * FROM comparability ORDER BY outcome, equipment_class, centre")
    drawn = {outcome: estimates_of(own, {}) for outcome, own in grouped(rows, "outcome").items()}
    if not any(drawn.values()):
        return Drawn(Markup(""), "Nothing to compare yet")
    outcome = max(drawn, key=lambda o: (sum(e.excludes_zero for e in drawn[o]), len(drawn[o])))
    shown = sorted(drawn[outcome], key=lambda e: (not e.excludes_zero, -abs(e.value)))
    shows = f"{words.plain(outcome)}: mean and 95 % interval, against the line"
    said = "; ".join(f"{e.centre} {e.said}" for e in shown[:4])
    return Drawn(small_forest(shown, title=f"{shows}. {said}"), shows)


def _changed(night: PublishedNight, titles: Mapping[str, str]) -> Drawn:
    """Draw how many sessions changed for which cause."""
    rows = night.tuples(
        "SELECT coalesce(cause, 'not known'), count(*) AS n FROM session_changes "
        "GROUP BY 1 ORDER BY n DESC, 1"
    )
    found = [Bar(words.plain(cause), n, n, str(n)) for cause, n in rows]
    shows = "Sessions, by cause"
    if not found:
        return Drawn(Markup(""), "No session changed")
    return Drawn(bars(found, title=_said(shows, found)), shows)


PICTURES: Mapping[str, Callable[[PublishedNight, Mapping[str, str]], Drawn]] = {
    "missing": _missing,
    "slipping": _slipping,
    "drifting": _drifting,
    "comparable": _comparable,
    "changed": _changed,
}
