"""Limits to confirm: the page of a study, and the document of the contract."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from html import unescape
from pathlib import Path

import pytest

from quietsleep import contract
from quietsleep.site.pages.limits import ENTRY, LimitLine, limit_parts, limits_document
from quietsleep.study.study import Confirmation, load_study
from quietsleep.warehouse.tables import rules_frame
from tests.site.nights import EditedNight, WrittenNight
from tests.study.test_study import CENTRE, STUDY

ROOT = Path(__file__).parents[2]


def lines(*confirmations: Confirmation) -> dict[str, tuple[str, LimitLine]]:
    """Key -> part and line, of the contract with these confirmations."""
    rows = rules_frame(contract.RULES.values(), (), confirmations).to_dict("records")
    parts = limit_parts([{str(k): v for k, v in row.items()} for row in rows], {})
    return {line.key: (part.key, line) for part in parts for line in part.lines}


def keys_of(line_key: str) -> set[str]:
    if not line_key.startswith("*."):
        return {line_key}
    return {f"{technique}.{line_key[2:]}" for technique in contract.TECHNIQUES}


def test_every_limit_that_is_not_printed_is_listed_once() -> None:
    listed = [key for line in lines() for key in sorted(keys_of(line))]
    expected = {r.key for r in contract.RULES.values() if r.obtained != "printed"}
    assert set(listed) == expected and len(listed) == len(expected)


def test_what_differs_from_print_comes_first_with_what_was_found() -> None:
    part, line = lines()["session.time_to_sleep"]
    assert part == "differs" and "5 to 35 min" in line.figures[0]
    assert next(iter(lines().values()))[0] == "differs"
    assert lines()["tidal.plausible_tidal_volume"][0] == "study proposal"


def confirmation(rule: str, limit: float, day: int = 1) -> Confirmation:
    return Confirmation(rule, (limit,), "reader-1", date(2026, 5, day), f"Invented, page {day}")


def test_a_confirmed_limit_moves_to_its_own_part_and_says_who_when_and_where() -> None:
    part, line = lines(confirmation("tidal.no_leak", 5.0))["tidal.no_leak"]
    assert part == "confirmed"
    assert line.confirmed == "reader-1, 1 May 2026, in Invented, page 1"


def test_a_confirmation_of_another_limit_does_not_count() -> None:
    assert lines(confirmation("tidal.no_leak", 6.0))["tidal.no_leak"][0] == "study proposal"


def test_the_newest_confirmation_counts_and_one_may_be_for_every_technique() -> None:
    found = lines(confirmation("*.signal_gap", 0.05), confirmation("*.signal_gap", 0.05, day=3))
    part, line = found["*.signal_gap"]
    assert part == "confirmed" and "3 May 2026" in line.confirmed
    one = lines(confirmation("tidal.signal_gap", 0.05))
    assert one["tidal.signal_gap"][0] == "confirmed" and "*.signal_gap" not in one
    assert one["raised_volume.signal_gap"][0] == "study proposal"


def test_the_document_is_current() -> None:
    written = (ROOT / "docs" / "limits.md").read_text(encoding="utf-8")
    assert written == limits_document(), "python -m quietsleep.site.pages.limits docs/limits.md"


def test_the_entry_that_is_shown_can_be_copied(tmp_path: Path) -> None:
    (tmp_path / "centres").mkdir()
    (tmp_path / "centres" / "larch.toml").write_text(CENTRE)
    (tmp_path / "study.toml").write_text(STUDY)
    (tmp_path / "confirmations.toml").write_text(ENTRY)
    (found,) = load_study(tmp_path).confirmations
    assert found.holds_for(contract.RULES["tidal.no_leak"])


def test_the_pages_show_origin_version_and_confirmation(
    edited: EditedNight, tmp_path: Path
) -> None:
    edited.keep(centres=["willow"], techniques=["tidal"])
    edited.row("rules", rule="tidal.no_leak").update(
        confirmed_by="reader-7", confirmed_on=date(2026, 5, 1), printed_in="Invented, page 9"
    )
    pages = edited.write(tmp_path).pages
    for folder in ("dictionary", "willow"):
        book = unescape((pages / folder / "rules.html").read_text(encoding="utf-8"))
        row = book.split("<code>tidal.no_leak</code>")[1].split("</tr>")[0]
        assert "study proposal; since contract 1" in row
        assert "confirmed by <bdi>reader-7, 1 May 2026, in Invented, page 9</bdi>" in row
        new = book.split("<code>tidal.possible_tidal_volume</code>")[1].split("</tr>")[0]
        assert "study proposal; since contract 2" in new and "confirmed" not in new
    page = unescape((pages / "dictionary/limits.html").read_text(encoding="utf-8"))
    confirmed = page.split('id="confirmed"')[1]
    assert "<code>tidal.no_leak</code>" in confirmed and "reader-7" in confirmed
    assert page.count("<code>tidal.no_leak</code>") == 1
    assert "not yet" in page and "session.time_to_sleep" in page


@pytest.mark.parametrize(("began", "told"), [("1", True), ("2", False)])
def test_the_overview_says_under_which_contract_the_study_began(
    edited: EditedNight, tmp_path: Path, began: str, told: bool
) -> None:
    edited.keep(centres=["willow"], techniques=["tidal"])
    edited.tables["nights"][0]["contract_version"] = "2"
    edited.study = replace(edited.study, contract=began)
    page = (edited.write(tmp_path).pages / "overview/index.html").read_text(encoding="utf-8")
    assert ("the study began under contract 1" in page) == told


def test_the_demo_has_the_page(demo: WrittenNight) -> None:
    assert "Limits to confirm" in (demo.pages / "dictionary/limits.html").read_text("utf-8")
