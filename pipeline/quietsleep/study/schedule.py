"""The schedule of a study, as study.toml says: planned visits, techniques, deliveries, calls.

Without the table [schedule] nothing is expected of anybody.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import AfterValidator, model_validator
from pydantic.dataclasses import dataclass as model

from quietsleep import contract
from quietsleep.contract.toml import (
    CONFIG,
    Day,
    Number,
    Text,
    Whole,
    between,
    first_twice,
    nearest_known,
    shown,
)

# A visit may be planned up to here, about ten years of age.
MOST_DAYS = 3700


def _techniques(names: tuple[str, ...]) -> tuple[str, ...]:
    for name in names:
        if name not in contract.TECHNIQUES:
            hint = nearest_known(name, contract.TECHNIQUES)
            listed = f"it may be: {', '.join(contract.TECHNIQUES)}."
            raise ValueError(f"names {shown(name)}, which is no technique; {hint or listed}")
    return names


def plain_visit(name: str) -> str:
    """Return the name of a visit as it is compared: without regard to case and spaces."""
    return " ".join(name.split()).casefold()


Days = Annotated[Whole, between(0, MOST_DAYS)]
Age = Annotated[Number, between(0, MOST_DAYS)]


@model(frozen=True, slots=True, config=CONFIG, kw_only=True)
class PlannedVisit:
    """One visit of the study plan: at which age, within which window, with which techniques.

    `also_called` are other names that centres write for it.
    """

    visit: Text
    age_days: Age
    earliest_age_days: Age
    latest_age_days: Age
    techniques: Annotated[tuple[str, ...], AfterValidator(_techniques)] = ()
    also_called: tuple[Text, ...] = ()

    @model_validator(mode="after")
    def _check(self) -> Self:
        if not self.earliest_age_days <= self.age_days <= self.latest_age_days:
            raise ValueError(
                f"age_days is {self.age_days:g}; it must lie in the window from earliest_age_days "
                f"{self.earliest_age_days:g} to latest_age_days {self.latest_age_days:g}."
            )
        return self

    @property
    def names(self) -> frozenset[str]:
        """All its names, as they are compared."""
        return frozenset(plain_visit(name) for name in (self.visit, *self.also_called))


@model(frozen=True, slots=True, config=CONFIG, kw_only=True)
class Schedule:
    """What a study expects; ages of visits are `by` the age since birth or the corrected one.

    A delivery is expected every `deliveries_every_days` days, and late `delivery_grace_days`
    beyond; of a centre that has sent none yet, from `starts_on` on. Families are called within
    `followup_call_within_days` days after a session.
    """

    visits: tuple[PlannedVisit, ...] = ()
    by: Literal["age_days", "corrected_age_days"] = "age_days"
    deliveries_every_days: Annotated[Whole, between(1, 366)] | None = None
    delivery_grace_days: Days = 0
    starts_on: Day | None = None
    followup_call_within_days: Days | None = None

    @model_validator(mode="after")
    def _check(self) -> Self:
        asked = (self.deliveries_every_days, self.followup_call_within_days)
        if not self.visits and asked == (None, None):
            raise ValueError(
                "expects nothing: give visits, deliveries_every_days or "
                "followup_call_within_days, or take it out."
            )
        names = (name for visit in self.visits for name in visit.names)
        if (twice := first_twice(names)) is not None:
            raise ValueError(f"has two visits called {shown(twice)}.")
        return self

    @property
    def wait_days(self) -> int:
        """Days after which what was done must have arrived: the next delivery and its grace."""
        every = self.deliveries_every_days
        return 0 if every is None else every + self.delivery_grace_days

    def planned(self, visit: str) -> PlannedVisit | None:
        """Return the planned visit of that name; None where the plan knows none."""
        name = plain_visit(visit)
        return next((each for each in self.visits if name in each.names), None)
