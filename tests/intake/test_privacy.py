"""Identifiers of people are refused at the border, and legitimate codes are not taken for them.

All cases are generated from the invented lists below. Some names of the lists are common and some
are not: a rare single name in lower case is beyond any list, and the figures say so. So are some
harmless codes in the very form of a national number, or written like a name.
"""

from __future__ import annotations

import datetime as dt
import itertools
import string
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace

import pytest
from edfio import Edf, EdfSignal, Patient, Recording

from quietsleep.intake.delivery import read_delivery
from quietsleep.intake.find import find_deliveries
from quietsleep.intake.identifiers import column_identifies, value_identifies
from quietsleep.night.preview import preview
from quietsleep.study.study import Study
from tests.intake.conftest import Draft

COMMON_GIVEN = ("Anna", "Lukas", "Sofia", "Mohammed", "Emily", "Jakob", "Fatima", "Pierre")
COMMON_FAMILY = ("Jansen", "Müller", "Garcia", "Kowalski", "Taylor", "Nguyen", "Hansen", "Rossi")
RARE_GIVEN = ("Ottilie", "Zephyrin", "Wiebke", "Eluned", "Taavi", "Idony")
RARE_FAMILY = ("Quensel", "Abernethy", "Zwingmann", "Okonjo", "Thorsgaard", "Ui Bhriain")
STREETS = ("High Street", "Lindenstraße", "Rue des Lilas", "Kerkstraat", "Via Verdi", "Storgatan")
MONTHS = ("Jan", "March", "Sept", "Dez")
DAY_OF_TEST = dt.date(2026, 3, 2)
WORDS = frozenset({"larch", "rowan", "set", "larches"})


def true_values() -> Iterator[str]:
    given, family = COMMON_GIVEN + RARE_GIVEN, COMMON_FAMILY + RARE_FAMILY
    pairs = [*zip(given, itertools.cycle(family)), *zip(itertools.cycle(given), family[::-1])]
    shapes = ("{g} {f}", "{f}, {g}", "{g}_{f}", "Dr {f}", "{f} {g}")
    yield from (s.format(g=g, f=f) for s in shapes for g, f in pairs)
    yield from (f"{g.lower()}.{f.lower().replace(' ', '')}@clinic.example" for g, f in pairs)
    yield from (name for name in given + family)
    yield from (name.lower() for name in COMMON_GIVEN + COMMON_FAMILY)
    yield from (f"{name.lower()}{n:02d}" for n, name in enumerate(COMMON_FAMILY))
    yield from (name.lower() for name in RARE_GIVEN + RARE_FAMILY)
    yield from (f"{g[0]}{f}".lower() for g, f in pairs[:10])
    yield from (f"{street} {n}" for n, street in enumerate(STREETS, start=3))
    yield from (f"{n} {street}" for n, street in enumerate(STREETS, start=11))
    yield from ("1234 AB", "SW1A 1AA", "20146 Hamburg", "D-20146 Hamburg", "75011 Paris")
    for n in range(12):
        born = dt.date(2025, 1 + n, 3 + 2 * n)
        yield from (born.isoformat(), f"{born:%d.%m.%Y}", f"{born:%d/%m/%Y}", f"{born:%Y%m%d}")
        yield f"{born.day} {MONTHS[n % 4]} {born.year}"
        yield f"i-{born:%Y%m%d}"
        yield from (f"{born:%d%m%y}-{1000 + 7 * n}", f"{born:%Y%m%d}-{2000 + 9 * n}")
        yield f"{born:%y.%m.%d}-{100 + n}.{20 + n}"
        yield from (f"+49 30 90{n:02d} 12{n:02d}", f"0044 20 79{n:02d} 09{n:02d}")
        yield from (f"0151 23{n:02d}56{n:02d}", f"06{n:02d}123456", f"030/12{n:02d}567")
        yield from (f"(030) 44{n:02d}71", f"06.{n:02d}.34.56.78", f"555-2{n:02d}-01{n:02d}")
        yield from (f"1{n:02d}-45-67{n:02d}", f"{123_456_000 + n}", f"756.12{n:02d}.5678.{10 + n}")
        yield f"{45_872_100 + n}{'TRWAGMYFPDXBNJZSQVHLCKE'[(45_872_100 + n) % 23]}"


def harmless_values() -> Iterator[str]:
    yield from (f"larch-{n:03d}" for n in range(30))
    yield from (f"larch-i{n:03d}" for n in range(20))
    yield from (f"larch-s{n:03d}-{t}{n % 4}" for n in range(20) for t in ("tid", "sot", "rvt"))
    yield from (f"INF-{n:04d}" for n in range(20))
    yield from (f"P{n:02d}-V{v}" for n in range(10) for v in range(1, 4))
    yield from (f"{c:02d}-{n:04d}-{v:02d}" for c in (1, 7) for n in (2, 310) for v in (1, 12))
    yield from (f"00{c}-00{n:02d}-001" for c in range(1, 9) for n in (4, 23))
    yield from (f"op{n}" for n in range(1, 12))
    yield from (f"OP-{n:02d}" for n in range(1, 12))
    yield from (a + b for a, b in zip(string.ascii_uppercase, "MKWTRSBLEAOPCDJX", strict=False))
    yield from (a + b + c for a, b, c in zip("ABCDEFGH", "KLMNOPQR", "STUVWXYZ", strict=True))
    yield from ("nurse1", "Nurse2", "tech-a", "Technician", "day team", "night shift", "Student-3")
    yield from ("Visit 1", "visit-2", "v3", "Month 6", "12 months", "Baseline", "Follow-up", "term")
    yield from (f"s-2026-03-02-{n}" for n in range(5))
    yield from (f"larch-20260302-{kind}" for kind in ("syringe", "box_decay", "box_pump", "hold"))
    yield from ("20260302001", "02032026-a", "larch-set-1", "rowan-box-2", "Set1", "LARCH-SET-2")
    yield from (f"{n:06x}{n * 7919 % 65536:04x}" for n in range(1_000, 400_000, 21_111))
    yield from (f"{n}" for n in (1, 17, 402, 1003, 10045, 990017, 1234567))
    yield from (f"q{n}k{n * 3 % 10}x" for n in range(10))
    yield from (f"otter-{n}" for n in range(8))
    yield from (f"ash{n}" for n in range(4))
    yield from ("BPD-014", "NICU07", "A12B", "XK-92-7F", "RV-0001", "CHK_0031", "sy.0004", "t.1")
    yield from ("3e5a77c1-9b0e-4f7c-8a51-0d7c8e2b6f10", "b2c4d6e8-1a3b-4c5d-9e7f-a0b1c2d3e4f5")
    yield from ("001-01-0023", "Discharge", "LarchPilot", "FlowHead-B", "Wing-2", "45872100T")
    yield from ("quiet", "none", "chloral_hydrate", "plethysmography", "raised_volume", "BTPS")
    yield from ("vmaxfrc_ml_s", "frc_pleth_ml_kg", "mL/kPa", "kPa.s/L", "101.325", "-0.000213")


TRUE, HARMLESS = sorted(set(true_values())), sorted(set(harmless_values()))


def kind_of(value: str) -> str | None:
    return value_identifies(value, is_code=True, words=WORDS, days=frozenset({DAY_OF_TEST}))


def test_there_are_enough_cases() -> None:
    assert len(TRUE) >= 300 and len(HARMLESS) >= 300


def test_identifiers_are_found() -> None:
    missed = [value for value in TRUE if kind_of(value) is None]
    assert len(missed) <= 0.05 * len(TRUE), missed
    # What is missed is single short words only, that no list has.
    assert all(value.replace(" ", "").isalpha() and len(value) <= 7 for value in missed), missed


def test_codes_raise_few_false_alarms() -> None:
    alarms = {value: kind for value in HARMLESS if (kind := kind_of(value))}
    assert len(alarms) <= 0.02 * len(HARMLESS), alarms


def test_what_is_known_to_slip_through() -> None:
    """The limits of looking at single values, so that nobody trusts in more."""
    for value in ("zwq", "iw4711", "taavi"):
        assert kind_of(value) is None


@pytest.mark.parametrize(
    "name",
    """Name|patient_name|PatientName|mother_name|first name|Nachname|Vorname|geb.datum|Geburtsdatum
    |date_of_birth|DOB|birth_date|BirthDay|Anschrift|address|postcode|tel|phone_number|E-Mail|email
    |nhs_number|hospital no|patient_id|BSN|surname|Prénom|dateofbirth|initials|operator_name
    |Telefonnummer|national id|Fødselsdato|apellido""".replace("\n    ", "").split("|"),
)
def test_names_of_columns_that_identify(name: str) -> None:
    assert column_identifies(name)


@pytest.mark.parametrize(
    "name",
    """birth_weight_kg|gestation_weeks|birth_length_cm|birth_order|device_name|file name|time|t_s
    |Flow_raw|Vdot|Paw|Pmask|Pbox|session|infant|operator|mother_smokes|father_asthma|feed_given
    |conditions|marker|Volume|room_temperature_c|Temp|SpO2|heart_rate|channel name|EDF Annotations
    |contact_hours|Status|Trigger""".replace("\n    ", "").split("|"),
)
def test_names_of_columns_that_do_not(name: str) -> None:
    assert column_identifies(name) is None


SECRETS = [
    ("sessions", "infant", "Ottilie Quensel", "the name of a person"),
    ("sessions", "operator", "Zwingmann", "the name of a person"),
    ("sessions", "visit", "jansen", "the name of a person"),
    ("sessions", "sex", "anna.k@clinic.example", "an e-mail address"),
    ("sessions", "weight_kg", "0151 23456789", "a telephone number"),
    ("sessions", "infant", "larch-20250704", "a date of birth"),
    ("sessions", "feed_given", "12 High Street", "a postal address"),
    ("recordings", "recording", "756.1234.5678.97", "a national, insurance or hospital number"),
    ("recordings", "file", "signals/larch-s001/Anna_Jansen.csv", "the name of a person"),
    ("checks", "check", "Kowalski", "the name of a person"),
    ("reported", "outcome", "a.b@clinic.example", "an e-mail address"),
    ("sessions", "Idony Abernethy", "x9y9z9", "the name of a person"),
    ("reported", "Geburtsdatum", "x9y9z9", "a date of birth"),
]


@pytest.mark.parametrize("case", SECRETS, ids=lambda case: f"{case[0]}-{case[1]}")
@pytest.mark.parametrize("zipped", [False, True])
def test_a_finding_refuses_the_delivery_and_is_never_written_on(
    study: Study, draft: Draft, case: tuple[str, str, str, str], zipped: bool
) -> None:
    table, column, secret, kind = case
    draft.tables[table][0][column] = secret
    write = draft.write_zip if zipped else draft.write
    path = write(study.deliveries_path)
    (found,) = find_deliveries(study, "larch")
    result = read_delivery(study, found)
    assert result.state == "quarantined"
    assert not (result.tables or result.files or result.stamps or result.sha256)
    assert {p.kind for p in result.problems} == {"person"}
    assert any(kind in p.sentence for p in result.problems)
    assert all(p.value is None for p in result.problems)
    assert secret not in repr(result) and secret.lower() not in repr(result).lower()
    assert "Abernethy" not in repr(result)
    assert not list(study.work_path.rglob("*"))
    assert secret not in repr(preview(study, path).problems)
    known = column not in {"Idony Abernethy", "Geburtsdatum"}
    assert any(p.column == (column if known else None) for p in result.problems)


@pytest.mark.parametrize("write", ["write", "write_zip"])
def test_what_nobody_reads_is_neither_searched_nor_kept_nor_shown(
    study: Study, draft: Draft, write: str
) -> None:
    secrets = ("Idony Abernethy", "03.11.2025", "mum@example.org", "0151 23456789")
    for row in draft.tables["sessions"]:
        row |= {f"note_{n}": secret for n, secret in enumerate(secrets)}
    getattr(draft, write)(study.deliveries_path)
    result = read_delivery(study, find_deliveries(study, "larch")[0])
    assert result.state == "accepted" and {p.kind for p in result.problems} == {"column_unknown"}
    told = repr(result) + "".join(t.to_csv() for t in result.tables.values())
    kept = b"".join(p.read_bytes() for p in study.work_path.rglob("*") if p.is_file())
    for secret in secrets:
        assert secret not in told and secret.encode() not in kept


def test_an_earlier_unpacked_archive_is_taken_away(study: Study, draft: Draft) -> None:
    draft.write_zip(study.deliveries_path)
    (found,) = find_deliveries(study, "larch")
    root = read_delivery(study, found).root
    assert isinstance(root, Path) and root.exists()
    draft.tables["sessions"][0]["infant"] = "Ottilie Quensel"
    draft.write_zip(study.deliveries_path)
    assert read_delivery(study, find_deliveries(study, "larch")[0]).state == "quarantined"
    assert not root.exists()


@pytest.mark.parametrize(
    ("extra", "kind"),
    [({"e-mail": "x"}, "an e-mail address"), ({"Ottilie Quensel": 1, "name": 2}, "name")],
)
def test_fields_of_the_list_of_files(
    study: Study, draft: Draft, extra: dict[str, object], kind: str
) -> None:
    draft.extra = extra
    draft.write(study.deliveries_path)
    result = read_delivery(study, find_deliveries(study, "larch")[0])
    assert any(kind in p.sentence for p in result.problems)
    assert "Quensel" not in repr(result)


def test_names_of_unlisted_files(study: Study, draft: Draft) -> None:
    draft.unlisted["notes/Anna Jansen.docx"] = b"x"
    draft.write(study.deliveries_path)
    result = read_delivery(study, find_deliveries(study, "larch")[0])
    assert result.state == "quarantined" and "Jansen" not in repr(result)


@pytest.mark.parametrize("name", ["Readme.txt", "notes/Quensel.txt"])
def test_an_odd_file_refuses_nothing_but_is_not_named(
    study: Study, draft: Draft, name: str
) -> None:
    draft.unlisted[name] = b"x"
    draft.write(study.deliveries_path)
    result = read_delivery(study, find_deliveries(study, "larch")[0])
    (problem,) = result.problems
    assert result.state == "accepted" and problem.kind == "unlisted_file"
    assert name not in repr(problem) and problem.sentence.startswith("1 file is")


def test_a_delivery_named_like_a_person(study: Study, draft: Draft) -> None:
    draft.delivery = "jansen-2026"
    path = draft.write(study.deliveries_path)
    (found,) = find_deliveries(study, "larch")
    assert found.delivery == "badly-named-1"
    assert read_delivery(study, found).state == "quarantined"
    assert "delivery_name" in {p.kind for p in preview(study, path).problems}


@pytest.mark.parametrize(
    ("patient", "recording"),
    [
        (Patient(name="Quensel"), None),
        (Patient(birthdate=dt.date(2025, 9, 1)), None),
        (Patient(code="756.1234.5678.97"), None),
        (Patient(additional=("anna@clinic.example",)), None),
        (Patient(), Recording(investigator_technician_code="Jansen")),
    ],
)
def test_the_heading_of_an_edf_file(
    study: Study, kit: SimpleNamespace, patient: Patient | None, recording: Recording | None
) -> None:
    device = kit.device("edf", code="larch-set-3")
    draft = kit.draft(1, device=device)
    path = draft.tables["recordings"][0]["file"]
    signals = [
        EdfSignal(v, 200, label=n, physical_range=(-200, 200))
        for n, v in kit.samples().items()
        if n != "t_s"
    ]
    draft.signals[path] = Edf(signals, patient=patient, recording=recording).to_bytes()
    draft.write(study.deliveries_path)
    result = read_delivery(study, find_deliveries(study, "larch")[0])
    assert result.state == "quarantined" and result.problems[0].where == path
    for secret in ("Quensel", "2025", "756", "anna@", "Jansen"):
        assert secret not in repr(result.problems)


def test_an_anonymous_edf_file_is_welcome(study: Study, kit: SimpleNamespace) -> None:
    device = kit.device("edf", code="larch-set-3")
    draft = kit.draft(1, device=device)
    patient = Patient(code="larch-i001", sex="F", name="larch-i001")
    recording = Recording(startdate=dt.date(2026, 3, 3), investigator_technician_code="op1")
    signals = [
        EdfSignal(v, 200, label=n, physical_range=(-200, 200))
        for n, v in kit.samples().items()
        if n != "t_s"
    ]
    for path in draft.signals:
        draft.signals[path] = Edf(signals, patient=patient, recording=recording).to_bytes()
    draft.write(study.deliveries_path)
    result = read_delivery(study, find_deliveries(study, "larch")[0])
    assert result.state == "accepted" and result.problems == []


def test_the_heading_of_a_csv_file(study: Study, draft: Draft) -> None:
    path = draft.tables["recordings"][0]["file"]
    whole = draft.signals[path]
    draft.signals[path] = (
        whole.replace(b"Pj\n", b"Pj,patient name\n", 1)
        .replace(b"\n", b",x\n")
        .replace(b"patient name,x", b"patient name")
    )
    draft.write(study.deliveries_path)
    result = read_delivery(study, find_deliveries(study, "larch")[0])
    assert [p.kind for p in result.problems] == ["person"]


def test_free_text_in_the_heading_of_a_plain_edf_file(kit: SimpleNamespace) -> None:
    from quietsleep.intake.files.edf import edf_header
    from quietsleep.intake.files.header import edf_gives_away

    data = bytearray(kit.signal_bytes(kit.samples(), kit.device("edf")))

    def gives_away(patient: bytes, recording: bytes) -> str | None:
        data[8:88], data[88:168] = patient.ljust(80), recording.ljust(80)
        return edf_gives_away(edf_header(bytes(data)))

    assert gives_away(b"larch-i001", b"") is None
    assert gives_away(b"", b"set 1") is None
    assert gives_away(b"Quensel_Ottilie", b"") == "the name of a person"
    assert gives_away(b"larch-i001 01.09.2025", b"") == "a date of birth"
    assert gives_away(b"X", b"Dr Quensel") == "the name of a person"
