"""The views a statistician starts from: their SQL, and a unit and a meaning for every column.

A view's column that is a table's column under the same meaning takes that column from the
contract; only what a view adds is described here.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from importlib import resources
from string import Template

from quietsleep.contract import OUTCOMES, TABLES, TECHNIQUES
from quietsleep.contract.model import Column, Outcome, Table
from quietsleep.contract.schemas import column_comment, table_comment
from quietsleep.contract.sql import identifier, literal

WHY = Column(
    "why",
    "text",
    "Why there is no value: not attempted, quarantined, rejected (with the rules of the test and "
    "the session), not judgeable (with the rules) or not computable (with the reason). Empty where "
    "there is a value.",
)
FLAGS = Column(
    "flags", "text", "Flag rules that failed on the test or on its accepted trials, by key."
)
SESSION_FLAGS = Column(
    "session_flags",
    "text",
    "Flag rules that failed on the session, by key, and rules that doubt a column which this "
    "outcome does not need. Empty where there are none.",
)
FLAGGED = Column(
    "flagged",
    "yes_no",
    "Whether a remark stands on what the value rests on: on the session, the test or one of its "
    "accepted trials.",
)
FLAG = replace(FLAGGED, name="flag", meaning=f"{FLAGGED.meaning} Empty where there is no value.")
Z = Column(
    "z",
    "number",
    "z-score of the outcome by the equation that clean_outcomes names; empty where there is none.",
    "1",
)
Z_WHY = Column(
    "z_why", "text", "Why there is no z-score, or that there is no value. Empty where there is one."
)
EMPTY_WHY = Column(
    "empty_why",
    "text",
    "Columns of this row before this one that are empty, each with the reason; an empty "
    "session_flags is no gap. Empty where nothing lacks.",
)
NO_REASON = "no reason is recorded"
# Why a column of a session is empty: held rows apart, what was delivered, what is worked out of it.
HELD = "the session is held"
OF_THE_SESSION = {
    "infant": "not delivered", "visit": "not delivered",
    "tested_at": "not delivered, or not released", "device": "not delivered",
    "equipment_class": "no registered device", "sex": "not delivered",
    "gestation_weeks": "not delivered", "birth_weight_kg": "not delivered",
    "age_days": "not delivered",
    "corrected_age_days": "age_days or gestation_weeks is missing, or cannot be",
    "weight_kg": "not delivered", "length_cm": "not delivered",
    "weight_z": "weight_kg, sex or corrected_age_days is missing, or outside the standard",
    "length_z": "length_cm, sex or corrected_age_days is missing, or outside the standard",
}  # fmt: skip
DAY = Column("day", "date", "Day of the test or check where the centre is.")
ACCEPTANCE = (
    Column("month", "text", "Month of the tests where the centre is, as YYYY-MM."),
    Column("n_tests", "integer", "Tests attempted."),
    Column("n_tests_accepted", "integer", "Tests accepted, flagged ones among them."),
    Column("n_tests_flagged", "integer", "Accepted tests with a flag."),
    Column("n_tests_rejected", "integer", "Tests rejected."),
    Column("n_tests_not_judgeable", "integer", "Tests not judgeable."),
    Column("n_tests_quarantined", "integer", "Tests quarantined."),
    Column("accepted_share_pct", "number", "Accepted tests in a hundred attempted.", "%"),
    Column("n_trials", "integer", "Trials found."),
    Column("n_trials_accepted", "integer", "Trials accepted."),
)
PLACES = (
    Column("technique", "text", "Technique of measurement; all for all techniques together."),
    *(column for column in ACCEPTANCE if column.name in ("month", "n_tests", "n_tests_accepted")),
    Column(
        "place",
        "integer",
        "Place of the centre by its share accepted, the largest first; equal shares share a place.",
    ),
    Column("n_centres", "integer", "Centres with tests of the technique in the month."),
)
EVIDENCE = (
    Column("evidence_kind", "text", "recording, or the kind of the equipment check."),
    Column("evidence", "text", "The recording or check by its identifier."),
    Column(
        "n_trials_used",
        "integer",
        "Trials of this recording that the outcome rests on; empty for a check.",
    ),
)
WAIVERS = Column(
    "waivers",
    "text",
    "Waivers that changed a verdict of the session, of this test or its trials, or of this check.",
)
# A column in doubt refuses the tests that need it, and leaves a flag for the others.
FLAGS_OF_SESSIONS = """SELECT v.centre, v.session,
        string_agg(DISTINCT v.rule, ', ' ORDER BY v.rule) AS session_flags
    FROM verdicts AS v
    JOIN sessions AS s ON s.centre = v.centre AND s.session = v.session
    WHERE v.item_kind = 'session' AND (v.severity = 'flag' AND v.state = 'fail'
        OR v.severity = 'reject' AND v.state IN ('fail', 'not_judged') AND s.status = 'accepted')
    GROUP BY ALL"""
# So many rows that they are laid out technique by technique.
LONGEST = "provenance"
# Stands for five columns an outcome: its value, flag and z, why there is none, and why no z.
COLUMNS_OF_EACH_OUTCOME = "<outcome>"

# Name, key, what a row is, and columns: `table.column` of the contract, one `table.column new_name`
# for a column under another name, or a column described above.
VIEWS: tuple[tuple[str, str, str, tuple[str | Column, ...]], ...] = (
    (
        "all_outcomes",
        "centre session technique outcome",
        "one session and one outcome of the contract, whether or not it was accepted",
        (
            "sessions.session sessions.centre outcomes.technique outcomes.outcome "
            "outcomes.value outcomes.unit",
            WHY,
        ),
    ),
    (
        "clean_outcomes",
        "centre session technique outcome",
        "one outcome of an accepted test",
        (
            "sessions.session sessions.centre sessions.infant sessions.visit "
            "sessions.tested_at sessions.device devices.equipment_class outcomes.technique "
            "outcomes.outcome outcomes.value outcomes.unit outcomes.n_trials outcomes.trials "
            "outcomes.sd outcomes.cv_pct outcomes.z outcomes.percent_predicted "
            "outcomes.equation outcomes.z_why",
            FLAGGED,
            FLAGS,
            SESSION_FLAGS,
            "sessions.sex sessions.gestation_weeks sessions.age_days "
            "sessions.corrected_age_days sessions.weight_kg sessions.length_cm "
            "sessions.weight_z sessions.length_z nights.rules_version nights.code_fingerprint",
        ),
    ),
    (
        "clean_sessions",
        "centre session",
        "one session, with a column for each outcome",
        (
            "sessions.session sessions.centre sessions.infant sessions.visit sessions.tested_at "
            "sessions.device devices.equipment_class sessions.sex sessions.gestation_weeks "
            "sessions.birth_weight_kg sessions.age_days sessions.corrected_age_days "
            "sessions.weight_kg sessions.length_cm sessions.weight_z sessions.length_z "
            "sessions.status",
            SESSION_FLAGS,
            EMPTY_WHY,
            COLUMNS_OF_EACH_OUTCOME,
        ),
    ),
    (
        "rejections",
        "centre item_kind item rule",
        "one verdict that failed: a rejection, a flag or an alert, see severity",
        (
            DAY,
            "verdicts.centre verdicts.session",
            "sessions.operator tested_by",
            "verdicts.technique verdicts.item_kind verdicts.item verdicts.rule "
            "verdicts.severity verdicts.quantity verdicts.observed verdicts.operator "
            "verdicts.limit_low verdicts.limit_high verdicts.unit verdicts.sentence "
            "rules.remedy rules.source",
        ),
    ),
    (
        "acceptance",
        "centre technique month",
        "one centre, technique and month, with its counts",
        ("tests.centre tests.technique", *ACCEPTANCE),
    ),
    (
        "places",
        "centre technique month",
        "one centre's place among all centres in one technique and month",
        ("tests.centre", *PLACES),
    ),
    (
        "provenance",
        "centre session outcome evidence_kind evidence",
        "one recording or check behind one outcome",
        (
            "outcomes.session outcomes.centre outcomes.technique outcomes.outcome "
            "outcomes.value outcomes.unit outcomes.status outcomes.trials",
            *EVIDENCE,
            "deliveries.delivery",
            "deliveries.created_at delivery_created_at",
            "deliveries.sha256 delivery_sha256",
            "recordings.file recordings.file_sha256 recordings.content_key "
            "recordings.code_fingerprint nights.package_version nights.package_commit "
            "nights.libraries nights.rules_version",
            WAIVERS,
            "nights.night",
        ),
    ),
)


def view_sql() -> str:
    """Return the statements that define every view and comment on it and its columns."""
    return definitions() + "\n" + _all_comments()


def stored_view_sql() -> list[str]:
    """Return the statements that lay out the views once, so that a query need not work it out.

    A published night never changes, so what a view says of it can be stored beside the tables, in
    the schema `stored`; the views themselves read it there. To be carried out one by one: in one
    transaction, all would stay in memory until its end.
    """
    stored = [statement for view in views() for statement in _stored(view.name)]
    return [
        f"BEGIN; {definitions()} CREATE SCHEMA stored; COMMIT;",
        *stored,
        f"BEGIN; {_all_comments()} COMMIT;",
    ]


def _stored(name: str) -> Iterator[str]:
    if name == LONGEST:
        yield f"CREATE TABLE stored.{name} AS SELECT * FROM main.{name} LIMIT 0;"
        for technique in TECHNIQUES:
            yield (
                f"INSERT INTO stored.{name} SELECT * FROM main.{name} "
                f"WHERE technique = {literal(technique)};"
            )
    else:
        yield f"CREATE TABLE stored.{name} AS SELECT * FROM main.{name};"
    yield f"CREATE OR REPLACE VIEW main.{name} AS SELECT * FROM stored.{name};"


def _all_comments() -> str:
    return "\n".join(comment for view in views() for comment in comments_on(view))


def definitions() -> str:
    """Return the statements that create every view, each from the tables and the views before."""
    template = resources.files("quietsleep.warehouse").joinpath("views.sql").read_text("utf-8")
    listed = ",\n    ".join(
        f"({literal(o.technique)}, {literal(o.name)}, {literal(o.unit)})" for o in OUTCOMES.values()
    )
    wide = ",\n        ".join(
        f"any_value({measure}) FILTER (outcome = {literal(name)}) AS {name}{ending}"
        for name in OUTCOMES
        for measure, ending in _MEASURES
    )
    held = f"CASE WHEN s.status = 'quarantined' THEN {literal(HELD)}"
    empty = ",\n        ".join(
        f"CASE WHEN {'d' if name == 'equipment_class' else 's'}.{name} IS NULL "
        f"THEN {literal(f'{name}: ')} || {held} ELSE {literal(why)} END END"
        for name, why in OF_THE_SESSION.items()
    )
    return Template(template).substitute(
        contract_outcomes=listed,
        wide_columns=wide,
        empty_columns=empty,
        flags_of_sessions=FLAGS_OF_SESSIONS,
        no_reason=literal(NO_REASON),
    )


def comments_on(view: Table) -> list[str]:
    """Return the statements that comment on a view and its columns."""
    lines = [f"COMMENT ON VIEW {view.name} IS {literal(table_comment(view))};"]
    for column in view.columns:
        text = literal(column_comment(column))
        lines.append(f"COMMENT ON COLUMN {view.name}.{identifier(column.name)} IS {text};")
    return lines


@cache
def views() -> tuple[Table, ...]:
    """Return every view in the order in which they are created, described as tables are."""
    return tuple(
        Table(
            name, "warehouse", one_row_is, tuple(key.split()),
            tuple(column for part in parts for column in _columns(part)),
        )
        for name, key, one_row_is, parts in VIEWS
    )  # fmt: skip


def _columns(part: str | Column) -> list[Column]:
    """Return the columns that one part of a view's list stands for; any may be empty."""
    if isinstance(part, Column):
        return [replace(part, nullable=True)]
    if part == COLUMNS_OF_EACH_OUTCOME:
        return [column for outcome in OUTCOMES.values() for column in _of_outcome(outcome)]
    words = part.split()
    renamed = len(words) == 2 and "." not in words[1]
    found = []
    for word in words[:1] if renamed else words:
        table, name = word.split(".")
        column = replace(TABLES[table].column(name), nullable=True)
        found.append(replace(column, name=words[1]) if renamed else column)
    return found


# What is said of an outcome in the wide view: the measure, and the ending of its column.
_MEASURES = (("value", ""), ("flag", "_flag"), ("z", "_z"), ("why", "_why"), ("z_why", "_z_why"))


def _of_outcome(outcome: Outcome) -> list[Column]:
    value = Column(outcome.name, "number", outcome.meaning, outcome.unit)
    said = (value, FLAG, Z, WHY, Z_WHY)
    return [
        replace(column, name=f"{outcome.name}{ending}", nullable=True)
        for column, (_, ending) in zip(said, _MEASURES, strict=True)
    ]
