"""What a release amounts to: where its sessions and tests went, what is accepted, what came out.

Everything is counted from what the release holds. A flow begins with what was planned or done and
ends with what can be analysed; each box is the one before it less what was lost between them.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from quietsleep.errors import WarehouseError
from quietsleep.judge.readers import ALL
from quietsleep.warehouse.statistics import share_interval

if TYPE_CHECKING:
    import duckdb

STEPS = ("attempted", "delivered", "readable", "judged", "accepted", "analysed")
# What a planned visit or technique is that did not come, by the state of it.
NOT_COME = {
    "not_yet": "not due yet",
    "due": "due now, not here yet",
    "overdue": "overdue",
    "missing": "nothing came",
}
QUARANTINED = "held: not readable or not sound as a file"
NO_TRIAL = "no trial was found in it"
NOT_COMPUTABLE = "no outcome could be computed"
# Of several reasons the first of these counts in a flow, so that it adds up.
GROUPS = (
    ("session", "a rule on the session"),
    ("check", "an equipment check that it rests on"),
    ("few", "too few accepted trials"),
    ("test", "another rule on the test"),
)

_FATES = f"""WITH said AS (
    SELECT centre, session, technique, count(value) AS n_values,
        min(split_part(why, ': ', 1)) AS kind, min(why) AS why
    FROM all_outcomes GROUP BY ALL
)
SELECT t.centre, t.session, t.technique,
    CASE WHEN s.n_values > 0 THEN 'analysed'
        WHEN s.kind = 'quarantined' THEN 'readable'
        WHEN t.n_trials = 0 AND s.kind IN ('rejected', 'not judgeable') THEN 'no trial'
        WHEN s.kind = 'not judgeable' THEN 'judged'
        WHEN s.kind = 'rejected' THEN 'accepted'
        ELSE '{NOT_COMPUTABLE}' END AS fate,
    CASE WHEN s.kind IN ('rejected', 'not judgeable') AND s.n_values = 0
        THEN substr(s.why, length(s.kind) + 3) END AS reasons
FROM tests AS t LEFT JOIN said AS s USING (centre, session, technique)
ORDER BY ALL"""
_PLANNED_TESTS = """SELECT e.technique, count(*) FROM expected AS e
LEFT JOIN tests AS t USING (centre, session, technique)
WHERE e.what = 'technique' AND t.test IS NULL GROUP BY ALL ORDER BY ALL"""
_VISITS = """SELECT e.state, count(*) FROM expected AS e
LEFT JOIN sessions AS s USING (centre, session)
WHERE e.what = 'visit' AND s.status IS NULL GROUP BY ALL ORDER BY ALL"""
_SESSIONS = """SELECT s.status, count(*) AS n,
    count(*) FILTER (EXISTS (SELECT 1 FROM clean_outcomes AS c
        WHERE c.centre = s.centre AND c.session = s.session)) AS n_analysed
FROM sessions AS s GROUP BY ALL ORDER BY ALL"""


@dataclass(frozen=True, slots=True)
class FlowStep:
    """One box of a flow: how many there are, and what was lost on the way to it, by reason."""

    key: str
    n: int
    losses: tuple[tuple[str, int], ...] = ()


@dataclass(frozen=True, slots=True)
class Flow:
    """Boxes in the order of `STEPS`, each the one before it less its losses."""

    steps: tuple[FlowStep, ...]
    is_planned: bool

    def n(self, key: str) -> int:
        """Return how many there are in one box."""
        return next(step.n for step in self.steps if step.key == key)


@dataclass(frozen=True, slots=True)
class AcceptedShare:
    """Accepted tests of one technique at one centre; both may be `all`.

    `low_pct` and `high_pct` are the exact 95 % interval of the share.
    """

    technique: str
    centre: str
    n_tests: int
    n_accepted: int
    n_flagged: int
    share_pct: float
    low_pct: float
    high_pct: float


@dataclass(frozen=True, slots=True)
class OutcomeSpread:
    """How one outcome lies: median and quartiles of the values, and of the z-scores if any."""

    technique: str
    outcome: str
    unit: str
    equation: str
    n: int
    n_flagged: int
    values: tuple[float, float, float, float, float]
    n_z: int
    z: tuple[float, float, float] | None


@dataclass(frozen=True, slots=True)
class Account:
    """Where the sessions and tests of a release went, and how many of the tests are accepted."""

    sessions: Flow
    tests: Flow
    by_technique: Mapping[str, Flow]
    shares: tuple[AcceptedShare, ...]
    spreads: tuple[OutcomeSpread, ...]


def account_of(connection: duckdb.DuckDBPyConnection) -> Account:
    """Count what a release holds.

    WarehouseError where its tables contradict each other, so that no flow would add up.
    """
    fates = connection.execute(_FATES).fetchall()
    quantities = dict(connection.execute("SELECT DISTINCT rule, quantity FROM rules").fetchall())
    planned = dict(connection.execute(_PLANNED_TESTS).fetchall())
    is_planned = _count(connection, "SELECT count(*) FROM expected WHERE what = 'technique'") > 0
    techniques = sorted({row[2] for row in fates} | set(planned))
    tests = _tests(fates, quantities, sum(planned.values()), is_planned=is_planned)
    shares = _shares(connection)
    found = Account(
        sessions=_sessions(connection),
        tests=tests,
        by_technique={
            name: _tests(
                [row for row in fates if row[2] == name],
                quantities,
                planned.get(name, 0),
                is_planned=is_planned,
            )
            for name in techniques
        },
        shares=shares,
        spreads=_spreads(connection),
    )
    whole = next((s for s in shares if (s.technique, s.centre) == (ALL, ALL)), None)
    judged = (whole.n_tests, whole.n_accepted) if whole else (0, 0)
    if judged != (tests.n("delivered"), tests.n("accepted")):
        raise WarehouseError(
            f"The tests of this release do not add up: {judged[0]} with {judged[1]} accepted in "
            f"acceptance, {tests.n('delivered')} with {tests.n('accepted')} in all_outcomes."
        )
    return found


def _count(connection: duckdb.DuckDBPyConnection, sql: str) -> int:
    row = connection.execute(sql).fetchone()
    return int(row[0]) if row else 0


def reason_group(reasons: str, quantities: Mapping[str, str]) -> str:
    """Return the group of `GROUPS` that stands for all reasons of one test, in words.

    `reasons` are keys of rules with commas between them, or a sentence; `quantities` says what
    each rule judges.
    """
    found = {_group_of(reason, quantities.get(reason, "")) for reason in reasons.split(", ")}
    return next(words for key, words in GROUPS if key in found)


def _group_of(rule: str, quantity: str) -> str:
    if rule.startswith("session."):
        return "session"
    if quantity.endswith("_check_accepted"):
        return "check"
    return "few" if quantity == "n_accepted" else "test"


def _tests(
    fates: Sequence[tuple[Any, ...]],
    quantities: Mapping[str, str],
    n_not_come: int,
    *,
    is_planned: bool,
) -> Flow:
    lost: dict[str, Counter[str]] = {step: Counter() for step in STEPS[1:]}
    lost["delivered"]["planned for the visit, nothing came"] += n_not_come
    for *_, fate, reasons in fates:
        if fate == "readable":
            lost["readable"][QUARANTINED] += 1
        elif fate == "no trial":
            lost["readable"][NO_TRIAL] += 1
        elif fate in ("judged", "accepted"):
            lost[fate][reason_group(reasons or "", quantities)] += 1
        elif fate == NOT_COMPUTABLE:
            lost["analysed"][NOT_COMPUTABLE] += 1
    return _flow(len(fates) + n_not_come, lost, is_planned=is_planned)


def _sessions(connection: duckdb.DuckDBPyConnection) -> Flow:
    rows = connection.execute(_SESSIONS).fetchall()
    counts = {status: (n, analysed) for status, n, analysed in rows}
    lost: dict[str, Counter[str]] = {step: Counter() for step in STEPS[1:]}
    for state, n in connection.execute(_VISITS).fetchall():
        lost["delivered"][NOT_COME.get(state, "not in this release")] += n
    lost["readable"][QUARANTINED] = counts.get("quarantined", (0, 0))[0]
    lost["judged"]["the rules on the session could not be asked"] = counts.get(
        "not_judgeable", (0, 0)
    )[0]
    lost["accepted"]["a rule on the session"] = counts.get("rejected", (0, 0))[0]
    accepted, analysed = counts.get("accepted", (0, 0))
    lost["analysed"]["no test of it gave an outcome"] = accepted - analysed
    is_planned = _count(connection, "SELECT count(*) FROM expected WHERE what = 'visit'") > 0
    n_all = sum(n for n, _ in counts.values()) + lost["delivered"].total()
    return _flow(n_all, lost, is_planned=is_planned)


def _flow(n_first: int, lost: Mapping[str, Counter[str]], *, is_planned: bool) -> Flow:
    steps, left = [FlowStep(STEPS[0], n_first)], n_first
    for key in STEPS[1:]:
        losses = tuple((why, n) for why, n in lost[key].most_common() if n)
        left -= sum(n for _, n in losses)
        steps.append(FlowStep(key, left, losses))
    return Flow(tuple(steps), is_planned)


def _shares(connection: duckdb.DuckDBPyConnection) -> tuple[AcceptedShare, ...]:
    rows = connection.execute(
        f"SELECT coalesce(technique, '{ALL}') AS t, coalesce(centre, '{ALL}') AS c, "
        "sum(n_tests), sum(n_tests_accepted), sum(n_tests_flagged) FROM acceptance "
        "GROUP BY CUBE (technique, centre) HAVING sum(n_tests) > 0 "
        f"ORDER BY t = '{ALL}', t, c = '{ALL}', c"
    ).fetchall()
    return tuple(_share(*row) for row in rows)


def _share(technique: str, centre: str, *counts: Any) -> AcceptedShare:
    n, accepted, flagged = (int(count) for count in counts)
    low, high = share_interval(accepted, n)
    return AcceptedShare(
        technique, centre, n, accepted, flagged, 100.0 * accepted / n, 100.0 * low, 100.0 * high
    )


def _spreads(connection: duckdb.DuckDBPyConnection) -> tuple[OutcomeSpread, ...]:
    at = "[0.0, 0.25, 0.5, 0.75, 1.0]"
    rows = connection.execute(
        "SELECT technique, outcome, unit, string_agg(DISTINCT equation, ', ' ORDER BY equation), "
        f"count(*), count(*) FILTER (flagged), quantile_cont(value, {at}), count(z), "
        "quantile_cont(z, [0.25, 0.5, 0.75]) FROM clean_outcomes GROUP BY technique, outcome, unit "
        "ORDER BY technique, outcome, unit"
    ).fetchall()
    return tuple(_spread(row) for row in rows)


def _spread(row: tuple[Any, ...]) -> OutcomeSpread:
    technique, outcome, unit, equation, n, n_flagged, values, n_z, z = row
    quartiles = (z[0], z[1], z[2]) if n_z else None
    return OutcomeSpread(
        technique, outcome, unit, equation or "", n, n_flagged, tuple(values), n_z, quartiles
    )
