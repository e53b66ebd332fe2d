"""Write the recordings with known truth that every night measures before it publishes.

    python -m quietsleep.simulation.known_answers demo_centres/known_answers

They are first sessions of the demo study without any planted fault, in the file formats of their
devices. Written anew only when the simulator changes; the same simulator writes the same bytes.
"""

from __future__ import annotations

import csv
import hashlib
import json
import shutil
import sys
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from statistics import median

from quietsleep.simulation.centres import write_demo_study

# One recording or check for each technique and check, small files first; all three formats.
ITEMS = (
    "juniper-s001-tid1", "juniper-s001-sot1", "juniper-s001-dot1", "juniper-s001-ple1",
    "larch-s001-tfe1", "larch-s001-rvt1", "juniper-20260120-syringe",
    "juniper-20260120-shutter_hold", "juniper-20260120-box_decay", "willow-20260108-box_pump",
)  # fmt: skip
HEAD = """# Recordings with known truth, made by quietsleep.simulation.known_answers: do not edit.
# The truth is what the simulator was given or, for a trial, what it did; tolerances and their
# reasons are in tolerances.toml.
"""
SESSION = (
    "weight_kg", "length_cm", "age_days", "room_temperature_c", "room_humidity_pct",
    "barometric_pressure_kpa",
)  # fmt: skip
RECORDED = (
    "mask_dead_space_ml", "compressible_dead_space_ml", "apparatus_resistance_kpa_s_l",
    "jacket_pressure_set_kpa", "inflation_pressure_set_kpa", "box_closed_s",
)  # fmt: skip
CHECKED = ("heated_min", "known_volume_ml", "box_volume_l")


def write_known_answers(target: Path) -> None:
    """Write study.toml, the centres, the signal files and answers.toml into `target`."""
    with tempfile.TemporaryDirectory() as folder:
        study = write_demo_study(Path(folder) / "demo", sessions_per_centre=1)
        shutil.copy(study / "study.toml", target / "study.toml")
        truth = read_truth(study)
        entries = [entry_of(study, item, truth, target) for item in ITEMS]
        (target / "centres").mkdir(exist_ok=True)
        for centre in sorted({item.split("-", maxsplit=1)[0] for item in ITEMS}):
            shutil.copy(study / "centres" / f"{centre}.toml", target / "centres")
    (target / "answers.toml").write_text(HEAD + "\n".join(entries), encoding="utf-8")


def read_truth(study: Path) -> dict[tuple[str, str], float]:
    """Return the median truth of each item and quantity over its trials."""
    values: dict[tuple[str, str], list[float]] = {}
    for row in _rows(study / "truth" / "trials.csv"):
        values.setdefault((row["recording"], row["quantity"]), []).append(float(row["value"]))
    return {key: median(of_trials) for key, of_trials in values.items()}


def entry_of(study: Path, item: str, truth: Mapping[tuple[str, str], float], target: Path) -> str:
    """Copy one signal file and return its entry in answers.toml."""
    delivery = study / "deliveries" / item.split("-", maxsplit=1)[0]
    delivery /= f"{delivery.name}-01"
    technique, device, file, context = _asked(delivery, item, truth)
    body = (delivery / file).read_bytes()
    (target / "signals").mkdir(exist_ok=True)
    (target / "signals" / Path(file).name).write_bytes(body)
    lines = [
        "[[recordings]]",
        f"technique = {json.dumps(technique)}",
        f"device = {json.dumps(device)}",
        f"file = {json.dumps('signals/' + Path(file).name)}",
        f"sha256 = {json.dumps(hashlib.sha256(body).hexdigest())}",
        "[recordings.context]",
        *(f"{name} = {value!r}" for name, value in context.items()),
        "[recordings.truth]",
        *(f"{name} = {truth[of, name]!r}" for of, name in truth if of == item),
    ]
    return "\n".join(lines) + "\n"


def _asked(
    delivery: Path, item: str, truth: Mapping[tuple[str, str], float]
) -> tuple[str, str, str, dict[str, float]]:
    """Return technique, device, file and context of a recording or check."""
    for row in _rows(delivery / "checks.csv"):
        if row["check"] == item:
            return row["kind"], row["device"], row["file"], _numbers(row, CHECKED)
    row = next(r for r in _rows(delivery / "recordings.csv") if r["recording"] == item)
    session = next(r for r in _rows(delivery / "sessions.csv") if r["session"] == row["session"])
    context = _numbers(session, SESSION) | _numbers(row, RECORDED)
    for (of, name), value in truth.items():
        same_centre = of.split("-")[0] == item.split("-", maxsplit=1)[0]
        if same_centre and "box_pump" in of and name == "box_factor_ml_kpa":
            context["box_factor_ml_kpa"] = value
        if same_centre and "box_decay" in of and name == "half_life_s":
            context["box_half_life_s"] = value
    return row["technique"], session["device"], row["file"], context


def _numbers(row: Mapping[str, str], names: tuple[str, ...]) -> dict[str, float]:
    return {name: float(row[name]) if row[name] else float("nan") for name in names}


def _rows(path: Path) -> Iterator[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        yield from csv.DictReader(file)


if __name__ == "__main__":
    write_known_answers(Path(sys.argv[1]))
