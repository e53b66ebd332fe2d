"""The pages of one centre: what needs action, its tests, equipment, agreement and the rule book.

Tests are counted by technique and month; the counts add up to the rows of the warehouse. Lists of
tests can be filtered by status, technique, rule, operator and month: each row carries short tokens
(``s1 t0 m4 r2 r7``), and a choice in a filter keeps the rows that carry its token. Without a script
the list is whole and the filters are not shown.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

from markupsafe import Markup

from quietsleep import contract
from quietsleep.site import words
from quietsleep.site.actions import actions_of, rescuable
from quietsleep.site.charts import Month, months_chart, shares_of
from quietsleep.site.folder import PageFolder, test_file
from quietsleep.site.pages.agreement import agreement_by_technique
from quietsleep.site.pages.equipment import devices_of
from quietsleep.site.pages.rulebook import rule_book
from quietsleep.site.pages.test import write_test_pages
from quietsleep.site.read import CentreData, Row
from quietsleep.site.traces import Draw, write_traces
from quietsleep.site.words import Sign, month, month_words, night_said, share, technique_title
from quietsleep.study.study import Study

MOST_ON_FIRST_PAGE = 1600
MOST_ON_MONTH_PAGE = 2500

NAV = (
    ("index.html", "Act on"),
    ("index.html#tests", "Tests"),
    ("equipment.html", "Equipment"),
    ("agreement.html", "Own results"),
    ("rules.html", "Rule book"),
)


def write_centre(study: Study, data: CentreData, draw: Draw | None) -> PageFolder:
    """Write the folder of one centre; without `draw` no traces."""
    folder = PageFolder(
        study.path / "pages" / data.name,
        study.work_path / "pages" / f"centre-{data.name}.json",
        {"study_title": study.title, "place": data.title, "nav": NAV},
    )
    traces = write_traces(folder, data, draw)
    write_test_pages(folder, data, traces)
    _write_months(folder, data)
    folder.put_page("index.html", "centre.html.jinja", _first_page(data))
    folder.put_page("equipment.html", "equipment.html.jinja", {"devices": devices_of(data)})
    agreement = agreement_by_technique(data.agreement, data.agreement_limits)
    folder.put_page(
        "agreement.html", "agreement.html.jinja", {"techniques": agreement, "centres": ()}
    )
    folder.put_page("rules.html", "rules.html.jinja", {"owners": rule_book(data.night)})
    folder.put_assets(traces=True)
    folder.finish()
    return folder


def _first_page(data: CentreData) -> dict[str, Any]:
    refused = [test for test in data.tests if test["status"] != "accepted"]
    months = months_of(data.tests)
    groups = actions_of(data)
    return {
        "groups": groups,
        "n_open": sum(group.n for group in groups),
        "rescue": rescuable(data),
        "state": _state(data),
        "counts": count_tests(data.tests),
        "months": months,
        "month_pages": _month_pages(data),
        "recordings": conservation_lines(data.conservation),
        "listed": list_of(data, refused[:MOST_ON_FIRST_PAGE]),
        "n_refused": len(refused),
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


def _month_pages(data: CentreData) -> list[tuple[str, str, int]]:
    """Return file, words and number of tests of each page that lists a month whole."""
    by_month: dict[str, int] = {}
    for test in data.tests:
        key = words.month(test["tested_on"])
        by_month[key] = by_month.get(key, 0) + 1
    found = []
    for key in sorted(by_month, reverse=True):
        for part in range(0, by_month[key], MOST_ON_MONTH_PAGE):
            n = min(MOST_ON_MONTH_PAGE, by_month[key] - part)
            number = part // MOST_ON_MONTH_PAGE + 1
            suffix, said = ("", "") if number == 1 else (f"-{number}", f", part {number}")
            found.append((f"months/{key}{suffix}.html", words.month_words(key) + said, n))
    return found


def _write_months(folder: PageFolder, data: CentreData) -> None:
    start = 0
    # Tests and month pages run in the same order, the newest first.
    for name, title, n in _month_pages(data):
        tests = data.tests[start : start + n]
        start += n
        context = {"title": title, "listed": list_of(data, tests), "counts": count_tests(tests)}
        folder.put_page(name, "month.html.jinja", context)


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


class Choice(NamedTuple):
    """One choice of a filter: its token, its words, its word in a link, its number of rows."""

    token: str
    words: str
    link: str
    n: int


class Filter(NamedTuple):
    """One filter above a list."""

    name: str
    title: str
    choices: tuple[Choice, ...]


class ListLine(NamedTuple):
    """One test in a list."""

    tokens: str
    href: str
    session: str
    technique: str
    sign: Sign
    flagged: bool
    date: str
    sort_date: str
    operator: str
    reasons: str


class TestList(NamedTuple):
    """A list of tests with its filters."""

    lines: tuple[ListLine, ...]
    filters: tuple[Filter, ...]


class _Tokens:
    """Gives each value of one filter a token and counts its rows."""

    def __init__(self, letter: str) -> None:
        self.letter = letter
        self.seen: dict[str, int] = {}
        self.places: dict[str, int] = {}

    def token(self, value: str) -> str:
        place = self.places.setdefault(value, len(self.places))
        self.seen[value] = self.seen.get(value, 0) + 1
        return f"{self.letter}{place}"

    def choices(self, said: dict[str, str], *, newest_first: bool = False) -> tuple[Choice, ...]:
        found = [
            Choice(f"{self.letter}{place}", said.get(value, value), value, self.seen[value])
            for value, place in self.places.items()
        ]
        if newest_first:
            return tuple(sorted(found, key=lambda c: c.link, reverse=True))
        return tuple(sorted(found, key=lambda c: c.words.lower()))


def failed_rules(data: CentreData, test: Row) -> dict[str, int]:
    """Return the rules that kept a test from acceptance, with how many trials failed each."""
    found: dict[str, int] = {}
    key = (test["session"], test["technique"])
    items = [("session", test["session"]), ("test", test["test"])]
    items += [("trial", trial["trial"]) for trial in data.trials.get(key, [])]
    for item in items:
        for row in data.faults.get(item, []):
            if row["severity"] == "reject" and row["state"] in ("fail", "not_judged"):
                found[row["rule"]] = found.get(row["rule"], 0) + 1
    return found


def list_of(data: CentreData, tests: Sequence[Row]) -> TestList:
    """Build the list of the given tests with the filters that fit it."""
    status, technique, rule = _Tokens("s"), _Tokens("t"), _Tokens("r")
    operator, month = _Tokens("o"), _Tokens("m")
    lines = []
    for test in tests:
        failed = failed_rules(data, test) if test["status"] != "accepted" else {}
        who = test["operator"] or "not given"
        tokens = [
            status.token(test["status"]),
            technique.token(test["technique"]),
            operator.token(who),
            month.token(words.month(test["tested_on"])),
            *(rule.token(name) for name in failed),
        ]
        lines.append(_line(test, who, tokens, failed))
    titles = {key: technique_title(key) for key in technique.places}
    rules = {
        key: f"{titles.get(key.partition('.')[0], 'Session')}: {words.rule_name(key)}"
        for key in rule.places
    }
    months = {key: words.month_words(key) for key in month.places}
    signs = {key: words.sign(key).word for key in status.places}
    filters = (
        Filter("status", "Status", status.choices(signs)),
        Filter("technique", "Technique", technique.choices(titles)),
        Filter("rule", "Rule not met", rule.choices(rules)),
        Filter("operator", "Operator", operator.choices({})),
        Filter("month", "Month", month.choices(months, newest_first=True)),
    )
    return TestList(tuple(lines), tuple(f for f in filters if f.choices))


def _line(test: Row, who: str, tokens: list[str], failed: dict[str, int]) -> ListLine:
    reasons = "; ".join(
        words.rule_name(rule) + (f" ×{n}" if n > 1 else "") for rule, n in failed.items()
    )
    if not reasons and test["status"] != "accepted":
        reasons = (test["why"] or "")[:160]
    return ListLine(
        tokens=" ".join(tokens),
        href=test_file(test["test"]),
        session=test["session"],
        technique=technique_title(test["technique"]),
        sign=words.sign(test["status"]),
        flagged=bool(test["flagged"]),
        date=words.day(test["tested_on"]),
        sort_date=test["tested_at"].strftime("%Y%m%d%H%M") if test["tested_at"] else "",
        operator=who,
        reasons=reasons,
    )
