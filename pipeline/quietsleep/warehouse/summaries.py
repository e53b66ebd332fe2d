"""Tables that say of a whole centre how it agrees: with the central results, and with others."""

from __future__ import annotations

from typing import Any

import pandas as pd

from quietsleep.judge.agreement import NO_CAUSE
from quietsleep.warehouse.comparability import Comparability, compare_centres
from quietsleep.warehouse.statistics import intraclass, limits_of_agreement

FEWEST_PAIRS = 3


def agreement_limits_frame(agreement: pd.DataFrame) -> pd.DataFrame:
    """Return bias, limits of agreement and ICC of each centre and outcome of `agreement`.

    Pairs with a suspected slip are counted and left out, so that one wrong unit does not hide how
    the rest agrees.
    """
    rows: list[dict[str, Any]] = []
    for (centre, outcome, unit), group in agreement.groupby(
        ["centre", "outcome", "unit"], sort=True
    ):
        paired = group.dropna(subset=["reported_converted", "central_value"])
        sound = paired[paired["suspected_cause"] == NO_CAUSE]
        row = {"centre": centre, "outcome": outcome, "unit": unit, "n_pairs": len(sound)}
        row["n_suspected"] = len(paired) - len(sound)
        rows.append(row | _limits(sound))
    return pd.DataFrame(rows)


def _limits(pairs: pd.DataFrame) -> dict[str, float]:
    if len(pairs) < FEWEST_PAIRS:
        return {}
    both = pairs[["reported_converted", "central_value"]].to_numpy(dtype="float64")
    limits = limits_of_agreement(both[:, 0], both[:, 1])
    return {
        "bias": limits.bias,
        "lower_limit": limits.lower,
        "upper_limit": limits.upper,
        "icc": intraclass(both).single_2,
    }


def comparability_frame(
    outcomes: pd.DataFrame, sessions: pd.DataFrame, devices: pd.DataFrame
) -> pd.DataFrame:
    """Return the centre means of every accepted outcome, by class of equipment."""
    visits = sessions[["centre", "session", "infant", "length_cm", "device"]]
    classes = devices[["centre", "device", "equipment_class"]]
    clean = (
        outcomes[outcomes["status"] == "accepted"]
        .merge(visits, on=["centre", "session"])
        .merge(classes, on=["centre", "device"], how="left")
    )
    return pd.DataFrame([row for found in compare_centres(clean) for row in _means(found)])


def _means(found: Comparability) -> list[dict[str, Any]]:
    low, high = found.between_share_interval
    return [
        {
            "outcome": found.outcome,
            "equipment_class": found.equipment_class,
            "centre": mean.centre,
            "measure": found.measure,
            "unit": found.unit,
            "n_infants": mean.n_infants,
            "mean": mean.mean,
            "lower": mean.lower,
            "upper": mean.upper,
            "between_share_pct": 100.0 * found.between_share,
            "between_share_low_pct": 100.0 * low,
            "between_share_high_pct": 100.0 * high,
            "warning": " ".join(found.warnings),
        }
        for mean in found.centres
    ]
