"""No date of birth follows from what leaves the study, however its tables are joined.

The attacker knows the program. So a release must be the same for every study that differs by no
more than the days inside a quarter; then no way of reading it, joining it or ordering its rows can
tell these studies apart. What is written in it is searched for days as well.
"""

from __future__ import annotations

import json
import re
import stat
from collections import Counter
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow.parquet as pq
import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietsleep.contract import TABLES
from quietsleep.errors import StudyError, WarehouseError
from quietsleep.study.study import Privacy, load_study
from quietsleep.warehouse.database import open_night
from quietsleep.warehouse.day_words import days_hidden, tells_day
from quietsleep.warehouse.exports import WRITERS, export_release, read_sheets
from quietsleep.warehouse.privacy import middle_of_quarter, nominal_days, quarter_of
from quietsleep.warehouse.publish import publish
from quietsleep.warehouse.release import make_release
from tests.warehouse.conftest import table_frame

SECRET = b"a secret of thirty-two bytes....".ljust(32)
LETTERS = re.compile(r"day-[a-r]{12}")
HOUR = timedelta(hours=9, minutes=30)
# Written by centres in their codes and words; each tells the day of the item that it stands in.
WAYS_TO_WRITE = (
    "%Y-%m-%d", "%Y%m%d", "%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%Y_%m_%d", "%y%m%d", "%Y-%j",
    "%Y-%m-%dT%H:%M:%SZ", "%Y%m%dT%H%M%S", "%d %B %Y", "%B %d, %Y", "%d%b%y", "%d-%b-%Y", "%G-W%V",
    "%Y-%m", "%B %Y", "%d%m%Y", "%Y/%m/%d %H:%M",
)  # fmt: skip


def a_day(study: Any, code: str, day: date, *, infant: str, age: float, **values: Any) -> None:
    """Add a session with all that hangs on it, each with its day in words, as centres write."""
    at, stamp = datetime.combine(day, datetime.min.time(), UTC) + HOUR, f"{day:%Y%m%d}"
    named = f"{code}-{stamp}"
    study.add(
        "sessions",
        **{
            "session": named, "centre": "larch", "infant": infant, "visit": "v1", "tested_at": at,
            "tested_on": day, "device": "larch-set", "device_valid_from": date(2026, 2, 20)
            if day >= date(2026, 2, 20) else date(2000, 1, 1), "delivery": f"larch-{day:%Y-%m-%d}",
            "sex": "female", "gestation_weeks": 34.6, "birth_weight_kg": 2.345, "age_days": age,
            "corrected_age_days": age - 37.8, "weight_kg": 6.0, "length_cm": 61.0,
            "weight_z": 0.1234, "status": "accepted", "operator": "op1",
        } | values,
    )  # fmt: skip
    shared = {"centre": "larch", "session": named, "technique": "tidal"}
    study.add(
        "tests", test=f"{named}/tidal", tested_at=at, tested_on=day, status="accepted",
        n_trials=3, n_accepted=3, **shared,
    )  # fmt: skip
    study.add(
        "recordings", item=f"{named}/t{stamp}", recording=f"t{stamp}", started_at=at, ended_at=at,
        delivery=f"larch-{day:%Y-%m-%d}", file=f"{day:%Y_%m_%d}/t.csv", file_sha256="a" * 64,
        **shared,
    )  # fmt: skip
    study.add(
        "deliveries", centre="larch", delivery=f"larch-{day:%Y-%m-%d}", created_at=at,
        arrived_at=at, first_night=f"n{day:%j}", sha256="d" * 64,
    )  # fmt: skip
    check = f"larch-set/{day:%Y-%m-%d}/{stamp}-syringe"
    study.add(
        "checks", check_id=check, check_code=f"{stamp}-syringe", centre="larch", done_at=at,
        done_on=day, device="larch-set", kind="syringe", status="accepted", state="measured",
        file=f"{stamp}.csv",
    )  # fmt: skip
    study.add("session_checks", centre="larch", session=named, kind="syringe", check_id=check)
    study.add(
        "verdicts", centre="larch", session=None, item_kind="check", item=check, unit="1",
        operator="at_least", severity="reject", state="fail", observed=1.0, limit_low=3.0,
        quantity="n", rule="syringe.error", technique="syringe",
        sentence=f"The check of {day:%d %B %Y} failed.",
    )  # fmt: skip
    study.add(
        "problems", night="n1", problem=len(study.rows["problems"]) + 1, centre="larch",
        kind="bad_cell", session=named, sentence=f'Row 2, column tested_at: "{at}" is odd.',
        remedy=f"Deliver {day:%d.%m.%Y} again.",
    )  # fmt: skip
    study.add(
        "queries", query=len(study.rows["queries"]) + 1, kind="bad_cell", centre="larch",
        sentence=f"Session of {day.isoformat()}.", opened_in=f"n{day:%j}", facts=stamp,
        answered_at=at, answer=f"on {day:%d %B}",
    )  # fmt: skip
    study.add(
        "waivers", waiver=f"w-{code}", centre="larch", item_kind="check", item=check,
        rule="syringe.error", reason=f"Seen on {day:%d/%m/%Y}.", signed_by="r1", signed_on=day,
    )  # fmt: skip
    study.add(
        "changes", night="n1", table_name="sessions", key=f"larch|{named}",
        column_name="tested_on", before=str(day), after=str(day + timedelta(days=1)),
    )  # fmt: skip
    study.add("ledger", night="n1", centre="larch", item_kind="check", item=check, state="accepted")


def days_of(shift: int, alone: int) -> list[tuple[str, date, str, float]]:
    """Sessions of a centre: one infant three times, one sharing a day with it, one by itself."""
    first, by_itself = date(2026, 1, 1) + timedelta(days=shift), date(2026, 4, 1)
    return [
        ("a1", first, "i1", 100.0),
        ("a2", first + timedelta(days=80), "i1", 180.0),
        ("a3", first + timedelta(days=200), "i1", 300.0),
        ("b1", first + timedelta(days=80), "i2", 55.0),
        ("c1", by_itself + timedelta(days=alone), "i3", 77.0),
    ]


@pytest.fixture(scope="module")
def of_days(
    new_study: Callable[[], Any], facts_made: Any, tmp_path_factory: pytest.TempPathFactory
) -> Callable[..., Path]:
    """Release studies whose days are shifted inside a quarter, each once; do not change them."""

    @cache
    def make(shift: int, alone: int) -> Path:
        study = new_study()
        for rows in study.rows.values():
            rows.clear()
        came = datetime(2026, 8, 1, tzinfo=UTC) + timedelta(days=shift)
        study.add("centres", centre="larch", state="delivered", last_delivery_at=came)
        for day in (date(2000, 1, 1), date(2026, 2, 20)):
            study.add("devices", centre="larch", device="larch-set", valid_from=day)
        study.add("rules", rule="syringe.error", valid_from=date(2000, 1, 1))
        for number in (1, 2):
            study.add("nights", night=f"n{number}", state="green", rules_version="rules1")
        for code, day, infant, age in days_of(shift, alone):
            a_day(study, code, day, infant=infant, age=age)
        # Unique keys of days that two infants share.
        for name, rows in study.rows.items():
            key = TABLES[name].key
            study.rows[name] = list({tuple(r.get(k) for k in key): r for r in rows}.values())
        path = tmp_path_factory.mktemp("shifted")
        frames = study.frames()
        frames["changes"] = table_frame(TABLES["changes"], study.rows["changes"])
        publish(path, "n1", frames, facts_made())
        return make_release(path, "r1", secret=SECRET)

    return make


def told(release: Path) -> dict[str, Counter[tuple[Any, ...]]]:
    """Every row of every table and view, letters for days being all alike."""
    found = {}
    for sheet in read_sheets(release, None):
        rows = zip(*(c.to_pylist() for c in sheet.data.columns), strict=True)
        found[sheet.name] = Counter(
            tuple(LETTERS.sub("day", cell) if isinstance(cell, str) else cell for cell in row)
            for row in rows
        )
    return found


def test_studies_that_differ_by_days_inside_a_quarter_give_the_same_release(
    of_days: Callable[..., Path],
) -> None:
    base = told(of_days(0, 0))
    assert sum(sum(rows.values()) for rows in base.values()) > 100
    # Device entry two begins on 20 February: sessions stay on the same entry of it.
    for shift, alone in ((5, 90), (40, 13)):
        other = told(of_days(shift, alone))
        for name, rows in base.items():
            assert rows == other[name], (name, rows - other[name], other[name] - rows)


def test_the_same_days_are_told_by_a_night_so_the_test_can_fail(
    of_days: Callable[..., Path],
) -> None:
    nights = [of_days(*shift).parents[1] / "nights" / "n1" for shift in ((0, 0), (5, 90))]
    with open_night(nights[0]) as one, open_night(nights[1]) as other:
        query = "SELECT tested_on - CAST(age_days AS INTEGER) FROM sessions ORDER BY 1"
        assert one.execute(query).fetchall() != other.execute(query).fetchall()


def test_what_it_tells_instead(of_days: Callable[..., Path]) -> None:
    release = of_days(0, 0)
    with open_night(release) as connection:
        rows = connection.execute(
            "SELECT infant, days_since_first, tested_quarter, age_days, gestation_weeks, "
            "birth_weight_kg, corrected_age_days FROM clean_sessions "
            "ORDER BY infant, days_since_first"
        ).fetchall()
        checks = connection.execute("SELECT DISTINCT done_quarter FROM checks ORDER BY 1")
        assert checks.fetchall() == [("2026-Q1",), ("2026-Q2",), ("2026-Q3",)]
        acceptance = "SELECT month, n_tests FROM acceptance ORDER BY month"
        counts = connection.execute(acceptance).fetchall()
        devices = connection.execute("SELECT valid_from FROM devices ORDER BY 1").fetchall()
        joined = connection.execute(
            "SELECT count(*) FROM session_checks JOIN checks USING (centre, check_id) "
            "JOIN sessions USING (centre, session)"
        ).fetchone()
    # 80 days after the middle of the first quarter is in the second, whatever the true day.
    assert rows[0] == ("i1", 0, "2026-Q1", 100.0, 34.0, 2.3, 58.0)
    assert [row[:3] for row in rows] == [
        ("i1", 0, "2026-Q1"), ("i1", 80, "2026-Q2"), ("i1", 200, "2026-Q3"),
        ("i2", 0, "2026-Q2"), ("i3", 0, "2026-Q2"),
    ]  # fmt: skip
    assert counts == [("2026-Q1", 1), ("2026-Q2", 3), ("2026-Q3", 1)]
    assert devices == [(1,), (2,)]
    assert joined == (5,)


@given(
    st.lists(st.integers(0, 800), min_size=1, max_size=12),
    st.lists(st.tuples(st.integers(0, 11), st.integers(0, 11)), max_size=12),
)
def test_days_that_hang_together_have_one_true_quarter(
    offsets: list[int], pairs: list[tuple[int, int]]
) -> None:
    days = [("larch", date(2026, 1, 1) + timedelta(days=n)) for n in offsets]
    joined = [(days[a % len(days)], days[b % len(days)]) for a, b in pairs]
    nominal = nominal_days(days, joined)
    for one, other in joined:
        assert nominal[one] - nominal[other] == one[1] - other[1]
    for key, told_day in nominal.items():
        assert abs((told_day - key[1]).days) <= 47
        if not any(key in pair for pair in joined):
            assert told_day == middle_of_quarter(key[1])
            assert quarter_of(told_day) == quarter_of(key[1])


@pytest.mark.parametrize("form", WAYS_TO_WRITE)
def test_a_day_is_found_however_it_is_written(form: str) -> None:
    hide = days_hidden(SECRET)
    for day in (
        datetime(2026, 3, 9, 9, 30, tzinfo=UTC),
        datetime(2027, 12, 31, 23, 59, tzinfo=UTC),
    ):
        for around in ("{}", "larch-{}-tid1", "signals/{}/t.csv", "x_{}_y", "Done on {}, said r1."):
            text = around.format(day.strftime(form))
            assert tells_day(text), text
            hidden = hide(text, "larch")
            assert LETTERS.search(hidden), (text, hidden)
            assert not tells_day(hidden)
            assert day.strftime(form) not in hidden


@pytest.mark.parametrize(
    "text",
    ["larch-s007", "s001/s001-tid1#12", "n000123", "654419 bytes", "limit 20.5 %", "at least 5 may",
     "a" * 64, "20260309" * 8, "mean -13.8 mL/kPa", "visit 3 of 12", "larch-set-1"],
)  # fmt: skip
def test_what_is_no_day_is_left(text: str) -> None:
    assert days_hidden(SECRET)(text, "larch") == text


def test_letters_are_the_same_for_a_day_and_told_by_nobody_without_the_key() -> None:
    hide, other = days_hidden(SECRET), days_hidden(b"another")
    day = "2026-03-09"
    assert hide(day, "larch") == hide("20260309", "larch") == hide("09.03.2026", "larch")
    assert len({hide(day, "larch"), hide(day, "maple"), other(day, "larch")}) == 3


def written_days(night: Path) -> set[date]:
    with open_night(night) as connection:
        tests = connection.execute("SELECT DISTINCT tested_on, age_days FROM sessions").fetchall()
        checks = connection.execute("SELECT DISTINCT done_on FROM checks").fetchall()
    days = {row[0] for row in (*tests, *checks) if row[0] is not None}
    born = {d - timedelta(days=round(a)) for d, a in tests if d is not None and a is not None}
    return days | born


def texts_of(folder: Path) -> Iterator[tuple[str, str]]:
    """Every text that can be read in the files of a folder, and the bytes of the rest."""
    for file in sorted(folder.rglob("*")):
        if not file.is_file():
            continue
        yield str(file.relative_to(folder)), file.relative_to(folder).as_posix()
        if file.suffix == ".parquet":
            for column in pq.read_table(file).columns:
                yield str(file), "\n".join(str(value) for value in column.to_pylist())
        else:
            yield str(file), file.read_bytes().decode("utf-8", "replace")


def test_no_day_of_the_demo_night_is_in_any_file_of_its_release_or_exports(
    demo_night: tuple[Path, Any], demo_release: Path, tmp_path: Path
) -> None:
    night, release = (demo_night[0] / "warehouse/current").resolve(), demo_release
    export_release(release, tmp_path / "out", list(WRITERS))
    days = written_days(night)
    assert len(days) > 50
    # The day of today stands in the heads of exports and says nothing of an infant.
    days -= {datetime.now(UTC).date()}
    forms = ("%Y-%m-%d", "%Y%m%d", "%d.%m.%Y", "%d/%m/%Y", "%d %b %Y", "%d%b%Y")
    words = {day.strftime(form): day for day in days for form in forms}
    pattern = re.compile(r"(?<!\d)(" + "|".join(map(re.escape, words)) + r")(?!\d)")
    for folder in (release, tmp_path / "out"):
        for name, text in texts_of(folder):
            found = [hit for hit in pattern.findall(text) if not _in_a_hash(hit, text)]
            assert not found, (name, found[:3])
    for sheet in read_sheets(release, None):
        for column in sheet.columns:
            if column.type in ("date", "datetime"):
                assert sheet.data[column.name].null_count == sheet.data.num_rows, column.name


def _in_a_hash(hit: str, text: str) -> bool:
    return re.search(rf"[0-9a-f]{{8,}}{hit}|{hit}[0-9a-f]{{8,}}", text) is not None


def test_intervals_of_births_are_a_quarter_wide_by_all_that_the_demo_release_tells(
    demo_release: Path,
) -> None:
    with open_night(demo_release) as connection:
        rows = connection.execute(
            "SELECT centre, infant, tested_quarter, days_since_first, age_days FROM sessions "
            "WHERE tested_quarter IS NOT NULL"
        ).df()
    widths = []
    for (_, _), own in rows.groupby(["centre", "infant"]):
        # The attacker takes the quarter of the first session for true, as it is; those of later
        # ones follow from it, so they are no evidence.
        first = own.sort_values("days_since_first").iloc[0]
        begin = pd.Period(first["tested_quarter"], freq="Q")
        told_days = zip(own["days_since_first"].to_list(), own["tested_quarter"], strict=True)
        for since, quarter in told_days:
            days = timedelta(days=int(since - first["days_since_first"]))
            assert quarter_of(middle_of_quarter(begin.start_time.date()) + days) == quarter
        widths.append((begin.end_time - begin.start_time).days + 1)
    assert min(widths) >= 90


def test_days_leave_as_they_are_only_where_that_is_signed(study: Any, tmp_path: Path) -> None:
    study.publish(tmp_path, "n1")
    signed = Privacy("exact", "Agreed by the ethics board.", "r1", date(2026, 3, 1))
    exact = make_release(tmp_path, "exact", privacy=signed)
    said = json.loads((exact / "RELEASE.json").read_text(encoding="utf-8"))
    assert said["dates"] == {
        "told": "exact", "reason": "Agreed by the ethics board.", "signed_by": "r1",
        "signed_on": "2026-03-01",
    }  # fmt: skip
    with open_night(exact) as connection:
        assert connection.execute("SELECT count(tested_on) FROM sessions").fetchone() == (4,)
    usual = make_release(tmp_path, "usual")
    said = json.loads((usual / "RELEASE.json").read_text(encoding="utf-8"))
    assert said["dates"]["told"] == "quarter"
    assert re.fullmatch(r"\d{4}-Q[1-4]", said["released_on"])
    assert said["released_on"] in said["cite_as"]


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ('dates = "exact"', "needs reason, signed_by and signed_on"),
        ('dates = "exact"\nreason = "x"\nsigned_by = "r1"', "needs reason"),
        ('dates = "month"', "dates"),
    ],
)
def test_a_study_that_does_not_sign_is_refused(
    lines: str, words: str, small_deliveries: Path, tmp_path: Path
) -> None:
    (tmp_path / "centres").symlink_to(small_deliveries / "centres")
    said = (small_deliveries / "study.toml").read_text(encoding="utf-8")
    (tmp_path / "study.toml").write_text(said + "\n[privacy]\n" + lines, encoding="utf-8")
    with pytest.raises(StudyError, match=words):
        load_study(tmp_path)
    signed = 'dates = "exact"\nreason = "x"\nsigned_by = "r1"\nsigned_on = 2026-03-01\n'
    (tmp_path / "study.toml").write_text(said + "\n[privacy]\n" + signed, encoding="utf-8")
    assert load_study(tmp_path).privacy.dates == "exact"


def test_a_night_is_no_release_and_is_not_exported(published: Path, tmp_path: Path) -> None:
    with pytest.raises(WarehouseError, match="is no release"):
        export_release(published / "warehouse/current", tmp_path, ["csv"])


def test_a_night_is_readable_by_owner_and_group_only(study: Any, tmp_path: Path) -> None:
    night = study.publish(tmp_path, "n1")
    for path in (night.parent, night, *night.rglob("*")):
        assert not stat.S_IMODE(path.stat().st_mode) & stat.S_IRWXO, path
        assert path.stat().st_mode & stat.S_IRGRP, path
