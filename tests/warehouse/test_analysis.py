"""The analysis that a statistician starts from: run on releases, and held against other ways.

The script stands alone, as it is downloaded; nothing of the package is in it.
"""

from __future__ import annotations

import ast
import importlib.util
import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import pytest

from quietsleep.night.night import NightReport
from quietsleep.warehouse.database import open_night
from quietsleep.warehouse.release import make_release, release_digest

SCRIPT = Path(__file__).parents[2] / "docs/analysis/mixed_model.py"
SLOPE, AT_MEAN = 8.0, 60.0
SD_CENTRE, SD_INFANT, SD_REST = 3.0, 4.0, 1.5
CENTRES = ("alder", "birch", "cedar", "hazel", "larch", "maple")


def load() -> Any:
    spec = importlib.util.spec_from_file_location("mixed_model", SCRIPT)
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    sys.modules["mixed_model"] = module
    spec.loader.exec_module(module)
    return module


mixed_model = load()


def drawn(n_centres: int, n_infants: int, *, visits: int = 2, seed: int = 1) -> pd.DataFrame:
    """Draw sessions of a known effect of weight, as `select` hands them on."""
    rng = np.random.default_rng(seed)
    rows = []
    for centre in CENTRES[:n_centres]:
        of_centre = rng.normal(0, SD_CENTRE)
        for infant in range(n_infants):
            of_infant, weight = rng.normal(0, SD_INFANT), rng.uniform(4, 9)
            for visit in range(visits):
                kilograms = weight + 1.5 * visit
                value = AT_MEAN + SLOPE * (kilograms - 7) + of_centre + of_infant
                rows.append((centre, f"{centre}/i{infant}", f"s{infant}-{visit}", kilograms,
                             value + rng.normal(0, SD_REST)))  # fmt: skip
    names = ["centre", "infant", "session", "weight_kg", "value"]
    frame = pd.DataFrame(rows, columns=names)
    return frame.assign(equipment_class=frame["centre"].map(lambda c: f"box-{c[0]}"))


def covariance(data: pd.DataFrame, variances: tuple[float, float, float]) -> Any:
    """Return the covariance of sessions, shape (n, n), by shared centre and shared infant."""
    of_centre, of_infant, rest = variances
    centre, infant = (data[name].to_numpy() for name in ("centre", "infant"))
    return (
        of_centre * (centre[:, None] == centre[None, :])
        + of_infant * (infant[:, None] == infant[None, :])
        + rest * np.eye(len(data))
    )


def by_formula(data: pd.DataFrame, variances: tuple[float, float, float]) -> tuple[Any, Any, float]:
    """Return generalised least squares, its covariance, and the restricted log likelihood."""
    y = data["value"].to_numpy()
    weight = data["weight_kg"].to_numpy()
    x = np.column_stack([np.ones(len(y)), weight - weight.mean()])
    v = covariance(data, variances)
    inverse = np.linalg.inv(v)
    information = x.T @ inverse @ x
    beta = np.linalg.solve(information, x.T @ inverse @ y)
    rest = y - x @ beta
    likelihood = -0.5 * (
        np.linalg.slogdet(v)[1] + np.linalg.slogdet(information)[1] + rest @ inverse @ rest
    )
    return beta, np.linalg.inv(information), float(likelihood)


@pytest.mark.parametrize(("n_centres", "visits"), [(6, 2), (4, 2), (2, 2), (6, 1)])
def test_the_coefficient_is_that_of_the_formula(n_centres: int, visits: int) -> None:
    """Generalised least squares at the fitted variances, worked out without the library."""
    data = drawn(n_centres, 12, visits=visits)
    fitted = mixed_model.fit(data, "weight_kg")
    beta, errors, likelihood = by_formula(data, fitted.variances)
    half = 1.959964 * errors[1, 1] ** 0.5
    assert fitted.how == "mixed model, REML"
    assert fitted.slope == pytest.approx(beta[1], rel=1e-4)
    assert fitted.intercept == pytest.approx(beta[0], rel=1e-4)
    assert (fitted.low, fitted.high) == (
        pytest.approx(beta[1] - half, rel=2e-3), pytest.approx(beta[1] + half, rel=2e-3),
    )  # fmt: skip
    assert fitted.low < SLOPE < fitted.high
    # No variances near them are more likely.
    for at in range(3):
        for factor in (0.8, 1.25):
            other = [*fitted.variances]
            other[at] *= factor
            assert by_formula(data, tuple(other))[2] <= likelihood + 1e-3


def test_over_many_draws_the_interval_covers_the_truth() -> None:
    covered = 0
    for seed in range(40):
        fitted = mixed_model.fit(drawn(6, 6, seed=seed), "weight_kg")
        covered += fitted.low < SLOPE < fitted.high
    # Of 40 with a chance of 95 % each, fewer than 33 come once in 500 times.
    assert covered >= 33


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda d: d[d["centre"] == "alder"], "Only 1 centres"),
        (lambda d: d.drop_duplicates("infant"), "No infant came twice"),
        (lambda d: d[d["centre"] == "alder"].drop_duplicates("infant"), "Least squares"),
        (lambda d: d, "one class of equipment"),
        (lambda d: d.assign(value=60.0 + d["weight_kg"]), ""),
        (lambda d: d.head(4), "Only 1 centres"),
    ],
)
def test_what_cannot_be_known_is_left_out_and_said(
    change: Callable[[pd.DataFrame], pd.DataFrame], words: str
) -> None:
    fitted = mixed_model.fit(change(drawn(4, 6)).reset_index(drop=True), "weight_kg")
    assert words in " ".join(fitted.notes)
    assert np.isfinite(fitted.slope)


@pytest.mark.parametrize(
    "change",
    [lambda d: d.head(0), lambda d: d.head(3), lambda d: d.assign(weight_kg=7.0)],
)
def test_too_few_for_a_slope_is_a_sentence(change: Callable[[pd.DataFrame], pd.DataFrame]) -> None:
    with pytest.raises(mixed_model.NotToBeUsed, match="too few for a slope"):
        mixed_model.fit(change(drawn(2, 3)), "weight_kg")


@pytest.fixture(scope="module")
def release(new_study: Callable[[], Any], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A release of sessions with a known effect, beside those of the study written by hand."""
    study = new_study()
    data = drawn(4, 8)
    for centre in set(data["centre"]) - {"larch", "maple"}:
        study.add("centres", centre=centre, state="delivered")
        study.add("devices", centre=centre, device=f"{centre}-set", equipment_class="box")
    like = dict(study.rows["sessions"][0])
    for number, row in enumerate(data.itertuples()):
        code = f"T{number:03d}"
        study.add("sessions", **like | {
            "centre": row.centre, "session": code, "infant": str(row.infant).partition("/")[2],
            "device": f"{row.centre}-set", "weight_kg": row.weight_kg, "flagged": number % 6 == 5,
            "status": "rejected" if number % 9 == 8 else "accepted",
        })  # fmt: skip
        status = ("accepted", "accepted", "rejected", "not_judgeable", "accepted")[number % 5]
        given = {"vt_ml": row.value} if number % 7 else {}
        study.test(row.centre, code, "tidal", status, flagged=number % 4 == 3, **given)
    path = tmp_path_factory.mktemp("analysis")
    study.publish(path, "n1")
    return make_release(path, "r1")


@pytest.mark.parametrize("without_flagged", [False, True])
def test_the_tables_give_the_rows_of_the_view(release: Path, without_flagged: bool) -> None:
    selection = mixed_model.select(release, "vt_ml", "weight_kg", without_flagged=without_flagged)
    with open_night(release) as connection:
        wide = connection.execute("SELECT * FROM clean_sessions ORDER BY centre, session").df()
    kept = wide[wide["vt_ml"].notna() & ~(wide["vt_ml_flag"].eq(True) & without_flagged)]
    assert len(kept) > 10
    assert selection.data["value"].tolist() == kept["vt_ml"].tolist()
    assert selection.data["session"].tolist() == kept["session"].tolist()
    assert selection.data["equipment_class"].tolist() == kept["equipment_class"].tolist()
    assert selection.n_flagged == kept["vt_ml_flag"].sum()
    told = wide["vt_ml_why"].dropna().str.partition(":")[0].value_counts().to_dict()
    reasons = selection.reasons.to_dict()
    assert reasons.pop("flagged, left out", 0) == wide["vt_ml"].notna().sum() - len(kept)
    assert reasons == told
    assert {"quarantined", "rejected", "not judgeable", "not computable"} <= set(told)


def test_another_digest_and_another_file_are_refused(release: Path, tmp_path: Path) -> None:
    digest = release_digest(release)
    assert mixed_model.verify(release, digest.upper())["release"] == "r1"
    with pytest.raises(mixed_model.NotToBeUsed, match="not the one cited"):
        mixed_model.verify(release, "0" * 64)
    copy = tmp_path / "copy"
    shutil.copytree(release, copy)
    (copy / "notes.txt").write_text("mine")
    with pytest.raises(mixed_model.NotToBeUsed, match=r"notes\.txt"):
        mixed_model.verify(copy, digest)


def test_a_wrong_name_is_a_sentence(release: Path) -> None:
    for words, said in ((("vt", "weight_kg"), "no outcome vt"), (("vt_ml", "x"), "no column x")):
        with pytest.raises(mixed_model.NotToBeUsed, match=said):
            mixed_model.select(release, *words, without_flagged=False)


def test_it_stands_alone() -> None:
    tree = ast.parse(SCRIPT.read_text(encoding="utf-8"))
    names = {a.name for n in ast.walk(tree) if isinstance(n, ast.Import) for a in n.names}
    names |= {n.module or "" for n in ast.walk(tree) if isinstance(n, ast.ImportFrom)}
    assert not [name for name in names if name.startswith("quietsleep")]


def run(*words: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-W", "error", str(SCRIPT), *words]
    return subprocess.run(command, capture_output=True, text=True, timeout=300, check=False)


def test_from_the_release_of_the_demo_to_a_figure(
    demo_night: tuple[Path, NightReport], tmp_path: Path
) -> None:
    shutil.copytree(demo_night[0] / "warehouse", tmp_path / "warehouse", symlinks=True)
    made = make_release(tmp_path, "r1")
    done = run(str(made), "--digest", release_digest(made), "--out", str(tmp_path / "out"))
    assert done.returncode == 0, done.stderr
    with open_night(made) as connection:
        n, n_flagged = connection.execute(
            "SELECT count(vt_ml), count(*) FILTER (vt_ml_flag) FROM clean_sessions"
        ).fetchall()[0]
    assert f"{n} analysed" in done.stdout and f"{n_flagged} of them flagged" in done.stdout
    # Infants of the demo breathe some 6 to 11 mL a kilogram.
    low, high = re.findall(r"interval ([\d.]+) to ([\d.]+)\)", done.stdout)[0]
    assert 6 < float(low) < float(high) < 11
    for name, count in (("vt_ml.svg", n), ("vt_ml-unflagged.svg", n - n_flagged)):
        svg = (tmp_path / "out" / name).read_text(encoding="utf-8")
        of_sessions = [e for e in ElementTree.fromstring(svg).iter() if e.get("id") == "sessions"]
        assert sum(e.tag.endswith("}use") for own in of_sessions for e in own.iter()) == count
        assert "weight_kg" in svg and "95 % interval" in svg


def test_a_release_that_is_not_the_one_cited_ends_with_a_sentence(release: Path) -> None:
    done = run(str(release), "--digest", "0" * 64)
    assert done.returncode == 1 and "not the one cited" in done.stderr
    assert "Traceback" not in done.stderr
