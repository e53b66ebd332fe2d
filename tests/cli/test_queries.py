"""The list of data queries on the command line, and the answers to them."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from quietsleep.cli.main import app
from quietsleep.night.night import NightReport
from quietsleep.review.answers import list_queries
from quietsleep.study.register import FILE
from quietsleep.study.study import load_study


@pytest.fixture
def study(demo_night: tuple[Path, NightReport], tmp_path: Path) -> Path:
    """The demo study after its first night, without its signals."""
    path = tmp_path / "demo"
    leave = shutil.ignore_patterns("deliveries", "truth", "pages", "judged", "nights_log")
    shutil.copytree(demo_night[0], path, symlinks=True, ignore=leave)
    return path


def run(*words: object) -> Result:
    return CliRunner().invoke(app, [str(word) for word in words])


def of_kind(study: Path, kind: str) -> int:
    rows = list_queries(load_study(study))
    return int(rows[rows["kind"] == kind]["query"].iloc[0])


def test_the_list_names_every_query_and_the_open_ones_alone(study: Path) -> None:
    rows = list_queries(load_study(study))
    held = of_kind(study, "session_held")
    answer = run("answer", study, held, "The row comes on Monday.", "--by", "r1", "--new-reader")
    assert answer.exit_code == 0 and f"Query {held} is answered by r1." in answer.stdout
    every, waiting = run("queries", study), run("queries", study, "--open")
    assert every.exit_code == waiting.exit_code == 0
    numbers = [int(n) for n in re.findall(r"^(\d+)  (?:open|answered)  ", every.stdout, re.M)]
    assert sorted(numbers) == sorted(rows["query"]) and numbers[-1] == held
    assert re.findall(r"^(\d+)  ", waiting.stdout, re.M) == [str(n) for n in numbers[:-1]]
    count = f"{len(rows) - 1} open, 1 answered, 0 closed."
    assert count in every.stdout and count in waiting.stdout
    assert "r1, 20" in every.stdout and "The row comes on Monday." in every.stdout


def test_the_list_of_one_centre_holds_nothing_of_another(study: Path) -> None:
    shown = run("queries", study, "--centre", "larch")
    assert shown.exit_code == 0 and "larch-s009" in shown.stdout
    assert not re.search("sedge|willow|juniper", shown.stdout)
    unknown = run("queries", study, "--centre", "birch")
    assert unknown.exit_code == 2
    assert unknown.stderr.startswith("No centre birch. Centres: juniper, larch,")


def test_before_the_first_night_there_is_no_list(small_deliveries: Path) -> None:
    answer = run("queries", small_deliveries)
    assert answer.exit_code == 2 and "no published night yet" in answer.stderr


def test_an_answer_that_cannot_stand_is_one_sentence(study: Path) -> None:
    alert, held = of_kind(study, "safety_alert"), of_kind(study, "session_held")
    before = (study / FILE).read_bytes()
    for words, sentence in (
        ((99, "Seen.", "--by", "r1", "--new-reader"), "There is no query 99."),
        ((held, "Seen.", "--by", "r1"), "No reader r1 has decided anything yet."),
        ((held, "  ", "--by", "r1", "--new-reader"), "Say in words what was found or done"),
        ((held, "Born 2026-01-03, Jane Doe", "--by", "r1", "--new-reader"), "The note holds"),
        ((held, "Seen.", "--by", "Jane Doe", "--new-reader"), '"Jane Doe" is no code'),
        ((alert, "Seen.", "--by", "r1", "--new-reader"), "Query 1 is a safety alert: it stays"),
    ):
        answer = run("answer", study, *words)
        assert (answer.exit_code, answer.stdout) == (2, ""), answer.stdout
        assert answer.stderr.startswith(sentence) and answer.stderr.count("\n") == 1
    assert (study / FILE).read_bytes() == before
    signed = run("answer", study, alert, "Seen.", "--by", "r1", "--new-reader", "--close")
    assert signed.exit_code == 0 and f"Query {alert} is closed by r1." in signed.stdout
    # The reader is known by now, and what is closed takes no answer.
    again = run("answer", study, alert, "Seen again.", "--by", "r1")
    assert again.exit_code == 2
    assert again.stderr.startswith(f"Query {alert} is closed (by r1). Should its cause be found")


def test_a_register_that_was_changed_takes_no_answer(study: Path) -> None:
    file = study / FILE
    file.write_text(file.read_text(encoding="utf-8").replace("safety_alert", "clock_wrong"))
    answer = run("answer", study, 1, "Seen.", "--by", "r1", "--new-reader", "--close")
    assert answer.exit_code == 2 and "was changed: entry" in answer.stderr
