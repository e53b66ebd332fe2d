"""How equations fit: closed forms, another library, data that say nothing, and the demo."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow.dataset as ds
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietsleep import contract
from quietsleep.contract import TABLES
from quietsleep.judge.scores import References, load_references
from quietsleep.night.night import NightReport
from quietsleep.store.tables import in_contract, to_arrow
from quietsleep.warehouse.day_words import tells_day
from quietsleep.warehouse.equation_check import equation_check_frame, infants_to_see, verdict_of
from quietsleep.warehouse.spread import Interval

PUBLISHED = load_references()
FLOW = "vmaxfrc_2002"


def flow_of(z: float, sex: str, length_cm: float = 65.0) -> float:
    """Return the flow of a z-score by the printed equations (Hoo and others 2002), in mL/s."""
    if sex == "male":
        return float((4.22 + 0.00210 * length_cm**2 + 3.01 * z) ** 2)
    return float((-1.23 + 0.242 * length_cm + 2.72 * z) ** 2)


def values_of(scores: Any, sex: str = "male", centre: str = "c1", **given: Any) -> pd.DataFrame:
    """Return clean flows of infants with these z-scores, one session each."""
    rows = [
        {"centre": centre, "session": f"{sex}{n}", "infant": f"{sex}{n}", "sex": sex,
         "outcome": "vmaxfrc_ml_s", "value": flow_of(float(z), sex), "length_cm": 65.0,
         "weight_kg": 7.0, "age_days": 180.0, "corrected_age_days": 180.0,
         "tested_on": date(2026, 1, 5), "equipment_class": "box"} | given
        for n, z in enumerate(scores)
    ]  # fmt: skip
    names = ["centre", "session", "infant", "sex", "outcome", "value", "length_cm", "weight_kg",
             "age_days", "corrected_age_days", "tested_on", "equipment_class"]  # fmt: skip
    return pd.DataFrame(rows, columns=names)


def made(values: pd.DataFrame, slipped: frozenset[tuple[str, str]] = frozenset()) -> pd.DataFrame:
    """Return the table as it is published."""
    found = in_contract(equation_check_frame(values, PUBLISHED, slipped), "equation_check")
    rows: pd.DataFrame = to_arrow(TABLES["equation_check"], found).to_pandas()
    return rows


def row_of(rows: pd.DataFrame, equation: str = FLOW, **named: str) -> Any:
    wanted = {"equipment_class": "box", "sex": "both", "centre": "all", "equation": equation}
    own = rows
    for column, value in (wanted | named).items():
        own = own[own[column] == value]
    assert len(own) == 1
    return own.iloc[0]


def spread(n: int, mean: float = 0.0, sd: float = 1.0) -> np.ndarray[Any, Any]:
    """Return n scores of exactly this mean and SD."""
    z = np.random.default_rng(n).normal(size=n)
    return np.asarray(mean + sd * (z - z.mean()) / z.std(ddof=1))


def test_mean_and_sd_have_the_intervals_of_another_library() -> None:
    from scipy import stats
    from statsmodels.stats.weightstats import DescrStatsW

    z = spread(40, 0.2, 0.9)
    row = row_of(made(values_of(z)))
    assert row["mean_z"] == pytest.approx(0.2) and row["sd_z"] == pytest.approx(0.9)
    assert (row["mean_low"], row["mean_high"]) == pytest.approx(DescrStatsW(z).tconfint_mean())
    # The chance of a smaller and of a larger sum of squares at the ends of the interval.
    squares = 39 * row["sd_z"] ** 2
    assert stats.chi2.sf(squares / row["sd_low"] ** 2, 39) == pytest.approx(0.025)
    assert stats.chi2.cdf(squares / row["sd_high"] ** 2, 39) == pytest.approx(0.025)
    assert (row["n_infants"], row["n_values"], row["n_refused"]) == (40, 40, 0)
    assert pd.isna(row["why"]) and "40 infants with box" in row["sentence"]


def test_32_infants_see_half_a_z() -> None:
    # (1.96 + 0.84)^2 / 0.25 = 31.4: the printed 32 controls.
    assert infants_to_see(0.5) == 32
    assert infants_to_see(1.0) == 8
    row = row_of(made(values_of(spread(32))))
    assert row["n_for_half_z"] == 32 and row["seen_z"] == pytest.approx(2.8016 / 32**0.5, abs=1e-4)
    assert row["seen_z"] < 0.5 < 2.8016 / 31**0.5


def test_advice_is_150_of_each_sex() -> None:
    both = pd.concat([values_of(spread(20)), values_of(spread(20), "female")])
    rows = made(both)
    needed = [row_of(rows, sex=sex)["n_needed"] for sex in ("both", "female", "male")]
    assert needed == [300, 150, 150]
    assert row_of(rows, sex="female")["n_infants"] == 20
    assert "20 female infants" in row_of(rows, sex="female")["sentence"]


@pytest.mark.parametrize(("mean", "sd", "verdict"), [
    ((-0.2, 0.3), (0.9, 1.1), "fits"),
    ((0.1, 0.4), (0.9, 1.1), "fits"),  # seen, and too small to matter
    ((0.6, 0.9), (0.9, 1.1), "does_not_fit"),
    ((-0.2, 0.2), (1.3, 1.6), "does_not_fit"),
    ((-0.2, 0.2), (0.5, 0.7), "does_not_fit"),
    ((0.1, 0.8), (0.7, 1.4), "differs"),
    ((-0.8, -0.1), (0.7, 1.4), "differs"),
    ((-0.3, 0.3), (0.6, 0.9), "differs"),
    ((-0.8, 0.8), (0.7, 1.4), "cannot_say"),
    ((-0.4, 0.4), (0.7, 1.4), "cannot_say"),
])  # fmt: skip
def test_verdicts_rest_on_the_intervals(
    mean: tuple[float, float], sd: tuple[float, float], verdict: str
) -> None:
    assert verdict_of(Interval(*mean), Interval(*sd)) == verdict


def test_large_samples_that_fit_or_not_are_told() -> None:
    assert row_of(made(values_of(spread(160))))["verdict"] == "fits"
    assert row_of(made(values_of(spread(160, 0.8))))["verdict"] == "does_not_fit"
    assert row_of(made(values_of(spread(12))))["verdict"] == "cannot_say"


def test_nobody_is_called_a_control() -> None:
    rows = made(values_of(spread(20)))
    flows = rows[rows["equation"] == FLOW]
    assert flows["warning"].str.contains("not a control group").all()


def test_unlike_equipment_and_unlike_centres_are_warned_of() -> None:
    values = pd.concat([
        values_of(spread(20, -0.5, 0.5), centre="c1"),
        values_of(spread(20, 1.0, 0.5), centre="c2", equipment_class="bag"),
        values_of(spread(20, 0.9, 0.5), centre="c3", equipment_class="bag"),
    ])  # fmt: skip
    rows = made(values)
    pooled = row_of(rows, equipment_class="all classes")
    assert "2 classes of equipment are pooled here" in pooled["warning"]
    assert "differs between classes of equipment: bag 0.95" in pooled["warning"]
    assert "differs between centres: c1 -0.5" in pooled["warning"]
    own = row_of(rows, equipment_class="bag")
    assert "between classes" in own["warning"] and "between centres" not in own["warning"]
    assert row_of(rows, equipment_class="bag", centre="c2")["mean_z"] == pytest.approx(1.0)


def test_the_first_value_of_an_infant_counts_and_slips_are_left_out() -> None:
    z = spread(6)
    again = values_of(z + 3).assign(session=[f"t{n}" for n in range(6)])
    row = row_of(made(pd.concat([values_of(z), again])))
    assert (row["n_values"], row["n_infants"]) == (12, 6) and row["mean_z"] == pytest.approx(0)
    off = made(pd.concat([values_of(z), values_of(z, centre="c2")]), frozenset({("c2",
               "vmaxfrc_ml_s")}))  # fmt: skip
    row = row_of(off)
    assert (row["n_infants"], row["n_suspected"]) == (6, 6)
    assert set(off.loc[off["equation"] == FLOW, "centre"]) == {"all", "c1"}


def test_what_an_equation_refuses_is_told() -> None:
    values = values_of(spread(8))
    values.loc[:1, "length_cm"] = 90.0
    row = row_of(made(values))
    assert (row["n_values"], row["n_refused"], row["n_infants"]) == (8, 2, 6)
    assert row["why"].startswith("2 values without z-score: vmaxfrc_2002 holds for length 45 to 84")


def test_an_equation_without_spread_tells_percent_predicted() -> None:
    predicted = 1.58e-4 * 65.0**3.13
    values = values_of([0.0] * 5, outcome="crs_single_ml_kpa")
    values["value"] = predicted * np.array([0.9, 0.95, 1.0, 1.05, 1.1])
    row = row_of(made(values), "crs_1985")
    assert row["verdict"] == "not_computable" and "gives no spread" in row["why"]
    assert row["percent_predicted"] == pytest.approx(100)
    assert row["percent_low"] < 100 < row["percent_high"]
    assert "100 % of what it predicts" in row["sentence"]


def test_every_published_equation_has_a_row_without_any_value() -> None:
    rows = made(values_of([]))
    assert set(rows["equation"]) == set(contract.REFERENCES)
    assert set(rows["verdict"]) == {"not_computable"} and rows["why"].notna().all()
    (unused,) = rows[rows["equation"] == "frc_gas_dilution_1993"].to_dict("records")
    assert unused["outcome"] == "none" and "Gas dilution" in unused["sentence"]


def test_equations_of_the_study_are_checked_too() -> None:
    own = contract.REFERENCES[FLOW]
    references = References({"own_1": own}, {})
    assert set(equation_check_frame(values_of(spread(5)), references)["equation"]) == {FLOW}


@pytest.mark.parametrize("n", [0, 1, 2])
def test_too_few_have_a_reason(n: int) -> None:
    row = row_of(made(values_of([0.1, 0.4][:n])), equipment_class="box" if n else "all classes")
    assert row["verdict"] == "not_computable" and "Fewer than 3 infants" in row["why"]
    assert pd.isna(row["mean_z"])


def test_equal_scores_have_a_reason() -> None:
    row = row_of(made(values_of([0.5] * 5)))
    assert row["verdict"] == "not_computable" and "do not differ" in row["why"]


ANY = st.one_of(
    st.sampled_from([0.0, 1.0, 100.0, 1e-300, 1e99, -5.0]), st.floats(-1e4, 1e4)
)  # fmt: skip


@settings(max_examples=25, deadline=None)
@given(st.lists(st.tuples(ANY, st.sampled_from([65.0, np.nan, 0.0, np.inf])), max_size=8))
def test_any_numbers_make_numbers_or_reasons(given_values: list[tuple[float, float]]) -> None:
    values = values_of([0.0] * len(given_values))
    values["value"] = [v for v, _ in given_values]
    values["length_cm"] = [length for _, length in given_values]
    rows = made(values)
    numbers = [c.name for c in TABLES["equation_check"].columns if c.type == "number"]
    assert not np.isinf(rows[numbers].to_numpy(dtype=float)).any()
    assert rows["why"].notna()[rows["mean_z"].isna()].all()


def test_no_sentence_tells_a_day() -> None:
    both = pd.concat([values_of(spread(20)), values_of(spread(20, 1.0), "female", "c2")])
    rows = made(both)
    texts = [*rows["sentence"], *rows["warning"].dropna(), *rows["why"].dropna()]
    assert not any(tells_day(text) for text in texts)


def test_rows_of_the_demo_follow_from_its_files(demo_night: tuple[Path, NightReport]) -> None:
    tables = demo_night[0] / "warehouse" / "current" / "tables"

    def read(name: str) -> pd.DataFrame:
        files = [str(file) for file in sorted((tables / name).rglob("*.parquet"))]
        frame: pd.DataFrame = ds.dataset(files).to_table().to_pandas()
        return frame

    row = row_of(read("equation_check"), equipment_class="all classes")
    outcomes = read("outcomes")
    own = outcomes[(outcomes["equation"] == FLOW) & outcomes["z"].notna()]
    visits = read("visits").sort_values(["centre", "infant", "position"])
    first = visits.merge(own, on=["centre", "session"]).groupby(["centre", "infant"]).first()
    assert row["n_infants"] == len(first) and row["n_values"] >= len(own)
    assert row["mean_z"] == pytest.approx(first["z"].mean())
    assert row["sd_z"] == pytest.approx(first["z"].std())
    for centre, scores in first["z"].groupby(level="centre"):
        own_row = row_of(read("equation_check"), equipment_class="all classes", centre=str(centre))
        assert own_row["mean_z"] == pytest.approx(scores.mean())
