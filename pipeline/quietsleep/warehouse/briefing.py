"""The coordinating centre's five questions, each answered by one number and one sentence.

Each number is what its query gives of the night's own tables, and the query is kept beside it: who
doubts a sentence asks again. Nothing is computed here that no table says.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from math import isnan
from typing import TYPE_CHECKING, Any, Literal

import pandas as pd

from quietsleep import contract
from quietsleep.contract.units import show_unit
from quietsleep.contract.wording import count, spaced
from quietsleep.judge.guard import Guard, unguarded
from quietsleep.judge.readers import ALL

if TYPE_CHECKING:
    import duckdb

TABLE = "briefing"
# What the sentences rest on.
BEHIND = (
    "centres", "expected", "queries", "standing", "drifts", "comparability", "agreement_limits",
    "unit_slips", "session_changes",
)  # fmt: skip
Tone = Literal["good", "watch", "act", "none"]
Row = dict[str, Any]
# So many are named in a sentence; the page behind it names all.
MOST_NAMED = 3
# Centres differ where at least this share of the variance lies between them, by the lower end of
# its interval; a device is to be acted on where it leaves tolerance so soon (definitions of this
# study).
DIFFERENT_PCT = 10.0
SOON_DAYS = 28

# What is not there and should be: by the schedule, and open queries where no schedule says so.
MISSING_KINDS = "('nothing_delivered', 'check_missing')"
# A centre from which nothing comes, where no schedule says so.
SILENT = f"""
SELECT centre, silent_days, last_tested_on FROM standing JOIN centres USING (centre)
WHERE silent AND technique = '{ALL}' AND state <> 'retired' AND centre NOT IN (
    SELECT centre FROM expected WHERE what = 'delivery' AND state IN ('overdue', 'missing'))
ORDER BY silent_days DESC, centre
"""
MISSING = f"""
SELECT
    (SELECT count(*) FROM expected WHERE state IN ('overdue', 'missing'))
    + (SELECT count(*) FROM queries WHERE state = 'open' AND kind IN {MISSING_KINDS})
    + (SELECT count(*) FROM ({SILENT})) AS value,
    (SELECT nullif(count(*), 0) FROM expected WHERE state NOT IN ('not_yet', 'due', 'unplanned'))
    + (SELECT count(*) FROM queries WHERE state = 'open' AND kind IN {MISSING_KINDS})
    + (SELECT count(*) FROM ({SILENT})) AS of_value
"""
SLIPPING = """
SELECT count(DISTINCT centre) FILTER (slipping) AS value, count(DISTINCT centre) AS of_value
FROM standing
"""
DRIFTING = """
SELECT count(DISTINCT (centre, device)) FILTER (drifting) AS value,
    count(DISTINCT (centre, device)) FILTER (slope_per_week IS NOT NULL) AS of_value
FROM drifts
"""
BETWEEN = """
SELECT outcome, equipment_class, any_value(between_share_low_pct) AS low
FROM comparability GROUP BY outcome, equipment_class
"""
# What differs: outcomes between centres with like equipment, and results off by a factor.
COMPARABLE = f"""
SELECT (SELECT count(*) FROM ({BETWEEN}) WHERE low >= {DIFFERENT_PCT:g})
    + (SELECT count(*) FROM unit_slips) AS value,
    (SELECT count(low) FROM ({BETWEEN}))
    + (SELECT count(*) FROM agreement_limits WHERE n_pairs + n_suspected > 0)
    + (SELECT count(*) FROM unit_slips WHERE seen_in <> 'reported') AS of_value
"""
CHANGED = """
SELECT count(*) AS value, CAST(NULL AS BIGINT) AS of_value FROM session_changes
"""


@dataclass(frozen=True, slots=True)
class BriefAnswer:
    """What a question is answered with, beside its number."""

    sentence: str
    tone: Tone
    named: Sequence[str] = ()


@dataclass(frozen=True, slots=True)
class _Question:
    """One question: what is counted, by which query, and where more is said."""

    key: str
    unit: str
    table: str
    sql: str
    page: str


QUESTIONS = (
    _Question("missing", "missing", "expected", MISSING, "missing.html"),
    _Question("slipping", "centres", "standing", SLIPPING, "index.html#matrix"),
    _Question("drifting", "devices", "drifts", DRIFTING, "equipment.html"),
    _Question("comparable", "comparisons", "comparability", COMPARABLE, "comparability.html"),
    _Question("changed", "sessions", "session_changes", CHANGED, "changes.html"),
)


def briefing_frame(
    connection: duckdb.DuckDBPyConnection,
    *,
    compared: bool,
    judged: bool = True,
    guard: Guard = unguarded,
) -> pd.DataFrame:
    """BriefAnswer the five questions from the tables `BEHIND` of a database.

    `compared` says whether there was a night before, `judged` whether anything was judged anew. A
    question whose answer fails has no row.
    """
    rows: list[Row] = []
    for position, question in enumerate(QUESTIONS, start=1):
        with guard(f"the briefing of what is {question.key}"):
            rows.append(
                {"position": position}
                | _answered(connection, question, compared=compared, judged=judged)
            )
    return pd.DataFrame(rows)


def _answered(
    connection: duckdb.DuckDBPyConnection, question: _Question, *, compared: bool, judged: bool
) -> Row:
    sql = " ".join(question.sql.split())
    (found,) = _rows(connection, sql)
    value, of_value = found["value"], found["of_value"]
    if question.key == "changed":
        answer = _changed(connection, value, compared=compared, judged=judged)
    else:
        answer = ANSWERS[question.key](connection, value, of_value)
    return {
        "question": question.key,
        "value": value,
        "unit": question.unit,
        "of_value": of_value,
        "sentence": answer.sentence,
        "tone": answer.tone,
        "named": ", ".join(dict.fromkeys(answer.named)) or None,
        "table_name": question.table,
        "sql": sql,
        "page": question.page,
    }


def _rows(connection: duckdb.DuckDBPyConnection, sql: str) -> list[Row]:
    answer = connection.execute(sql)
    names = [column[0] for column in answer.description or ()]
    return [dict(zip(names, row, strict=True)) for row in answer.fetchall()]


def _missing(connection: duckdb.DuckDBPyConnection, value: int, of: int | None) -> BriefAnswer:
    silent = _rows(connection, SILENT)
    late = _rows(
        connection,
        "SELECT centre, due_on, days_off FROM expected "
        "WHERE what = 'delivery' AND state IN ('overdue', 'missing') ORDER BY due_on, centre",
    )
    never = _rows(
        connection,
        "SELECT DISTINCT centre FROM queries WHERE kind = 'nothing_delivered' AND state = 'open' "
        "ORDER BY centre",
    )
    said = _named([f"the delivery of {r['centre']} was due on {_day(r['due_on'])}" for r in late])
    said += _named(
        [
            f"{r['centre']} is silent, its last test is of {_day(r['last_tested_on'])}, "
            f"{count(r['silent_days'], 'day')} before the newest of the others"
            for r in silent
        ]
    )
    said += _named([f"{r['centre']} has delivered nothing" for r in never])
    named = [r["centre"] for r in (*late, *silent, *never)]
    whole = "" if of is None else f" of {of}"
    of_kind = _of_kinds(connection)
    if not value:
        planned = (
            f"all {of} things that should be here by now are here"
            if of
            else "the study has no schedule, and no query is open about what is not there"
        )
        return BriefAnswer(f"Nothing is missing: {planned}.", "good")
    lead = f"{value}{whole} {'thing is' if value == 1 else 'things are'} missing"
    parts = "; ".join([*([", ".join(of_kind)] if of_kind else []), *said])
    tone: Tone = "act" if late or silent or never else "watch"
    return BriefAnswer(f"{_upper(lead)}: {parts}.", tone, named)


def _of_kinds(connection: duckdb.DuckDBPyConnection) -> list[str]:
    words = {"visit": "visit", "technique": "technique", "followup_call": "follow-up call",
             "delivery": "delivery"}  # fmt: skip
    rows = _rows(
        connection,
        "SELECT what, count(*) AS n FROM expected WHERE state IN ('overdue', 'missing') "
        "GROUP BY what ORDER BY n DESC, what",
    )
    said = [
        f"{row['n']} deliveries"
        if row["what"] == "delivery" and row["n"] != 1
        else count(row["n"], words[row["what"]])
        for row in rows
    ]
    asked = _rows(
        connection,
        "SELECT kind, count(*) AS n FROM queries WHERE state = 'open' "
        "AND kind = 'check_missing' GROUP BY kind",
    )
    kinds = contract.QUERIES.kinds
    for row in asked:
        kind = kinds[row["kind"]]
        said.append(f"{row['n']} {kind.one if row['n'] == 1 else kind.many}")
    return said


def _slipping(connection: duckdb.DuckDBPyConnection, value: int, of: int) -> BriefAnswer:
    if value:
        rows = _rows(
            connection,
            "SELECT * FROM standing WHERE slipping QUALIFY row_number() OVER (PARTITION BY centre "
            f"ORDER BY technique <> '{ALL}', recent_share_pct - past_share_pct, technique) = 1 "
            "ORDER BY recent_share_pct - past_share_pct, centre",
        )
        said = _named(
            [
                f"{r['centre']} slips{_in(r['technique'])}: {_pct(r['recent_share_pct'])} of "
                f"{count(r['n_recent'], 'test')} accepted since {_day(r['since'])}, "
                f"{_pct(r['past_share_pct'])} of {r['n_past']} before"
                for r in rows
            ]
        )
        return BriefAnswer(f"{_upper('; '.join(said))}.", "act", [r["centre"] for r in rows])
    rows = _rows(
        connection,
        f"SELECT * FROM standing WHERE technique = '{ALL}' AND n_past > 0 AND n_recent > 0 "
        "ORDER BY recent_share_pct - past_share_pct, centre LIMIT 1",
    )
    (charts,) = _rows(
        connection,
        f"SELECT count(ewma_share_pct) AS n FROM standing WHERE technique = '{ALL}'",
    )
    if not charts["n"]:
        why = "no centre has forty sessions behind its newest forty yet"
        return BriefAnswer(f"Which centre slips cannot be said: {why}.", "none")
    worst = ""
    if rows:
        r = rows[0]
        worst = (
            f"; furthest below its own past is {r['centre']}, {_pct(r['recent_share_pct'])} of "
            f"{count(r['n_recent'], 'test')} of twelve weeks against "
            f"{_pct(r['past_share_pct'])} of {r['n_past']} before"
            if r["recent_share_pct"] < r["past_share_pct"]
            else "; none is below its own past"
        )
    held = f"No centre slips: {charts['n']} of {of} have a past to be held against{worst}."
    return BriefAnswer(held, "good")


def _drifting(connection: duckdb.DuckDBPyConnection, value: int, of: int) -> BriefAnswer:
    if value:
        rows = _rows(
            connection,
            "SELECT * FROM drifts WHERE drifting QUALIFY row_number() OVER "
            "(PARTITION BY centre, device ORDER BY leaves_on NULLS LAST, kind, quantity) = 1 "
            "ORDER BY leaves_on NULLS LAST, centre, device",
        )
        soon = any(
            not r["last_in_tolerance"]
            or (r["leaves_on"] is not None and (r["leaves_on"] - r["last_on"]).days <= SOON_DAYS)
            for r in rows
        )
        said = "; ".join(_named([_drift(r) for r in rows]))
        named = [r["device"] for r in rows]
        return BriefAnswer(f"{_upper(said)}.", "act" if soon else "watch", named)
    if not of:
        why = "no device has eight checks in tolerance that stand together"
        return BriefAnswer(f"Which device drifts cannot be said: {why}.", "none")
    (r,) = _rows(
        connection,
        "SELECT sum(n_window) AS n FROM drifts WHERE slope_per_week IS NOT NULL",
    )
    return BriefAnswer(
        f"No device drifts: the newest checks in tolerance of {count(of, 'device')}, "
        f"{r['n']} values in all, show no line beyond chance towards a limit.",
        "good",
    )


def _drift(r: Mapping[str, Any]) -> str:
    unit, quantity = show_unit(r["unit"]), _quantity(r["quantity"], r["unit"])
    up = r["direction"] == "up"
    limit = r["limit_high"] if up else r["limit_low"]
    said = (
        f"{r['device']} of {r['centre']} drifts: {spaced(r['kind'])} {quantity} "
        f"{'rises' if up else 'falls'} by {_with(abs(r['slope_per_week']), unit)} a week since "
        f"{_day(r['since'])}"
    )
    if limit is None:
        return said
    if r["last_value"] > limit if up else r["last_value"] < limit:
        return f"{said}, and its last check, {_with(r['last_value'], unit)}, is out of tolerance"
    said += f", last {_with(r['last_value'], unit)}, limit {_with(limit, unit)}"
    return said if r["leaves_on"] is None else f"{said}, which it reaches on {_day(r['leaves_on'])}"


def _comparable(connection: duckdb.DuckDBPyConnection, value: int, of: int) -> BriefAnswer:
    (between,) = _rows(
        connection,
        f"SELECT count(*) FILTER (low >= {DIFFERENT_PCT:g}) AS n, count(low) AS whole "
        f"FROM ({BETWEEN})",
    )
    slips = _rows(
        connection,
        "SELECT * FROM unit_slips QUALIFY row_number() OVER (PARTITION BY centre ORDER BY "
        "seen_in = 'reported', n_suspected DESC, outcome) = 1 ORDER BY seen_in = 'reported', "
        "n_suspected DESC, centre",
    )
    (pairs,) = _rows(
        connection,
        "SELECT coalesce(sum(n_pairs), 0) AS n, coalesce(sum(n_suspected), 0) AS left_out "
        "FROM agreement_limits",
    )
    said = [r["sentence"].rstrip(".") for r in slips[:MOST_NAMED]]
    if between["n"]:
        (most,) = _rows(
            connection,
            "SELECT outcome, any_value(between_share_pct) AS share, "
            "any_value(between_share_low_pct) AS low, any_value(between_share_high_pct) AS high, "
            "max_by(centre, mean) AS highest, min_by(centre, mean) AS lowest FROM comparability "
            f"GROUP BY outcome, equipment_class HAVING low >= {DIFFERENT_PCT:g} "
            "ORDER BY low DESC, outcome LIMIT 1",
        )
        said.append(
            f"centres differ in {between['n']} of {count(between['whole'], 'outcome')}, most in "
            f"{most['outcome']}: "
            f"{_share(most['share'])} of its variance lies between them "
            f"({_pct(most['low'])} to {_pct(most['high'])}), {most['highest']} highest, "
            f"{most['lowest']} lowest"
        )
    elif between["whole"]:
        said.append(
            f"centres differ in none of {count(between['whole'], 'outcome')} by a tenth of the "
            "variance, at equal length and like equipment"
        )
    else:
        said.append("no two centres with like equipment have values to compare yet")
    said.append(
        f"of own results {count(pairs['n'], 'pair')} compared, {pairs['left_out']} left out"
    )
    tone: Tone = "act" if slips else "watch" if value else "good" if of else "none"
    return BriefAnswer(f"{_upper('; '.join(said))}.", tone, [r["centre"] for r in slips])


def _changed(
    connection: duckdb.DuckDBPyConnection, value: int, *, compared: bool, judged: bool
) -> BriefAnswer:
    if not compared:
        return BriefAnswer("There is no night before this one to compare with.", "none")
    if not judged:
        return BriefAnswer("No session changed: only answers to queries came.", "good")
    if not value:
        return BriefAnswer("No session changed since the night before.", "good")
    (r,) = _rows(
        connection,
        "SELECT count(*) FILTER (what = 'new') AS new, count(*) FILTER (what = 'gone') AS gone, "
        "count(*) FILTER (what = 'changed') AS changed, sum(n_tests_gained) AS gained, "
        "sum(n_tests_lost) AS lost FROM session_changes",
    )
    by_centre = _rows(
        connection,
        "SELECT centre, count(*) AS n FROM session_changes GROUP BY centre "
        f"ORDER BY n DESC, centre LIMIT {MOST_NAMED}",
    )
    where = ", ".join(f"{row['centre']} {row['n']}" for row in by_centre)
    said = (
        f"{count(value, 'session')} changed since the night before ({where}): {r['new']} new, "
        f"{r['changed']} with other results or details, {r['gone']} gone; "
        f"{count(r['gained'], 'test')} became accepted and {r['lost']} lost acceptance"
    )
    tone: Tone = "watch" if r["lost"] or r["gone"] else "good"
    return BriefAnswer(f"{said}.", tone, [row["centre"] for row in by_centre])


ANSWERS: Mapping[str, Callable[[duckdb.DuckDBPyConnection, int, int], BriefAnswer]] = {
    "missing": _missing,
    "slipping": _slipping,
    "drifting": _drifting,
    "comparable": _comparable,
}


def _named(said: Sequence[str]) -> list[str]:
    """Keep the first of many, and say how many more there are."""
    more = len(said) - MOST_NAMED
    return [*said[:MOST_NAMED], *([f"{more} more like it"] if more > 0 else [])]


def _in(technique: str) -> str:
    return "" if technique == ALL else f" in {spaced(technique)}"


def _quantity(name: str, unit: str) -> str:
    ending = "_" + unit.replace("%", "pct").lower().replace("/", "_")
    return spaced(name.removesuffix(ending))


def _pct(share: float | None) -> str:
    return "none" if share is None or isnan(share) else f"{share:.0f} %"


def _share(share: float | None) -> str:
    return "a part" if share is None or isnan(share) else f"{share:.0f} %"


def _with(value: float, unit: str) -> str:
    return f"{value:.2g} {unit}".strip()


def _day(day: date | None) -> str:
    return "a day that is not known" if day is None else f"{day.day} {day:%B %Y}"


def _upper(said: str) -> str:
    """Begin a sentence with a capital letter, unless it begins with a code."""
    first, _, rest = said.partition(" ")
    return f"{first.capitalize()} {rest}" if first in STARTS else said


STARTS = frozenset({"the", "centres", "no", "own", "a"})
