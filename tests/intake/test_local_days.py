"""Local days: those of a centre's time zone, else of the offset beside each time."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietsleep.intake.cells import typed_table
from quietsleep.intake.privacy import PrivacyScan
from quietsleep.intake.reference import DeliveryReference
from quietsleep.intake.text_table import read_text_table
from tests.intake.conftest import Draft, check_row, make_draft

PLACE = DeliveryReference("larch", "d1")


def local_days(zone: str | None, *times: str) -> list[date | None]:
    draft = make_draft()
    draft.tables["checks"] = [
        check_row("20260303") | {"check": f"c{n}", "done_at": at} for n, at in enumerate(times)
    ]
    text = read_text_table("checks", draft.table_bytes("checks"), PLACE)
    typed = typed_table(text, PLACE, ZoneInfo(zone) if zone else None)
    assert not typed.faults, typed.faults
    return list(typed.frame["local_day"])


# Zone, time as it is written, local day. The hours around both changes of the clock, and the
# midnights that a change moves: Lisbon 1:00 UTC on the last Sunday, New York 2:00 local time.
BORDERS = [
    (None, "2026-03-02T23:30:00+00:00", "2026-03-02"),
    (None, "2026-03-02T23:30:00-05:00", "2026-03-02"),
    ("Australia/Brisbane", "2026-03-02T13:59:59Z", "2026-03-02"),
    ("Australia/Brisbane", "2026-03-02T14:00:00Z", "2026-03-03"),
    ("Australia/Brisbane", "2026-03-02T23:30:00+00:00", "2026-03-03"),
    ("Australia/Brisbane", "2026-03-02T23:30:00+10:00", "2026-03-02"),
    ("Europe/Lisbon", "2026-03-28T23:59:59Z", "2026-03-28"),
    ("Europe/Lisbon", "2026-03-29T00:00:00Z", "2026-03-29"),
    ("Europe/Lisbon", "2026-03-29T22:59:59Z", "2026-03-29"),
    ("Europe/Lisbon", "2026-03-29T23:00:00Z", "2026-03-30"),
    ("Europe/Lisbon", "2026-10-24T22:59:59Z", "2026-10-24"),
    ("Europe/Lisbon", "2026-10-24T23:00:00Z", "2026-10-25"),
    ("Europe/Lisbon", "2026-10-25T23:59:59Z", "2026-10-25"),
    ("Europe/Lisbon", "2026-10-26T00:00:00Z", "2026-10-26"),
    ("America/New_York", "2026-03-08T04:59:59Z", "2026-03-07"),
    ("America/New_York", "2026-03-08T05:00:00Z", "2026-03-08"),
    ("America/New_York", "2026-03-09T03:59:59Z", "2026-03-08"),
    ("America/New_York", "2026-03-09T04:00:00Z", "2026-03-09"),
    ("America/New_York", "2026-11-02T04:59:59Z", "2026-11-01"),
    ("America/New_York", "2026-11-02T05:00:00Z", "2026-11-02"),
    ("Asia/Kathmandu", "2026-03-02T18:14:59Z", "2026-03-02"),
    ("Asia/Kathmandu", "2026-03-02T18:15:00Z", "2026-03-03"),
]


@pytest.mark.parametrize(("zone", "text", "day"), BORDERS)
def test_borders_of_local_days(zone: str | None, text: str, day: str) -> None:
    assert local_days(zone, text) == [date.fromisoformat(day)]


@settings(deadline=None)
@given(
    st.datetimes(datetime(2000, 1, 1), datetime(2090, 1, 1)),
    st.integers(-12 * 60, 14 * 60).map(lambda m: timezone(timedelta(minutes=m))),
)
def test_a_moment_is_on_one_local_day_whatever_offset_it_is_written_with(
    moment: datetime, offset: timezone
) -> None:
    utc = moment.replace(tzinfo=UTC, microsecond=0)
    written = (utc.isoformat(), utc.astimezone(offset).isoformat())
    first, second = local_days("Australia/Brisbane", *written)
    assert first == second == (utc + timedelta(hours=10)).date()
    without = local_days(None, *written)
    assert without == [utc.date(), utc.astimezone(offset).date()]


def test_the_local_day_may_stand_in_codes_of_a_centre_that_writes_utc() -> None:
    """A code with the day of the test is no date of birth, although UTC calls it another day."""
    draft: Draft = make_draft(1)
    draft.tables["sessions"][0] |= {"session": "s20260303", "tested_at": "2026-03-02T23:30:00Z"}
    draft.tables["recordings"], draft.tables["reported"] = [], []
    draft.tables["checks"] = []
    tables = [read_text_table("sessions", draft.table_bytes("sessions"), PLACE)]
    for zone, n_found in ((None, 1), (ZoneInfo("Australia/Brisbane"), 0)):
        scan = PrivacyScan(PLACE, frozenset({"larch"}), zone=zone)
        scan.tables(tables)
        assert len(scan.problems) == n_found, zone
