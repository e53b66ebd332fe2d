"""How each centre stands: accepted tests against its own past, and against all centres.

Days of one centre and technique are read in order, and what is remembered of them does not grow
with the tests. Everything is counted from the table `tests`; a statistic that cannot be computed is
missing with a reason.

Sources: Roberts SW. Control chart tests based on geometric moving averages. Technometrics
1959;1:239-250. Where a slip begins is where the tests since then fall short of the past most, as
the likelihood of a step has it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING, Any, NamedTuple

import pandas as pd

from quietsleep.judge.guard import Guard, apart, unguarded
from quietsleep.judge.readers import ALL
from quietsleep.warehouse.funnel import funnel_mark, funnel_range

if TYPE_CHECKING:
    import duckdb


# Definitions of this study, chosen with invented studies that are quiet and such that slip.
# Each session weighs this much against all before it; the memory is about 1 / WEIGHT sessions.
WEIGHT = 0.02
# The chance, on a day of a centre that does not slip, that the weighted share lies below its limit.
CHANCE = 2e-5
# Own past is what lies more than so many sessions back, or the older half of fewer. While the
# weighted share is as unlikely as this, it is what lies before its fall: a slip must not become its
# own past.
SESSIONS_BACK = 60
CHANCE_WAITING = 0.02
# A slip is over once the weighted share is at the own past again, or no more unlikely than this.
CHANCE_BACK = 0.05
# Fewer sessions in the own past than this say too little.
FEWEST_PAST = 40
# A few bad mornings are no slip: so many days of it lie below the limit by themselves.
FEWEST_DAYS = 8
# So many days of a binomial are added when it is found how alike the tests of a day are.
PRIOR_DAYS = 30
WEEKS = 12
# A centre is silent after so many days without a test, if it never paused nearly as long before.
SILENT_DAYS, LONGER_THAN_BEFORE = 42, 2.0
TOO_FEW_PAST = f"Fewer than {FEWEST_PAST} sessions in the own past."
NO_OTHER_CENTRE = "No other centre did this technique."
NO_DAY = "No test has a known day."


class Day(NamedTuple):
    """One day of a centre and technique: sessions, tests attempted, tests accepted."""

    on: date
    n_sessions: int
    n_tests: int
    n_accepted: int


@dataclass(frozen=True, slots=True)
class Chart:
    """Where the control chart of a centre and technique stands after its last day.

    Shares are from 0 to 1; None before there is a past. `since` is the first day of a slip.
    """

    expected: float | None = None
    weighted: float | None = None
    limit: float | None = None
    dispersion: float | None = None
    since: date | None = None


def days_of(connection: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Count the tests of each centre, technique and day of a database with the table `tests`.

    All techniques together are rows too, of the technique `all`. Tests without a day have NaT.
    """
    counted = "count(*) AS n_tests, count(*) FILTER (status = 'accepted') AS n_accepted"
    sessions = "count(DISTINCT session) AS n_sessions"
    return connection.execute(
        f"SELECT centre, technique, tested_on, {sessions}, {counted} FROM tests GROUP BY ALL "
        f"UNION ALL SELECT centre, '{ALL}', tested_on, {sessions}, {counted} FROM tests "
        "GROUP BY ALL ORDER BY centre, technique, tested_on"
    ).df()


def count_tests(connection: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Count the tests of each centre and technique of a database with the table `tests`."""
    return connection.execute(
        "SELECT centre, technique, count(*) AS n_tests FROM tests GROUP BY ALL ORDER BY ALL"
    ).df()


def follow(days: Sequence[Day]) -> Chart:
    """Run the chart over days in order and return where it stands.

    z = (1 - q) * share + q * z, with q = (1 - WEIGHT) ** sessions of the day, is held against the
    share p of the own past. If nothing has changed, z - p scatters around 0 as the difference of
    two binomial shares of n_past / dispersion and 1 / (dispersion * v) tests, v * p * (1 - p) being
    the variance of z, around the share of both together; its lower tail is that of one binomial of
    as much variance. So the limit is not that of a normal distribution, which alarms too often
    where p is near 1; and it is wide where the past is short or the tests of a day are alike.
    """
    state = _Following()
    for day in days:
        if day.n_tests > 0 and day.n_sessions > 0:
            state.take(day)
    return state.chart()


class _Following:
    """What is remembered of the days so far."""

    def __init__(self) -> None:
        self.past = [0.0, 0.0]  # tests, accepted
        self.n_past_sessions = 0
        self.waiting: deque[Day] = deque()
        self.n_waiting = 0
        self.weighted: float | None = None
        self.variance = 0.0
        self.unlike = [0.0, 0.0]  # Pearson's sum, days
        self.alike = 1.0  # tests of a session, which may all be lost together
        self.chance = 1.0
        self.below_from: date | None = None
        self.below: list[Day] = []  # the days since then
        self.slipping = False

    @property
    def expected(self) -> float:
        """Share of the own past, never 0 or 1 (Jeffreys)."""
        return (self.past[1] + 0.5) / (self.past[0] + 1.0)

    @property
    def dispersion(self) -> float:
        seen, n_days = self.unlike
        return max(1.0, (seen + PRIOR_DAYS * self.alike) / (n_days + PRIOR_DAYS))

    def take(self, day: Day) -> None:
        if self.n_past_sessions >= FEWEST_PAST:
            self._weigh(day)
        self.waiting.append(day)
        self.n_waiting += day.n_sessions
        self.alike = max(self.alike, day.n_tests / day.n_sessions)
        while self.waiting and self._is_past(self.waiting[0]):
            old = self.waiting.popleft()
            self.n_waiting -= old.n_sessions
            self.n_past_sessions += old.n_sessions
            self.past[0] += old.n_tests
            self.past[1] += old.n_accepted
            p, n = self.expected, old.n_tests
            self.unlike[0] += (old.n_accepted - n * p) ** 2 / (n * p * (1 - p))
            self.unlike[1] += 1

    def _is_past(self, day: Day) -> bool:
        """Say whether the oldest day that waits belongs to the own past by now."""
        if self.below_from is not None and (self.slipping or self.chance < CHANCE_WAITING):
            return day.on < self.below_from
        return self.n_waiting > min(SESSIONS_BACK, max(self.n_past_sessions, 1))

    def _weigh(self, day: Day) -> None:
        if self.weighted is None:
            self.weighted = self.expected
            # What has waited is newer than the past already.
            for earlier in self.waiting:
                self._step(earlier)
        self._step(day)

    def _step(self, day: Day) -> None:
        weighted = self.expected if self.weighted is None else self.weighted
        kept = (1 - WEIGHT) ** day.n_sessions
        share = day.n_accepted / day.n_tests
        self.weighted = kept * weighted + (1 - kept) * share
        self.variance = kept**2 * self.variance + (1 - kept) ** 2 / day.n_tests
        if self.weighted >= self.expected:
            self.below_from = None
            self.below.clear()
        else:
            self.below_from = self.below_from or day.on
            if not self.slipping:
                self.below.append(day)
        self.chance = 1.0 if self.below_from is None else self._chance_of(self.weighted)
        if self.slipping and self.below_from is not None and self.chance > CHANCE_BACK:
            # It was no slip, or it is over: what came since is as good a past as any.
            self.slipping = False
        elif self.slipping and self.below_from is None:
            # The slip is over and never becomes the own past.
            self.slipping = False
            self.waiting.clear()
            self.n_waiting = 0
        elif not self.slipping and self.chance < CHANCE:
            limit = self._limit()
            bad = sum(each.n_accepted < limit * each.n_tests for each in self.below)
            if bad >= FEWEST_DAYS:
                self.slipping, self.below_from = True, self._began()

    def _began(self) -> date:
        """Return the first day of the stretch, of those below the past, that falls short most.

        Short by (n * p - accepted) / sqrt(n), n and accepted being those of the whole stretch.
        """
        n = accepted = 0
        found, most = self.below[-1].on, 0.0
        for day in reversed(self.below):
            n, accepted = n + day.n_tests, accepted + day.n_accepted
            short = (n * self.expected - accepted) / n**0.5
            if short > most:
                found, most = day.on, short
        return found

    def _chance_of(self, share: float) -> float:
        """Return the chance of such a weighted share or a lower one, if nothing has changed."""
        n_past = self.past[0] / self.dispersion
        n_recent = 1.0 / (self.dispersion * self.variance)
        pooled = (self.expected * n_past + share * n_recent) / (n_past + n_recent)
        short = self.expected - share
        return lower_tail(max(pooled - short, 0.0), pooled, 1.0 / (1.0 / n_past + 1.0 / n_recent))

    def _limit(self) -> float:
        """Return the share below which a weighted share is less likely than CHANCE; 0 for none."""
        low, high = 0.0, self.expected
        if self._chance_of(low) >= CHANCE:
            return 0.0
        for _ in range(40):
            middle = (low + high) / 2
            low, high = (middle, high) if self._chance_of(middle) < CHANCE else (low, middle)
        return high

    def chart(self) -> Chart:
        if self.weighted is None:
            return Chart()
        return Chart(
            self.expected,
            self.weighted,
            self._limit(),
            self.dispersion,
            self.below_from if self.slipping else None,
        )


def lower_tail(share: float, expected: float, n: float) -> float:
    """Return the chance that `n` tests, a whole number or not, have such a share or a lower one.

    The binomial distribution function, continued between whole numbers by the regularized
    incomplete beta function I(1 - p; n - k, k + 1), k = share * n. 0 < expected < 1.
    """
    from scipy.special import betainc

    k = share * n
    return 1.0 if k >= n else float(betainc(n - k, k + 1.0, 1.0 - expected))


def standing_frame(days: pd.DataFrame, *, guard: Guard = unguarded) -> pd.DataFrame:
    """Return how each centre stands in each technique, from `days_of`.

    A technique of a centre whose statistics fail has no row, and the others have theirs.
    """
    if days.empty:
        return pd.DataFrame()
    of_technique = days.groupby("technique")
    n_tests = {str(k): int(n) for k, n in of_technique["n_tests"].sum().items()}
    n_accepted = {str(k): int(n) for k, n in of_technique["n_accepted"].sum().items()}
    n_centres = {str(k): int(n) for k, n in of_technique["centre"].nunique().items()}
    dated = days["tested_on"].dropna()
    newest = dated.max().date() if len(dated) else None
    rows: list[dict[str, Any]] = []
    for centre, own in days.groupby("centre", sort=True):
        for key, cell in own.groupby("technique", sort=True):
            technique = str(key)
            with apart(guard, "standing", technique, centre):
                rows.append(
                    {"centre": centre, "technique": technique}
                    | _standing(cell, newest)
                    | _in_funnel(
                        cell,
                        n_accepted[technique],
                        n_tests[technique],
                        is_alone=n_centres[technique] < 2,
                    )
                )
    return _with_one_why(pd.DataFrame(rows))


def _with_one_why(rows: pd.DataFrame) -> pd.DataFrame:
    if rows.empty:
        return rows
    parts = rows[["why_chart", "why_funnel"]].to_numpy()
    said = [" ".join(word for word in each if isinstance(word, str)) or None for each in parts]
    return rows.assign(why=pd.Series(said, index=rows.index, dtype="object"))


def _standing(days: pd.DataFrame, newest: date | None) -> dict[str, Any]:
    n_tests, n_accepted = int(days["n_tests"].sum()), int(days["n_accepted"].sum())
    dated = days.dropna(subset=["tested_on"])
    followed = [
        Day(on.date(), int(s), int(n), int(a))
        for on, s, n, a in zip(
            dated["tested_on"], dated["n_sessions"], dated["n_tests"], dated["n_accepted"],
            strict=True,
        )
    ]  # fmt: skip
    chart = follow(followed)
    since = chart.since
    recent_from = since or (newest and _monday(newest) - timedelta(weeks=WEEKS - 1))
    past = [d for d in followed if recent_from is not None and d.on < recent_from]
    recent = [d for d in followed if recent_from is not None and d.on >= recent_from]
    why = None
    if chart.weighted is None:
        why = TOO_FEW_PAST if followed else NO_DAY
    return {
        "n_tests": n_tests,
        "n_accepted": n_accepted,
        "accepted_share_pct": share_pct(n_accepted, n_tests),
        "first_tested_on": followed[0].on if followed else None,
        "last_tested_on": followed[-1].on if followed else None,
        "recent_from": recent_from,
        **_counts("past", past),
        **_counts("recent", recent),
        "expected_share_pct": _pct(chart.expected),
        "ewma_share_pct": _pct(chart.weighted),
        "ewma_limit_pct": _pct(chart.limit),
        "dispersion": chart.dispersion,
        "slipping": since is not None,
        "since": since,
        **_silence([day.on for day in followed], newest),
        "why_chart": why,
    }


def _silence(days: Sequence[date], newest: date | None) -> dict[str, Any]:
    """Say how long nothing came, against the newest test of any centre and the pauses before."""
    if not days or newest is None:
        return {"silent": False}
    silent = (newest - days[-1]).days
    pauses = [(after - before).days for before, after in pairwise(days)]
    usual = max(pauses, default=0)
    is_silent = bool(pauses) and silent > max(SILENT_DAYS, LONGER_THAN_BEFORE * usual)
    return {"silent_days": silent, "silent": is_silent}


def _counts(word: str, days: Sequence[Day]) -> dict[str, Any]:
    n, accepted = sum(d.n_tests for d in days), sum(d.n_accepted for d in days)
    return {
        f"n_{word}": n,
        f"n_{word}_accepted": accepted,
        f"{word}_share_pct": share_pct(accepted, n),
    }


def _in_funnel(
    days: pd.DataFrame, n_accepted: int, n_tests: int, *, is_alone: bool
) -> dict[str, Any]:
    if is_alone or n_tests == 0:
        return {"why_funnel": NO_OTHER_CENTRE}
    mean, n = n_accepted / n_tests, int(days["n_tests"].sum())
    low, high = funnel_range(n, mean)
    return {
        "all_centres_share_pct": 100.0 * mean,
        "funnel_low_pct": 100.0 * low,
        "funnel_high_pct": 100.0 * high,
        "funnel_mark": funnel_mark(int(days["n_accepted"].sum()), n, mean),
        "why_funnel": None,
    }


def share_pct(part: int, whole: int) -> float | None:
    """Return a share in percent; None of nothing."""
    return 100.0 * part / whole if whole else None


def _pct(share: float | None) -> float | None:
    return None if share is None else 100.0 * share


def _monday(day: date) -> date:
    return day - timedelta(days=day.weekday())


def weeks_frame(days: pd.DataFrame) -> pd.DataFrame:
    """Return the last twelve weeks of the study for each centre and technique, from `days_of`.

    The last one is the week of the last test of any centre; weeks without a test are rows too.
    """
    dated = days.dropna(subset=["tested_on"])
    if dated.empty:
        return pd.DataFrame()
    on = dated["tested_on"]
    mondays = on - pd.to_timedelta(on.dt.day_of_week, unit="D")
    weeks = [mondays.max() - pd.Timedelta(weeks=back) for back in range(WEEKS - 1, -1, -1)]
    counts = dated.groupby([dated["centre"], dated["technique"], mondays.rename("week")])[
        ["n_tests", "n_accepted"]
    ].sum()
    pairs = days[["centre", "technique"]].drop_duplicates()
    wanted = pairs.merge(pd.DataFrame({"week": weeks}), how="cross")
    found = wanted.merge(counts.reset_index(), on=["centre", "technique", "week"], how="left")
    found[["n_tests", "n_accepted"]] = found[["n_tests", "n_accepted"]].fillna(0).astype("int64")
    return found.assign(week=found["week"].dt.date)


def standing_tables(
    connection: duckdb.DuckDBPyConnection, *, guard: Guard = unguarded
) -> Mapping[str, pd.DataFrame]:
    """Return the tables `standing` and `acceptance_weeks` of a database with the table `tests`."""
    days = days_of(connection)
    return {"standing": standing_frame(days, guard=guard), "acceptance_weeks": weeks_frame(days)}
