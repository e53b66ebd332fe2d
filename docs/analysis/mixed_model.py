"""From a release to a mixed model and a figure, as a statistician would; docs/analysis.md tells it.

    python mixed_model.py RELEASE --digest DIGEST --out FOLDER

Needs pandas, pyarrow, statsmodels and matplotlib, and nothing of the package that made the release.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import warnings
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

KEY = ["centre", "session"]
# A random intercept of fewer centres than this is hardly known; of one, not at all.
FEWEST_CENTRES = 3
# Each is tried, and the likeliest solution is taken: one alone may end where there is none.
METHODS = ("bfgs", "powell", "lbfgs")
# A variance below this share of that of all values is said to lie near zero.
NEARLY_NOTHING = 1e-4


class NotToBeUsed(Exception):
    """The release is not what it says, or does not hold what the analysis needs."""


# 1. Is it the release that was cited?


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def verify(release: Path, digest: str) -> dict[str, Any]:
    """Hold every file against the checksums, and all of them against the digest that is cited.

    The digest of the whole is the SHA-256 of the lines `digest  path` of all files but SHA256SUMS
    and RELEASE.json, by path. Return what RELEASE.json says.
    """
    lines = (release / "SHA256SUMS").read_text(encoding="utf-8").splitlines()
    listed = {path: sha256 for sha256, _, path in (line.partition("  ") for line in lines)}
    files = (p for p in release.rglob("*") if p.is_file() and p.name != "SHA256SUMS")
    found = {p.relative_to(release).as_posix(): sha256_of(p) for p in files}
    if found != listed:
        names = sorted(name for name in found | listed if found.get(name) != listed.get(name))
        raise NotToBeUsed(f"Files are not those of the release: {', '.join(names[:5])}.")
    of_whole = "".join(
        f"{found[name]}  {name}\n" for name in sorted(found) if name != "RELEASE.json"
    )
    whole = hashlib.sha256(of_whole.encode()).hexdigest()
    if whole != digest.strip().lower():
        raise NotToBeUsed(f"The digest of the whole is {whole}, not the one cited, {digest}.")
    said: dict[str, Any] = json.loads((release / "RELEASE.json").read_text(encoding="utf-8"))
    return said


# 2. One row a session, from the parquet tables


def read_table(release: Path, name: str) -> pd.DataFrame:
    """Read one table; centre is a column of it, so none is made of the folders' names."""
    return pd.read_parquet(release / "tables" / name, partitioning=None)


@dataclass(frozen=True)
class Selection:
    """The sessions with a usable value, and how many were lost to which reason."""

    data: pd.DataFrame
    reasons: pd.Series[int]
    n_sessions: int
    n_flagged: int


def select(release: Path, outcome: str, covariate: str, *, without_flagged: bool) -> Selection:
    """Join sessions, their tests, outcomes and equipment, and keep what may be analysed.

    A session or infant code is unique within its centre only, so every join names the centre.
    """
    sessions = read_table(release, "sessions")
    outcomes = read_table(release, "outcomes").query("outcome == @outcome")
    if outcomes.empty:
        raise NotToBeUsed(f"The release holds no outcome {outcome}.")
    if covariate not in sessions.columns:
        raise NotToBeUsed(f"The release holds no column {covariate} of sessions.")
    own = outcomes[[*KEY, "value", "status", "flagged", "why"]]
    rows = sessions.merge(
        own, on=KEY, how="left", suffixes=("", "_of_test"), validate="one_to_one"
    ).merge(
        read_table(release, "devices")[["centre", "device", "valid_from", "equipment_class"]],
        left_on=["centre", "device", "device_valid_from"],
        right_on=["centre", "device", "valid_from"],
        how="left",
        validate="many_to_one",
    )
    # The same reasons as in the column vt_ml_why of clean_sessions, in their order.
    states = [
        (
            rows["status"].eq("quarantined") | rows["status_of_test"].eq("quarantined"),
            "quarantined",
        ),
        (rows["status_of_test"].isna(), "not attempted"),
        (rows["status"].eq("rejected") | rows["status_of_test"].eq("rejected"), "rejected"),
        (rows["status"].ne("accepted") | rows["status_of_test"].ne("accepted"), "not judgeable"),
        (rows["value"].isna(), "not computable"),
        (rows[[covariate, "infant"]].isna().any(axis=1), f"no {covariate} or infant"),
    ]
    flagged = rows["flagged_of_test"].eq(True) | rows["flagged"].eq(True)
    if without_flagged:
        states.append((flagged, "flagged, left out"))
    why = np.select([mask for mask, _ in states], [word for _, word in states], default="")
    kept = rows[why == ""].copy()
    kept["infant"] = kept["centre"] + "/" + kept["infant"]
    kept["equipment_class"] = kept["equipment_class"].fillna("not registered")
    return Selection(
        data=kept.sort_values(KEY, ignore_index=True),
        reasons=pd.Series(why[why != ""]).value_counts(),
        n_sessions=len(rows),
        n_flagged=int(flagged[why == ""].sum()),
    )


# 3. The model


@dataclass(frozen=True)
class Fitted:
    """What was fitted; `slope` is per unit of the covariate, and `notes` say what is doubtful.

    Variances are those of the random intercepts of centres and infants and of the residual.
    """

    slope: float
    low: float
    high: float
    intercept: float
    at: float
    variances: tuple[float, float, float]
    how: str
    notes: tuple[str, ...]


def fit(data: pd.DataFrame, covariate: str) -> Fitted:
    """Regress `value` on the covariate, with random intercepts of centres and infants (REML).

    The covariate is centred, so that the intercept is of a typical session. Where a random
    intercept cannot be known it is left out, and where nothing varies there is no model.
    """
    at = float(data[covariate].mean()) if len(data) else float("nan")
    frame = data.assign(x=data[covariate] - at)
    if len(frame) < 4 or frame["x"].nunique() < 2:
        raise NotToBeUsed(
            f"{len(frame)} sessions with {frame[covariate].nunique()} values of {covariate} are "
            "too few for a slope."
        )
    notes = []
    n_centres, repeated = frame["centre"].nunique(), bool(frame["infant"].duplicated().any())
    if n_centres < FEWEST_CENTRES:
        notes.append(f"Only {n_centres} centres: their scatter is not fitted.")
    if not repeated:
        notes.append("No infant came twice: infants and residuals are one.")
    classes = frame.groupby("centre")["equipment_class"].nunique()
    if (classes == 1).all() and frame["equipment_class"].nunique() > 1:
        notes.append("Each centre has one class of equipment: its effect is part of the centre's.")
    group = "centre" if n_centres >= FEWEST_CENTRES else "infant" if repeated else ""
    if not group:
        return _least_squares(frame, at, [*notes, "Least squares, without random intercepts."])
    return _mixed(frame, at, group, notes, of_infants=repeated and group == "centre")


def _mixed(
    frame: pd.DataFrame, at: float, group: str, notes: list[str], *, of_infants: bool
) -> Fitted:
    import statsmodels.formula.api as smf

    within = {"infant": "0 + C(infant)"} if of_infants else None
    model = smf.mixedlm("value ~ x", frame, groups=group, re_formula="1", vc_formula=within)
    results = []
    for method in METHODS:
        with warnings.catch_warnings(), suppress(np.linalg.LinAlgError):
            warnings.simplefilter("ignore")
            results.append(model.fit(reml=True, method=method))
    # A singular covariance of random intercepts passes for a solution of infinite likelihood.
    sound = [r for r in results if np.isfinite(r.llf) and np.isfinite(r.fe_params).all()]
    if not sound:
        return _least_squares(frame, at, [*notes, "The mixed model has no solution."])
    result = max(sound, key=lambda r: r.llf)
    if not result.converged:
        notes = [*notes, "The mixed model did not converge; do not use it unseen."]
    smallest = min([float(result.cov_re.iloc[0, 0]), *result.vcomp])
    if smallest < NEARLY_NOTHING * float(frame["value"].var()):
        notes = [*notes, "A variance lies near zero, so that centres or infants hardly differ."]
    of_group, of_infant = float(result.cov_re.iloc[0, 0]), float(sum(result.vcomp))
    low, high = (float(v) for v in result.conf_int().loc["x"])
    by_centre = group == "centre"
    return Fitted(
        float(result.fe_params["x"]), low, high, float(result.fe_params["Intercept"]), at,
        (of_group if by_centre else 0.0, of_infant if by_centre else of_group, float(result.scale)),
        "mixed model, REML", tuple(notes),
    )  # fmt: skip


def _least_squares(frame: pd.DataFrame, at: float, notes: list[str]) -> Fitted:
    import statsmodels.formula.api as smf

    result = smf.ols("value ~ x", frame).fit()
    low, high = (float(v) for v in result.conf_int().loc["x"])
    return Fitted(
        float(result.params["x"]), low, high, float(result.params["Intercept"]), at,
        (0.0, 0.0, float(result.scale)), "least squares", tuple(notes),
    )  # fmt: skip


# 4. The figure


def draw(data: pd.DataFrame, fitted: Fitted, names: tuple[str, str], path: Path) -> None:
    """Draw every session, its centre by colour and its equipment by shape, and the line."""
    import matplotlib as mpl
    from matplotlib.figure import Figure

    outcome, covariate = names
    shapes = dict(zip(sorted(data["equipment_class"].unique()), "o^Dsv", strict=False))
    with mpl.rc_context({"svg.fonttype": "none", "svg.hashsalt": outcome}):
        figure = Figure(figsize=(6.5, 4.2), layout="constrained")
        axes = figure.subplots()
        for (centre, equipment), own in data.groupby(["centre", "equipment_class"]):
            label = f"{centre}, {equipment} ({len(own)})"
            marker = shapes.get(equipment, "x")
            axes.plot(
                own[covariate], own["value"], marker, markersize=5, label=label, gid="sessions"
            )
        ends = np.array([data[covariate].min(), data[covariate].max()])
        said = f"{fitted.slope:.3g} (95 % interval {fitted.low:.3g} to {fitted.high:.3g})"
        line = fitted.intercept + fitted.slope * (ends - fitted.at)
        axes.plot(ends, line, color="black", label=said, gid="line")
        axes.set(xlabel=covariate, ylabel=outcome, title=f"{outcome}: {fitted.how}")
        axes.legend(fontsize="small", frameon=False)
        figure.savefig(path, format="svg", metadata={"Date": None})


# 5. All of it


def tell(selection: Selection, fitted: Fitted, names: tuple[str, str]) -> str:
    """Return what was found in words."""
    outcome, covariate = names
    of_centres, of_infants, rest = fitted.variances
    data = selection.data
    lines = [
        f"{selection.n_sessions} sessions, {len(data)} analysed, of "
        f"{data['infant'].nunique()} infants at {data['centre'].nunique()} centres; "
        f"{selection.n_flagged} of them flagged.",
        *(f"  left out, {why}: {n}" for why, n in selection.reasons.items()),
        f"{outcome} on {covariate}, {fitted.how}:",
        f"  slope {fitted.slope:.4g} (95 % interval {fitted.low:.4g} to {fitted.high:.4g})",
        f"  at {covariate} {fitted.at:.4g}: {fitted.intercept:.4g}",
        f"  SD of centres {of_centres**0.5:.3g}, of infants {of_infants**0.5:.3g}, residual "
        f"{rest**0.5:.3g}",
        *(f"  {note}" for note in fitted.notes),
    ]
    return "\n".join(lines)


def main(words: list[str] | None = None) -> None:
    """Run the analysis with all accepted sessions, and again without flagged ones."""
    parser = argparse.ArgumentParser(description="From a release to a mixed model and a figure.")
    parser.add_argument("release", type=Path)
    parser.add_argument("--digest", required=True, help="as the release is cited with")
    parser.add_argument("--outcome", default="vt_ml")
    parser.add_argument("--covariate", default="weight_kg")
    parser.add_argument("--out", type=Path, default=Path())
    given = parser.parse_args(words)
    names = (given.outcome, given.covariate)
    try:
        said = verify(given.release, given.digest)
        print(said["cite_as"])
        given.out.mkdir(parents=True, exist_ok=True)
        for without_flagged in (False, True):
            selection = select(given.release, *names, without_flagged=without_flagged)
            fitted = fit(selection.data, given.covariate)
            print("\nWithout flagged sessions" if without_flagged else "\nAll accepted sessions")
            print(tell(selection, fitted, names))
            ending = "-unflagged" if without_flagged else ""
            path = given.out / f"{given.outcome}{ending}.svg"
            draw(selection.data, fitted, names, path)
            print(f"  drawn as {path}")
    except NotToBeUsed as error:
        raise SystemExit(f"{error}") from None


if __name__ == "__main__":
    main()
