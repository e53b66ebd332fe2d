"""Every SQL and Python query of docs/queries.md runs, and both give the same table."""

from __future__ import annotations

import re
from datetime import timedelta
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from quietsleep.judge.agreement import agreement_frame
from quietsleep.warehouse.database import open_current
from quietsleep.warehouse.publish import publish

DOCUMENT = Path(__file__).parents[2] / "docs" / "queries.md"
SECTION = re.compile(
    r"^## (?P<title>\d+\. .+?)$.*?```sql\n(?P<sql>.*?)```.*?```python\n(?P<python>.*?)```"
    r".*?```r\n(?P<r>.*?)```",
    re.DOTALL | re.MULTILINE,
)
QUERIES = {
    found["title"]: (found["sql"], found["python"])
    for found in SECTION.finditer(DOCUMENT.read_text(encoding="utf-8"))
}


def run_sql(con: Any, statement: str) -> pd.DataFrame:
    frame: pd.DataFrame = con.sql(statement).df()
    return frame


def run_python(con: Any, code: str) -> pd.DataFrame:
    names: dict[str, Any] = {"con": con}
    exec(compile(code, str(DOCUMENT), "exec"), names)
    frame: pd.DataFrame = names["result"].reset_index(drop=True)
    return frame


@pytest.fixture(scope="module")
def con(new_study: Any, facts_made: Any, tmp_path_factory: pytest.TempPathFactory) -> Any:
    """A small warehouse in which every query finds something."""
    study = new_study()
    first = study.rows["sessions"][0]
    later = {
        "session": "S9",
        "tested_at": first["tested_at"] + timedelta(days=70),
        "age_days": 170.0,
    }
    study.add("sessions", **(first | later))
    study.test("larch", "S9", "tidal", "accepted", rr_per_min=35.0, vt_ml=60.0)
    for row in study.rows["outcomes"]:
        if row["value"] is not None:
            row |= {"z": row["value"] / 100, "equation": "eq1", "cv_pct": row["value"] / 10}
    for session, value in (("S1", 52.0), ("S9", 0.06)):
        study.add("reported", centre="larch", session=session, technique="tidal",
                  outcome="vt_ml", value=value, unit="mL", conditions="BTPS")  # fmt: skip
    frames = study.frames()
    frames["agreement"] = agreement_frame(
        frames["reported"], frames["outcomes"], frames["sessions"]
    )
    path = tmp_path_factory.mktemp("queries")
    publish(path, "n1", frames, facts_made())
    with open_current(path) as connection:
        yield connection


def test_there_are_ten() -> None:
    assert [title.split(".")[0] for title in QUERIES] == [str(n) for n in range(1, 11)]


@pytest.mark.parametrize("title", QUERIES)
def test_sql_and_python_give_the_same_table(con: Any, title: str) -> None:
    statement, code = QUERIES[title]
    sql, python = run_sql(con, statement), run_python(con, code)
    assert len(sql) > 0
    assert list(sql.columns) == list(python.columns)
    pd.testing.assert_frame_equal(sql, python, check_dtype=False, check_exact=False)


def test_some_answers(con: Any) -> None:
    by_number = {title.split(".")[0]: queries[0] for title, queries in QUERIES.items()}
    change = run_sql(con, by_number["10"]).set_index("outcome")
    assert change.loc["vt_ml", "change"] == 10.0
    assert change.loc["vt_ml", "change_per_week"] == pytest.approx(1.0)
    agreement = run_sql(con, by_number["8"]).iloc[0]
    assert (agreement["n"], agreement["n_suspected"]) == (2, 1)
    whole = run_sql(con, by_number["2"])
    counts = whole[whole["outcome"] == "rr_per_min"].set_index("reason")["n"].to_dict()
    assert counts == {"has a value": 3, "quarantined": 1, "rejected": 1}
