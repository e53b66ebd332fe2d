"""What a block of sessions says that a person has to hear of: alerts, slips, what lacks or is held.

These are rows of the block, small enough to keep; `judge.causes` makes queries of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from quietsleep import contract
from quietsleep.contract import Rule
from quietsleep.contract.model import check_verdict_name
from quietsleep.judge.slips import LIKELY
from quietsleep.judge.tests import Evidence, Judged

# Without consent nothing of a session may be used, and its centre has to be told the same night.
CONSENT_RULE = "session.consent"
SLIPS = ["centre", "session", "item", "sentence"]
LACKING = ["centre", "session", "kind"]
UNREAD = ["centre", "session", "item", "delivery", "row", "file", "content_key", "why"]


@dataclass(frozen=True, slots=True)
class Remarks:
    """What some sessions say that a person has to hear of.

    `alerts` are verdicts: failed rules of severity alert, and consent that was not there. `slips`
    name tests, or columns of a session, with a number that cannot be: centre, session, item,
    sentence. `lacking` names the checks that tests of a session want and that nobody delivered:
    centre, session, kind. `unread` are the recordings that were held or could not be read.
    """

    alerts: pd.DataFrame
    slips: pd.DataFrame
    lacking: pd.DataFrame
    unread: pd.DataFrame


def remarks_of(evidence: Evidence, judged: Judged, rules: Sequence[Rule]) -> Remarks:
    """Return what a block says that a person has to hear of."""
    verdicts = judged.verdicts
    alert = (verdicts["severity"] == "alert") | (verdicts["rule"] == CONSENT_RULE)
    unread = evidence.recordings[evidence.recordings["state"] == "quarantined"]
    return Remarks(
        alerts=verdicts[alert & (verdicts["state"] == "fail")],
        slips=pd.concat([_slips_of_tests(judged), _slips_of_sessions(verdicts, rules)]),
        lacking=_lacking(evidence, verdicts),
        unread=unread[UNREAD],
    )


def _slips_of_tests(judged: Judged) -> pd.DataFrame:
    """Return the tests of which enough trials have a number that one slip explains."""
    verdicts, by = judged.verdicts, ["centre", "session", "technique"]
    failed = verdicts[(verdicts["item_kind"] == "trial") & (verdicts["state"] == "fail")]
    named = failed[failed["sentence"].astype("str").str.contains(LIKELY, regex=False)]
    if named.empty:
        return named[SLIPS]
    suspected = named.groupby(by).agg(n=("item", "nunique"), sentence=("sentence", "first"))
    found = suspected.join(judged.trials.groupby(by).size().rename("n_all"), how="left")
    many = found["n"] * 100.0 >= contract.QUERIES.slip_share_pct * found["n_all"]
    tests = found[many].reset_index().rename(columns={"technique": "item"})
    return tests.reindex(columns=SLIPS)


def _slips_of_sessions(verdicts: pd.DataFrame, rules: Sequence[Rule]) -> pd.DataFrame:
    """Return the numbers of sessions that cannot be, by the column that is doubted."""
    doubts = {rule.key: rule.touches for rule in rules if rule.touches}
    doubts |= {
        rule.key: rule.quantity
        for rule in rules
        if rule.level == "session" and rule.quantity in contract.QUERIES.typed_quantities
    }
    named = verdicts[
        verdicts["rule"].isin(list(doubts))
        & (verdicts["state"] == "fail")
        & (verdicts["severity"] == "reject")
        & verdicts["observed"].notna()
    ]
    return named.assign(item=named["rule"].map(doubts))[SLIPS].drop_duplicates(SLIPS[:3])


def _lacking(evidence: Evidence, verdicts: pd.DataFrame) -> pd.DataFrame:
    """Return the checks that tests want and that no session is linked to."""
    kinds = {check_verdict_name(kind): kind for kind in contract.CHECKS}
    wanted = verdicts[
        (verdicts["item_kind"] == "test")
        & verdicts["quantity"].isin(list(kinds))
        & verdicts["observed"].isna()
        & verdicts["state"].isin(["fail", "not_judged"])
    ]
    wanted = wanted.assign(kind=wanted["quantity"].map(kinds))[LACKING].drop_duplicates()
    linked = evidence.session_checks[LACKING].drop_duplicates()
    both = wanted.merge(linked, on=LACKING, how="left", indicator="found")
    return both.loc[both["found"] == "left_only", LACKING].reset_index(drop=True)
