"""A new technique is one file of contract and one module, and nothing else anywhere."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pandas as pd

from quietsleep.simulation.exports import relist
from tests.code_copies import copy_code, run_with

HERE = Path(__file__).parent / "sigh_depth"
NIGHT = """
import json, sys
from pathlib import Path
from quietsleep.night.stages import run_night
from quietsleep.warehouse.database import open_current
from quietsleep import check_delivery
study = Path(sys.argv[1])
problems = [p.sentence for p in check_delivery(study, Path(sys.argv[2]))]
report = run_night(study, workers=1)
with open_current(study) as warehouse:
    rows = warehouse.execute(
        "SELECT session, value, unit, n_trials FROM clean_outcomes "
        "WHERE technique = 'sigh_depth'").df()
    wide = warehouse.execute("SELECT sigh_ml_kg FROM clean_sessions "
        "WHERE sigh_ml_kg IS NOT NULL").df()
balances = bool(report.conservation["balances"].all())
print(json.dumps([problems, report.state, report.sentences, balances,
    rows.to_dict("records"), wide["sigh_ml_kg"].tolist()]))
"""


def test_technique_from_a_folder_of_its_own(small_deliveries: Path, tmp_path: Path) -> None:
    package, study = copy_code(tmp_path / "code"), tmp_path / "demo"
    shutil.copy(HERE / "sigh_depth.toml", package / "contracts" / "techniques")
    shutil.copy(HERE / "sigh_depth.py", package / "techniques")
    shutil.copytree(small_deliveries, study)
    for centre in study.glob("deliveries/*"):
        if centre.name != "sedge":
            shutil.rmtree(centre)
    delivery = study / "deliveries" / "sedge" / "sedge-01"
    table = delivery / "recordings.csv"
    rows = pd.read_csv(table, dtype=str)
    sighs = rows[rows["technique"] == "tidal"].assign(technique="sigh_depth")
    copied = {file: delivery / file.replace("tid", "sigh") for file in sighs["file"]}
    for file, target in copied.items():
        shutil.copy(delivery / file, target)
    sighs[["recording", "file"]] = sighs[["recording", "file"]].replace("tid", "sigh", regex=True)
    pd.concat([rows, sighs]).to_csv(table, index=False)
    manifest = json.loads((delivery / "delivery.json").read_text(encoding="utf-8"))
    manifest["files"] += [
        {"path": str(target.relative_to(delivery)), "bytes": 0, "sha256": ""}
        for target in copied.values()
    ]
    (delivery / "delivery.json").write_text(json.dumps(manifest), encoding="utf-8")
    relist(delivery, table, *copied.values())
    said = json.loads(run_with(package, NIGHT, str(study), str(delivery)))
    problems, state, sentences, balances, outcomes, wide = said
    assert problems == [] and state != "red" and balances, sentences
    assert {row["session"] for row in outcomes} == set(sighs["session"])
    assert all(1.0 < row["value"] < 30.0 and row["unit"] == "mL/kg" for row in outcomes)
    assert np.allclose(sorted(wide), sorted(row["value"] for row in outcomes))
    pages = study / "pages" / "sedge"
    named = [p for p in pages.rglob("*.html") if "Sigh depth" in p.read_text(encoding="utf-8")]
    assert named, "no page shows the new technique"
