"""Write the report of a release: one file, from nothing but the folder of the release."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing
from importlib.resources import files
from pathlib import Path
from typing import Any, NamedTuple

from markupsafe import Markup

from quietsleep import contract
from quietsleep.errors import WarehouseError
from quietsleep.judge.readers import ALL
from quietsleep.site import words
from quietsleep.site.folder import page
from quietsleep.site.pages.comparability import TechniqueForests, comparability_page
from quietsleep.site.read import PublishedNight, Row, grouped
from quietsleep.site.report.figures import (
    IntervalMark,
    OutcomeMark,
    interval_picture,
    need_the_library,
    outcome_picture,
)
from quietsleep.site.report.flow import flow_chart, title_of
from quietsleep.site.report.methods import methods, outcome_methods, rules_in_force
from quietsleep.warehouse.account import AcceptedShare, Account, Flow, OutcomeSpread, account_of
from quietsleep.warehouse.database import open_night
from quietsleep.warehouse.proof import RELEASE, prove

REPORT = "report.html"
# The middle 95 % of healthy infants lie between these z-scores, by the meaning of a z-score.
Z_LINES = ((0.0, "middle"), (-1.96, "edge"), (1.96, "edge"))


class Picture(NamedTuple):
    """One picture, and what is to be known of it."""

    chart: Markup
    title: str
    said: str


class FlowTable(NamedTuple):
    """One flow as a table: the boxes, and below each what was lost on the way to it."""

    title: str
    rows: tuple[tuple[str, int, bool], ...]


class CostlyFault(NamedTuple):
    """One fault: on what it was found, in which techniques, and how many tests it cost."""

    fault: str
    level: str
    techniques: str
    n_tests: int
    n_alone: int


class LimitRow(NamedTuple):
    """One limit in force."""

    rule: str
    level: str
    limit: str
    does: str
    obtained: str
    source: str
    decided: str


def write_report(release: Path, out: Path) -> Path:
    """Write report.html of a release into a folder and return it.

    The same release gives the same bytes. WarehouseError where the folder is no release or not as
    it was released, or where the report would lie in it; QuietsleepError where the plotting
    library is not installed.
    """
    need_the_library()
    if not (release / RELEASE).is_file():
        raise WarehouseError(f"{release} is no folder of a release.")
    if out.resolve().is_relative_to(release.resolve()):
        raise WarehouseError("A release is never changed: write its report to another folder.")
    if differences := prove(release).differences:
        raise WarehouseError(
            f"{release} is not as it was released, and no report is made of it: {differences[0]}"
        )
    made = report_page(release)
    out.mkdir(parents=True, exist_ok=True)
    target = out / REPORT
    target.write_text(made, encoding="utf-8")
    return target


def report_page(release: Path) -> str:
    """Return the page of a release that is as it was released."""
    said = json.loads((release / RELEASE).read_text(encoding="utf-8"))
    style = (files("quietsleep.site") / "static" / "report.css").read_text("utf-8")
    with closing(open_night(release)) as connection:
        account = account_of(connection)
    with closing(PublishedNight(release)) as night:
        return page(
            "report.html.jinja",
            style=Markup(style),
            style_digest=base64.b64encode(hashlib.sha256(style.encode()).digest()).decode(),
            said=said,
            account=account,
            **_flows(account, night),
            **_acceptance(account, night),
            **_outcomes(account, night),
            **_beside(night),
            methods=methods(said, night, account),
            outcome_methods=outcome_methods(night, account),
            limits=list(_limits(night)),
            sources=night.rows("SELECT source, citation FROM sources ORDER BY source"),
            waivers=night.rows("SELECT * FROM waivers ORDER BY waiver, item"),
            cautions=_cautions(said, night),
        )


def _flows(account: Account, night: PublishedNight) -> dict[str, Any]:
    return {
        "flows": [
            Picture(
                flow_chart(flow, one=one, title=f"{title}: the numbers stand in the table below."),
                title,
                ""
                if flow.is_planned
                else "The study has no schedule: what was attempted and never delivered is not "
                "known, so attempted is what was delivered.",
            )
            for title, one, flow in _both(account)
        ],
        "flow_tables": [FlowTable(title, tuple(_flow_rows(f))) for title, _, f in _both(account)],
        "by_technique": [
            (words.technique_title(name), flow) for name, flow in account.by_technique.items()
        ],
        "reasons": _reasons(night),
        "conservation": night.rows(
            "SELECT technique, sum(delivered) AS delivered, sum(measured) AS measured, "
            "sum(no_trial) AS no_trial, sum(quarantined) AS quarantined, sum(crashed) AS crashed, "
            "sum(superseded) AS superseded, sum(withdrawn) AS withdrawn, sum(found) AS found, "
            "sum(accepted) AS accepted, sum(rejected) AS rejected, "
            "sum(not_judgeable) AS not_judgeable, bool_and(balances) AS balances "
            "FROM conservation WHERE night = (SELECT max(night) FROM conservation) "
            "AND delivered > 0 GROUP BY technique ORDER BY technique"
        ),
    }


def _both(account: Account) -> tuple[tuple[str, str, Flow], ...]:
    return ("Sessions", "session", account.sessions), ("Tests", "test", account.tests)


def _flow_rows(flow: Flow) -> Iterator[tuple[str, int, bool]]:
    for step in flow.steps:
        for why, n in step.losses:
            yield why, n, True
        yield title_of(flow, step), step.n, False


def _reasons(night: PublishedNight) -> list[CostlyFault]:
    """Return what each fault cost, those that cost most first; a test counts with each reason."""
    rows = night.rows(
        "SELECT technique, level, rule, is_missing, sum(n_tests) AS n, sum(n_tests_alone) AS alone "
        "FROM lost_tests GROUP BY ALL ORDER BY technique, rule, is_missing"
    )
    found: dict[tuple[str, str], list[Row]] = {}
    for row in rows:
        rule = (night.rules.get(row["rule"]) or [{}])[-1]
        said = {"rule": row["rule"], "observed": None if row["is_missing"] else 0.0}
        found.setdefault((words.fault_of(rule, said), row["level"]), []).append(row)
    reasons = [
        CostlyFault(
            fault,
            level,
            ", ".join(dict.fromkeys(words.technique_title(row["technique"]) for row in own)),
            sum(row["n"] for row in own),
            sum(row["alone"] for row in own),
        )
        for (fault, level), own in found.items()
    ]
    return sorted(reasons, key=lambda r: (-r.n_alone, -r.n_tests, r.fault, r.level))


def _acceptance(account: Account, night: PublishedNight) -> dict[str, Any]:
    marks = {
        (row["technique"], row["centre"]): row["funnel_mark"]
        for row in night.rows("SELECT technique, centre, funnel_mark FROM standing")
    }
    by_technique: dict[str, list[AcceptedShare]] = {}
    for share in account.shares:
        by_technique.setdefault(share.technique, []).append(share)
    return {
        "shares": [
            (_all_or(technique, words.technique_title), rows)
            for technique, rows in by_technique.items()
        ],
        "marks": marks,
        "share_pictures": [
            _share_picture(technique, rows) for technique, rows in by_technique.items()
        ],
    }


def _all_or(name: str, title: Any) -> str:
    return "All techniques" if name == ALL else str(title(name))


def _share_picture(technique: str, rows: Sequence[AcceptedShare]) -> Picture:
    whole = next(row for row in rows if row.centre == ALL)
    title = _all_or(technique, words.technique_title)
    said = (
        f"{whole.n_accepted} of {words.count(whole.n_tests, 'test')} accepted; line: all centres, "
        f"{whole.share_pct:.0f} %."
    )
    drawn = [
        IntervalMark(f"{r.centre} ({r.n_tests})", r.share_pct, r.low_pct, r.high_pct)
        for r in rows
        if r.centre != ALL
    ]
    chart = interval_picture(
        drawn, name=f"accepted-{technique}", title=f"{title}: {said}",
        label="Accepted, % (tests)", line=whole.share_pct, whole=(-3.0, 103.0),
    )  # fmt: skip
    return Picture(chart, title, said)


def _outcomes(account: Account, night: PublishedNight) -> dict[str, Any]:
    rows = night.rows(
        "SELECT outcome, age_days, value, z, flagged, coalesce(equipment_class, '') AS class "
        "FROM clean_outcomes ORDER BY outcome, centre, session"
    )
    series = {name: i for i, name in enumerate(sorted({row["class"] for row in rows}))}
    own = grouped(rows, "outcome")
    return {
        "outcome_groups": [
            (words.technique_title(technique), [_outcome_picture(s, own[s.outcome], series)
             for s in account.spreads if s.technique == technique])
            for technique in dict.fromkeys(s.technique for s in account.spreads)
        ],
        "series": [(name or "no registered device", i % 4) for name, i in series.items()],
    }  # fmt: skip


def _outcome_picture(
    spread: OutcomeSpread, rows: Sequence[Row], series: Mapping[str, int]
) -> Picture:
    by_z = spread.n_z > 0
    field = "z" if by_z else "value"
    marks = [
        OutcomeMark(row["age_days"], row[field], bool(row["flagged"]), series[row["class"]])
        for row in rows
        if not (words.missing(row["age_days"]) or words.missing(row[field]))
    ]
    name = words.quantity_name(spread.outcome, spread.unit)
    unit = words.with_unit("", spread.unit).strip()
    lines: Sequence[tuple[float, str]] = Z_LINES
    if not by_z:
        _, first, middle, third, _ = spread.values
        lines = ((middle, "middle"), (first, "edge"), (third, "edge"))
    said = f"{words.count(len(marks), 'value')}; lines: "
    said += (
        f"z of 0 and ±1.96, {spread.equation}" if by_z else "median and quartiles of this release"
    )
    left_out = len(rows) - len(marks)
    said += f"; {left_out} without age or z not drawn." if left_out else "."
    chart = outcome_picture(
        marks, name=f"outcome-{spread.outcome}", title=f"{name}: {said}",
        label="z-score" if by_z else unit or "1", lines=lines,
    )  # fmt: skip
    return Picture(chart, _titled(name, unit), said)


def _titled(name: str, unit: str) -> str:
    title = name[:1].upper() + name[1:]
    return f"{title}, {unit}" if unit else title


def _beside(night: PublishedNight) -> dict[str, Any]:
    """Return agreement and comparability: numbers as the page of a night tells them, and drawn."""
    limits = grouped(
        night.rows("SELECT * FROM agreement_limits WHERE bias IS NOT NULL ORDER BY centre"),
        "outcome",
    )
    means = grouped(
        night.rows(
            "SELECT * FROM comparability WHERE mean IS NOT NULL ORDER BY equipment_class, centre"
        ),
        "outcome",
    )
    classes = sorted({row["equipment_class"] for rows in means.values() for row in rows})
    told = comparability_page(night)["techniques"]
    return {
        "techniques": told,
        "notes": _notes(told),
        "agreement_pictures": [
            _beside_picture("agreement", name, rows, ("bias", "lower_limit", "upper_limit"), ())
            for name, rows in _in_order(limits)
        ],
        "comparability_pictures": [
            _beside_picture("centres", name, rows, ("mean", "lower", "upper"), classes)
            for name, rows in _in_order(means)
        ],
        "classes": [(name, i % 4) for i, name in enumerate(classes)],
    }


def _notes(told: Sequence[TechniqueForests]) -> list[tuple[str, str]]:
    """Return each sentence on what means cannot say, with the outcomes that it is said of."""
    found: dict[str, list[str]] = {}
    for one in (outcome for technique in told for outcome in technique.outcomes):
        for note in one.centres.notes if one.centres else ():
            equipment, _, text = note.partition(": ")
            for sentence in text.rstrip(".").split(". "):
                found.setdefault(f"{equipment}: {sentence}.", []).append(one.outcome)
    return [(sentence, ", ".join(outcomes)) for sentence, outcomes in found.items()]


def _in_order(found: Mapping[str, list[Row]]) -> list[tuple[str, list[Row]]]:
    return [(name, found[name]) for name in contract.OUTCOMES if name in found]


def _beside_picture(
    kind: str, outcome: str, rows: Sequence[Row], names: Sequence[str], classes: Sequence[str]
) -> Picture:
    drawn = []
    for row in rows:
        low, high = (None if words.missing(row[name]) else row[name] for name in names[1:])
        series = classes.index(row["equipment_class"]) if classes else 0
        drawn.append(IntervalMark(row["centre"], row[names[0]], low, high, series))
    unit = rows[0]["unit"]
    name = words.quantity_name(outcome, contract.OUTCOMES[outcome].unit)
    shown = "z-score" if classes and "z-score" in rows[0]["measure"] else words.with_unit("", unit)
    counted = sum(row["n_infants" if classes else "n_pairs"] for row in rows)
    said = words.count(counted, "infant" if classes else "pair") + "."
    chart = interval_picture(
        drawn, name=f"{kind}-{outcome}", title=f"{name}: {said}",
        label=shown.strip() or "1", line=0.0,
    )  # fmt: skip
    own = words.with_unit("", contract.OUTCOMES[outcome].unit).strip()
    return Picture(chart, _titled(name, own), said)


def _limits(night: PublishedNight) -> Iterator[LimitRow]:
    for row in rules_in_force(night):
        quantity = contract.QUANTITIES.get((row["owner"], row["level"], row["quantity"]))
        limit = words.limit(row["operator"], row["limit_low"], row["limit_high"], row["unit"])
        if row["operator"] == "equals" and quantity:
            limit = quantity.labels.get(f"{row['limit_low']:g}") or limit
        decided = [
            f"changed by {row['changed_by']}" if not words.missing(row["changed_by"]) else "",
            f"compared by {row['confirmed_by']} with {row['printed_in']}"
            if not words.missing(row["confirmed_by"])
            else "",
        ]
        yield LimitRow(
            rule=row["rule"],
            level=row["level"],
            limit=f"{words.quantity_name(row['quantity'], row['unit'])}: {limit}",
            does=words.SEVERITY.get(str(row["severity"]), ""),
            obtained=row["obtained"],
            source=words.plain(row["source"] or ""),
            decided="; ".join(filter(None, decided)),
        )


def _cautions(said: Mapping[str, Any], night: PublishedNight) -> list[str]:
    found = [
        "Research quality control, not diagnosis: nothing here is a finding on an infant, and no "
        "number of it belongs into clinical records.",
    ]
    if said.get("released_anyway"):
        found.append(f"The night was red and was released all the same: {said['released_anyway']}")
    elif said["state"] == "amber":
        found.append("The night was amber: something needed a person when it was released.")
    if earlier := said.get("supersedes"):
        found.append(
            f"It takes the place of release {earlier['release']}; what differs stands in its "
            "erratum."
        )
    if (said.get("dates") or {}).get("told") == "quarter":
        found.append(
            "Days are told by quarters, so that no date of birth follows from what is released."
        )
    found.append(
        "Intervals of shares take tests as independent; tests of one session are alike, so they "
        "are too narrow. Interval by interval, one in twenty misses by chance."
    )
    unproven = [r for r in rules_in_force(night) if r["obtained"] in ("from memory",)]
    if unproven:
        found.append(
            f"{len(unproven)} limits were written from memory of a standard; compare them with "
            "print before they are cited."
        )
    return found
