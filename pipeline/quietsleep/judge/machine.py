"""What the rules alone say of a trial, whatever readers decided of it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from quietsleep import contract

READER_RULE = "reader_accepts"
REVIEW_PREFIX = "rv-"


def waiver_name(review: str, rule: str) -> str:
    """Return the name of the waiver by which a decision lifts one rule."""
    return f"{review}/{rule.partition('.')[2]}"


def unmet(verdicts: pd.DataFrame) -> pd.DataFrame:
    """Return the reject verdicts on trials that are not met, lifted by readers or not.

    `verdicts` has item_kind, centre, item, rule, severity, state, waiver. What a reader decided is
    no verdict of the machine and is left out; a waiver that the study signed stands.
    """
    own = verdicts[
        (verdicts["item_kind"] == "trial")
        & (verdicts["severity"] == "reject")
        & ~verdicts["rule"].str.endswith(f".{READER_RULE}")
    ]
    by_reader = own["waiver"].astype("str").str.startswith(REVIEW_PREFIX)
    lifted = (own["state"] == "waived") & by_reader
    return own[own["state"].isin(["fail", "not_judged"]) | lifted]


def machine_status(trials: pd.DataFrame, verdicts: pd.DataFrame) -> pd.Series[Any]:
    """Return what the rules alone say of each trial: accepted, rejected or not_judgeable.

    `trials` has centre and trial; the result has its index.
    """
    rows = unmet(verdicts)
    # A waived verdict does not tell whether the rule had failed or could not be judged.
    may_be_unjudged = {rule.key for rule in contract.RULES.values() if rule.missing == "not_judged"}
    lifted = (rows["state"] == "waived") & rows["observed"].isna()
    marks = pd.DataFrame(
        {
            "centre": rows["centre"],
            "trial": rows["item"],
            "unjudged": (rows["state"] == "not_judged")
            | (lifted & rows["rule"].isin(may_be_unjudged)),
        }
    )
    all_unjudged = marks.groupby(["centre", "trial"])["unjudged"].all()
    names = pd.MultiIndex.from_frame(trials[["centre", "trial"]])
    found = all_unjudged.reindex(names)
    words = np.select(
        [found.isna().to_numpy(), found.eq(True).to_numpy()],
        ["accepted", "not_judgeable"],
        "rejected",
    )
    return pd.Series(words, index=trials.index, dtype="str")
