"""Each kind of identifier by itself, in many languages, and what is like it and harmless."""

from __future__ import annotations

import subprocess
import sys
import time
from datetime import date

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from quietsleep import contract
from quietsleep.intake.identifiers import (
    ACCOUNT,
    ADDRESS,
    BIRTH_DATE,
    E_MAIL,
    NAME,
    NATIONAL_NUMBER,
    TELEPHONE,
    column_identifies,
    dates,
    value_identifies,
)
from quietsleep.intake.identifiers.spelling import plain
from quietsleep.intake.identifiers.words import months

FOUND = {
    NAME: (
        "Dr. Quensel looked in", "seen by Thorsgaard", "mum Idony held the mask", "Quensel, O.",
        "Ottilie woke", "name: quensel", "Frau Zwingmann rief an", "maman Ottilie Quensel",
        "Baby of Wiebke", "张伟", "患儿 王小明 入睡", "佐藤 花子", "최유나 산모",
        "O.Q.", "Quensel's trace",
    ),
    BIRTH_DATE: (
        "born 3 Feb 2026", "geb. 3.2.26", "né le 3 février 2026", "nacida el 3 de febrero de 2026",
        "ur. 03.02.2026", "д.р. 3.2.2026", "2026年2月3日", "born on the third of February",
        "third of February two thousand and twenty-six", "4/7/25", "3.II.2026", "٣/٢/٢٠٢٦",
    ),
    NATIONAL_NUMBER: (
        "MRN4471823", "UR 4471823", "Fallnr. 4471823", "NHC 4471823", "住院号 4471823",
        "110101202602031234", "4471 8230 9912", "943 476 5919", "756.1234.5678.97",
    ),
    ACCOUNT: (
        "C:\\Users\\oquensel\\data", "/home/oquensel/a.csv", "insta @ottilie_q",
        "user: oquensel",
    ),
    ADDRESS: (
        "PO Box 4417", "Postfach 2208", "Flat 3b, 14 Elm Road", "Lindenstraße 4", "rue des Lilas 3",
        "SW1A 1AA", "ул. Лесная 4", "北京市朝阳路88号",
    ),
    TELEPHONE: ("ring mum 0412 345 678", "Tel. 4471823", "+49 30 901 820"),
    E_MAIL: ("mum[at]example[dot]org", "mum at example dot org", "o.quensel@example.org"),
}  # fmt: skip
ACCOUNTS = ("GB82 WEST 1234 5698 7654 32", "IBAN DE89370400440532013000")
HARMLESS = (
    "Stridor", "No Leak", "Supine", "Chloral Hydrate", "Unscheduled", "Hering-Breuer reflex",
    "tested 3.2.2026", "calibrated 2026-02-03 14:05", "software 3.12.1", "s/n 447182312",
    "mask size 2", "via nasal cannula 2 L", "mum present", "may be asleep", "SpO2 97 %, HR 132",
    "Nasenbrille", "schläft ruhig", "pleure", "bebé dormido", "1013.2 hPa", "fed 0930",
    "dr on call informed", "red mark", "room 3", "protocol v4.2", "20260203140500.dat",
)  # fmt: skip
HEADINGS = {
    NAME: "next_of_kin|guardian|Nachname|prénom|apellidos|cognome|förnamn|nazwisko|příjmení|имя"
    "|姓名",
    BIRTH_DATE: "birth_dt|fecha_nac|ddn|Geb.-Datum|geboortedatum|fødselsdato|syntymäaika|生年月日",
    NATIONAL_NUMBER: "MRN|hosp_no|Fallnummer|codice fiscale|personnummer|PESEL|住院号|IBAN",
    TELEPHONE: "phone|Handy|téléphone|teléfono|puhelin|電話番号",
    ADDRESS: "address|Anschrift|dirección|adres|domicilio|postcode",
    E_MAIL: "e-mail|courriel|correo electrónico|sähköposti",
}
HARMLESS_HEADINGS = (
    "birth_weight_kg|device_name|serial_no|mother_smokes|Geburtsgewicht|poids_naissance|peso_nascita"
    "|födelsevikt|出生体重|room|mask_size|technician_code|file name|protocol_version|age_days"
)


@pytest.mark.parametrize(("kind", "text"), [(k, t) for k, ts in FOUND.items() for t in ts])
def test_each_kind_is_found_in_a_text(kind: str, text: str) -> None:
    assert value_identifies(text, is_code=False) == kind


@pytest.mark.parametrize("text", ACCOUNTS)
def test_bank_accounts_are_found(text: str) -> None:
    assert value_identifies(text, is_code=False) == NATIONAL_NUMBER
    assert value_identifies(text.replace("2 32", "2 33").replace("0130", "0131"), is_code=True)


def test_outcomes_of_the_contract_are_no_names() -> None:
    outcomes = [o.name for t in contract.TECHNIQUES.values() for o in t.outcomes]
    assert outcomes and not [o for o in outcomes if value_identifies(o, is_code=True)]


@pytest.mark.parametrize("text", HARMLESS)
def test_what_is_written_of_tests_passes(text: str) -> None:
    assert value_identifies(text, is_code=False) is None


@pytest.mark.parametrize(
    ("kind", "title"), [(k, t) for k, ts in HEADINGS.items() for t in ts.split("|")]
)
def test_headings_in_many_languages(kind: str, title: str) -> None:
    assert column_identifies(title) == kind


@pytest.mark.parametrize("title", HARMLESS_HEADINGS.split("|"))
def test_headings_of_tests_pass(title: str) -> None:
    assert column_identifies(title) is None
    assert value_identifies(title, is_code=False, is_heading=True) is None


@pytest.mark.parametrize("text", ["3.2.2026", "3 Feb 2026", "3.2.26", "2026-02-03"])
def test_days_of_tests_pass(text: str) -> None:
    days = frozenset({date(2026, 2, 3)})
    assert value_identifies(text, is_code=True, days=days) is None
    assert value_identifies(text, is_code=True) == BIRTH_DATE


@settings(deadline=None)
@given(st.text(max_size=600), st.booleans(), st.booleans())
def test_any_text_ends_in_an_answer(text: str, is_code: bool, is_heading: bool) -> None:
    kinds = {None, NAME, BIRTH_DATE, NATIONAL_NUMBER, ACCOUNT, ADDRESS, TELEPHONE, E_MAIL}
    assert value_identifies(text, is_code=is_code, is_heading=is_heading) in kinds
    assert column_identifies(text) in kinds


@pytest.mark.parametrize(
    "unit",
    [
        "a",
        "a.",
        "1 ",
        "1-",
        "A1 ",
        "@",
        "a@",
        "0",
        "O'",
        "de la ",
        "Q. ",
        "王",
        "/a",
        "1.1.",
        "nr ",
    ],
)
def test_no_long_text_takes_long(unit: str) -> None:
    value_identifies("Quensel", is_code=True)  # lists are open from here on
    begun = time.process_time()
    value_identifies(unit * 100_000, is_code=False)
    assert time.process_time() - begun < 5  # a pattern that goes back and back takes for ever


def test_lists_are_opened_only_for_words_that_nobody_knows() -> None:
    script = (
        "import sys; from quietsleep.intake.identifiers import value_identifies as v, names\n"
        "for t in ('S-001', '12.5', 'visit 2', 'Supine', 'No leak'):\n"
        "    assert v(t, is_code=True) is None\n"
        "assert not any(m.startswith('faker') for m in sys.modules)\n"
        "v('Quensel', is_code=True); assert any(m.startswith('faker') for m in sys.modules)"
    )
    subprocess.run([sys.executable, "-c", script], check=True)


MONTHS = st.sampled_from(sorted(months()))
AROUND = st.text("12 .,-_/'abzéжα月ofde", max_size=6)


@given(st.lists(st.one_of(MONTHS, AROUND, st.just("first"), st.just("2019")), max_size=6))
@example(["1. ", "juli", " 2019"])
def test_no_date_in_words_is_missed_where_no_month_seems_to_be_named(parts: list[str]) -> None:
    """The patterns are made only where a month may be named."""
    text = plain("".join(parts))
    patterns = (dates._written(), dates._day_and_month(), dates._in_words())
    if any(pattern.search(text) for pattern in patterns):
        assert dates._may_name_month(text)


def test_patterns_of_months_are_not_made_for_usual_names() -> None:
    usual = ("larch-s001-tid1", "juniper-01", "2026-03-02", "syringe", "marching", "second visit")
    assert not any(dates._may_name_month(text) for text in usual)
    assert all(
        dates._may_name_month(plain(text)) for text in ("2 mar 2024", "1. märz 19", "3_jan_2019")
    )
