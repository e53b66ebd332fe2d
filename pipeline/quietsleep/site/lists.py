"""Lists of tests that a reader can filter by status, technique, rule, operator and month.

Each row carries short tokens (``s1 t0 m4 r2 r7``); a choice in a filter keeps the rows that carry
its token. Without a script the list is whole and the filters are not shown.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from quietsleep.site import words
from quietsleep.site.faults import technique_title
from quietsleep.site.pages.test import test_file
from quietsleep.site.read import CentreData, Row
from quietsleep.site.words import Sign


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
            month.token(words.month(test["tested_at"])),
            *(rule.token(name) for name in failed),
        ]
        lines.append(_line(test, who, tokens, failed))
    titles = {key: technique_title(key) for key in technique.places}
    rules = {
        key: f"{titles.get(key.partition('.')[0], 'Visit')}: {words.rule_name(key)}"
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
        date=words.day(test["tested_at"]),
        sort_date=test["tested_at"].strftime("%Y%m%d%H%M") if test["tested_at"] else "",
        operator=who,
        reasons=reasons,
    )
