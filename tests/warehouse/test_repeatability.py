"""How results repeat: printed examples, another library, data that say nothing, and the demo."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.dataset as ds
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietsleep.contract import OUTCOMES, TABLES
from quietsleep.judge.contradictions import AGES
from quietsleep.night.night import NightReport
from quietsleep.store.tables import in_contract, to_arrow
from quietsleep.warehouse.day_words import tells_day
from quietsleep.warehouse.repeatability import repeatability_frame

# Four peak flows of each of 20 children, in L/min: Bland JM, Altman DG. BMJ 1996;313:744, Table 1.
CHILDREN = np.array([
    [190, 220, 200, 200], [220, 200, 240, 230], [260, 260, 240, 280], [210, 300, 280, 265],
    [270, 265, 280, 270], [280, 280, 270, 275], [260, 280, 280, 300], [275, 275, 275, 305],
    [280, 290, 300, 290], [320, 290, 300, 290], [300, 300, 310, 300], [270, 250, 330, 370],
    [320, 330, 330, 330], [335, 320, 335, 375], [350, 320, 340, 365], [360, 320, 350, 345],
    [330, 340, 380, 390], [335, 385, 360, 370], [400, 420, 425, 420], [430, 460, 480, 470],
])  # fmt: skip
# Two readings of 17 people with one peak flow meter, in L/min: Bland JM, Altman DG. Lancet
# 1986;1:307-310, Table 1.
READINGS = np.array([
    [494, 490], [395, 397], [516, 512], [434, 401], [476, 470], [557, 611], [413, 415],
    [442, 431], [650, 638], [433, 429], [417, 420], [656, 633], [267, 275], [478, 492],
    [178, 165], [423, 372], [427, 421],
])  # fmt: skip
NOTHING: list[list[float]] = []


def trials_of(readings: Any, centres: Any = "larch") -> duckdb.DuckDBPyConnection:
    """Return a database with an accepted test of each row, its trials accepted."""
    named = [centres] * len(readings) if isinstance(centres, str) else list(centres)
    tests, trials, values = [], [], []
    for n, (row, centre) in enumerate(zip(readings, named, strict=True)):
        session = f"s{n}"
        shared = {"centre": centre, "session": session, "technique": "tidal"}
        tests.append({**shared, "status": "accepted"})
        for k, value in enumerate(row):
            trial = f"{session}/t#{k}"
            trials.append({**shared, "trial": trial, "status": "accepted"})
            values.append({"centre": centre, "trial": trial, "technique": "tidal",
                           "quantity": "vt_ml", "value": float(value)})  # fmt: skip
    connection = duckdb.connect()
    texts = ("centre", "session", "technique", "status")
    for name, rows, columns in (
        ("tests", tests, texts),
        ("trials", trials, (*texts, "trial")),
        ("trial_values", values, ("centre", "trial", "technique", "quantity", "value")),
    ):
        types = {c: pa.float64() if c == "value" else pa.string() for c in columns}
        connection.register("given", pa.Table.from_pylist(rows, schema=pa.schema(types)))
        connection.execute(f"CREATE TABLE {name} AS SELECT * FROM given")
        connection.unregister("given")
    return connection


def sessions_of(readings: Any, **given: Any) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return outcomes and visits: each row an infant, seen every 30 days."""
    outcomes, visits = [], []
    for n, row in enumerate(readings):
        for k, value in enumerate(row):
            shared = {"centre": "larch", "session": f"i{n}-{k}"}
            outcomes.append({**shared, "outcome": "vt_ml", "value": float(value), "z": np.nan,
                             "equation": None, "status": "accepted", **given})  # fmt: skip
            visits.append({**shared, "infant": f"i{n}", "position": k + 1, "contradictions": None,
                           "tested_on": date(2026, 1, 5) + timedelta(days=30 * k)})  # fmt: skip
    return (
        pd.DataFrame(outcomes, columns=["centre", "session", "outcome", "value", "z", "equation",
                                        "status"]),
        pd.DataFrame(visits, columns=["centre", "session", "infant", "position",
                                      "contradictions", "tested_on"]),
    )  # fmt: skip


def made(
    connection: duckdb.DuckDBPyConnection,
    tables: tuple[pd.DataFrame, pd.DataFrame],
    slipped: frozenset[tuple[str, str]] = frozenset(),
) -> pd.DataFrame:
    """Return the table as it is published."""
    found = repeatability_frame(connection, *tables, slipped)
    table = TABLES["repeatability"]
    rows: pd.DataFrame = to_arrow(table, in_contract(found, "repeatability")).to_pandas()
    return rows


def row_of(rows: pd.DataFrame, compared: str, measure: str = "value", centre: str = "all") -> Any:
    own = rows[(rows["outcome"] == "vt_ml") & (rows["compared"] == compared)
               & (rows["measure"] == measure) & (rows["centre"] == centre)]  # fmt: skip
    assert len(own) == 1
    return own.iloc[0]


def test_trials_of_twenty_children_repeat_as_printed() -> None:
    row = row_of(made(trials_of(CHILDREN), sessions_of(NOTHING)), "trials")
    # Printed: residual mean square 460.52, within-subject SD 21.5, repeatability 60 L/min.
    assert row["within_sd"] ** 2 == pytest.approx(460.52, abs=0.005)
    assert row["coefficient"] == pytest.approx(60, abs=0.6)
    assert (row["n_tests"], row["n_trials"], row["n_suspected"]) == (20, 80, 0)
    # Chi square of 60 degrees of freedom, as tables print it: 40.48 and 83.30.
    assert row["sd_low"] == pytest.approx((60 * 460.52 / 83.30) ** 0.5, rel=1e-4)
    assert row["sd_high"] == pytest.approx((60 * 460.52 / 40.48) ** 0.5, rel=1e-4)
    assert row["mean"] == pytest.approx(CHILDREN.mean())
    assert pd.isna(row["why"]) and "95 of 100 pairs of trials" in row["sentence"]


def test_unequal_tests_agree_with_an_analysis_of_variance_by_another_library() -> None:
    from statsmodels.formula.api import ols
    from statsmodels.stats.anova import anova_lm

    rng = np.random.default_rng(3)
    readings = [rng.normal(60, 8) * np.exp(rng.normal(0, 0.05, n)) for n in (2, 3, 5, 1, 4, 2, 3)]
    row = row_of(made(trials_of(readings), sessions_of(NOTHING)), "trials")
    long = pd.DataFrame(
        [(f"s{n}", v) for n, values in enumerate(readings) for v in values if len(values) > 1],
        columns=["test", "value"],
    )
    residual = anova_lm(ols("value ~ C(test)", long).fit())["mean_sq"]["Residual"]
    assert row["within_sd"] == pytest.approx(residual**0.5)
    assert (row["n_tests"], row["n_trials"]) == (6, 19)
    logs = anova_lm(ols("np.log(value) ~ C(test)", long).fit())["mean_sq"]["Residual"]
    assert row["log_cv_pct"] == pytest.approx(100 * np.expm1(logs**0.5))


def test_coefficients_of_variation_in_closed_form() -> None:
    # Pairs of m - m/10 and m + m/10: SD over mean is sqrt(2)/10 at every level.
    readings = [[0.9 * m, 1.1 * m] for m in (10.0, 40.0, 200.0)]
    row = row_of(made(trials_of(readings), sessions_of(NOTHING)), "trials")
    assert row["cv_pct"] == pytest.approx(10 * 2**0.5)
    assert row["log_cv_pct"] == pytest.approx(100 * np.expm1(np.log(1.1 / 0.9) / 2**0.5))
    below = row_of(made(trials_of([*readings, [-1.0, 1.0]]), sessions_of(NOTHING)), "trials")
    assert pd.isna(below["cv_pct"]) and "above 0" in below["why"]
    assert below["within_sd"] > 0


def test_only_accepted_trials_of_accepted_tests_count() -> None:
    connection = trials_of(CHILDREN)
    connection.execute("UPDATE tests SET status = 'rejected' WHERE session = 's0'")
    connection.execute("UPDATE trials SET status = 'rejected' WHERE trial = 's1/t#0'")
    row = row_of(made(connection, sessions_of(NOTHING)), "trials")
    assert (row["n_tests"], row["n_trials"]) == (19, 75)


def test_two_readings_of_one_meter_repeat_as_printed() -> None:
    from statsmodels.stats.weightstats import DescrStatsW

    row = row_of(made(trials_of(NOTHING), sessions_of(READINGS)), "sessions")
    # Within-subject SD of the first meter as the authors give it: 15.3 L/min (from memory).
    assert row["within_sd"] == pytest.approx(15.3, abs=0.05)
    assert row["coefficient"] == pytest.approx(1.96 * 2**0.5 * row["within_sd"])
    difference = DescrStatsW((READINGS[:, 1] - READINGS[:, 0]).astype(float))
    assert row["bias"] == pytest.approx(difference.mean)
    ends = difference.tconfint_mean()
    assert (row["bias_low"], row["bias_high"]) == pytest.approx(ends)
    sd = np.std(READINGS[:, 1] - READINGS[:, 0], ddof=1)
    assert row["upper_limit"] - row["lower_limit"] == pytest.approx(2 * 1.96 * sd)
    assert row["lower_limit_low"] < row["lower_limit"] < row["lower_limit_high"] < row["bias"]
    assert row["bias"] < row["upper_limit_low"] < row["upper_limit"] < row["upper_limit_high"]
    assert (row["n_pairs"], row["n_infants"], row["days_apart_median"]) == (17, 17, 30)
    assert "growth" in row["sentence"]


def test_growth_is_in_the_value_and_not_in_the_z_score() -> None:
    readings = [[40.0 + n, 60.0 + n, 80.0 + n] for n in range(6)]
    outcomes, visits = sessions_of(readings, equation="eq1")
    rng = np.random.default_rng(1)
    outcomes["z"] = rng.normal(0, 0.3, len(outcomes))
    rows = made(trials_of(NOTHING), (outcomes, visits))
    value, z = row_of(rows, "sessions"), row_of(rows, "sessions", "z")
    assert value["bias"] == pytest.approx(20) and (value["n_pairs"], value["n_infants"]) == (12, 6)
    assert z["bias"] == pytest.approx(0, abs=0.3) and z["unit"] == "1" and pd.isna(z["cv_pct"])
    pairs = outcomes["z"].to_numpy().reshape(6, 3)
    assert z["within_sd"] == pytest.approx((np.diff(pairs, axis=1) ** 2).mean() ** 0.5 / 2**0.5)
    outcomes.loc[outcomes.index[::2], "equation"] = "eq2"
    other = made(trials_of(NOTHING), (outcomes, visits))
    assert set(other["measure"]) == {"value"}  # scores of two equations are no pair


def test_slips_and_contradictions_are_left_out_and_counted() -> None:
    readings = [[40.0, 50.0], [42.0, 55.0], [45.0, 60.0], [44.0, 58.0], [41.0, 0.052]]
    outcomes, visits = sessions_of(readings)
    row = row_of(made(trials_of(NOTHING), (outcomes, visits)), "sessions")
    assert (row["n_pairs"], row["n_suspected"], row["n_doubted"]) == (4, 1, 0)
    assert "1 pair with a suspected slip" in row["sentence"]
    visits.loc[visits["session"] == "i0-1", "contradictions"] = AGES
    row = row_of(made(trials_of(NOTHING), (outcomes, visits)), "sessions")
    assert (row["n_pairs"], row["n_suspected"], row["n_doubted"]) == (3, 1, 1)
    off = frozenset({("larch", "vt_ml")})
    row = row_of(made(trials_of(NOTHING), (outcomes, visits), off), "sessions")
    assert (row["n_pairs"], row["n_suspected"]) == (0, 5) and row["why"].startswith("Fewer than 3")
    row = row_of(made(trials_of(CHILDREN), sessions_of(NOTHING), off), "trials")
    assert (row["n_tests"], row["n_suspected"]) == (0, 20)


def test_each_centre_stands_beside_all_and_may_be_called_so() -> None:
    named = ["larch"] * 12 + ["maple"] * 8
    rows = made(trials_of(CHILDREN, named), sessions_of(NOTHING))
    own = {c: row_of(rows, "trials", centre=c) for c in ("all", "larch", "maple")}
    assert [own[c]["n_tests"] for c in own] == [20, 12, 8]
    larch = CHILDREN[:12].var(axis=1, ddof=1).mean()
    assert own["larch"]["within_sd"] == pytest.approx(larch**0.5)
    odd = made(trials_of(CHILDREN, ["all"] * 12 + ["maple"] * 8), sessions_of(NOTHING))
    assert row_of(odd, "trials")["n_tests"] == 12


@pytest.mark.parametrize("n", [0, 1, 2])
def test_too_few_have_a_reason(n: int) -> None:
    rows = made(trials_of(CHILDREN[:n]), sessions_of(READINGS[:n]))
    for compared in ("trials", "sessions"):
        row = row_of(rows, compared)
        assert pd.isna(row["within_sd"]) and pd.isna(row["coefficient"])
        assert row["why"].startswith("Fewer than 3") and "cannot be said" in row["sentence"]


def test_equal_values_have_no_interval_and_a_reason() -> None:
    rows = made(trials_of([[52.1] * 3] * 4), sessions_of([[52.1] * 2] * 4))
    for compared in ("trials", "sessions"):
        row = row_of(rows, compared)
        assert row["within_sd"] == 0.0 and pd.isna(row["sd_low"])
        assert row["why"].startswith("The values do not differ")


ANY = st.one_of(
    st.sampled_from([0.0, -0.0, 1.0, 52.1, 1e-300, 1e99, 1e200, np.inf, -np.inf, np.nan]),
    st.floats(-1e4, 1e4),
)


@settings(max_examples=25, deadline=None)
@given(st.lists(st.lists(ANY, min_size=1, max_size=4), max_size=6))
def test_any_numbers_make_numbers_or_reasons(readings: list[list[float]]) -> None:
    rows = made(trials_of(readings), sessions_of(readings))
    numbers = [c.name for c in TABLES["repeatability"].columns if c.type == "number"]
    found = rows[numbers].to_numpy(dtype=float)
    assert not np.isinf(found).any()
    assert rows["why"].notna()[rows["within_sd"].isna()].all()
    for sentence in rows["sentence"]:
        assert "nan" not in sentence and "inf " not in sentence


def test_no_sentence_tells_a_day() -> None:
    rows = made(trials_of(CHILDREN), sessions_of(READINGS))
    assert not any(tells_day(s) for s in rows["sentence"])


def test_rows_of_the_demo_follow_from_its_files(demo_night: tuple[Path, NightReport]) -> None:
    tables = demo_night[0] / "warehouse" / "current" / "tables"

    def read(name: str) -> pd.DataFrame:
        files = [str(file) for file in sorted((tables / name).rglob("*.parquet"))]
        frame: pd.DataFrame = ds.dataset(files).to_table().to_pandas()
        return frame

    rows, outcomes = read("repeatability"), read("outcomes")
    within = rows[(rows["compared"] == "trials") & (rows["centre"] == "all")]
    trials, values = read("trials"), read("trial_values")
    accepted = trials.loc[trials["status"] == "accepted", ["centre", "trial", "session"]]
    known = values.merge(accepted, on=["centre", "trial"])
    sound = outcomes[outcomes["status"] == "accepted"]
    for row in within.itertuples():
        spec = OUTCOMES[str(row.outcome)]
        own = sound[sound["outcome"] == row.outcome]
        kept = known[(known["technique"] == spec.technique) & known["value"].notna()
                     & (known["quantity"] == spec.quantity)]  # fmt: skip
        kept = kept.merge(own[["centre", "session", "sd"]], on=["centre", "session"])
        sizes = kept.groupby(["centre", "session"])["value"].transform("size")
        several = kept[sizes > 1]
        assert row.n_trials == len(several)
        # The SD of each test was found by judging; here it is only pooled.
        tests = several.groupby(["centre", "session"]).agg(n=("value", "size"), sd=("sd", "first"))
        freedom = (tests["n"] - 1).to_numpy()
        pooled = ((freedom * tests["sd"].to_numpy() ** 2).sum() / freedom.sum()) ** 0.5
        assert row.within_sd == pytest.approx(pooled, rel=1e-9)
    assert len(within) == len(OUTCOMES)
    visits = read("visits").sort_values(["centre", "infant", "position"])
    own = sound[sound["outcome"] == "fvc_ml"].dropna(subset=["value"])
    ordered = visits.merge(own[["centre", "session", "value"]], on=["centre", "session"])
    changes = ordered.groupby(["centre", "infant"])["value"].diff().dropna().to_numpy()
    (row,) = rows[(rows["outcome"] == "fvc_ml") & (rows["compared"] == "sessions")
                  & (rows["centre"] == "all")].itertuples()  # fmt: skip
    assert row.n_pairs == changes.size
    assert row.bias == pytest.approx(changes.mean())
    assert row.within_sd == pytest.approx((changes @ changes / (2 * changes.size)) ** 0.5)
