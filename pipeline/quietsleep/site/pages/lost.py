"""Tests that were lost, ranked by reason: what each reason cost, and what would have saved them.

The table `lost_tests` counts; here its rows are only put together over months, operators and
devices.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple
from urllib.parse import urlencode

from quietsleep.contract import SESSION
from quietsleep.contract.model import fault_for
from quietsleep.site import words
from quietsleep.site.read import CentreData, Row
from quietsleep.site.words import count, technique_title
from quietsleep.warehouse.lost_tests import QUARANTINED


class LostReason(NamedTuple):
    """One reason for which tests of one technique were lost.

    `alone` counts those that have no other reason, so that mending it would have saved them.
    """

    technique: str
    reason: str
    n: int
    alone: int
    cost: str
    remedy: str
    href: str
    split: tuple[tuple[str, str], ...]


def lost_reasons(data: CentreData, rows: Sequence[Row] | None = None) -> list[LostReason]:
    """Return the reasons of a centre, or of some rows of `lost_tests`, the dearest first."""
    groups: dict[tuple[str, ...], list[Row]] = {}
    for row in data.lost if rows is None else rows:
        # What is wrong with a session is one reason for all that was measured in it.
        owner = SESSION.key if row["level"] == "session" else row["technique"]
        key = (owner, row["level"], row["rule"], str(row["is_missing"]))
        groups.setdefault(key, []).append(row)
    found = [_reason(data, key[0], own) for key, own in groups.items() if not _follows(own)]
    return sorted(found, key=lambda r: (-r.alone, -r.n, r.technique, r.reason))


def _follows(rows: Iterable[Row]) -> bool:
    """Say whether in all of these tests too few trials were left, by what was wrong there."""
    return not any(
        row["n_tests_alone"]
        or row["level"] != "test"
        or not (row["quantity"] == "n_accepted" or row["is_missing"])
        for row in rows
    )


def _reason(data: CentreData, owner: str, rows: Sequence[Row]) -> LostReason:
    first = rows[-1]
    versions = data.night.rules.get(first["rule"], [])
    if versions:
        rule = versions[-1]
        fault = fault_for(rule["fault"], rule["fault_missing"], is_missing=first["is_missing"])
    else:
        fault = "not read" if first["rule"] == QUARANTINED else words.rule_name(first["rule"])
    asked = {"status": QUARANTINED} if first["rule"] == QUARANTINED else {"rule": first["rule"]}
    if owner != SESSION.key:
        asked |= {"technique": owner}
    n, alone = (sum(row[name] for row in rows) for name in ("n_tests", "n_tests_alone"))
    return LostReason(
        technique_title(owner),
        fault,
        n,
        alone,
        _cost(n, alone),
        next((row["remedy"] for row in reversed(rows) if row["remedy"]), ""),
        f"tests.html#{urlencode(asked)}",
        tuple(
            (title, _split(rows, name))
            for title, name in (("Month", "month"), ("Operator", "operator"), ("Device", "device"))
        ),
    )


def _split(rows: Iterable[Row], name: str) -> str:
    """Say how many tests were lost by each month, operator or device."""
    counts: dict[str, int] = {}
    for row in rows:
        counts[row[name]] = counts.get(row[name], 0) + row["n_tests"]
    ordered = sorted(counts.items(), key=lambda pair: (-pair[1], pair[0]))
    if name == "month":
        ordered = sorted(counts.items(), reverse=True)
    return ", ".join(f"{_word(name, key)} {n}" for key, n in ordered)


def _word(name: str, key: str) -> str:
    try:
        return words.month_words(key) if name == "month" else key
    except ValueError:
        return key


def _cost(n: int, alone: int) -> str:
    """Say what one reason cost, and how much of it hangs on this reason alone."""
    said = f"{count(n, 'test')} lost"
    if alone == n:
        return f"{said}, for nothing else"
    return f"{said}, {alone} of them for nothing else" if alone else said
