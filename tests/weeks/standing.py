"""What stands after a night, read from the published warehouse, against what should stand."""

from __future__ import annotations

import hashlib
from collections import Counter
from datetime import timedelta
from pathlib import Path
from typing import Any

from quietsleep.warehouse.database import open_current
from tests.weeks.driver import START, device_of, sha256_of
from tests.weeks.oracle import Expected, Key

# Names that are not the driver's own: tables and columns of the warehouse.
NAMES = {
    "supersessions": "supersessions",
    "queries": "queries",
    "problems": "problems",
    "item": "item",  # of recordings: session/recording
    "superseded": "superseded",  # of conservation
    "withdrawn": "withdrawn",
}


class Published:
    """The published warehouse of one night, opened once."""

    def __init__(self, study: Path) -> None:
        self.connection = open_current(study)

    def __enter__(self) -> Published:
        return self

    def __exit__(self, *told: object) -> None:
        self.connection.close()

    def __call__(self, sql: str) -> list[tuple[Any, ...]]:
        """Rows that an SQL statement gives."""
        return self.connection.execute(sql).fetchall()


def check_item(centre: str, key: Key) -> str:
    """A check of the oracle as the warehouse calls it: device/local day/code."""
    day = (START + timedelta(days=int(key[1]))).date()
    return f"{device_of(centre)}/{day.isoformat()}/{key[2]}"


def has_table(ask: Published, name: str) -> bool:
    """Whether the warehouse has a table of this name."""
    sql = f"SELECT count(*) FROM information_schema.tables WHERE table_name = '{NAMES[name]}'"
    return bool(ask(sql)[0][0])


def differences(ask: Published, expected: Expected) -> list[str]:
    """Where the published warehouse is not as it should be; one line each."""
    said: list[str] = []

    def hold(what: str, stands: Any, should: Any) -> None:
        if stands != should:
            said.append(f"{what}: {_difference(stands, should)}")

    hold("sessions", _sessions(ask), expected.sessions)
    hold("held sessions", _held_sessions(ask), expected.held_sessions)
    should = {k: (d, sha256_of(b)) for k, (d, b) in expected.recordings.items()}
    hold("recordings", _recordings(ask), should)
    hold("held recordings", _held_recordings(ask), Counter(expected.held_recordings))
    should = {
        (k[0], check_item(k[0], k)): (d, sha256_of(b)) for k, (d, b) in expected.checks.items()
    }
    hold("checks", _checks(ask), should)
    hold("reported", _reported(ask), expected.reported)
    hold("accepted tests", _accepted(ask), expected.accepted)
    linked = {k: check_item(k[0], c) for k, c in expected.session_checks.items()}
    hold("session checks", _session_checks(ask), linked)
    hold("conservation", *_conservation(ask, expected))
    hold("superseded", *_superseded(ask, expected))
    hold("centres", dict(ask("SELECT centre, state FROM centres")), expected.centres)
    hold("deliveries", *_deliveries(ask, expected))
    hold("withdrawn", _mentions(ask, expected), [])
    return said


def _difference(stands: Any, should: Any) -> str:
    """What stands and should not, and the other way."""
    if isinstance(stands, dict) and isinstance(should, dict):
        keys = sorted(k for k in {*stands, *should} if stands.get(k) != should.get(k))
        return "; ".join(f"{k} is {stands.get(k)}, should be {should.get(k)}" for k in keys)
    if isinstance(stands, set) and isinstance(should, set):
        return f"too many {sorted(stands - should)}, missing {sorted(should - stands)}"
    return f"is {stands}, should be {should}"


def _sessions(ask: Published) -> dict[Key, tuple[str, float, str]]:
    rows = ask(
        "SELECT centre, session, delivery, weight_kg, infant FROM sessions "
        "WHERE status <> 'quarantined'",
    )
    return {(c, s): (d, w, i) for c, s, d, w, i in rows}


def _held_sessions(ask: Published) -> set[Key]:
    return set(ask("SELECT centre, session FROM sessions WHERE status = 'quarantined'"))


def _recordings(ask: Published) -> dict[Key, tuple[str, str]]:
    rows = ask(
        "SELECT centre, session, recording, delivery, file_sha256 FROM recordings "
        "WHERE state <> 'quarantined'",
    )
    return {(c, s, r): (d, sha) for c, s, r, d, sha in rows}


def _held_recordings(ask: Published) -> Counter[tuple[str, str, str, str]]:
    return Counter(
        ask(
            "SELECT centre, session, recording, delivery FROM recordings "
            "WHERE state = 'quarantined'",
        )
    )


def _checks(ask: Published) -> dict[Key, tuple[str, str]]:
    rows = ask(
        "SELECT centre, check_id, delivery, file_sha256 FROM checks WHERE state <> 'quarantined'",
    )
    return {(c, i): (d, sha) for c, i, d, sha in rows}


def _reported(ask: Published) -> dict[Key, tuple[str, float]]:
    rows = ask("SELECT centre, session, outcome, delivery, value FROM reported")
    return {(c, s, o): (d, v) for c, s, o, d, v in rows}


def _accepted(ask: Published) -> set[Key]:
    return set(ask("SELECT centre, session FROM tests WHERE status = 'accepted'"))


def _session_checks(ask: Published) -> dict[Key, str]:
    rows = ask("SELECT centre, session, check_id FROM session_checks")
    return {(c, s): i for c, s, i in rows}


def _conservation(ask: Published, expected: Expected) -> tuple[Any, Any]:
    """Counts of recordings by centre over all techniques, those that are not 0."""
    rows = ask(
        f"SELECT centre, sum(delivered), sum(measured) + sum(no_trial), sum(quarantined), "
        f"sum({NAMES['superseded']}), sum({NAMES['withdrawn']}), bool_and(balances) "
        "FROM conservation GROUP BY centre",
    )
    words = ("delivered", "in_force", "quarantined", "superseded", "withdrawn")
    stands = {c: {w: int(n) for w, n in zip(words, ns, strict=True) if n} for c, *ns, _ in rows}
    should = {c: {w: n for w, n in counts.items() if n} for c, counts in expected.counts.items()}
    for centre, *_, balances in rows:
        if not balances:
            stands[centre]["does not balance"] = 1
    return stands, should


def _superseded(ask: Published, expected: Expected) -> tuple[Any, Any]:
    """Rows that were replaced; of those that replaced it the warehouse may name any."""
    rows = ask(
        f"SELECT centre, item_kind, item, delivery, by_delivery FROM {NAMES['supersessions']}",
    )
    stands = {(c, k, i, d): by for c, k, i, d, by in rows}
    should = {}
    for (centre, kind, key, delivery), by in expected.superseded.items():
        item = check_item(centre, key) if kind == "check" else "/".join(key[1:])
        full = (centre, kind, item, delivery)
        should[full] = stands[full] if stands.get(full) in by else " or ".join(sorted(by))
    return stands, should


def _deliveries(ask: Published, expected: Expected) -> tuple[dict[Key, str], dict[Key, str]]:
    """States of deliveries, as far as the rules name them.

    One that was taken away may be called either while its content is still kept.
    """
    rows = ask("SELECT centre, delivery, state FROM deliveries")
    special = ("gone", "arriving")
    stands: dict[Key, str] = {(c, d): s if s in special else "arrived" for c, d, s in rows}
    should = expected.deliveries
    either = {k for k, s in should.items() if s == "gone" and stands.get(k) in {"arrived", s}}
    return {k: should[k] if k in either else s for k, s in stands.items()}, should


def _mentions(ask: Published, expected: Expected) -> list[str]:
    """Tables that still hold a row of a session that is out."""
    found = []
    columns = ask(
        "SELECT table_name FROM information_schema.columns WHERE column_name = 'session' "
        "INTERSECT SELECT table_name FROM information_schema.columns WHERE column_name = 'centre'",
    )
    for (table,) in columns:
        if table == NAMES["queries"]:
            continue
        rows = ask(f'SELECT DISTINCT centre, session FROM "{table}"')
        found += [f"{table} {row}" for row in rows if row in expected.withdrawn]
    return sorted(found)


def values_of(ask: Published) -> dict[Key, tuple[tuple[str, float], ...]]:
    """Outcomes of every accepted test."""
    rows = ask(
        "SELECT centre, session, outcome, value FROM outcomes WHERE value IS NOT NULL ORDER BY ALL",
    )
    found: dict[Key, tuple[tuple[str, float], ...]] = {}
    for centre, session, outcome, value in rows:
        found[centre, session] = (*found.get((centre, session), ()), (outcome, value))
    return found


def parts(path: Path) -> dict[str, str]:
    """Digests of the published parquet, but for tables that speak of nights."""
    tables = (path / "warehouse" / "current").resolve() / "tables"
    of_nights = {"nights", "changes", "ledger", "problems", "conservation",
                 "session_changes", "briefing"}  # fmt: skip
    return {
        str(file.relative_to(tables)): hashlib.sha256(file.read_bytes()).hexdigest()
        for file in sorted(tables.rglob("*.parquet"))
        if file.relative_to(tables).parts[0] not in of_nights
    }
