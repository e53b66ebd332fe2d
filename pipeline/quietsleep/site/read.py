"""What the pages read: the published database of one night, and nothing else.

Every question about a centre names the centre, so that its folder cannot hold anything of another.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from pathlib import Path
from typing import Any

from quietsleep.warehouse.current import night_facts
from quietsleep.warehouse.database import open_night

Row = dict[str, Any]
_LIMITS = ("limit_low", "limit_high")
# What pages of tests and sessions are made of: tables of their centre, and of the whole study.
BEHIND_TESTS = frozenset(
    {"centres", "sessions", "tests", "recordings", "trials", "trial_values", "verdicts", "checks",
     "check_values", "session_checks", "deliveries", "problems", "queries", "agreement", "outcomes",
     "rules", "sources", "waivers"}
)  # fmt: skip


class PublishedNight:
    """One published night, open for reading."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._connection = open_night(path)

    def rows(self, sql: str, *given: Any) -> list[Row]:
        """Return the rows of one question as dictionaries."""
        answer = self._connection.execute(sql, list(given))
        names = [column[0] for column in answer.description or []]
        return [dict(zip(names, row, strict=True)) for row in answer.fetchall()]

    def tuples(self, sql: str, *given: Any) -> list[tuple[Any, ...]]:
        """Return the rows of one question as tuples."""
        return self._connection.execute(sql, list(given)).fetchall()

    def close(self) -> None:
        """Close the database."""
        self._connection.close()

    @cached_property
    def night(self) -> Row:
        """The row of this night: when it ran and how it ended."""
        return self.rows("SELECT * FROM nights ORDER BY started_at DESC LIMIT 1")[0]

    @cached_property
    def facts(self) -> Row:
        """What NIGHT.json says beyond the tables; empty when there is no such file."""
        try:
            return night_facts(self.path)
        except FileNotFoundError:
            return {}

    @cached_property
    def rules(self) -> dict[str, list[Row]]:
        """Rules by key, each with its dated versions, oldest first."""
        found: dict[str, list[Row]] = defaultdict(list)
        for row in self.rows("SELECT * FROM rules ORDER BY owner, level, rule, valid_from"):
            found[row["rule"]].append(row)
        return dict(found)

    @cached_property
    def citations(self) -> dict[str, str]:
        """Full citation of each source key."""
        return {str(k): str(v) for k, v in self.tuples("SELECT source, citation FROM sources")}

    def rule_behind(self, verdict: Row, day: date | None) -> Row:
        """Return the version of a rule that gave a verdict on an item of that local day.

        It is the one with the limits of the verdict. Where several have them, it is the one in
        force on that day, else the newest. Empty for a rule that is not known.
        """
        versions = self.rules.get(verdict["rule"], [])
        same = [row for row in versions if all(row[n] == verdict[n] for n in _LIMITS)] or versions
        for row in same:
            until = row["valid_until"]
            if day and row["valid_from"] <= day and (until is None or day <= until):
                return row
        return same[-1] if same else {}

    def others_density(
        self, centre: str, technique: str, quantity: str, *, bins: int, least_centres: int
    ) -> tuple[float, float, list[int]] | None:
        """Count the values of a trial quantity at all other centres together, in few bins.

        Return where the first bin begins, how wide each is, and the counts in percent of the
        largest, which tell neither a centre nor a number of infants; None where fewer than
        `least_centres` other centres have values, or all are the same.
        """
        (low, high, n), *_ = self.tuples(
            "SELECT quantile_cont(value, 0.01), quantile_cont(value, 0.99), count(DISTINCT centre) "
            "FROM trial_values WHERE centre <> ? AND technique = ? AND quantity = ? "
            "AND isfinite(value)",
            centre, technique, quantity,
        )  # fmt: skip
        if n < least_centres or not high > low:
            return None
        wide = (high - low) / bins
        counted = dict(self.tuples(
            "SELECT least(floor((value - ?) / ?), ?)::INTEGER AS bin, count(*) FROM trial_values "
            "WHERE centre <> ? AND technique = ? AND quantity = ? AND isfinite(value) "
            "AND value BETWEEN ? AND ? GROUP BY bin",
            low, wide, bins - 1, centre, technique, quantity, low, high,
        ))  # fmt: skip
        most = max(counted.values())
        return low, wide, [round(100 * counted.get(at, 0) / most) for at in range(bins)]

    def behind_tests(self, centre: str) -> list[list[str]]:
        """Name every part that pages of a centre's tests and sessions are made of, by its digest.

        Empty for a night of an earlier form, which knows none.
        """
        parts = [part for part in self.facts.get("parts", ()) if part["table"] in BEHIND_TESTS]
        own = [p for p in parts if f"/centre={centre}/" in p["path"] or "/centre=" not in p["path"]]
        if not all(part.get("contents_sha256") for part in own):
            return []
        return sorted([part["path"], part["contents_sha256"]] for part in own)

    def centres(self) -> list[Row]:
        """Return all centres of the study."""
        return self.rows("SELECT * FROM centres ORDER BY centre")


def grouped(rows: Iterable[Row], *names: str) -> dict[Any, list[Row]]:
    """Group rows by one column, or by several as a tuple."""
    found: dict[Any, list[Row]] = defaultdict(list)
    for row in rows:
        key = row[names[0]] if len(names) == 1 else tuple(row[name] for name in names)
        found[key].append(row)
    return dict(found)


@dataclass(frozen=True)
class CentreData:
    """Everything of one centre that its pages say, read once."""

    night: PublishedNight
    centre: Row
    sessions: dict[str, Row]
    tests: list[Row]
    recordings: dict[tuple[str, str], list[Row]]
    trials: dict[tuple[str, str], list[Row]]
    faults: dict[tuple[str, str], list[Row]]
    checks: list[Row]
    check_verdicts: dict[str, list[Row]]
    deliveries: list[Row]
    problems: list[Row]
    queries: list[Row]
    devices: list[Row]
    agreement: list[Row]
    agreement_limits: list[Row]
    outcomes: dict[tuple[str, str], list[Row]]
    waivers: dict[str, Row]
    conservation: list[Row]
    session_checks: list[Row]
    lost: list[Row]
    drifts: list[Row]
    places: list[Row]

    @cached_property
    def checks_of(self) -> dict[tuple[str, str], list[Row]]:
        """Checks of one kind on one device in order of time."""
        dated = (c for c in self.checks if c["done_at"] and c["device"] and c["kind"])
        return grouped(dated, "kind", "device")

    @cached_property
    def check_named(self) -> dict[str, Row]:
        """The checks by their names."""
        return {row["check_id"]: row for row in self.checks}

    @cached_property
    def checks_behind(self) -> dict[tuple[str, str], Row]:
        """The check of each (session, kind) that a session rests on, as the night linked them."""
        return {
            (row["session"], row["kind"]): self.check_named[row["check_id"]]
            for row in self.session_checks
        }

    @cached_property
    def hanging(self) -> dict[str, list[str]]:
        """The sessions that rest on each check, in order of time."""
        order = {session: at for at, session in enumerate(self.sessions)}
        rows = sorted(self.session_checks, key=lambda row: order[row["session"]])
        return {
            check: [row["session"] for row in own]
            for check, own in grouped(rows, "check_id").items()
        }

    def rule_behind(self, verdict: Row) -> Row:
        """Return the version of the rule that gave a verdict, by the day of its item."""
        if verdict["item_kind"] == "check":
            return self.night.rule_behind(verdict, self.check_named[verdict["item"]]["done_on"])
        session = self.sessions.get(verdict["session"] or "", {})
        return self.night.rule_behind(verdict, session.get("tested_on"))

    def values_of(self, tests: Sequence[Row]) -> dict[str, dict[str, float]]:
        """Read the quantities of all trials of some tests; of a whole centre they fill memory."""
        keys = [(test["session"], test["technique"]) for test in tests]
        codes = [trial["trial"] for key in keys for trial in self.trials.get(key, [])]
        found: dict[str, dict[str, float]] = defaultdict(dict)
        for trial, quantity, value in self.night.tuples(
            "SELECT trial, quantity, value FROM trial_values "
            "WHERE centre = ? AND trial IN (SELECT unnest(?))",
            self.name,
            codes,
        ):
            found[trial][quantity] = value
        return dict(found)

    def values_of_quantity(self, technique: str, quantity: str) -> list[tuple[str, float]]:
        """Read one quantity of all trials of a technique, by trial; the smallest first."""
        return self.night.tuples(
            "SELECT trial, value FROM trial_values WHERE centre = ? AND technique = ? "
            "AND quantity = ? AND isfinite(value) ORDER BY value, trial",
            self.name, technique, quantity,
        )  # fmt: skip

    @property
    def name(self) -> str:
        """The key of the centre."""
        return str(self.centre["centre"])

    @property
    def title(self) -> str:
        """The title of the centre; its key where it has none."""
        return str(self.centre["title"] or self.name)


def read_centre(night: PublishedNight, centre: str) -> CentreData:
    """Read everything of one centre; KeyError for one that the night does not know."""

    def of_centre(table: str, order: str, where: str = "") -> list[Row]:
        return night.rows(
            f"SELECT * FROM {table} WHERE centre = ? {where} ORDER BY {order}", centre
        )

    known = of_centre("centres", "centre")
    if not known:
        raise KeyError(f"the warehouse knows no centre {centre!r}")
    verdicts = of_centre("verdicts", "item, rule", "AND (state <> 'pass' OR item_kind = 'check')")
    return CentreData(
        night=night,
        centre=known[0],
        sessions={row["session"]: row for row in of_centre("sessions", "tested_at, session")},
        tests=of_centre("tests", "tested_on DESC NULLS LAST, tested_at DESC NULLS LAST, test"),
        recordings=grouped(of_centre("recordings", "recording"), "session", "technique"),
        trials=grouped(of_centre("trials", "recording, trial_index"), "session", "technique"),
        faults=grouped([row for row in verdicts if row["state"] != "pass"], "item_kind", "item"),
        checks=of_centre("checks", "done_at NULLS FIRST, check_id"),
        check_verdicts=grouped((r for r in verdicts if r["item_kind"] == "check"), "item"),
        deliveries=of_centre("deliveries", "arrival DESC NULLS FIRST, delivery"),
        problems=of_centre("problems", "problem"),
        queries=of_centre("queries", "query"),
        devices=of_centre("devices", "device, valid_from"),
        agreement=of_centre("agreement", "technique, outcome, session"),
        agreement_limits=of_centre("agreement_limits", "outcome, unit"),
        outcomes=grouped(of_centre("outcomes", "session, outcome"), "session", "technique"),
        waivers=_waivers(night, verdicts),
        conservation=of_centre("conservation", "technique"),
        session_checks=of_centre("session_checks", "session, kind"),
        lost=of_centre("lost_tests", "technique, level, rule, month"),
        drifts=of_centre("drifts", "device, kind, quantity"),
        places=of_centre("places", "month, technique"),
    )


def _waivers(night: PublishedNight, verdicts: list[Row]) -> dict[str, Row]:
    named = {row["waiver"] for row in verdicts if row["waiver"]}
    rows = night.rows("SELECT * FROM waivers ORDER BY waiver")
    return {row["waiver"]: row for row in rows if row["waiver"] in named}
