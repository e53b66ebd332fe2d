"""How readers' decisions act on judging: a quantity, waivers, and never a verdict taken away.

One reader's rejection rejects a trial. Acceptances of enough different readers, more than reject
it, lift the reject rules that were not met when they read it, and other readers' rejections.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from quietsleep import contract
from quietsleep.contract import Choice
from quietsleep.judge.tests import Evidence, Judged
from quietsleep.store.items import code_of_item
from quietsleep.study.review_log import Review
from quietsleep.study.study import Waiver

ITEM = ["centre", "trial"]
# Who and what the table of agreement compares besides readers and techniques.
MACHINE = "machine"
ALL = "all"


@dataclass(frozen=True, slots=True)
class PlacedReview:
    """A decision and today's trial that it speaks of; `state` as in the table of reviews."""

    review: Review
    trial: str | None
    session: str | None
    state: str


@dataclass(frozen=True, slots=True)
class ReviewEffects:
    """What readers' decisions come to tonight."""

    placed: tuple[PlacedReview, ...]
    waivers: tuple[Waiver, ...]

    @property
    def standing(self) -> list[PlacedReview]:
        """The decisions that say what their reader thinks of a trial that is there."""
        return [p for p in self.placed if p.state == "counts"]


def place_reviews(
    reviews: Iterable[Review], recordings: pd.DataFrame, trials: pd.DataFrame
) -> ReviewEffects:
    """Find today's trial of each decision, and work out which rules readers lift.

    A decision speaks of the signal that was read: the same file, and the trial that holds the
    middle of the stretch that was read. The last decision of a reader on a trial is the one that
    counts. `recordings` and `trials` are those of the recordings that were read, at least.
    """
    find = _finder(recordings, trials)
    placed = []
    for review in reviews:
        trial, session = find(review)
        placed.append(PlacedReview(review, trial, session, "counts" if trial else "other_signal"))
    last = {
        (p.review.centre, p.trial, p.review.reader): p.review.review
        for p in placed
        if p.state == "counts"
    }
    placed = [
        replace(p, state="replaced")
        if p.state == "counts"
        and last[p.review.centre, p.trial, p.review.reader] != p.review.review
        else p
        for p in placed
    ]
    return ReviewEffects(tuple(placed), tuple(_waivers(placed)))


Finder = Callable[[Review], tuple[str | None, str | None]]


def read_recordings(reviews: Iterable[Review], recordings: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of the recordings that readers ever decided on.

    Old decisions name a recording by its code alone: then it is any that has this code.
    """
    read = {(r.centre, r.recording) for r in reviews}
    keys = zip(recordings["centre"], recordings["item"], recordings["recording"], strict=True)
    wanted = [(c, item) in read or (c, code) in read for c, item, code in keys]
    return recordings[np.array(wanted, bool)]


def _finder(recordings: pd.DataFrame, trials: pd.DataFrame) -> Finder:
    files = {
        (row.centre, row.item): row.file_sha256
        for row in recordings[["centre", "item", "file_sha256"]].itertuples(index=False)
    }
    rows: dict[tuple[Any, Any], list[Any]] = {}
    names = ["centre", "item", "session", "trial", "start_s", "end_s"]
    for row in trials[names].itertuples(index=False):
        for name in (row.item, code_of_item(str(row.item))):
            rows.setdefault((row.centre, name), []).append(row)

    def find(review: Review) -> tuple[str | None, str | None]:
        middle = (review.start_s + review.end_s) / 2
        for trial in rows.get((review.centre, review.recording), []):
            same = files[trial.centre, trial.item] == review.file_sha256
            if same and trial.start_s <= middle <= trial.end_s:
                return trial.trial, trial.session
        return None, None

    return find


def decide(decisions: Iterable[Choice]) -> bool | None:
    """Say what the last decisions of different readers come to: None where nobody read."""
    counts = Counter(decisions)
    if not counts:
        return None
    if not counts["reject"]:
        return True
    return _enough(counts["accept"], against=counts["reject"])


def _enough(n_accept: int, *, against: int) -> bool:
    return n_accept >= contract.REVIEWING.readers_to_overturn and n_accept > against


def _by_trial(placed: Iterable[PlacedReview]) -> dict[tuple[str, str], list[Review]]:
    """Return the decisions that hold, by centre and today's trial, one a reader."""
    found: dict[tuple[str, str], dict[str, Review]] = {}
    for p in placed:
        if p.state == "counts" and p.trial:
            found.setdefault((p.review.centre, p.trial), {})[p.review.reader] = p.review
    return {key: list(by_reader.values()) for key, by_reader in found.items()}


def _waivers(placed: Sequence[PlacedReview]) -> list[Waiver]:
    """Return a waiver for each rule that enough readers saw unmet, and accept all the same."""
    found = []
    for (centre, trial), reviews in _by_trial(placed).items():
        accepts = [r for r in reviews if r.decision == "accept"]
        rejects = len(reviews) - len(accepts)
        seen: dict[str, list[Review]] = {}
        for review in accepts:
            for rule in review.overrules:
                seen.setdefault(rule, []).append(review)
        if rejects:
            seen[f"{reviews[0].technique}.{READER_RULE}"] = accepts
        for rule, readers in seen.items():
            if _enough(len(readers), against=rejects):
                found.append(_waiver(centre, trial, rule, readers))
    return found


def _waiver(centre: str, trial: str, rule: str, readers: Sequence[Review]) -> Waiver:
    last = max(readers, key=lambda r: r.review)
    return Waiver(
        waiver=waiver_name(last.review, rule),
        centre=centre,
        item_kind="trial",
        item=trial,
        rule=rule,
        reason=" ".join(dict.fromkeys(reason_said(r.reason) for r in readers)),
        signed_by=", ".join(sorted(r.reader for r in readers)),
        signed_on=last.day.date(),
    )


def reason_said(reason: str) -> str:
    """Return a reason in words: the contract's sentence, or the rule by name."""
    known = contract.REVIEWING.reasons.get(reason)
    if known is not None:
        return known.sentence
    return f"Rule {reason.replace('_', ' ').replace('.', ': ')}."


def with_readers(evidence: Evidence, effects: ReviewEffects) -> Evidence:
    """Return the evidence with what readers decided as a quantity of every trial.

    A rejection that other readers overturned stays 0 and is waived, so that it stays to be seen.
    """
    trials = evidence.trials[[*ITEM, "technique"]]
    rejected = {
        key: 0.0 if any(r.decision == "reject" for r in reviews) else 1.0
        for key, reviews in _by_trial(effects.placed).items()
    }
    keys = zip(trials["centre"], trials["trial"], strict=True)
    values = np.array([rejected.get(key, np.nan) for key in keys], dtype=np.float64)
    rows = trials.assign(quantity=READER_RULE, value=values, reason=None)
    rows.loc[rows["value"].isna(), "reason"] = "no reader has looked at it"
    known = evidence.trial_values
    return replace(
        evidence, trial_values=pd.concat([known, rows[known.columns]], ignore_index=True)
    )


def told_why(judged: Judged, effects: ReviewEffects) -> Judged:
    """Add to what is said of a trial that readers rejected the reasons that they gave."""
    verdicts, trials = judged.verdicts.copy(), judged.trials.copy()
    mine = verdicts["rule"].str.endswith(f".{READER_RULE}")
    for (centre, trial), reviews in _by_trial(effects.placed).items():
        reasons = [reason_said(r.reason) for r in reviews if r.decision == "reject"]
        here = mine & (verdicts["centre"] == centre) & (verdicts["item"] == trial)
        if not reasons or not here.any():
            continue
        said = str(verdicts.loc[here, "sentence"].iloc[0])
        whole = " ".join([said, *dict.fromkeys(reasons)])
        verdicts.loc[here, "sentence"] = whole
        own = (trials["centre"] == centre) & (trials["trial"] == trial)
        trials.loc[own, "why"] = trials.loc[own, "why"].str.replace(said, whole, regex=False)
    return replace(judged, verdicts=verdicts, trials=trials)


def reviews_frame(effects: ReviewEffects) -> pd.DataFrame:
    """Return every decision ever written down, as a frame for the table of reviews."""
    rows: dict[str, dict[str, Any]] = {}
    for p in effects.placed:
        row = {name: getattr(p.review, name) for name in Review.__dataclass_fields__}
        row |= {
            "session": p.session,
            "state": p.state,
            "decided_at": p.review.day,
            "note": p.review.note or None,
            "overrules": ", ".join(p.review.overrules),
        }
        rows[p.review.review] = row
    names = [column.name for column in contract.TABLES["reviews"].columns]
    return pd.DataFrame(list(rows.values()), columns=names)


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
