"""The pages of one centre: what needs action, what was lost and why, its tests and sessions.

Tests are counted by technique and month; the counts add up to the rows of the warehouse.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

from markupsafe import Markup

from quietsleep import contract
from quietsleep.measure.fingerprint import program_fingerprint
from quietsleep.site import words
from quietsleep.site.actions import actions_of, rescuable
from quietsleep.site.charts import Month, months_chart, shares_of
from quietsleep.site.folder import PageFolder, digest_of
from quietsleep.site.pages.agreement import agreement_by_technique
from quietsleep.site.pages.dictionary import owners
from quietsleep.site.pages.equipment import devices_of
from quietsleep.site.pages.letter import letters_of, write_letters
from quietsleep.site.pages.lists import (
    LOST,
    ListOf,
    list_of_sessions,
    list_of_tests,
    month_links,
    months_in,
    write_list,
)
from quietsleep.site.pages.lost import lost_reasons
from quietsleep.site.pages.rulebook import rule_book
from quietsleep.site.pages.session import write_session_pages
from quietsleep.site.pages.test import write_test_pages
from quietsleep.site.read import CentreData, Row
from quietsleep.site.traces import Draw, write_traces
from quietsleep.site.value_strips import write_strips
from quietsleep.site.words import month, month_words, night_said, share, technique_title
from quietsleep.study.study import Study

OF_TESTS = ("tests", "sessions", "traces")
NAV = (
    ("index.html", "Act on"),
    ("tests.html", "Tests"),
    ("sessions.html", "Sessions"),
    ("equipment.html", "Equipment"),
    ("agreement.html", "Own results"),
    ("index.html#letters", "Letters"),
    ("rules.html", "Rule book"),
    ("dictionary.html", "Dictionary"),
)


def write_centre(study: Study, data: CentreData, draw: Draw | None) -> PageFolder:
    """Write the folder of one centre; without `draw` no traces."""
    folder = PageFolder(
        study.path / "pages" / data.name,
        study.work_path / "pages" / f"centre-{data.name}.json",
        {"study_title": study.title, "place": data.title, "nav": NAV},
    )
    write_strips(folder, data, write_tests_and_sessions(folder, data, draw))
    tests, sessions = list_of_tests(data), list_of_sessions(data)
    for whole in (tests, sessions):
        write_list(folder, data, whole)
        context = {
            "listed": whole.listing(),
            "months": month_links(data, whole.name),
            "night_said": night_said(data.night),
        }
        folder.put_page(f"{whole.name}.html", "list.html.jinja", context)
    _write_months(folder, data, tests, sessions)
    write_letters(folder, study, data)
    folder.put_page("index.html", "centre.html.jinja", _first_page(data, tests))
    folder.put_page("equipment.html", "equipment.html.jinja", {"devices": devices_of(data)})
    agreement = agreement_by_technique(data.agreement, data.agreement_limits)
    folder.put_page(
        "agreement.html", "agreement.html.jinja", {"techniques": agreement, "centres": ()}
    )
    folder.put_page("rules.html", "rules.html.jinja", {"owners": rule_book(data.night)})
    folder.put_page("dictionary.html", "words.html.jinja", {"owners": owners()})
    folder.put_assets(traces=True)
    folder.finish()
    return folder


def write_tests_and_sessions(
    folder: PageFolder, data: CentreData, draw: Draw | None
) -> Sequence[tuple[str, str]]:
    """Write the pages of tests and sessions, or keep all where nothing they are made of changed.

    Returns the strips that they show, by technique and quantity. Where a trace could not be drawn
    it is tried again the next time.
    """
    parts = data.night.behind_tests(data.name)
    made_of = [parts, program_fingerprint(), folder.frame, draw is None]
    behind = digest_of(made_of) if parts else ""
    before = folder.noted()
    if behind and before.get("behind") == behind and folder.keep_below(*OF_TESTS):
        folder.note = before
        return [(technique, quantity) for technique, quantity in before["strips"]]
    traces = write_traces(folder, data, draw)
    strips = write_test_pages(folder, data, traces)
    write_session_pages(folder, data)
    drawn = all(
        test["test"] in traces
        for test in data.tests
        if data.trials.get((test["session"], test["technique"]))
    )
    folder.note = {"behind": behind if drawn else "", "strips": strips}
    return strips


def _first_page(data: CentreData, tests: ListOf) -> dict[str, Any]:
    groups = actions_of(data)
    listed = tests.listing(only=LOST)
    return {
        "groups": groups,
        "n_open": sum(group.n for group in groups),
        "rescue": rescuable(data),
        "lost": lost_reasons(data),
        "state": _state(data),
        "counts": count_tests(data.tests),
        "months": months_of(data.tests),
        "month_pages": month_links(data, "tests"),
        "recordings": conservation_lines(data.conservation),
        "listed": listed,
        "n_refused": listed.n,
        "letters": letters_of(data),
        "crashed": [
            (r["item"], r["technique"], r["why"] or "")
            for rows in data.recordings.values()
            for r in rows
            if r["state"] == "crashed"
        ],
        "night_said": night_said(data.night),
    }


def _state(data: CentreData) -> dict[str, Any]:
    """Say where the centre stands before anything else: what came, and when."""
    return {
        "empty": not data.sessions and not data.deliveries,
        "last_delivery": words.moment(data.centre["last_delivery_at"]),
        "n_deliveries": len(data.deliveries),
        "n_sessions": len(data.sessions),
    }


def conservation_lines(rows: list[Row]) -> list[tuple[str, list[int], bool]]:
    """Return recordings and trials by technique as the night balanced them."""
    names = ("delivered", "measured", "no_trial", "quarantined", "crashed", "superseded",
             "withdrawn", "found", "accepted", "rejected", "not_judgeable", "flagged")  # fmt: skip
    return [
        (
            technique_title(row["technique"]),
            [row[name] or 0 for name in names],
            bool(row["balances"]),
        )
        for row in rows
    ]


def _write_months(folder: PageFolder, data: CentreData, tests: ListOf, sessions: ListOf) -> None:
    """Write the pages by month, on which every row stands without a script."""
    for page in months_in(data):
        context = {
            "title": page.words,
            "counts": count_tests(data.tests[slice(*page.tests)]),
            "test_columns": tests.columns,
            "tests": tests.lines[slice(*page.tests)],
            "session_columns": sessions.columns,
            "sessions": sessions.lines[slice(*page.sessions)],
        }
        folder.put_page(page.file, "month.html.jinja", context)


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
                by_month.setdefault(month(test["tested_on"]), []).append(test["status"])
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
