"""What a page asks a reader to act on: a matter, a group of matters, links to tests."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from quietsleep.site.faults import technique_title
from quietsleep.site.pages.test import test_file
from quietsleep.site.read import CentreData, Row
from quietsleep.site.words import Sign

MOST_ROWS = 25
MOST_LINKS = 40


class Link(NamedTuple):
    """A link with its words."""

    text: str
    href: str


class ActionItem(NamedTuple):
    """One thing to act on: a headline, its particulars as a table, what to do, where to look."""

    headline: str
    sign: Sign
    note: str
    columns: tuple[str, ...]
    rows: tuple[tuple[Link | str, ...], ...]
    more: int
    todo: tuple[str, ...]
    links: tuple[Link, ...]


class Group(NamedTuple):
    """Matters of one kind."""

    key: str
    title: str
    summary: str
    matters: tuple[ActionItem, ...]
    earlier: tuple[ActionItem, ...] = ()


def tests_of(data: CentreData, sessions: set[str]) -> list[Row]:
    """Return the tests of these sessions."""
    return [test for test in data.tests if test["session"] in sessions]


def test_links(tests: Iterable[Row], root: str) -> list[Link]:
    """Return a link to each test."""
    return [
        Link(
            f"{t['session']}, {technique_title(t['technique'])}",
            root + test_file(t["test"]),
        )
        for t in tests
    ]
