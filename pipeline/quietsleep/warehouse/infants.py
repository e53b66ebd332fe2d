"""Infants over time: their sessions in order, and how they aged and grew between them.

Nothing is put right here: sessions that contradict each other stay side by side and are data
queries; a gain is not computed across them.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from quietsleep.judge.contradictions import AGES, DIFFERS, SAME_DAY, Contradiction

# Contradictions that are about an infant, not about a file.
OF_INFANTS = (SAME_DAY, DIFFERS, AGES)
BY_INFANT = ["centre", "infant"]
GRAMS, DAYS_A_WEEK, MM_A_CM = 1000.0, 7.0, 10.0


def visits_frame(sessions: pd.DataFrame, contradictions: Sequence[Contradiction]) -> pd.DataFrame:
    """Return one row for each session of a known infant, in order of infant and day."""
    known = sessions[sessions["infant"].notna()].copy()
    known["day"] = pd.to_datetime(known["tested_on"])
    known = known.sort_values([*BY_INFANT, "day", "session"], kind="stable", ignore_index=True)
    own = known.groupby(BY_INFANT, sort=False)
    known["position"] = own.cumcount() + 1
    known["tested_quarter"] = [
        None if pd.isna(d) else f"{d.year}-Q{d.quarter}" for d in known["day"]
    ]
    known["days_since_first"] = _whole(known["day"] - own["day"].transform("min"))
    known["days_since_previous"] = _whole(known["day"] - own["day"].shift())
    doubted = _sides(contradictions)
    sides = [doubted.get(key, ()) for key in zip(known["centre"], known["session"], strict=True)]
    known["contradictions"] = [", ".join(kinds) or None for kinds in sides]
    _add_gains(known, pd.Series([AGES in kinds or SAME_DAY in kinds for kinds in sides]))
    return known


def _whole(time: pd.Series[pd.Timedelta]) -> pd.Series[int]:
    return time.dt.days.astype("Int64")


def _sides(contradictions: Sequence[Contradiction]) -> dict[tuple[str, str], tuple[str, ...]]:
    """Return the kinds of contradiction by centre and session."""
    found: dict[tuple[str, str], set[str]] = {}
    for contradiction in contradictions:
        if contradiction.kind in OF_INFANTS:
            for session in contradiction.sessions:
                found.setdefault((contradiction.centre, session), set()).add(contradiction.kind)
    return {key: tuple(k for k in OF_INFANTS if k in kinds) for key, kinds in found.items()}


def _add_gains(known: pd.DataFrame, in_doubt: pd.Series[bool]) -> None:
    """Add what was gained since the session before, and why that is not known."""
    own = known.groupby(BY_INFANT, sort=False)
    days = known["days_since_previous"].astype("float64")
    was_in_doubt = in_doubt.groupby([known[c] for c in BY_INFANT]).shift(fill_value=False)
    why = pd.Series(np.full(len(known), None, dtype=object))
    sizes = known[["weight_kg", "length_cm"]].astype("float64")
    gained = sizes - own[["weight_kg", "length_cm"]].shift().astype("float64")
    why[gained.isna().any(axis=1)] = "weight or length is not known at both sessions"
    why[days.isna()] = "the day of one of both sessions is not known"
    why[in_doubt | was_in_doubt] = "age and days of one of both sessions contradict each other"
    why[known["position"] == 1] = "first session"
    counts = days.notna() & (days > 0) & ~(in_doubt | was_in_doubt)
    rate = gained.div(days.where(counts), axis=0)
    known["weight_gain_g_d"] = rate["weight_kg"] * GRAMS
    known["length_gain_mm_wk"] = rate["length_cm"] * MM_A_CM * DAYS_A_WEEK
    known["why"] = why


def infants_frame(visits: pd.DataFrame) -> pd.DataFrame:
    """Return one row for each infant, what is true for life from its first accepted session."""
    own = visits.groupby(BY_INFANT, sort=True)
    ages = visits[visits["age_days"].notna()].groupby(BY_INFANT)["age_days"]
    found = pd.DataFrame(
        {
            "n_sessions": own.size(),
            "n_accepted": own["status"].agg(lambda status: int((status == "accepted").sum())),
            "first_age_days": ages.first(),
            "last_age_days": ages.last(),
            "days_followed": own["days_since_first"].max(),
            "contradictions": own["contradictions"].agg(_joined),
        }
    ).reset_index()
    order = visits.assign(later=visits["status"] != "accepted")
    order = order.sort_values([*BY_INFANT, "later", "position"], kind="stable")
    names = [*BY_INFANT, "sex", "gestation_weeks", "birth_weight_kg"]
    return order[names].drop_duplicates(BY_INFANT).merge(found, on=BY_INFANT)


def _joined(said: pd.Series[str]) -> str | None:
    kinds = {kind for kinds in said.dropna() for kind in kinds.split(", ")}
    return ", ".join(kind for kind in OF_INFANTS if kind in kinds) or None
