"""What is no identifier: words of the ward and of visits, the study's own codes, days of tests.

A false alarm refuses a whole delivery, and with it a family's visit; beside each word that passes
stands here what must not pass by it.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from quietsleep.intake.delivery import ReadDelivery, read_delivery
from quietsleep.intake.find import find_deliveries
from quietsleep.intake.identifiers import (
    BIRTH_DATE,
    NAME,
    column_identifies,
    common_names,
    harmless_words,
    plain,
    value_identifies,
)
from quietsleep.study.dialect import TableDialect
from quietsleep.study.schedule import PlannedVisit, Schedule
from quietsleep.study.study import Study
from tests.intake.conftest import Draft

WORDS = (
    "Stridor", "Supine", "No leak", "Chloral hydrate", "Mild Stridor", "Left lateral", "Crying",
    "Wheezing", "Runny nose", "Mask dislodged", "Quiet sleep", "REM", "Breast milk", "Coughed",
    "Not tolerated", "Sedation failed", "Woken early", "Nasal Cannula", "Head Right", "Prone",
    "First visit", "Second Visit", "Erstvisite", "Nachuntersuchung", "6 Monate", "Visita 2",
    "Screening", "Enrolment", "Third Week", "Mother present", "Unscheduled", "Oxygen", "Apnoea",
    "Atemweg 2", "Huilt", "Endormi", "Termin 3", "Control visit",
)  # fmt: skip
PERSONS = (
    "Quensel", "Stridor Quensel", "Baby Quensel", "Supine, Anna", "No leak Zwingmann",
    "Dr Supine", "Visit Kowalski", "Jansen 6 Monate", "Ottilie Quensel",
)  # fmt: skip


def take(study: Study, draft: Draft) -> ReadDelivery:
    draft.write(study.deliveries_path)
    return read_delivery(study, find_deliveries(study, "larch")[0])


def kinds(result: ReadDelivery) -> set[str]:
    return {p.kind for p in result.problems}


@pytest.mark.parametrize("text", WORDS)
def test_words_of_the_ward_and_of_visits_pass(text: str) -> None:
    assert value_identifies(text, is_code=True) is None


@pytest.mark.parametrize("text", PERSONS)
def test_a_name_beside_them_does_not(text: str) -> None:
    assert value_identifies(text, is_code=True) == NAME


def test_no_harmless_word_is_a_common_name() -> None:
    assert not harmless_words() & common_names()
    assert all(word == plain(word) for word in harmless_words() | common_names())


@pytest.mark.parametrize(
    "title", ["visit_name", "Session name", "born_preterm", "born at term", "geb_gewicht"]
)
def test_headings_that_name_no_person(title: str) -> None:
    assert column_identifies(title) is None


@pytest.mark.parametrize("title", ["born", "born_on", "term birth date", "geb", "birthday_term"])
def test_headings_that_ask_for_a_day_of_birth(title: str) -> None:
    assert column_identifies(title) == BIRTH_DATE


FORMS = TableDialect(codes=("Q@######", "Nord-##@"))


@pytest.mark.parametrize("code", ["QS000612", "Nord-12A"])
def test_the_forms_of_the_own_codes_pass(study: Study, draft: Draft, code: str) -> None:
    draft.tables["sessions"][0]["infant"] = code
    result = take(replace(study, tables=FORMS), draft)
    assert result.state == "accepted" and result.problems == []


@pytest.mark.parametrize("code", ["12345678Z", "AB123456C"])
def test_codes_like_numbers_of_persons_pass_when_registered_only(
    study: Study, draft: Draft, code: str
) -> None:
    draft.tables["sessions"][0]["infant"] = code
    assert kinds(take(study, draft)) == {"person"}
    form = code[:2] + "#" * (len(code) - 3) + "@"
    assert take(replace(study, tables=TableDialect(codes=(form,))), draft).state == "accepted"


@pytest.mark.parametrize("code", ["Anna-12A", "Nord-12A Jansen", "Q20250704", "12345678Z"])
def test_no_form_lets_others_pass(study: Study, draft: Draft, code: str) -> None:
    draft.tables["sessions"][0]["infant"] = code
    assert take(replace(study, tables=FORMS), draft).state == "quarantined"


def test_names_of_planned_visits_pass(study: Study, draft: Draft) -> None:
    draft.tables["sessions"][0]["visit"] = "Magdalena"
    assert kinds(take(study, draft)) == {"person"}
    planned = PlannedVisit(visit="Magdalena", age_days=42, earliest_age_days=35, latest_age_days=56)
    result = take(replace(study, schedule=Schedule(visits=(planned,))), draft)
    assert result.state == "accepted"
    draft.tables["sessions"][0]["operator"] = "Magdalena"
    again = take(replace(study, schedule=Schedule(visits=(planned,))), draft)
    assert kinds(again) == {"person"}


def test_registered_words_pass_where_they_are_registered(study: Study, draft: Draft) -> None:
    words = TableDialect(choices={"sex": {"female": ("Martina",)}}, missing=("Unbekannt",))
    draft.tables["sessions"][0] |= {"sex": "Martina", "operator": "Unbekannt"}
    assert "person" not in kinds(take(replace(study, tables=words), draft))
    draft.tables["sessions"][1]["operator"] = "Martina"
    assert kinds(take(replace(study, tables=words), draft)) == {"person"}


@pytest.mark.parametrize(
    ("title", "values"),
    [
        ("Datum", ("2026-03-03", "2026-03-04", "2026-03-05")),
        ("datum", ("03.03.2026", "04.03.2026", "05.03.2026")),
        ("visit_date", ("2026-03-02", "2026-03-02", "2026-03-02")),
        ("Untersuchungsdatum", ("1.3.2026", "2.3.2026", "3.3.2026")),
        ("export_date", ("20260310", "20260310", "20260310")),
        ("follow-up call date", ("2026-03-12", "2026-03-12", "2026-03-12")),
        ("letter sent", ("2026-04-01", "2026-03-30", "2026-04-02")),
        ("calibration date", ("2026-02-20", "2026-02-20", "2026-02-20")),
    ],
)
def test_a_plain_date_of_a_test_is_no_date_of_birth(
    study: Study, draft: Draft, title: str, values: tuple[str, ...]
) -> None:
    for row, value in zip(draft.tables["sessions"], values, strict=True):
        row[title] = value
    result = take(study, draft)
    assert result.state == "accepted" and kinds(result) == {"column_unknown"}


def test_a_heading_that_asks_for_a_day_of_birth_is_refused_whatever_stands_below(
    study: Study, draft: Draft
) -> None:
    for row in draft.tables["sessions"]:
        row["birth_date"] = "2026-03-03"
    result = take(study, draft)
    assert result.state == "quarantined" and kinds(result) == {"person"}


def test_of_an_ignored_column_only_the_heading_is_looked_at(study: Study, draft: Draft) -> None:
    ignoring = replace(study, tables=TableDialect(ignored=("Bemerkung",)))
    for row in draft.tables["sessions"]:
        row["Bemerkung"] = "Zufrieden, Frau Jansen"
    result = take(ignoring, draft)
    assert result.state == "accepted" and result.problems == []
    naming = replace(study, tables=TableDialect(ignored=("Nachname",)))
    for row in draft.tables["sessions"]:
        row["Nachname"] = row.pop("Bemerkung")
    assert kinds(take(naming, draft)) == {"person"}


@pytest.mark.parametrize("name", ["Readme.txt", "Quensel.pdf"])
def test_a_listed_file_beside_the_tables_is_no_code_and_not_named(
    study: Study, draft: Draft, name: str
) -> None:
    draft.signals[name] = b"x"
    result = take(study, draft)
    (problem,) = result.problems
    assert result.state == "accepted" and problem.kind == "unused_file"
    assert name not in repr(problem) and problem.sentence.startswith("1 file of the delivery is")
