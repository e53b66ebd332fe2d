"""What the study with known answers must come to, worked out by hand beside the program.

From the truth of single trials, as the simulator has it, follow outcomes, spreads, counts and
z-scores; from the rules follow made-up numbers on either side of every limit, with their verdicts.
Everything here is written a second time, in the plainest way, and shares no code with what it is to
test.
"""

from __future__ import annotations

import math
import tomllib
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import partial
from pathlib import Path
from statistics import fmean, stdev

from quietsleep import contract
from quietsleep.contract import Outcome, Rule
from quietsleep.contract.model import Condition
from quietsleep.contract.reference import LinearEquation, LmsTable, Reference
from quietsleep.judge.scores import load_references
from quietsleep.night.known_answers import SMALLEST, Answer, Place, Value

Cells = Mapping[Place, tuple[str, Value]]
Truth = dict[Place, Value]
# A test: centre, session, technique.
Test = tuple[str, str, str]
# Of each test the trials that the plan accepts, in order, and what is true of each.
Tests = dict[Test, dict[str, dict[str, float]]]


LEVELS = {"trial_values": "trial", "check_values": "check"}
# Tables whose numbers are those that a centre delivered, but for their unit.
AS_GIVEN = ("session_values", "agreement")
AS_GIVEN_WITHIN = 1e-4


class Tolerances:
    """The tolerances of tolerances.toml, by level, owner and quantity."""

    def __init__(self, folder: Path) -> None:
        content = tomllib.loads((folder / "tolerances.toml").read_text(encoding="utf-8"))
        self.names: Mapping[str, str] = content["names"]
        self.spreads: Mapping[str, str] = content["spreads"]
        self._entries = {
            (level, entry["owner"], quantity): entry
            for entry in content["tolerances"]
            for level in entry["levels"]
            for quantity in entry["quantities"]
        }

    def within(self, level: str, owner: str, quantity: str, value: float) -> float | None:
        """Return how far a number may lie from its truth; None where none is stated."""
        entry = self._entries.get((level, owner, quantity))
        if entry is None:
            return None
        share = float(entry.get("within_pct", 0.0)) / 100.0
        return float(entry.get("within", 0.0)) + abs(value) * share


def truth_by_hand(folder: Path, said: Truth, cells: Cells) -> Iterator[Answer]:
    """Yield the answers with a truth: of the simulator, and what follows from it by hand."""
    tolerances = Tolerances(folder)
    plan = tomllib.loads((folder / "plan.toml").read_text(encoding="utf-8"))
    said = _as_read(said, plan["reviews"])
    for place, value in said.items():
        yield from _of_simulator(place, value, tolerances, cells)
    tests, unplanned = _tests(said, cells), _unplanned(said, cells)
    for test, trials in tests.items():
        if test in unplanned:
            continue
        yield from _of_test(test, trials, tolerances, cells)
        if cells["tests", _row(test), "status"][1] == "accepted":
            yield from _of_outcomes(folder, test, trials, tolerances, cells)
    yield from _counts(tests, unplanned)
    for known in plan["printed"]:
        place = (known["table"], known["row"], known["name"])
        yield Answer(place, "truth", known["value"], known["within"])


def _as_read(said: Truth, reviews: Sequence[Mapping[str, str]]) -> Truth:
    """Let the planned decisions of readers count: one rejects, two lift what rules rejected."""
    read = dict(said)
    for recording in {review["recording"] for review in reviews}:
        decisions = [r["decision"] for r in reviews if r["recording"] == recording]
        rejected = "reject" in decisions
        if not rejected and len(decisions) < contract.REVIEWING.readers_to_overturn:
            continue
        for (table, row, name), value in said.items():
            if row.endswith(f"/{recording}#1") and table == "trials":
                read[table, row, name] = "rejected" if rejected else "accepted"
            elif row.endswith(f"/{recording}#1") and value == "fail" and not rejected:
                read[table, row, name] = "waived"
    return read


def _of_simulator(
    place: Place, value: Value, tolerances: Tolerances, cells: Cells
) -> Iterator[Answer]:
    table, row, name = place
    if isinstance(value, str):
        named = f"{name} state" if table == "verdicts" else name
        if row.endswith("#?"):
            row = _trial_that(row, named, value, cells)
        yield Answer((table, row, named), "truth", value, 0.0)
        return
    name = tolerances.names.get(name, name)
    if value is None or math.isnan(value) or (table, row, name) not in cells:
        return
    owner = cells[table, row, name][0]
    within = tolerances.within(LEVELS.get(table, table), owner, name, value)
    if table in AS_GIVEN:
        within = max(abs(value) * AS_GIVEN_WITHIN, SMALLEST)
    if within is not None:
        yield Answer((table, row, name), "truth", value, within)


def _trial_that(row: str, name: str, value: str, cells: Cells) -> str:
    """Return the row of the first trial of a recording that came out so; of the first if none."""
    start = row.removesuffix("?")
    found = [p[1] for p, (_, v) in cells.items() if p[1].startswith(start) and p[2] == name
             and v == value]  # fmt: skip
    return min(found, default=f"{start}1")


def _tests(said: Truth, cells: Cells) -> Tests:
    """Gather the trials that the plan accepts by their tests, with what is true of them."""
    found: Tests = {}
    for table, row, name in cells:
        if table == "tests" and name == "status":
            centre, _, test = row.partition("|")
            session, _, technique = test.partition("/")
            found[centre, session, technique] = {}
    numbers: dict[str, dict[str, float]] = defaultdict(dict)
    for (table, row, name), value in said.items():
        if table == "trial_values" and isinstance(value, float):
            numbers[row][name] = value
    for (table, row, name), value in said.items():
        if table == "trials" and value == "accepted" and (table, row, name) in cells:
            technique = cells[table, row, name][0]
            centre, _, trial = row.partition("|")
            session = trial.partition("/")[0]
            found[centre, session, technique][trial] = numbers[row]
    return found


def _unplanned(said: Truth, cells: Cells) -> set[Test]:
    """Return the tests with a trial of which the plan does not say what becomes of it."""
    found = set()
    for place, (technique, _) in cells.items():
        if place[0] == "trials" and place[2] == "status" and place not in said:
            centre, _, trial = place[1].partition("|")
            found.add((centre, trial.partition("/")[0], technique))
    return found


def _row(test: Test) -> str:
    """Return the row of a test: its centre and its code."""
    return f"{test[0]}|{test[1]}/{test[2]}"


def _of_test(
    test: Test,
    trials: Mapping[str, Mapping[str, float]],
    tolerances: Tolerances,
    cells: Cells,
) -> Iterator[Answer]:
    """Yield how many trials are accepted, and how far the truth of them lies apart."""
    technique, row = test[2], _row(test)
    if cells["tests", row, "status"][1] != "quarantined" or trials:
        yield Answer(("test_values", row, "n_accepted"), "truth", float(len(trials)), SMALLEST)
    for quantity, of in tolerances.spreads.items():
        owner, _, name = quantity.partition(".")
        values = [values[of] for values in trials.values() if of in values]
        if owner != technique or len(values) < 2 or len(values) < len(trials):
            continue
        cv = 100.0 * stdev(values) / fmean(values)
        within = tolerances.within("test", technique, name, cv)
        if within is not None:
            yield Answer(("test_values", row, name), "truth", cv, within)


def _of_outcomes(
    folder: Path,
    test: Test,
    trials: Mapping[str, Mapping[str, float]],
    tolerances: Tolerances,
    cells: Cells,
) -> Iterator[Answer]:
    """Yield what an accepted test must report, and its z-score."""
    centre, session, technique = test
    for outcome in contract.OUTCOMES.values():
        if outcome.technique != technique or not trials:
            continue
        value = summed_up(outcome, list(trials.values()))
        row = f"{centre}|{session}|{technique}|{outcome.name}"
        within = tolerances.within("outcome", technique, outcome.quantity, value)
        if within is None or not math.isfinite(value):
            continue
        yield Answer(("outcomes", row, "value"), "truth", value, within)
        scored = partial(z_by_hand, folder, outcome.name, cells, f"{centre}|{session}")
        z = scored(value)
        if math.isfinite(z):
            apart = max(abs(scored(value + within) - z), abs(scored(value - within) - z))
            yield Answer(("outcomes", row, "z"), "truth", z, apart)


def summed_up(outcome: Outcome, trials: Sequence[Mapping[str, float]]) -> float:
    """Make one number of the truth of accepted trials; NaN where one of them has none."""
    values = [trial.get(outcome.quantity, math.nan) for trial in trials]
    if any(math.isnan(value) for value in values):
        return math.nan
    if outcome.summary == "best":
        score = outcome.score[0]
        best = max(trials, key=lambda trial: trial.get(score, -math.inf))
        return best[outcome.quantity]
    if outcome.summary == "highest_mean":
        highest = sorted(values, reverse=True)[: outcome.most]
        return fmean(highest) if len(values) >= outcome.least else math.nan
    return fmean(values)


def z_by_hand(folder: Path, outcome: str, cells: Cells, session: str, value: float) -> float:
    """Score a true value by the equation that the warehouse names; NaN where it names none."""
    of_outcome = (cells[p] for p in cells if p[0] == "outcomes" and p[2] == "equation"
                  and p[1].startswith(f"{session}|") and p[1].endswith(f"|{outcome}"))  # fmt: skip
    key = next((str(equation) for _, equation in of_outcome), "")
    references = load_references(folder)
    reference: Reference | None = references.own.get(key) or references.published.get(key)
    if reference is None:
        return math.nan
    names = ("length_cm", "weight_kg", "age_days", "corrected_age_days")
    body = {name: cells[("sessions", session, name)][1] for name in names}
    equation = reference.equation_for(str(cells[("sessions", session, "sex")][1]))
    if isinstance(equation, LmsTable):
        return _z_of_table(equation, float(body[equation.by] or 0.0), value)
    if isinstance(equation, LinearEquation) and equation.sd is not None:
        return _z_of_lines(equation, body, value)
    return math.nan


def _z_of_lines(equation: LinearEquation, body: Mapping[str, Value], value: float) -> float:
    expected = 0.0
    for term in equation.terms:
        x = 1.0 if term.of is None else float(body[term.of] or 0.0)
        x = math.log(x) if term.ln else math.pow(x, 1.0 if term.power is None else term.power)
        expected += term.coefficient * x
    seen = {"identity": float, "sqrt": math.sqrt, "ln": math.log}[equation.transform](value)
    assert equation.sd is not None
    return (seen - expected) / equation.sd


def _z_of_table(table: LmsTable, at: float, value: float) -> float:
    for low, high in zip(table.rows, table.rows[1:], strict=False):
        if low[0] <= at <= high[0]:
            share = (at - low[0]) / (high[0] - low[0])
            lam, middle, spread = (
                a + share * (b - a) for a, b in zip(low[1:], high[1:], strict=True)
            )
            if lam == 0.0:
                return math.log(value / middle) / spread
            return (math.pow(value / middle, lam) - 1.0) / (lam * spread)
    return math.nan


def _counts(tests: Tests, unplanned: set[Test]) -> Iterator[Answer]:
    """Yield the counts that the plan comes to, by centre and technique, where it says all."""
    accepted: dict[tuple[str, str], float] = defaultdict(float)
    for (centre, _, technique), trials in tests.items():
        accepted[centre, technique] += len(trials)
    for (centre, technique), number in accepted.items():
        if (centre, technique) not in {(test[0], test[2]) for test in unplanned}:
            yield Answer(
                ("conservation", f"{centre}|{technique}", "accepted"), "truth", number, SMALLEST
            )


# The day of the made-up numbers: any on which the rules are in force.
ON = date(2026, 2, 5)


@dataclass(frozen=True, slots=True)
class BoundaryCases:
    """Made-up items of one owner and level: numbers of each quantity, one an item.

    `states` holds the verdict of each rule on each item, `status` what each item comes to.
    """

    owner: str
    level: str
    values: Mapping[str, Sequence[float]]
    states: Mapping[str, Sequence[str]]
    status: Sequence[str]


def boundary_cases() -> Iterator[BoundaryCases]:
    """Yield made-up numbers on either side of every limit, and the verdicts they must get."""
    for spec in (*contract.TECHNIQUES.values(), *contract.CHECKS.values(), contract.SESSION):
        for level in ("trial", "test", "check", "session"):
            rules = [rule for rule in spec.rules if rule.level == level]
            if rules:
                yield _cases_of(spec.key, level, rules)


def _cases_of(owner: str, level: str, rules: Sequence[Rule]) -> BoundaryCases:
    values: dict[str, list[float]] = defaultdict(list)
    for rule in rules:
        own, other = _around(rule), rule.alternative
        if other is None:
            values[rule.quantity] += own
            continue
        # Each condition is tried where the other one does not hold, and where both do.
        theirs = _around(other)
        start = max(len(values[rule.quantity]), len(values[other.quantity]))
        for name, given in (
            (rule.quantity, [*own, *[_outside(rule)] * len(theirs)]),
            (other.quantity, [*[_outside(other)] * len(own), *theirs]),
        ):
            values[name] += [given[0]] * (start - len(values[name])) + given
    # The last number of each is repeated; then come numbers that pass, all of them and all but
    # one, which is missing; at the end all are missing.
    longest = max(len(given) for given in values.values())
    whole = {}
    for place, (name, given) in enumerate(values.items()):
        good = _passing(name, rules, given)
        but_one = [math.nan if other == place else good for other in range(len(values))]
        repeated = [given[-1]] * (longest - len(given))
        whole[name] = [*given, *repeated, good, *but_one, math.nan]
    n = longest + len(values) + 2
    states = {rule.key: [_state(rule, whole, i) for i in range(n)] for rule in rules}
    status = [_status(rules, states, i) for i in range(n)]
    return BoundaryCases(owner, level, whole, states, status)


def _passing(quantity: str, rules: Sequence[Rule], given: Sequence[float]) -> float:
    """Return a number that every rule on a quantity lets pass; NaN where no limit is one."""
    asked = [rule for rule in rules if rule.quantity == quantity]
    fit = (value for value in given if all(_holds(rule, value) for rule in asked))
    return next(fit, math.nan)


def _around(condition: Condition) -> list[float]:
    """Numbers at each limit, and a thousandth of it (or of one) to either side."""
    found = []
    for limit in condition.limit:
        step = 0.001 * abs(limit) or 0.001
        found += [limit - step, limit, limit + step]
    return [float(f"{value:.6g}") for value in found]


def _outside(condition: Condition) -> float:
    return next(value for value in _around(condition) if not _holds(condition, value))


def _state(rule: Rule, values: Mapping[str, Sequence[float]], number: int) -> str:
    """Judge one made-up number by hand."""
    if math.isnan(values[rule.quantity][number]):
        return rule.missing
    conditions = [c for c in (rule, rule.alternative) if c is not None]
    return "pass" if any(_holds(c, values[c.quantity][number]) for c in conditions) else "fail"


def _holds(condition: Condition, value: float) -> bool:
    first, last = condition.limit[0], condition.limit[-1]
    return {
        "at_least": not value < first,
        "at_most": not value > first,
        "equals": value == first,
        "between": not (value < first or value > last),
    }[condition.operator]


def _status(rules: Sequence[Rule], states: Mapping[str, Sequence[str]], number: int) -> str:
    said = {states[rule.key][number] for rule in rules if rule.severity == "reject"}
    if "fail" in said:
        return "rejected"
    return "not_judgeable" if "not_judged" in said else "accepted"
