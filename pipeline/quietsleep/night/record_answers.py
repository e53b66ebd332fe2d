"""Record what the study with known answers comes to, beside what the simulator says is true of it.

    python -m quietsleep.night.record_answers demo_centres/known_answers

says what has no answer. With --truth it writes answers.toml anew: so it is called by
quietsleep.simulation.known_answers, which has made the study. Numbers with a truth get the
tolerance of tolerances.toml; every number and verdict is recorded besides, so that nothing that is
published can change unseen. Where any answer changes, --what and --why become a dated entry there.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import math
import shutil
import sys
import tomllib
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict
from datetime import UTC, date, datetime
from pathlib import Path
from tempfile import TemporaryDirectory

from quietsleep import contract
from quietsleep.contract import Rule
from quietsleep.errors import QuietsleepError
from quietsleep.measure.pool import InProcess
from quietsleep.night.answers_by_hand import (
    ON,
    Cells,
    Truth,
    boundary_cases,
    truth_by_hand,
)
from quietsleep.night.known_answers import (
    LETTERS,
    REVIEWS,
    VALUES,
    Answer,
    Value,
    answers_file,
    boundary_answers,
    compare,
    copy_study,
    published_cells,
    read_answers,
)
from quietsleep.night.stages import publish_aside
from quietsleep.study.review_log import Review
from quietsleep.warehouse.publish import read_table

HEAD = """# Answers of the study with known answers, made by quietsleep.simulation.known_answers:
# do not edit, but for the words of [[changed]].
#
# [truth] is what the simulator did, or what follows from it by hand: value and tolerance, whose
# reason is in tolerances.toml; words have none. [recorded] is what the program made of it when it
# was recorded, by columns, so that what no truth is known of cannot change unseen; one value stands
# for a column that holds nothing else. [boundaries] are made-up numbers on either side of every
# limit, and the verdicts that they must get: p pass, f fail, a not_applicable, j not_judged; A, R
# and J are the status of the item: accepted, rejected, not_judgeable.
"""
# What stands behind this line is in the digest of each change.
BEGIN = "# The answers"


def record(folder: Path, truth_file: Path, *, what: str, why: str) -> list[str]:
    """Write answers.toml anew; return a sentence for each truth that is not met."""
    said: Truth = {
        (table, row, name): value for table, row, name, value in json.loads(truth_file.read_text())
    }
    (folder / REVIEWS).unlink(missing_ok=True)
    with TemporaryDirectory() as aside:
        _run(folder, Path(aside))
        _write_reviews(folder, Path(aside))
        cells = _run(folder, Path(aside))
    truth = list(truth_by_hand(folder, said, cells))
    write_answers(folder, truth, cells, what=what, why=why)
    answers = [*compare(truth, cells), *boundary_answers(answers_file(folder))]
    missed = [answer.sentence() for answer in answers if not answer.stands]
    return missed + uncovered(folder, cells, contract.RULES.values())


def _run(folder: Path, aside: Path) -> Cells:
    """Run the study of a folder whole; leave it where it ran."""
    study = aside / "study"
    shutil.rmtree(study, ignore_errors=True)
    copy_study(folder, study)
    return published_cells(publish_aside(InProcess(), study))


def _write_reviews(folder: Path, aside: Path) -> None:
    """Write the planned decisions of readers, on the trials that were found just now."""
    plan = tomllib.loads((folder / "plan.toml").read_text(encoding="utf-8"))
    night = (aside / "study" / "warehouse" / "current").resolve()
    trials = read_table(night, "trials").to_pylist()
    files = {r["recording"]: r["file_sha256"] for r in read_table(night, "recordings").to_pylist()}
    failed: dict[str, list[str]] = defaultdict(list)
    for row in read_table(night, "verdicts").to_pylist():
        if row["state"] == "fail" and row["severity"] == "reject":
            failed[row["item"]].append(row["rule"])
    decided = []
    for number, entry in enumerate(plan["reviews"]):
        trial = next(t for t in trials if t["recording"] == entry["recording"])
        review = Review(
            review="", centre=trial["centre"], trial=trial["trial"],
            technique=trial["technique"], file_sha256=files[trial["recording"]],
            start_s=trial["start_s"], end_s=trial["end_s"], reader=entry["reader"],
            decided_at=datetime(2026, 3, 1, 9, number, tzinfo=UTC).isoformat(),
            decision=entry["decision"], reason=entry["reason"], note="", blind=True,
            machine=trial["status"], overrules=tuple(sorted(failed[trial["trial"]])),
        )  # fmt: skip
        decided.append(json.dumps(asdict(review), sort_keys=True) + "\n")
    (folder / REVIEWS).write_text("".join(decided), encoding="utf-8")


class UnexplainedChange(QuietsleepError):
    """Answers would change, and nobody says what changed and why."""


def write_answers(
    folder: Path, truth: Iterable[Answer], cells: Cells, *, what: str, why: str
) -> None:
    """Write answers.toml; UnexplainedChange where answers change and nobody says why."""
    path = folder / "answers.toml"
    before = tomllib.loads(path.read_text(encoding="utf-8")) if path.exists() else {}
    body = "\n".join((BEGIN, *_truth_lines(truth), *_recorded_lines(cells), *_boundary_lines(), ""))
    entries = before.get("changed", [])
    digest = hashlib.sha256(body.encode()).hexdigest()[:16]
    if not entries or entries[-1]["answers"] != digest:
        if not (what and why):
            raise UnexplainedChange("Answers change: say with --what what changed, with --why why.")
        entries = [e for e in entries if e["date"] != date.today() or e["what"] != what]
        entries.append({"date": date.today(), "what": what, "why": why, "answers": digest})
    told = [
        f"[[changed]]\ndate = {e['date']}\nwhat = {json.dumps(e['what'])}\n"
        f"why = {json.dumps(e['why'])}\nanswers = {json.dumps(e['answers'])}\n"
        for e in entries
    ]
    path.write_text("\n".join((HEAD, *told, body)), encoding="utf-8")


def answers_digest(folder: Path) -> str:
    """Return the digest of all answers of answers.toml, as its last entry of a change holds it."""
    text = (folder / "answers.toml").read_text(encoding="utf-8")
    return hashlib.sha256(text[text.index(BEGIN) :].encode()).hexdigest()[:16]


def _truth_lines(truth: Iterable[Answer]) -> Iterator[str]:
    tables: dict[str, dict[str, list[str]]] = defaultdict(lambda: defaultdict(list))
    for answer in truth:
        table, row, name = answer.place
        shown = _toml(answer.value)
        if isinstance(answer.value, float):
            shown = f"[{shown}, {_toml(float(f'{answer.within:.3g}'))}]"
        tables[table][row].append(f"{json.dumps(name)} = {shown}")
    yield from _tables("truth", tables)


def _recorded_lines(cells: Cells) -> Iterator[str]:
    """Lay the recorded cells out by columns: rows of one owner that have the same names."""
    rows: dict[tuple[str, str, str], dict[str, Value]] = defaultdict(dict)
    for (table, row, name), (owner, value) in cells.items():
        rows[table, owner, row][name] = value
    alike: dict[tuple[str, str, tuple[str, ...]], dict[str, dict[str, Value]]] = defaultdict(dict)
    for (table, owner, row), values in rows.items():
        alike[table, owner, tuple(values)][row] = values
    for number, ((table, owner, names), group) in enumerate(alike.items(), start=1):
        yield f"\n[recorded.{table}.{owner}-{number}]"
        yield f"rows = {json.dumps(list(group))}"
        for name in names:
            column = [_toml(values[name]) for values in group.values()]
            # One value stands for a column that holds nothing else.
            shown = column[0] if len(set(column)) == 1 else f"[{', '.join(column)}]"
            yield f"{json.dumps(name)} = {shown}"


def _tables(kind: str, tables: Mapping[str, Mapping[str, Sequence[str]]]) -> Iterator[str]:
    for table, rows in tables.items():
        yield f"\n[{kind}.{table}]"
        for row, cells in rows.items():
            yield f"{json.dumps(row)} = {{ {', '.join(cells)} }}"


def _toml(value: Value) -> str:
    if isinstance(value, float):
        shown = f"{value:.7g}"
        return shown if any(c in shown for c in ".einf") or shown == "nan" else f"{shown}.0"
    return json.dumps(value or "")


def _boundary_lines() -> Iterator[str]:
    yield f"\n[boundaries]\non = {ON}"
    for cases in boundary_cases():
        place = f"boundaries.levels.{cases.level}.{cases.owner}"
        yield f"\n[{place}]"
        yield f'status = "{_letters(cases.status)}"'
        yield f"\n[{place}.values]"
        for name, given in cases.values.items():
            yield f"{name} = [{', '.join(_toml(float(value)) for value in given)}]"
        yield f"\n[{place}.states]"
        for rule, states in cases.states.items():
            yield f'"{rule}" = "{_letters(states)}"'


def _letters(words: Sequence[str]) -> str:
    of = {word: letter for letter, word in LETTERS.items()}
    return "".join(of[word] for word in words)


def uncovered(folder: Path, cells: Cells, rules: Iterable[Rule]) -> list[str]:
    """Say which outcomes, quantities that a rule reads, and rules have no answer.

    A number is covered by one that is not 0, of which a share is something; yes and no by either.
    A rule is covered by made-up numbers on either side of its limit.
    """
    answers = read_answers(answers_file(folder))
    true = {answer.place for answer in answers if answer.origin == "truth"}
    outcomes = {row.rpartition("|")[2] for table, row, name in true if table == "outcomes"}
    lacking = [
        f"Outcome {name} has no truth." for name in contract.OUTCOMES if name not in outcomes
    ]
    known: dict[tuple[str, str, str], set[float]] = defaultdict(set)
    for answer in answers:
        table, _, name = answer.place
        if isinstance(answer.value, float) and answer.place in cells:
            known[table, cells[answer.place][0], name].add(answer.value)
    bounded = {answer.quantity for answer in boundary_answers(answers_file(folder))}
    for rule in rules:
        for condition in filter(None, (rule, rule.alternative)):
            table = VALUES[rule.level]
            owner = table if rule.level == "session" else rule.owner
            found = {v for v in known[table, owner, condition.quantity] if math.isfinite(v)}
            labels = contract.QUANTITIES[rule.owner, rule.level, condition.quantity].labels
            if not (found if labels else found - {0.0}):
                lacking.append(f"{condition.quantity}, which {rule.key} reads, has no answer.")
        if rule.key not in bounded:
            lacking.append(f"Rule {rule.key} has no made-up numbers about its limit.")
    return lacking


def main() -> int:
    """Record the answers, or say what has none."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--truth", type=Path)
    parser.add_argument("--what", default="")
    parser.add_argument("--why", default="")
    given = parser.parse_args()
    if given.truth is None:
        with TemporaryDirectory() as aside:
            said = uncovered(given.folder, _run(given.folder, Path(aside)), contract.RULES.values())
    else:
        try:
            said = record(given.folder, given.truth, what=given.what, why=given.why)
        except UnexplainedChange as error:
            said = [str(error)]
    print("\n".join(said))
    return 1 if said else 0


if __name__ == "__main__":
    sys.exit(main())
