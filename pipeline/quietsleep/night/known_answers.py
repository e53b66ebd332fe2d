"""Run a study with known answers the whole way, and say what has moved away from them.

It is run before a night publishes, as often as `answers_asked` says: a changed library, a damaged
installation or a slip in a formula, a unit, a rule or a summary is found before a number of it is
read. The study is simulated and lies in `demo_centres/known_answers` with its deliveries; it is
taken in, measured, judged and published into a folder aside by the very functions of a night, and
the published tables are compared row by row with answers.toml. An answer is the truth of the
simulator, with a tolerance that has its reason in tolerances.toml, or a number that was recorded:
what no truth is known of, such as the r2 of a fit, may not change unseen either.
"""

from __future__ import annotations

import hashlib
import json
import math
import shutil
import tomllib
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import pandas as pd

from quietsleep import contract
from quietsleep.contract.model import Table
from quietsleep.data import data_folder
from quietsleep.errors import QuietsleepError
from quietsleep.judge.rules import judge, status_of_items
from quietsleep.measure.fingerprint import installation_digest
from quietsleep.study.register_witness import forget
from quietsleep.study.review_log import Review, write_review
from quietsleep.study.study import load_study
from quietsleep.warehouse.described import warehouse_contract
from quietsleep.warehouse.publish import read_table
from quietsleep.warehouse.registered import open_register


class KnownAnswersFailed(QuietsleepError):
    """The study with known answers could not be run whole; the message says where it failed.

    `machine_failed` says that the machine stood in the way, not a mistake of ours.
    """

    def __init__(self, said: str, machine_failed: bool = False) -> None:
        super().__init__(said)
        self.machine_failed = machine_failed


FOLDER = data_folder("demo_centres") / "known_answers"
# What is in the folder besides the study itself.
NOT_OF_THE_STUDY = ("answers.toml", "tolerances.toml", "plan.toml", "sets", "reviews.jsonl")
# What readers decided, one decision a line: it goes into the register of the copy.
REVIEWS = "reviews.jsonl"
# Tables that hold what was given, or what a night did: no number of theirs is worked out. The last
# ones tell of other tables, with numbers that the known study is too small for.
NOT_COMPARED = frozenset({
    "centres", "changes", "devices", "infants", "visits", "ledger", "nights", "problems",
    "quantities", "reported", "sources", "waivers",
    "standing", "acceptance_weeks", "drifts", "lost_tests", "unit_slips", "session_changes",
    "briefing", "repeatability", "sample_size", "equation_check",
})  # fmt: skip
# Columns of text that a number hangs on; others are for reading and may be worded anew.
TEXTS = frozenset({"unit", "equation", "trials", "suspected_cause", "quantity", "check_id"})
COMPARED = frozenset({"number", "integer", "yes_no", "choice"})
# The other columns of recordings are as the centre delivered them.
OF_RECORDINGS = frozenset({"state", "rate_hz", "duration_s", "n_trials"})
# Parts of a verdict, besides the rule that is its name; True for numbers.
VERDICT = {"state": False, "limit_low": True, "limit_high": True, "severity": False}
# Where the numbers are published that verdicts on items of a kind observe.
VALUES: Mapping[str, str] = {
    "trial": "trial_values", "test": "test_values", "check": "check_values",
    "session": "session_values",
}  # fmt: skip
# A verdict on a made-up number, and what an item comes to, by letter.
LETTERS: Mapping[str, str] = {
    "p": "pass", "f": "fail", "a": "not_applicable", "j": "not_judged",
    "A": "accepted", "R": "rejected", "J": "not_judgeable",
}  # fmt: skip
# A recorded number comes out the same but for the last digits that a library may change.
RECORDED_WITHIN_PCT = 0.1
SMALLEST = 1e-9
# Sentences that the end of a night can bear; the log has them all.
MOST_SENTENCES = 8

Value = float | str | None
# Table, row (its key with | between the parts) and name: a quantity, a rule or a column.
Place = tuple[str, str, str]
Origin = Literal["truth", "recorded"]


@dataclass(frozen=True, slots=True)
class Answer:
    """What one cell of the published tables must hold; `within` is 0 for what is no number."""

    place: Place
    origin: Origin
    value: Value
    within: float


@dataclass(frozen=True, slots=True)
class KnownAnswer:
    """An answer and what came out tonight; `technique` is the owner, or the table where none is."""

    technique: str
    quantity: str
    item: str
    origin: Origin
    truth: Value
    within: float
    measured: Value

    @property
    def stands(self) -> bool:
        """Whether the answer came out; a number that is missing stands only where none is known."""
        truth, found = self.truth, self.measured
        if isinstance(truth, float) and isinstance(found, float):
            return abs(found - truth) <= self.within or (math.isnan(truth) and math.isnan(found))
        return truth == found

    @property
    def used(self) -> float:
        """Share of the tolerance that is used up; infinite where there is none and it moved."""
        if not (isinstance(self.truth, float) and isinstance(self.measured, float)):
            return 0.0 if self.stands else math.inf
        away = abs(self.measured - self.truth)
        return 0.0 if self.stands and not self.within else away / max(self.within, SMALLEST)

    def sentence(self, n_more: int = 0) -> str:
        """What a person reads of an answer that moved, and `n_more` of its quantity with it."""
        meant = "is" if self.origin == "truth" else "was recorded as"
        more = f"; {n_more} more of its answers moved" if n_more else ""
        allowed = f"; {self.within:.2g} is allowed" if isinstance(self.truth, float) else ""
        return (
            f"Known answer of {self.technique}: {self.quantity} of {self.item} {meant} "
            f"{_shown(self.truth)} and came out as {_shown(self.measured)}{allowed}{more}. "
            "Nothing is published."
        )


def known_answers(run: Callable[[Path], Path], aside: Path) -> list[KnownAnswer]:
    """Run the study with known answers in a folder aside and compare what it publishes.

    `run` takes in, measures, judges and publishes the study in a folder, and returns the published
    night. Nothing is left of the folder. OSError and tomllib.TOMLDecodeError for an installation
    that cannot be read.
    """
    file = answers_file(FOLDER)
    answers = read_answers(file)
    shutil.rmtree(aside, ignore_errors=True)
    try:
        copy_study(FOLDER, aside)
        night = run(aside)
        cells = published_cells(night)
        observed = list(observed_answers(night, cells))
    finally:
        shutil.rmtree(aside, ignore_errors=True)
        aside.with_name(f"{aside.name}.key").unlink(missing_ok=True)
        forget(aside)
    return [*compare(answers, cells), *observed, *boundary_answers(file)]


def answers_rest_on() -> str:
    """Return a digest of all that the known answers rest on."""
    digest = hashlib.sha256(installation_digest().encode())
    for file in sorted(path for path in FOLDER.rglob("*") if path.is_file()):
        digest.update(str(file.relative_to(FOLDER)).encode())
        digest.update(file.read_bytes())
    return digest.hexdigest()


def copy_study(folder: Path, target: Path) -> None:
    """Copy the study itself, without its answers; OSError where a file cannot be copied.

    It gets a register with what readers decided, and a key of its own beside it.
    """
    for source in sorted(path for path in folder.rglob("*") if path.is_file()):
        inside = source.relative_to(folder)
        if inside.parts[0] not in NOT_OF_THE_STUDY:
            (target / inside).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(source, target / inside)
    forget(target)
    key = target.with_name(f"{target.name}.key")
    with (target / "study.toml").open("a", encoding="utf-8") as file:
        file.write(f"\n[register]\nkey = {json.dumps(str(key.resolve()))}\n")
    register = open_register(load_study(target))
    decided = folder / REVIEWS
    for line in decided.read_text(encoding="utf-8").splitlines() if decided.exists() else ():
        said = json.loads(line)
        write_review(register, Review(**said | {"overrules": tuple(said["overrules"])}))


def moved(answers: Sequence[KnownAnswer]) -> list[str]:
    """Return a sentence for each quantity whose answers have moved; none at all is one too.

    First those with a truth, and of these first the quantity with most answers moved.
    """
    if not answers:
        return ["No study with known answers was found in the installation; install it anew."]
    groups: dict[tuple[str, str, str], list[KnownAnswer]] = defaultdict(list)
    for answer in answers:
        if not answer.stands:
            groups[answer.origin, answer.technique, answer.quantity].append(answer)
    worst = [(max(group, key=lambda a: a.used), len(group) - 1) for group in groups.values()]
    worst.sort(key=lambda each: (each[0].origin == "recorded", -each[1]))
    return [answer.sentence(n_more) for answer, n_more in worst]


def in_short(said: Sequence[str], *, log: str) -> list[str]:
    """Return the first sentences of `moved`, and in one more where the others are listed."""
    short = list(said[:MOST_SENTENCES])
    if beyond := len(said) - len(short):
        more = "1 more quantity" if beyond == 1 else f"{beyond} more quantities"
        short.append(f"Known answers of {more} moved; {log} lists them all. Nothing is published.")
    return short


def told(answers: Sequence[KnownAnswer]) -> list[dict[str, Any]]:
    """Return for NIGHT.json, of each quantity with a truth, the answer that came closest to it."""
    worst: dict[tuple[str, str], KnownAnswer] = {}
    for answer in answers:
        of_truth = answer.origin == "truth" and answer.quantity != "observed"
        if of_truth and isinstance(answer.truth, float) and answer.within:
            key = (answer.technique, answer.quantity)
            worst[key] = max(worst.get(key, answer), answer, key=lambda a: a.used)
    return [
        {
            "technique": a.technique, "quantity": a.quantity, "item": a.item,
            "truth": a.truth, "within": a.within, "measured": a.measured,
        }
        for a in worst.values()
    ]  # fmt: skip


def answers_file(folder: Path) -> dict[str, Any]:
    """Read answers.toml as it stands."""
    return tomllib.loads((folder / "answers.toml").read_text(encoding="utf-8"))


def read_answers(content: Mapping[str, Any]) -> list[Answer]:
    """Return the answers of answers.toml, truth first."""
    found = []
    for table, rows in content["truth"].items():
        for row, values in rows.items():
            for name, said in values.items():
                value, within = said if isinstance(said, list) else (said, 0.0)
                found.append(Answer((table, row, name), "truth", value, within))
    for table, groups in content["recorded"].items():
        for group in groups.values():
            rows = group["rows"]
            for name, column in group.items():
                if name == "rows":
                    continue
                values = column if isinstance(column, list) else [column] * len(rows)
                for row, value in zip(rows, values, strict=True):
                    found.append(_recorded((table, row, name), value))
    return found


def _recorded(place: Place, value: float | str) -> Answer:
    if not isinstance(value, float):
        return Answer(place, "recorded", value or None, 0.0)
    within = max(abs(value) * RECORDED_WITHIN_PCT / 100.0, SMALLEST)
    return Answer(place, "recorded", value, 0.0 if math.isnan(value) else within)


def published_cells(night: Path) -> dict[Place, tuple[str, Value]]:
    """Return what a published night holds, by place: the technique it belongs to, and the value.

    Numbers as float, a missing one NaN; yes and no as these words; other text as it is.
    """
    cells: dict[Place, tuple[str, Value]] = {}
    for name, table in warehouse_contract().items():
        if name in NOT_COMPARED:
            continue
        for row in read_table(night, name).to_pylist():
            owner = str(row.get("technique") or row.get("kind") or row.get("owner") or name)
            for place, value in _cells_of(table, row):
                cells[place] = (owner, value)
    return cells


def _cells_of(table: Table, row: Mapping[str, Any]) -> Iterator[tuple[Place, Value]]:
    """Yield the cells of one row; a table of quantities or rules has one row for each of an item.

    The last part of its key is the name there.
    """
    key = ["" if row[name] is None else str(row[name]) for name in table.key if name != "night"]
    is_named = table.key[-1] == "rule" or (table.key[-1] == "quantity" and "value" in row)
    if is_named and len(table.key) > 1:
        whole, name = "|".join(key[:-1]), key[-1]
        if table.key[-1] == "quantity":
            yield (table.name, whole, name), _plain(row["value"], number=True)
            return
        for part, number in VERDICT.items():
            yield (table.name, whole, f"{name} {part}"), _plain(row[part], number=number)
        return
    for column in table.columns:
        compared = column.type in COMPARED or column.name in TEXTS
        if table.name == "recordings":
            compared = column.name in OF_RECORDINGS
        if compared and column.name not in table.key:
            number = column.type in ("number", "integer")
            place = (table.name, "|".join(key), column.name)
            yield place, _plain(row[column.name], number=number)


def _plain(value: Any, *, number: bool) -> Value:
    if number:
        return math.nan if value is None else float(value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    return None if value is None or value == "" else str(value)


def compare(
    answers: Sequence[Answer], cells: Mapping[Place, tuple[str, Value]]
) -> Iterator[KnownAnswer]:
    """Put beside each answer what was published in its place."""
    for answer in answers:
        table, row, name = answer.place
        owner, measured = cells.get(answer.place, (table, "missing from the warehouse"))
        item = " ".join((table.removesuffix("s").removesuffix("_value"), *row.split("|")))
        yield KnownAnswer(owner, name, item, answer.origin, answer.value, answer.within, measured)


def observed_answers(
    night: Path, cells: Mapping[Place, tuple[str, Value]]
) -> Iterator[KnownAnswer]:
    """Put beside the number that each verdict observed the one that is published of its item."""
    for row in read_table(night, "verdicts").to_pylist():
        kind, item = row["item_kind"], row["item"]
        own = f"{item}|check|{item}" if kind == "check" else item
        place = (VALUES[kind], f"{row['centre']}|{own}", row["quantity"])
        observed = _plain(row["observed"], number=True)
        known = cells.get(place, ("", math.nan))[1]
        within = abs(known) * 1e-9 if isinstance(known, float) and math.isfinite(known) else 0.0
        named = f"{row['centre']} {item}"
        yield KnownAnswer(row["rule"], "observed", named, "truth", known, within, observed)


def boundary_answers(content: Mapping[str, Any]) -> Iterator[KnownAnswer]:
    """Judge made-up numbers on either side of every limit, and compare each verdict and status.

    The numbers stand in answers.toml, one list a quantity; the first of each are those of the
    first item, and so on.
    """
    on = content["boundaries"]["on"]
    rules = list(contract.RULES.values())
    for level, owners in content["boundaries"]["levels"].items():
        values = pd.DataFrame(_made_up(owners, on))
        verdicts = judge(values, rules, (), level=level)
        states = dict(
            zip(verdicts["item"] + " " + verdicts["rule"], verdicts["state"], strict=True)
        )
        status = status_of_items(verdicts).reset_index().set_index("item")["status"].to_dict()
        for owner, asked in owners.items():
            for name, letters in {**asked["states"], "status": asked["status"]}.items():
                of = status if name == "status" else states
                for number, letter in enumerate(letters):
                    key = f"{owner} {number}" if name == "status" else f"{owner} {number} {name}"
                    item, found = f"made-up {level} {number}", str(of.get(key, "nothing"))
                    yield KnownAnswer(owner, name, item, "truth", LETTERS[letter], 0.0, found)


def _made_up(owners: Mapping[str, Any], on: Any) -> Iterator[dict[str, Any]]:
    for owner, asked in owners.items():
        for quantity, numbers in asked["values"].items():
            for number, value in enumerate(numbers):
                yield {
                    "centre": "known", "session": "known", "technique": owner, "on": on,
                    "item": f"{owner} {number}", "quantity": quantity, "value": float(value),
                }  # fmt: skip


def _shown(value: Value) -> str:
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return "missing"
    return f"{value:.5g}" if isinstance(value, float) else value
