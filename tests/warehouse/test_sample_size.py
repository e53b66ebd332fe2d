"""What a comparison needs: printed examples, another library, data that say nothing, the demo."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow.dataset as ds
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from quietsleep.contract import OUTCOMES, TABLES
from quietsleep.night.night import NightReport
from quietsleep.store.tables import in_contract, to_arrow
from quietsleep.warehouse.day_words import tells_day
from quietsleep.warehouse.sample_size import (
    infants_per_group,
    sample_size_frame,
    variance_components,
)
from quietsleep.warehouse.spread import clean_values, columns_of, first_of_each_infant

# Calcium of four turnip leaves, four determinations each, in percent: Snedecor GW, Cochran WG.
# Statistical methods. 6th ed. 1967, one-way random effects (from memory).
LEAVES = [
    np.array([3.28, 3.09, 3.03, 3.03]),
    np.array([3.52, 3.48, 3.38, 3.38]),
    np.array([2.88, 2.80, 2.81, 2.76]),
    np.array([3.34, 3.38, 3.23, 3.26]),
]


def values_of(groups: dict[str, Any], **given: Any) -> pd.DataFrame:
    """Return clean values of tidal volume: one session of each infant, by centre."""
    rows = [
        {"centre": centre, "session": f"s{n}", "infant": f"i{n}", "outcome": "vt_ml",
         "value": float(value), "z": np.nan, "equation": None, "length_cm": 65.0,
         "equipment_class": "box", "status": "accepted", "tested_on": date(2026, 1, 5)} | given
        for centre, values in groups.items()
        for n, value in enumerate(values)
    ]  # fmt: skip
    names = ["centre", "session", "infant", "outcome", "value", "z", "equation", "length_cm",
             "equipment_class", "status", "tested_on"]  # fmt: skip
    return pd.DataFrame(rows, columns=names)


def made(values: pd.DataFrame, slipped: frozenset[tuple[str, str]] = frozenset()) -> pd.DataFrame:
    """Return the table as it is published."""
    found = in_contract(sample_size_frame(values, slipped), "sample_size")
    rows: pd.DataFrame = to_arrow(TABLES["sample_size"], found).to_pandas()
    return rows


def row_of(rows: pd.DataFrame, measure: str = "value", equipment_class: str = "box") -> Any:
    own = rows[(rows["outcome"] == "vt_ml") & (rows["measure"] == measure)
               & (rows["equipment_class"] == equipment_class)]  # fmt: skip
    assert len(own) == 1
    return own.iloc[0]


def test_components_of_four_leaves_are_those_printed() -> None:
    found = variance_components(LEAVES)
    assert found.within == pytest.approx(0.0066, abs=5e-5)
    assert found.between == pytest.approx(0.0724, abs=5e-5)
    assert found.size == pytest.approx(4)
    assert found.icc == pytest.approx(0.0724 / 0.0790, abs=5e-4)


def test_components_of_unequal_groups_agree_with_another_library() -> None:
    from statsmodels.formula.api import ols
    from statsmodels.stats.anova import anova_lm

    rng = np.random.default_rng(8)
    groups = [rng.normal(shift, 1.0, n) for shift, n in ((0, 3), (1, 7), (3, 12), (-1, 2))]
    long = pd.DataFrame(
        [(n, v) for n, values in enumerate(groups) for v in values], columns=["group", "value"]
    )
    squares = anova_lm(ols("value ~ C(group)", long).fit())["mean_sq"]
    found = variance_components(groups)
    assert found.within == pytest.approx(squares["Residual"])
    # Expectation of MSB is within + size * between, size = (24 - (9+49+144+4)/24) / 3.
    assert found.size == pytest.approx((24 - 206 / 24) / 3)
    assert found.between == pytest.approx((squares["C(group)"] - found.within) / found.size)


def test_components_are_true_on_average() -> None:
    rng = np.random.default_rng(21)
    found = [
        variance_components([rng.normal(rng.normal(0, 0.6), 1.0, n) for n in (4, 9, 15, 8, 20)])
        for _ in range(600)
    ]
    assert np.mean([f.within for f in found]) == pytest.approx(1.0, abs=0.02)
    assert np.mean([f.between for f in found]) == pytest.approx(0.36, abs=0.05)


@pytest.mark.parametrize(("sds", "power", "printed"), [
    # 64 and 86, 17 and 23 are what t tests of 0.5 and 1 SD need by printed tables (Cohen 1988,
    # from memory); the formula may be one short.
    (0.5, 80, 64), (0.5, 90, 86), (1.0, 80, 17), (1.0, 90, 23),
])  # fmt: skip
def test_infants_per_group(sds: float, power: int, printed: int) -> None:
    from statsmodels.stats.power import TTestIndPower

    n = infants_per_group(sds * 7.0, 7.0, power_pct=power)
    exact = TTestIndPower().solve_power(effect_size=sds, alpha=0.05, power=power / 100)
    assert n is not None
    assert printed - 1 <= n <= printed
    assert n == pytest.approx(exact, abs=1.0)


def test_a_design_effect_multiplies_before_rounding() -> None:
    plain = 2 * (1.959964 + 0.841621) ** 2 / 0.25 + 1.959964**2 / 4
    assert infants_per_group(1.0, 2.0, power_pct=80, design_effect=1.5) == int(1.5 * plain) + 1
    assert infants_per_group(0.0, 2.0, power_pct=80) is None
    assert infants_per_group(1e-200, 1e100, power_pct=80) is None


def test_a_row_names_sd_components_and_infants() -> None:
    row = row_of(made(values_of({f"c{n}": 10 * leaf for n, leaf in enumerate(LEAVES)})))
    together = 10 * np.concatenate(LEAVES)
    assert row["between_infant_sd"] == pytest.approx(together.std(ddof=1))
    assert row["within_centre_sd"] == pytest.approx(0.66**0.5, abs=0.005)
    assert row["between_centre_sd"] == pytest.approx(7.24**0.5, abs=0.005)
    assert row["icc"] == pytest.approx(0.916, abs=0.001)
    assert row["icc_low"] < row["icc"] < row["icc_high"]
    assert row["infants_a_centre"] == 4
    assert row["design_effect"] == pytest.approx(1 + 3 * row["icc"])
    assert (row["n_half_80"], row["n_half_90"]) == (64, 86)
    assert row["n_half_80_by_centre"] == pytest.approx(64 * row["design_effect"], abs=1)
    assert row["half"] == pytest.approx(row["between_infant_sd"] / 2)
    assert pd.isna(row["why"]) and "64 infants at 80 % power" in row["sentence"]
    assert "Only 4 centres" in row["warning"]


def test_length_is_taken_out_of_the_residual() -> None:
    rng = np.random.default_rng(4)
    lengths = rng.uniform(55, 80, 60)
    scatter = rng.normal(0, 0.05, 60)
    values = values_of({"c1": (lengths / 65) ** 2.5 * np.exp(scatter) * 60})
    rows = made(values.assign(length_cm=lengths))
    assert row_of(rows, "residual")["between_infant_sd"] == pytest.approx(5, abs=0.6)
    assert row_of(rows, "residual")["unit"] == "%"
    assert row_of(rows)["between_infant_sd"] > 10  # mL, of which growth is most


def test_half_a_z_needs_fewer_where_scores_spread_less() -> None:
    values = values_of({"c1": np.linspace(40, 60, 30)}).assign(equation="eq1")
    narrow = values.assign(z=np.linspace(-1, 1, 30))
    sd = np.linspace(-1, 1, 30).std(ddof=1)
    row = row_of(made(narrow), "z")
    assert row["half"] == 0.5
    assert row["n_half_80"] == infants_per_group(0.5, sd, power_pct=80)
    assert row["n_half_80"] < 64
    mixed = narrow.assign(equation=["eq1", "eq2"] * 15)
    several = row_of(made(mixed), "z")
    assert "several equations" in several["why"] and pd.isna(several["n_half_80"])
    assert "z" not in set(made(values)["measure"])


def test_classes_stand_apart_and_together_with_a_warning() -> None:
    values = pd.concat([
        values_of({"c1": [50, 52, 55, 58]}),
        values_of({"c2": [60, 63, 66, 61]}, equipment_class="bag"),
    ])  # fmt: skip
    rows = made(values)
    own = rows[rows["outcome"] == "vt_ml"]
    assert set(own["equipment_class"]) == {"bag", "box", "all classes"}
    assert "2 classes of equipment are mixed" in row_of(rows, "value", "all classes")["warning"]
    assert row_of(rows)["why"].startswith("Of one centre only")
    assert row_of(rows)["n_half_80"] == 64 and pd.isna(row_of(rows)["n_half_80_by_centre"])


def test_the_first_session_of_an_infant_counts_and_slips_are_left_out() -> None:
    sessions = pd.DataFrame([
        {"centre": "c1", "session": f"s{n}-{k}", "infant": f"i{n}", "sex": "female",
         "tested_on": date(2026, 1, 5) + timedelta(days=30 * (1 - k)), "length_cm": 65.0,
         "weight_kg": 6.0, "age_days": 90.0, "corrected_age_days": 90.0, "device": "d1",
         "device_valid_from": date(2000, 1, 1)}
        for n in range(4) for k in range(2)
    ])  # fmt: skip
    outcomes = pd.DataFrame({
        "centre": "c1", "session": sessions["session"], "technique": "tidal", "outcome": "vt_ml",
        "unit": "mL", "value": np.arange(8.0), "z": np.nan, "equation": None,
        "status": "accepted",
    })  # fmt: skip
    devices = pd.DataFrame([{"centre": "c1", "device": "d1", "valid_from": date(2000, 1, 1),
                             "equipment_class": "box"}])  # fmt: skip
    values = clean_values(outcomes, sessions, devices)
    # Sessions of odd number are the earlier ones.
    columns = columns_of(values, numbers=["value"], others=["centre", "infant"])
    assert first_of_each_infant(columns)["value"].tolist() == [1.0, 3.0, 5.0, 7.0]
    assert row_of(made(values))["between_infant_sd"] == pytest.approx(np.std([1, 3, 5, 7], ddof=1))
    row = row_of(made(values, frozenset({("c1", "vt_ml")})))
    assert (row["n_infants"], row["n_suspected"]) == (0, 4) and row["why"].startswith("Fewer")
    outcomes["value"] = [np.inf, 1.0, np.nan, 2.0, -np.inf, 3.0, 1e300, 4.0]
    assert clean_values(outcomes, sessions, devices)["value"].to_list() == [1.0, 2.0, 3.0, 4.0]
    nowhere = clean_values(outcomes, sessions.assign(device=None), devices)
    assert set(nowhere["equipment_class"]) == {"not registered"}


@pytest.mark.parametrize("n", [0, 1, 2])
def test_too_few_have_a_reason(n: int) -> None:
    rows = made(values_of({"c1": [50.0, 55.0][:n]}))
    row = row_of(rows, equipment_class="box" if n else "all classes")
    assert row["why"] == "Fewer than 3 infants." and pd.isna(row["n_half_80"])


def test_equal_values_have_a_reason() -> None:
    row = row_of(made(values_of({"c1": [52.1] * 4, "c2": [52.1] * 3})))
    assert row["why"].endswith("do not differ.") and pd.isna(row["between_infant_sd"])
    each = row_of(made(values_of({"c1": [50.0], "c2": [51.0], "c3": [53.0]})))
    assert each["why"].startswith("Each centre has one infant") and each["n_half_80"] == 64
    apart = row_of(made(values_of({"c1": [50.0] * 3, "c2": [60.0] * 3})))
    assert apart["icc"] == 1.0 and apart["design_effect"] == 3.0


ANY = st.one_of(
    st.sampled_from([0.0, 1.0, 52.1, 1e-300, 1e99, -1e99]), st.floats(-1e4, 1e4)
)  # fmt: skip


@settings(max_examples=25, deadline=None)
@given(st.dictionaries(st.sampled_from(["c1", "c2", "c3"]), st.lists(ANY, max_size=5)), ANY)
def test_any_numbers_make_numbers_or_reasons(groups: dict[str, list[float]], length: float) -> None:
    rows = made(values_of(groups, length_cm=length))
    numbers = [c.name for c in TABLES["sample_size"].columns if c.type == "number"]
    assert not np.isinf(rows[numbers].to_numpy(dtype=float)).any()
    assert rows["why"].notna()[rows["between_infant_sd"].isna()].all()
    assert rows["why"].notna()[rows["icc"].isna()].all()
    for sentence in rows["sentence"]:
        assert "nan" not in sentence and "inf " not in sentence


def test_no_sentence_tells_a_day() -> None:
    rows = made(values_of({f"c{n}": 10 * leaf for n, leaf in enumerate(LEAVES)}))
    assert not any(tells_day(s) for s in [*rows["sentence"], *rows["warning"].dropna()])


def test_rows_of_the_demo_follow_from_its_files(demo_night: tuple[Path, NightReport]) -> None:
    tables = demo_night[0] / "warehouse" / "current" / "tables"

    def read(name: str) -> pd.DataFrame:
        files = [str(file) for file in sorted((tables / name).rglob("*.parquet"))]
        frame: pd.DataFrame = ds.dataset(files).to_table().to_pandas()
        return frame

    rows = read("sample_size")
    outcomes = read("outcomes").dropna(subset=["value"])
    visits = read("visits").sort_values(["centre", "infant", "position"])
    for outcome in OUTCOMES:
        own = outcomes[(outcomes["outcome"] == outcome) & (outcomes["status"] == "accepted")]
        first = visits.merge(own, on=["centre", "session"]).groupby(["centre", "infant"]).first()
        (row,) = rows[(rows["outcome"] == outcome) & (rows["measure"] == "value")
                      & (rows["equipment_class"] == "all classes")].to_dict("records")  # fmt: skip
        numbers = first["value"]
        assert row["n_infants"] == len(numbers)
        assert row["between_infant_sd"] == pytest.approx(numbers.std())
        centres = numbers.groupby(level="centre")
        within = centres.apply(lambda g: ((g - g.mean()) ** 2).sum()).sum()
        freedom = len(numbers) - centres.ngroups
        assert row["within_centre_sd"] == pytest.approx((within / freedom) ** 0.5)
        assert (row["n_half_80"], row["n_half_90"]) == (64, 86)
