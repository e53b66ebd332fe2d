"""What a centre's clock says, held against the arrival of the delivery and against itself."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pandas as pd

from quietsleep.intake.cells import TypedTable
from quietsleep.intake.find import MANIFEST
from quietsleep.intake.hold import KnownSessions
from quietsleep.intake.reference import DeliveryReference
from quietsleep.records import Problem

# A clock of another zone may be a day ahead without being wrong.
MOST_AHEAD = timedelta(days=1)
MOST_NAMED = 20
# When a row says that it was done.
DONE_AT = {"sessions": "tested_at", "checks": "done_at"}


def created_ahead(
    created: datetime | None, arrived_at: datetime, place: DeliveryReference
) -> list[Problem]:
    """Say that a delivery was made more than a day after it arrived; it counts all the same."""
    if created is None or created - arrived_at <= MOST_AHEAD:
        return []
    problem = place.problem(
        "created_ahead",
        MANIFEST,
        f"{MANIFEST} says that the delivery was created on {_day(created)}, but it arrived on "
        f"{_day(arrived_at)}. Deliveries count in the order of arrival, so nothing is lost.",
        expected="created not after the arrival",
        remedy="Set the clock of the computer that writes the deliveries.",
    )
    return [problem]


def find_future(
    typed: Mapping[str, TypedTable], arrived_at: datetime, place: DeliveryReference
) -> None:
    """Add to the faults of sessions and checks those that were done after they arrived."""
    for name, column in DONE_AT.items():
        frame = typed[name].frame
        late = frame[frame[column] > pd.Timestamp(arrived_at)]
        for row, at in zip(late["row"], late[column], strict=True):
            typed[name].faults[int(row)].append(
                place.problem(
                    "after_arrival",
                    f"{name}.csv",
                    f"Row {row} of {name}.csv: {column} is {at:%Y-%m-%d %H:%M} UTC, but the "
                    f"delivery arrived at {_minute(arrived_at)}.",
                    expected=f"{column} before the delivery arrived",
                    remedy="Correct the time or its offset, set the clock that wrote it, and "
                    "deliver the row again, in a new delivery.",
                    row=int(row),
                    column=column,
                )
            )


def other_day(
    typed: Mapping[str, TypedTable], known: KnownSessions, place: DeliveryReference
) -> list[Problem]:
    """Name recordings that did not begin on the local day of their session; they count."""
    days: dict[str, date | None] = {name: said.on for name, said in known.items()}
    days |= _days(typed["sessions"].frame)
    problems = []
    row: Any
    for row in typed["recordings"].frame.itertuples():
        day = days.get(row.session) if isinstance(row.session, str) else None
        if day is None or not isinstance(row.local_day, date) or row.local_day == day:
            continue
        problems.append(
            place.problem(
                "other_day",
                "recordings.csv",
                f"Row {row.row} of recordings.csv: the recording began on {row.local_day}, but "
                f"its session {row.session} was on {day}.",
                expected="recordings on the day of their session",
                remedy="Correct started_at or the session, and deliver the row again; where the "
                "test went on past midnight, nothing is to be done.",
                session=row.session,
                recording=row.recording,
                row=int(row.row),
                column="started_at",
            )
        )
    return problems[:MOST_NAMED]


def _days(sessions: pd.DataFrame) -> dict[str, date | None]:
    return {
        str(session): day if isinstance(day, date) else None
        for session, day in zip(sessions["session"], sessions["local_day"], strict=True)
    }


def _day(at: datetime) -> str:
    return f"{at.astimezone(UTC):%Y-%m-%d}"


def _minute(at: datetime) -> str:
    return f"{at.astimezone(UTC):%Y-%m-%d %H:%M} UTC"
