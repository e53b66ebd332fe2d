"""Growth of each visit and z-scores of each outcome; every score names its equation."""

from __future__ import annotations

from typing import Any

import pandas as pd

from quietsleep.judge.growth import corrected_age_days, length_z, weight_z
from quietsleep.judge.references import References, Subject, score
from quietsleep.study.study import Study

GROWTH = ("weight_z", "length_z")
GROWTH_COLUMNS = ("corrected_age_days", "weight_z", "weight_z_why", "length_z", "length_z_why")
SCORE_COLUMNS = ("z", "percent_predicted", "equation", "z_why")
SUBJECT_COLUMNS = ("sex", "length_cm", "weight_kg", "age_days", "corrected_age_days", "device")


def with_growth(sessions: pd.DataFrame) -> pd.DataFrame:
    """Add corrected age and growth z-scores to each visit, with reasons where there is none."""
    visit: Any
    rows: list[dict[str, Any]] = []
    for visit in sessions.itertuples():
        sex = visit.sex if isinstance(visit.sex, str) else None
        age = {"age_days": visit.age_days, "gestation_weeks": visit.gestation_weeks}
        weight = weight_z(visit.weight_kg, sex=sex, **age)
        length = length_z(visit.length_cm, sex=sex, **age)
        rows.append(
            {
                "corrected_age_days": corrected_age_days(**age),
                "weight_z": weight.z,
                "weight_z_why": weight.why,
                "length_z": length.z,
                "length_z_why": length.why,
            }
        )
    return sessions.join(pd.DataFrame(rows, index=sessions.index, columns=list(GROWTH_COLUMNS)))


def with_scores(
    outcomes: pd.DataFrame, sessions: pd.DataFrame, *, study: Study, references: References
) -> pd.DataFrame:
    """Add z-score, percent predicted, the equation's key, and the reason where there is none."""
    visits = sessions[["centre", "session", *SUBJECT_COLUMNS]]
    joined = outcomes.merge(visits, on=["centre", "session"], how="left")
    row: Any
    rows: list[dict[str, Any]] = []
    for row in joined.itertuples():
        found = score(row.outcome, row.value, _subject(row, study), references)
        rows.append(
            {
                "z": found.z,
                "percent_predicted": found.percent_predicted,
                "equation": found.equation,
                "z_why": found.why,
            }
        )
    scores = pd.DataFrame(rows, columns=list(SCORE_COLUMNS))
    return outcomes.reset_index(drop=True).join(scores)


def _subject(row: Any, study: Study) -> Subject:
    device = study.devices.get(row.device)
    return Subject(
        sex=row.sex if isinstance(row.sex, str) else None,
        length_cm=row.length_cm,
        weight_kg=row.weight_kg,
        age_days=row.age_days,
        corrected_age_days=row.corrected_age_days,
        equipment_class="unknown" if device is None else device.equipment_class,
    )
