"""What each reason cost: tests that were not accepted, by the rules that stopped them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from importlib import resources
from typing import TYPE_CHECKING, Any

import pandas as pd

from quietsleep.contract import Rule
from quietsleep.contract.model import fault_for
from quietsleep.judge.guard import Guard, apart, unguarded
from quietsleep.judge.limits import has_labels, name_fault

if TYPE_CHECKING:
    import duckdb

QUARANTINED = "quarantined"
NOT_READ = "not read: held, or no recording of it could be read"
READ_AGAIN = "Put right what the open queries of the session name, and deliver it again."


def lost_tests_frame(
    connection: duckdb.DuckDBPyConnection,
    rules: Sequence[Rule],
    *,
    guard: Guard = unguarded,
) -> pd.DataFrame:
    """Return what each reason cost, from the tables `tests` and `verdicts` of a database.

    `rules` are those in force, for their words; the newest version of each counts.
    """
    template = resources.files("quietsleep.warehouse").joinpath("lost_tests.sql")
    found = connection.execute(template.read_text("utf-8")).df()
    newest = {rule.key: rule for rule in sorted(rules, key=lambda rule: rule.valid_from)}
    rows: list[dict[str, Any]] = []
    for centre, own in found.groupby("centre", sort=True):
        with apart(guard, "lost tests", at=centre):
            for record in own.to_dict("records"):
                row = {str(name): value for name, value in record.items()}
                rows.append(row | _in_words(row, newest))
    return pd.DataFrame(rows)


def _in_words(row: Mapping[str, Any], rules: Mapping[str, Rule]) -> dict[str, Any]:
    rule = rules.get(row["rule"])
    if rule is None:
        is_unread = row["rule"] == QUARANTINED
        words = NOT_READ if is_unread else str(row["rule"]).replace("_", " ")
        return {"reason": words, "remedy": READ_AGAIN if is_unread else None}
    missing = bool(row["is_missing"])
    observed = row["observed"]
    reason = name_fault(
        fault_for(rule.fault, rule.fault_missing, is_missing=missing),
        [] if missing or pd.isna(observed) else [float(observed)],
        low=None if pd.isna(row["limit_low"]) else float(row["limit_low"]),
        high=None if pd.isna(row["limit_high"]) else float(row["limit_high"]),
        unit=str(row["unit"]),
        labelled=has_labels(rule.owner, rule.level, rule.quantity),
    )
    return {"reason": reason, "remedy": rule.remedy_for(float("nan") if missing else 0.0)}
