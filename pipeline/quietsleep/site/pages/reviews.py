"""Over-reading on the overview: who waits, what readers decided, and how far they agree."""

from __future__ import annotations

from collections import Counter
from contextlib import closing
from typing import NamedTuple

from quietsleep.contract import Choice
from quietsleep.review.queue import read_trials, waiting
from quietsleep.site import words
from quietsleep.site.faults import technique_title
from quietsleep.site.read import PublishedNight, Row
from quietsleep.warehouse.database import open_night
from quietsleep.warehouse.statistics import ALL, MACHINE

REVIEWS = "SELECT * FROM reviews ORDER BY review"
WAIVERS = "SELECT * FROM waivers WHERE starts_with(waiver, 'rv-') ORDER BY waiver"
AGREEMENT = f"""
SELECT * FROM review_agreement
ORDER BY technique <> '{ALL}', technique, second = '{MACHINE}', first, second
"""


class PastReading(NamedTuple):
    """A decision of the published night, as the queue needs it."""

    centre: str
    trial: str
    file_sha256: str
    reader: str
    decision: Choice


class ReviewsView(NamedTuple):
    """What the overview says of readers."""

    waiting: tuple[tuple[str, int], ...]
    n_waiting: int
    n_decisions: int
    n_broken: int
    waived: tuple[tuple[str, str, str, str, str], ...]
    agreement: tuple[tuple[str, str, int, str, str], ...]


def reviews_of(night: PublishedNight) -> ReviewsView:
    """Gather what readers decided and who still waits, from one published night."""
    decided = night.rows(REVIEWS)
    past = [
        PastReading(**{name: row[name] for name in PastReading._fields})
        for row in decided
        if row["state"] != "broken"
    ]
    reasons: Counter[str] = Counter()
    n_waiting = 0
    with closing(open_night(night.path)) as warehouse:
        for centre in night.centres():
            published = read_trials(warehouse, centre["centre"])
            queue = waiting(
                published.trials, published.verdicts, past, study=str(night.facts.get("study", ""))
            )
            n_waiting += len(queue)
            # A centre without trials has an empty queue, which may have no columns either.
            reasons.update(reason for row in queue.to_dict("records") for reason in row["why"])
    return ReviewsView(
        waiting=tuple(reasons.most_common()),
        n_waiting=n_waiting,
        n_decisions=len(decided),
        n_broken=sum(row["state"] == "broken" for row in decided),
        waived=tuple(
            (w["centre"], w["item"], words.rule_name(w["rule"]), w["signed_by"], w["reason"])
            for w in night.rows(WAIVERS)
        ),
        agreement=tuple(_agreement(row) for row in night.rows(AGREEMENT)),
    )


def _agreement(row: Row) -> tuple[str, str, int, str, str]:
    technique = "All techniques" if row["technique"] == ALL else technique_title(row["technique"])
    other = "the rules" if row["second"] == MACHINE else row["second"]
    return (
        technique,
        f"{row['first']} and {other}",
        row["n_trials"],
        f"{row['agreement_pct']:.0f} %",
        "–" if words.missing(row["kappa"]) else f"{row['kappa']:.2f}",
    )
