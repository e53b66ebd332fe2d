"""Write the study with known answers, which every night runs whole before it publishes.

    python -m quietsleep.simulation.known_answers demo_centres/known_answers --what ... --why ...

`plan.toml` there says who is measured with which set; the deliveries, the centres and `study.toml`
are made of it. What is true of every trial goes to quietsleep.night.record_answers, which writes
answers.toml: the simulator shares nothing with the pipeline, so that its truth is one of its own.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from statistics import fmean, stdev
from typing import Any

import numpy as np

from quietsleep.data import data_folder
from quietsleep.simulation.centres import deliver, write_study_files
from quietsleep.simulation.checks import MAKERS, CheckDay, write_check
from quietsleep.simulation.faults import FAULTS, MANOEUVRES, PlantedFault, Recipe
from quietsleep.simulation.physiology import Infant, SimulatedRecording, draw_infant
from quietsleep.simulation.recordings import record
from quietsleep.simulation.rows import changed_cell, session_row, short
from quietsleep.simulation.scenario import Scenario, read_scenario
from quietsleep.simulation.sessions import (
    SimulatedSession,
    Slot,
    seeded,
    today,
    write_recording,
)

Truth = tuple[str, str, str, float | str]
# What a centre's own software reports of each session, and the factors from our units to its.
UNIT_SIZES = {
    "mL": 1.0, "L": 1000.0, "mL/s": 1.0, "L/s": 1000.0, "L/min": 1000.0 / 60.0,
    "mL/min": 1.0 / 60.0, "kPa": 1.0, "Pa": 0.001, "cm[H2O]": 0.0980665, "mm[Hg]": 0.1333224,
}  # fmt: skip
FEWEST_BREATHS = 20
ENOUGH_FOR_SPREAD = 20
# As few breaths about each manoeuvre as its levels need.
BREATHS: Mapping[str, Mapping[str, Any]] = {
    "single_occlusion": {"breaths_between": 5},
    "double_occlusion": {"breaths_between": 5},
    "plethysmography": {"breaths_between": 5},
    "tidal_forced_expiration": {"breaths_between": 5},
    "raised_volume": {"breaths_before": 5},
}


@dataclass(slots=True)
class KnownStudy:
    """The plan, the sets, and what is made of them so far.

    `truth` are rows of (table, row, name, value): the table of the warehouse, the row by its key
    with | between the parts, the quantity or column, and what is true of it.
    """

    plan: dict[str, Any]
    sets: dict[str, Scenario]
    sessions: list[SimulatedSession] = field(default_factory=list)
    days: list[tuple[Scenario, CheckDay]] = field(default_factory=list)
    truth: list[Truth] = field(default_factory=list)

    @property
    def seed(self) -> int:
        """What every random number hangs on."""
        return int(self.plan["seed"])

    def say(self, table: str, row: str, values: Mapping[str, float | str]) -> None:
        """Keep what is true of one row of the warehouse."""
        self.truth += [(table, row, name, value) for name, value in values.items()]


def write_known_study(target: Path) -> list[Truth]:
    """Write the study below `target` anew from its plan; return what is true of it."""
    plan = tomllib.loads((target / "plan.toml").read_text(encoding="utf-8"))
    files = sorted((target / "sets").glob("*.toml"))
    scenarios = [read_scenario(tomllib.loads(f.read_text(encoding="utf-8"))) for f in files]
    study = KnownStudy(plan, {s.device["device"]: s for s in scenarios})
    for entry in plan["check_days"]:
        check_day(study, entry)
    for entry in plan["sessions"]:
        whole_session(study, entry)
    for entry in _fault_sessions(plan["session_faults"]):
        whole_session(study, entry)
    for folder in ("deliveries", "centres"):
        shutil.rmtree(target / folder, ignore_errors=True)
    write_study_files(target, scenarios, seed=study.seed)
    for number, name in enumerate(study.sets):
        hand_over(study, name, target / "deliveries", zipped=number > 0)
    return study.truth


def hand_over(study: KnownStudy, name: str, folder: Path, *, zipped: bool) -> None:
    """Write all that was measured with one set as one delivery."""
    centre = study.sets[name].centre
    sessions = [s for s in study.sessions if s.scenario.device["device"] == name]
    days = [day for scenario, day in study.days if scenario.device["device"] == name]
    last = max(s.slot.tested_at for s in sessions).date()
    folder = folder / centre / name.replace("set-", "0")
    deliver(sessions, days, centre=centre, folder=folder, last=last, zipped=zipped)


def check_day(study: KnownStudy, entry: Mapping[str, Any]) -> None:
    """Add the checks of one set on one day: a clean one of each kind, then maybe faulty ones."""
    scenario, day = study.sets[entry["set"]], CheckDay(entry["day"])
    asked: list[tuple[str, PlantedFault | None]] = [(kind, None) for kind in scenario.checks]
    if entry.get("faults"):
        asked += [(kind, _clipped(kind)) for kind in scenario.checks]
        # The last check of a kind is the one that tests rest on: one that is rejected.
        faults = _one_a_rule(scenario.checks, "check").values()
        last = sorted(faults, key=lambda fault: fault.verdict == "reject")
        asked += [(fault.owner, fault) for fault in last]
    done, of_kind = datetime.combine(entry["day"], time(7, 0), UTC), dict[str, int]()
    for kind, fault in asked:
        of_kind[kind] = of_kind.get(kind, 0) + 1
        name = f"{entry['set']}-{entry['day']:%m%d}-{kind}-{of_kind[kind]}"
        made = _check(study, scenario, kind, name, fault)
        if kind == "shutter_hold" and entry.get("held_twice"):
            low = MAKERS[kind](scenario, seeded(study.seed, name, "low"), {"pressure_kpa": 2.4})
            made = _one_after_the_other(low, made)
        done += timedelta(minutes=6)
        write_check(day, scenario, made, name=name, done=done, seed=study.seed)
        # As the warehouse calls a check: by its device, day and code.
        item = f"{entry['set']}/{entry['day']}/{name}"
        whole = f"{scenario.centre}|{item}"
        judged = set(made.truth) if fault is None else {_judged(fault.expected_rule)}
        truth = {quantity: value for quantity, value in made.truth.items() if quantity in judged}
        study.say("check_values", f"{whole}|check|{item}", truth)
        status = "rejected" if fault and fault.verdict == "reject" else "accepted"
        study.say("checks", whole, {"status": status})
        study.say("verdicts", f"{scenario.centre}|check|{item}", _failing(fault))
    study.days.append((scenario, day))


def _check(
    study: KnownStudy, scenario: Scenario, kind: str, name: str, fault: PlantedFault | None
) -> SimulatedRecording:
    """Simulate one check, plain or faulty."""
    options: dict[str, Any] = dict(fault.options) if fault else {}
    made = MAKERS[kind](scenario, seeded(study.seed, name), options)
    share = fault.recipe.clip_share if fault else None
    if share is None:
        return made
    ranges = {key: share * float(np.abs(values).max()) for key, values in made.channels.items()}
    return replace(made, ranges=ranges)


def _clipped(kind: str) -> PlantedFault:
    """A check whose instruments are set too small."""
    rule = f"{kind}.manoeuvre_clipped"
    return PlantedFault(kind, "clipped", rule, level="check", recipe=Recipe(clip_share=0.6))


def _one_after_the_other(first: SimulatedRecording, last: SimulatedRecording) -> SimulatedRecording:
    """Two recordings as one; what is true of it is what is true of the last."""
    channels = {
        name: np.concatenate([values, last.channels[name]])
        for name, values in first.channels.items()
    }
    n = len(next(iter(channels.values())))
    return replace(last, channels=channels, time_s=np.arange(n) / last.rate_hz)


def whole_session(study: KnownStudy, entry: Mapping[str, Any]) -> None:
    """Add one session with its recordings."""
    scenario = study.sets[entry["set"]]
    infant = infant_of(study, entry)
    code, centre = entry["session"], scenario.centre
    rng = seeded(study.seed, code)
    slot = Slot(
        number=len(study.sessions) + 1, session=code, infant=entry["infant"], infant_number=1,
        visit=entry["visit"], age_days=infant.age_days, tested_at=entry["tested_at"],
    )  # fmt: skip
    setting = replace(today(scenario, rng), box_closed_s=140.0 + 20.0 * (slot.number % 4))
    first = {"session": code, "infant": entry["infant"], "visit": entry["visit"]}
    first |= {"tested_at": entry["tested_at"].isoformat(), "device": entry["set"]}
    row = session_row(first, infant=infant, setting=setting, rng=rng)
    row |= {"gestation_weeks": f"{entry['gestation_weeks']:.1f}", "birth_weight_kg": "3.20"}
    if entry.get("blank"):
        row |= dict.fromkeys(BLANK, "")
    row |= {name: changed_cell(row[name], cell) for name, cell in entry.get("cells", {}).items()}
    session = SimulatedSession(
        scenario, slot, infant, setting, study.seed, row, clock=entry["tested_at"]
    )
    study.sessions.append(session)
    study.say("session_values", f"{centre}|{code}", _numbers(row))
    for rule in entry.get("fails", ()):
        study.say("verdicts", f"{centre}|session|{code}", {rule: "fail"})
    asked = [*entry.get("recordings", ()), *(_faulty(scenario) if entry.get("faults") else ())]
    counts: dict[str, int] = {}
    for each in asked:
        technique = each["technique"]
        counts[technique] = counts.get(technique, 0) + 1
        name = f"{code}-{short(technique)}{counts[technique]}"
        spoiled = "spoiled" in entry and not each.get("clean")
        add_recording(study, session, each, name, spoiled=entry["spoiled"] if spoiled else None)
    session.reported_rows += reported_rows(study, session, entry.get("reported", ()))


# Cells that a centre may leave blank.
BLANK = (
    "days_since_respiratory_infection", "noisy_breathing", "staff_present",
    "resuscitation_equipment_checked", "spo2_min_pct", "followup_call_done",
    "sedation_mg_per_kg", "sedation_to_sleep_min",
)  # fmt: skip


def infant_of(study: KnownStudy, entry: Mapping[str, Any]) -> Infant:
    """Draw the mechanics of an infant of the planned size."""
    drawn = draw_infant(
        seeded(study.seed, entry["infant"]),
        length_cm=entry["length_cm"], sex=entry["sex"], age_days=entry["age_days"],
        condition=entry.get("condition", "healthy"),
    )  # fmt: skip
    return replace(drawn, weight_kg=entry["weight_kg"])


def add_recording(
    study: KnownStudy,
    session: SimulatedSession,
    entry: Mapping[str, Any],
    name: str,
    *,
    spoiled: Mapping[str, Any] | None = None,
) -> None:
    """Simulate one recording, clean or faulty, and keep what is true of its trials."""
    technique, scenario = entry["technique"], session.scenario
    fault = _fault_of(entry["fails"], technique) if "fails" in entry else entry.get("fault")
    if spoiled:
        fault = _spoiled(technique, spoiled)
    infant = session.infant
    scaled = {key: getattr(infant, key) * by for key, by in entry.get("scale", {}).items()}
    manoeuvres = _manoeuvres(technique, fault, entry.get("manoeuvres"))
    options = {**BREATHS.get(technique, {}), **entry.get("options", {})}
    plain = fault is not None and not ({"quirks"} & fault.recipe.options.keys())
    if technique == "tidal" and fault and plain and "rate_per_min" not in fault.recipe.infant:
        options.setdefault("breaths", FEWEST_BREATHS)
    planted = _with_options(fault, technique, options) if options else fault
    made = record(
        technique,
        replace(infant, **scaled),
        rng=seeded(study.seed, name),
        rate_hz=scenario.form.rate_hz,
        setting=session.setting,
        fault=planted,
        manoeuvres=manoeuvres,
        usual=scenario.disturbance,
    )
    write_recording(session, made, name=name, fault=fault)
    say_of_recording(study, session, made, name, fault=fault)


def say_of_recording(
    study: KnownStudy,
    session: SimulatedSession,
    made: SimulatedRecording,
    name: str,
    *,
    fault: PlantedFault | None,
) -> None:
    """Keep the truth of the trials of one recording, and what should be said of them."""
    centre = session.scenario.centre
    unread = fault is not None and fault.level == "recording"
    state = "quarantined" if unread else "measured"
    # As the warehouse calls a recording: by its session and code.
    item = f"{session.slot.session}/{name}"
    study.say("recordings", f"{centre}|{item}", {"state": state})
    if unread:
        return
    trials = [tidal_truth(made)] if made.technique == "tidal" else list(made.trials)
    refused = fault is not None and fault.verdict == "reject" and fault.level == "trial"
    for number, values in enumerate(trials, start=1):
        trial = f"{centre}|{item}#{number}"
        if fault is None or not fault.recipe.slips:
            # A slip of the registration breaks more rules than the one that names it.
            study.say("trials", trial, {"status": "rejected" if refused else "accepted"})
        if fault is None:
            study.say("trial_values", trial, values)
        elif fault.level == "trial":
            # Where a registration has a slip, breaths may look like manoeuvres, or none be found.
            place = "?" if fault.recipe.slips else number
            study.say("verdicts", f"{centre}|trial|{item}#{place}", _failing(fault))
        if fault and fault.recipe.gap and session.scenario.form.file_format != "edf":
            study.say("trial_values", trial, {"gap_s": fault.recipe.gap[1]})


def tidal_truth(made: SimulatedRecording) -> dict[str, float]:
    """What is true of quiet breathing: means as the simulator has them, spread over its breaths."""
    truth = dict(made.truth)
    for quantity in made.trials[0]:
        values = [breath[quantity] for breath in made.trials]
        if len(values) >= ENOUGH_FOR_SPREAD:
            truth[f"sd of {quantity}"] = stdev(values)
            truth[f"cv of {quantity}"] = 100.0 * stdev(values) / fmean(values)
    return truth


def reported_rows(
    study: KnownStudy, session: SimulatedSession, units: Sequence[str]
) -> list[dict[str, str]]:
    """What the centre's own software says, in units of its own: the last volume, pressure, flow."""
    if not units:
        return []
    volume, pressure, flow = units
    wanted = {
        "tidal": ("vt_ml", "vt_ml", volume, UNIT_SIZES[volume]),
        "single_occlusion": (
            "crs_ml_kpa", "crs_single_ml_kpa", f"{volume}/{pressure}",
            UNIT_SIZES[volume] / UNIT_SIZES[pressure],
        ),
        "plethysmography": ("frc_ml", "frc_pleth_ml", volume, UNIT_SIZES[volume]),
        "tidal_forced_expiration": ("vmaxfrc_ml_s", "vmaxfrc_ml_s", flow, UNIT_SIZES[flow]),
    }  # fmt: skip
    rows = []
    centre, code = session.scenario.centre, session.slot.session
    for technique, (quantity, outcome, unit, size) in wanted.items():
        start = f"{centre}|{code}/{code}-{short(technique)}"
        values = [
            float(value)
            for table, row, name, value in study.truth
            if table == "trial_values" and row.startswith(start) and name == quantity
        ]
        if values:
            cells = {"session": code, "technique": technique, "outcome": outcome, "unit": unit}
            rows.append(cells | {"value": f"{fmean(values) / size:.5g}", "conditions": "BTPS"})
            row = f"{centre}|{code}|{technique}|{outcome}"
            converted = float(rows[-1]["value"]) * size
            study.say("agreement", row, {"reported_converted": converted})
    return rows


# Quick breaths take little space.
QUICK = {"rate_per_min": 1.25}


def _faulty(scenario: Scenario) -> list[dict[str, Any]]:
    """One recording for each rule that a planted fault of a technique or a file names."""
    faults = _one_a_rule(scenario.techniques, "trial", "test", "recording")
    entries = []
    for key, fault in faults.items():
        without_clock = scenario.form.file_format == "edf"
        if fault.recipe.gap and without_clock != fault.expected_rule.endswith("length_by_clock"):
            continue  # lost samples are a gap, or told by the clock where a format has none
        if "recordings" in fault.options:
            continue  # it is in the number of recordings, of which this session has many
        technique = fault.owner if fault.owner in scenario.techniques else "tidal"
        if key == "missing_channel":
            technique = "single_occlusion"
        entries.append({"technique": technique, "fault": fault, "scale": QUICK})
    return sorted(entries, key=lambda e: scenario.techniques.index(e["technique"]))


def _one_a_rule(owners: Sequence[str], *levels: str) -> dict[str, PlantedFault]:
    """The first planted fault of each rule; faults that no rule names are all taken."""
    found: dict[str, PlantedFault] = {}
    named: set[str] = set()
    for key, fault in FAULTS.items():
        if not (
            fault.expected_rule or fault.recipe.disturbance or "quirks" in fault.recipe.options
        ):
            continue  # sound variants near a limit
        of_file = fault.owner == "delivery" and fault.level == "recording"
        if not (fault.owner in owners and fault.level in levels) and not of_file:
            continue
        if of_file and "recording" not in levels:
            continue
        if fault.expected_rule in named or (fault.file and not of_file):
            continue
        named.add(fault.expected_rule or key)
        found[key] = fault
    return found


def _fault_of(rule: str, technique: str) -> PlantedFault:
    """The first planted fault of a technique, or of a file, that a rule names."""
    owners = (technique, "delivery")
    return next(f for f in FAULTS.values() if f.owner in owners and f.expected_rule == rule)


def _with_options(
    fault: PlantedFault | None, technique: str, options: Mapping[str, Any]
) -> PlantedFault:
    """The fault with more options of the technique; without a fault, a recording with options."""
    base = fault or PlantedFault(technique, "none", "", verdict="accepted")
    recipe = replace(base.recipe, options={**options, **base.recipe.options})
    return replace(base, recipe=recipe)


# Rules of every technique, and the cells that fail two of them.
SPOILED = ("signal_gap", "signal_clipped", "quiet_sleep", "operator_accepts")
SPOILED_CELLS = {"sleep_state": "active", "operator_accepts": "no"}


def _spoiled(technique: str, how: Mapping[str, Any]) -> PlantedFault:
    """A recording that fails the rules of every technique at once."""
    rules = " ".join(f"{technique}.{rule}" for rule in SPOILED)
    recipe = Recipe(gap=tuple(how["gap"]), clip_share=how["clip_share"])
    return PlantedFault(technique, "spoiled", rules, recipe=recipe, cells=SPOILED_CELLS)


def _manoeuvres(technique: str, fault: PlantedFault | None, given: Any) -> list[Any] | None:
    """Manoeuvres of one recording: as planned, else one faulty one, all where a test is judged."""
    if technique == "tidal":
        return None
    kind = MANOEUVRES[technique]
    if isinstance(given, list):
        return [
            kind(**{k: v for k, v in one.items() if k != "times"})
            for one in given
            for _ in range(one.get("times", 1))
        ]
    planted = fault.recipe.options.get("manoeuvres") if fault else None
    if isinstance(planted, tuple):
        return list(planted) if fault and fault.level == "test" else [planted[0]]
    usual = USUAL.get(technique, {})
    return [kind(**usual)] * (given if isinstance(given, int) else 1)


# A clean manoeuvre, where the simulator's own default is none.
USUAL: Mapping[str, Mapping[str, Any]] = {"double_occlusion": {"duration_s": 0.3}}


# Cells of a session that are judged together: at most one fault changes any of them.
BODY = frozenset({"age_days", "length_cm", "weight_kg"})


def _fault_sessions(entry: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    """As few sessions as hold all faults of the session, of which no two change one cell."""
    held: list[dict[str, Any]] = []
    for fault in FAULTS.values():
        if fault.owner != "session":
            continue
        changed = fault.cells.keys() | (BODY if fault.cells.keys() & BODY else set())
        free = next((s for s in held if not s["changed"] & changed), None)
        if free is None:
            free = {"cells": {}, "fails": [], "changed": set()}
            held.append(free)
        free["cells"].update(fault.cells)
        free["fails"].append(fault.expected_rule)
        free["changed"] |= changed
    for number, session in enumerate(held, start=1):
        code = f"{entry['set'].partition('-')[0]}-s1{number:02d}"
        yield {**entry, **entry["infants"][number - 1], **session, "session": code}


def _judged(rule: str) -> str:
    """The quantity that a rule of a check judges; a fault may spoil the truth of the others."""
    check, _, name = rule.partition(".")
    text = (data_folder("contracts") / "equipment" / f"{check}.toml").read_text("utf-8")
    return str(next(r["quantity"] for r in tomllib.loads(text)["rules"] if r["name"] == name))


def _failing(fault: PlantedFault | None) -> dict[str, str]:
    rules = fault.expected_rule.split() if fault and "." in fault.expected_rule else []
    return dict.fromkeys(rules, "fail")


def _numbers(row: Mapping[str, str]) -> dict[str, float]:
    """Cells of a row that are numbers, or yes and no."""
    found = {}
    for name, cell in row.items():
        if cell in ("yes", "no"):
            found[name] = float(cell == "yes")
            continue
        try:
            found[name] = float(cell)
        except ValueError:
            continue
    return found


def main() -> int:
    """Write the study, then let the pipeline record what it makes of it beside the truth."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--what", default="", help="what changes, where any answer does")
    parser.add_argument("--why", default="", help="why it changes")
    given = parser.parse_args()
    truth = write_known_study(given.folder)
    with tempfile.TemporaryDirectory() as folder:
        said = Path(folder) / "truth.json"
        said.write_text(json.dumps(truth), encoding="utf-8")
        words = ["--truth", str(said), "--what", given.what, "--why", given.why]
        recorder = [sys.executable, "-m", "quietsleep.night.record_answers", str(given.folder)]
        return subprocess.run([*recorder, *words], check=False).returncode


if __name__ == "__main__":
    sys.exit(main())
