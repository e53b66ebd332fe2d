"""What was measured, as the rows that the state keeps of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd

from quietsleep.records import Measured


def measured_rows(
    measured: Sequence[Measured], *, night: str, code: Mapping[str, str]
) -> pd.DataFrame:
    """Return one row for each recording or check."""
    names = ("item", "technique", "state", "rate_hz", "duration_s", "sentence", "traceback")
    return pd.DataFrame(
        [
            {"content_key": m.key, "code": code[m.technique], "night": night}
            | {name: getattr(m, name) for name in names}
            for m in measured
        ]
    )


def trial_rows(measured: Sequence[Measured]) -> pd.DataFrame:
    """Return one row for each trial."""
    return pd.DataFrame(
        [
            {"content_key": m.key, "trial_index": t.index, "start_s": t.start_s, "end_s": t.end_s}
            for m in measured
            for t in m.trials
        ]
    )


def value_rows(measured: Sequence[Measured]) -> pd.DataFrame:
    """Return one row for each quantity of each trial, and of a whole check as trial 0."""
    keys: list[str] = []
    indices: list[int] = []
    quantities: list[str] = []
    values: list[float] = []
    reasons: list[str | None] = []
    for m in measured:
        sets = [(t.index, t.values, t.reasons) for t in m.trials]
        if m.test_values:
            sets.append((0, m.test_values, {}))
        for index, numbers, why in sets:
            for quantity, value in numbers.items():
                keys.append(m.key)
                indices.append(index)
                quantities.append(quantity)
                values.append(value)
                reasons.append(why.get(quantity))
    return pd.DataFrame(
        {
            "content_key": keys,
            "trial_index": indices,
            "quantity": quantities,
            "value": values,
            "reason": reasons,
        }
    )
