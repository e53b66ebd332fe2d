"""Faults of visits and of files: real deliveries, taken in at the border and judged.

Two faults of the registry are states and no verdicts, and belong to tests of whole nights: a
session delivered again, and a centre that delivers nothing.
"""

from __future__ import annotations

from dataclasses import replace
from math import ceil
from pathlib import Path
from tempfile import TemporaryDirectory

from benchmarks.figures import CAUGHT_SHARE, Share
from benchmarks.judgement import failed
from quietsleep import contract
from quietsleep.intake.delivery import ReadDelivery, read_delivery
from quietsleep.intake.files.read import Unreadable, read_signal
from quietsleep.intake.find import find_deliveries
from quietsleep.judge.evidence import session_values
from quietsleep.judge.rules import judge
from quietsleep.judge.scores import with_growth
from quietsleep.measure.roster import rows_to_keep
from quietsleep.simulation.centres import SimulationJob, write_delivery, write_study_files
from quietsleep.simulation.faults import FAULTS
from quietsleep.simulation.scenario import Planted, Scenario, load_scenarios
from quietsleep.simulation.sessions import slots_of
from quietsleep.study.study import Study, load_study

VISITS_EACH = 12  # the simulator spoils cells and files in the first twelve visits of a centre
STATES = ("superseded", "nothing_delivered")
KEYS = tuple(
    key
    for key, fault in FAULTS.items()
    if fault.owner in ("session", "delivery") and key not in STATES
)


def border_share(key: str, planted: int) -> Share:
    """Deliver a fault from one centre after the other, and see what is said of each item.

    It is planted on at least `planted` items.
    """
    scenarios = [scenario for scenario in load_scenarios() if scenario.delivers]
    n, right = 0, 0
    missed: list[str] = []
    for turn in range(ceil(planted / VISITS_EACH)):
        scenario = planted_in(scenarios[turn % len(scenarios)], key)
        with TemporaryDirectory(prefix="quietsleep-border-") as folder:
            items, hit = delivered_and_caught(scenario, key, seed=turn, folder=Path(folder))
        n += len(items)
        right += len(items & hit)
        missed += sorted(items - hit)
    return Share(key, FAULTS[key].expected_rule, n, right, CAUGHT_SHARE, tuple(missed))


def planted_in(scenario: Scenario, key: str) -> Scenario:
    """The centre with this fault in every visit; no recordings but what the fault needs."""
    technique = technique_for(key)
    each = tuple(Planted(visit, key, technique) for visit in range(1, VISITS_EACH + 1))
    techniques = (technique,) if technique else ()
    return replace(scenario, techniques=techniques, checks=(), planted=each, slips=(), zipped=())


def technique_for(key: str) -> str | None:
    """The technique whose files a fault spoils; None for a fault of the visit table.

    A channel can only be missed by a technique that needs more than flow.
    """
    file = FAULTS[key].file
    return ("single_occlusion" if file == "column" else "tidal") if file else None


def delivered_and_caught(
    scenario: Scenario, key: str, *, seed: int, folder: Path
) -> tuple[set[str], set[str]]:
    """Items on which the fault was planted, and those of which the pipeline says so."""
    write_study_files(folder, [scenario], seed=seed)
    for name in ("limits.toml", "waivers.toml"):  # they name items of the whole demo study
        (folder / name).unlink()
    slots = tuple(slots_of(scenario, seed=seed, sessions=VISITS_EACH))
    delivery = folder / "deliveries" / scenario.centre / f"{scenario.centre}-01"
    written = write_delivery(SimulationJob(scenario, 1, slots, (), seed, delivery))
    study = load_study(folder)
    (found,) = find_deliveries(study, scenario.centre)
    delivered = read_delivery(study, found)
    if FAULTS[key].owner == "session":
        hit = _failing_visits(delivered, FAULTS[key].expected_rule)
    else:
        hit = _items_with_problem(study, delivered, FAULTS[key].expected_rule)
    return {row["item"] for row in written.fault_rows}, hit


def _failing_visits(delivered: ReadDelivery, rule: str) -> set[str]:
    """Sessions on which a rule of the visit fails."""
    sessions = with_growth(rows_to_keep(delivered)["sessions"].assign(centre=delivered.centre))
    values = session_values(sessions).merge(sessions[["session", "on"]], on="session")
    values = values.assign(technique=contract.SESSION.key, item=values["session"])
    rules = contract.RULES.values()
    return failed(judge(values, rules, (), level="session"), rule)


def _items_with_problem(study: Study, delivered: ReadDelivery, kind: str) -> set[str]:
    """Sessions and recordings that carry a problem of a kind, at the border or when read."""
    held = {**delivered.held_sessions, **delivered.held_recordings}
    hit = {item for item, problems in held.items() if kind in {p.kind for p in problems}}
    device = next(iter(study.centres[delivered.centre].devices.values()))
    names = ["recording", "technique", "file"]
    rows = delivered.tables["recordings"][names]
    for recording, technique, file in rows.itertuples(index=False):
        channels = contract.TECHNIQUES[technique].channels
        if recording not in held:
            try:
                read_signal(delivered.root / file, device, channels)
            except Unreadable as unreadable:
                hit |= {recording} if unreadable.problem.kind == kind else set()
    return hit
