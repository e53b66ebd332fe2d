"""What looks like an identifier of a person: a column name, or a value.

These are signs, not proofs. Each function returns what the text looks like, in words for a
sentence, and never the text itself. The formats of national numbers are written down from general
knowledge of them; where a format has a check digit, it must hold.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable
from contextlib import suppress
from datetime import date

# Common given names and family names. Those that are also words of the trade, plants, animals,
# months or colours are left out: they serve as centre, device and infant codes.
_GIVEN = """
aaron adam adrian agnes ahmed aisha alan albert alejandro alessandro alexander alexandra alice
alicja amelia amina amir anastasia anders andrea andreas andrew angela anita anja anna anne
annika anthony anton antonio arthur astrid barbara beatrice benjamin bernard bertrand birgit
bjorn bogdan brigitte camille carla carlos carmen carol caroline catherine charles charlotte
christian christine christopher clara claire claudia clemens cristina daniel daniela david
deborah diana dieter dimitri dominik donald dorothy eduardo edward elena elisabeth elizabeth
elodie emil emily emma enrique eric erik ernst eva evelyn fatima felix ferdinand fernando filip
fiona florian frances francesca francesco francisco francois frederik friedrich gabriel gabriela
georg george gerhard giovanni giulia giuseppe gregory guillaume gunnar gustav hanna hannah hans
harald harold hassan heinrich helen helena helmut henrik henry hugo ibrahim ines ingrid irene
isabel isabella jacob jacqueline jakob james janina jean jeffrey jennifer jens jessica joachim
joanna johan johanna johannes john jonas jonathan jorge joseph josef judith julia julian
juliette jurgen kamil karen karin karl katarina katharina katherine kathleen katrin kenneth
kevin khadija klaus konrad kristina lars laura lauren laurent leila leonard leonardo linda lisa
lorenzo louise lucas lucia lucie ludwig luigi luisa lukas magdalena maja malgorzata manuel marco
marcus margaret margarita maria marie marina mario marion marta martha martin martina mary
matilda matteo matthew matthias maurice maximilian mehmet melanie michael michal michel michelle
miguel mikael milan miriam mohamed mohammed monika mustafa nadia natalia nathalie nathan
nicholas nicolas nicole niels nikolai nina nora olaf oliver olivia omar oscar pablo pamela paola
patricia patrick paul paula pauline pavel pedro peter petra philip philippe pierre piotr rachel
rafael rainer ralph ramona raymond rebecca renate ricardo richard rita robert roberto roland
roman ronald ruth ryan sabine salma samantha samuel sandra sara sarah sebastian sergei sharon
silvia simon simone sofia sonja sophia sophie stefan stefano stella stephanie stephen steven
susan susanne svenja sven sylvia tanja tatiana teresa theodor theresa thomas timothy tobias
tomasz ulrich ulrike ursula valentina valerie vanessa vera veronica veronika victor victoria
viktor vincent virginia vladimir walter werner wilhelm william wolfgang xavier yasmin yusuf yves
yvonne zofia zuzana
"""
_FAMILY = """
abdullah ackermann ahmad alvarez andersen anderson andersson arnold bakker barbieri bauer becker
bennett berger bergmann bianchi bonnet boucher brandt brooks campbell carlsson carter castillo
cohen colombo conti cooper costa dahl davies davis delgado diaz dietrich dijkstra dubois dupont
durand edwards eriksen eriksson esposito evans fernandez ferrari ferreira fischer fontaine
foster fournier franke friedman garcia garnier gauthier georgiou girard gomez gonzalez graham
greco gruber gutierrez hansen hansson harris hartmann hendriks hernandez herrmann hoffmann
hofmann horvath hughes ivanov jackson jacobs jansen janssen janssens jensen jimenez johansen
johansson johnson jones jorgensen kaiser kaminski karlsson kaufmann keller kelly khan kovac
kowalska kowalski kramer krause kristensen kumar lambert larsen larsson lefebvre lehmann leroy
lewandowski lewis lindberg lindgren lombardi lopez lorenz lundqvist madsen maier marchand marino
martens martinez mayer mcdonald meijer mendez mercier meyer miller mitchell moller morales
moreau moreno moretti morgan morris mulder muller murphy nguyen nielsen nilsson novak nowak
olsen olsson ortiz papadopoulos parker patel pedersen pereira perez petersen peterson petrov
pfeiffer phillips popescu popov poulsen ramirez rasmussen reyes reynolds ricci richter rivera
roberts robinson rodrigues rodriguez romano rossi rossini rousseau russo sanchez santos schmid
schmidt schmitt schmitz schneider schreiber schroder schroeder schulte schultz schulz schumacher
schwarz silva simpson singh smith sorensen souza svensson taylor thompson thomsen torres
vandenberg varga vasquez visser vogel vries wagner walker watson weber weiss werner williams
wilson winkler wisniewski wojcik wright yamamoto yilmaz zimmermann
"""
COMMON_NAMES = frozenset((_GIVEN + _FAMILY).split())

PARTICLES = frozenset({"van", "von", "de", "den", "der", "di", "da", "du", "del", "le", "la"})

# Column names, by what such a column would hold.
NAME_COLUMNS = """
name names surname lastname firstname forename givenname fullname initials maidenname nachname
vorname familienname naam voornaam achternaam nom prenom nombre apellido apellidos nome cognome
imie nazwisko navn fornavn efternavn etternavn fornamn efternamn etunimi sukunimi
"""
BIRTH_COLUMNS = """
dob birthdate birthday born geb geburtsdatum geburtstag geboren geboortedatum naissance nacimiento
nascita nascimento urodzenia fodselsdato fodelsedatum birthyear
"""
ADDRESS_COLUMNS = """
address adresse anschrift adres direccion indirizzo street strasse straat postcode postalcode
zipcode zip plz postleitzahl
"""
TELEPHONE_COLUMNS = """
phone telephone tel telefon telefoon telefono mobile mobil handy fax phonenumber
"""
E_MAIL_COLUMNS = """
email mail mailadresse courriel
"""
NUMBER_COLUMNS = """
ssn bsn nhs nir pesel cpr personnummer ahv mrn passport nino kvnr dni nif insurance patientid
patientnumber hospitalnumber casenumber
"""

# `device_name` names a thing; `mother_name` names a person.
_THINGS = """
center centre channel column device drug file ip mac method model outcome protocol recording rule
sensor session signal site software study table technique test trial unit version visit
"""
THINGS = frozenset(_THINGS.split())
# Beside one of these, "born" tells of the child's state and not of its day.
_AT_BIRTH = "early gewicht laenge lange late length preterm term vaginal weight"
AT_BIRTH, BORN = frozenset(_AT_BIRTH.split()), frozenset({"born", "geb", "geboren"})
RELATIVES = frozenset({"mother", "father", "parent", "guardian", "contact", "patient"})

# Words that stand in codes and are no names although they are written like one.
_TRADE = """
active arm assistant awake baby baseline box case center centre check child code cohort control
day decay demo device doctor double evening fellow female final first flow follow followup
discharge admission sedated sedation repeat retest after before
forced group infant lab laboratory male month morning night none nurse observer occlusion
operator other participant patient physician pilot plethysmography preterm pump quiet quietsleep
raised recording room sample screening second session set shift shutter single site sleep staff
student study subject syringe team tech technician term test third tidal trial twin unit unknown
phase visit volume ward week
"""
TRADE_WORDS = frozenset(_TRADE.split())

# Words of the ward and of the laboratory, and of visits: written large at the beginning of a cell
# they look like names. A word beside them is looked at as if it stood alone.
_CLINICAL = """
abdominal absent adequate afebrile agitated airway alert apnea apneic apnoea apnoeic arousal
artefact artifact aspiration asthma atopy awakened bilateral bottle bradycardia breast breath
breathing bronchiolitis bronchitis bronchodilator bronchopulmonary calm cannula chest chloral
chronic clear clinical cold colic complete completed congested congestion consolidation coryza
cough coughed coughing crackles crackling cried crying cyanosis dexmedetomidine diaphragmatic
dislodged drowsy drug dysplasia dyspnea dyspnoea early eczema elevated equipment expiration
expiratory face failed failure fed feed feeding fentanyl fever flat formula fussy gastric good
grunting head healthy hiccup hiccups hoarse hydrate hypotonia hypoxemia hypoxia incomplete
increased infection inspiration inspiratory interrupted irregular jacket jaw lateral leak leakage
left light lost lung manoeuvre maneuver marked mask mechanical mild minor moderate mouth movement
moved moving mucus murmur nasal nasogastric neck nebulised nebulized neonatal non normal nose
nostril not obstructed obstruction occluded oral other oxygen pacifier pause pauses percentile
pharyngeal pneumonia pneumotach poor position positioned postponed prematurity premature prone
pulmonary rales reduced reflux refused regular respiratory resting restless retractions
rhinitis rhonchi right rolled runny salbutamol saturation scored secretions sedated sedative seen
severe shallow sigh sighing sighs slept slight small snore snores snoring snuffles sneezing
solution spontaneous stable started stopped stridor strong suction suctioned supine support swaddled
swallow swallowing symptom symptoms syrup tachypnea tachypnoea taken teething tired tolerated
tonsils tracheal tube unsettled unstable untroubled unwell unchanged upper upright ventilated
ventilation viral vomited vomiting wet wheeze wheezes wheezing wheezy woke woken yawn yawning
active asleep deep drowsing rem nrem indeterminate transitional
larger smaller higher lower longer shorter better worse mother father parent parents crib cot
yes positive negative present missing pending done given withheld partial partly never always
sometimes often daily weekly
bauchlage hydrat husten leck maske ruhig rueckenlage ruckenlage schlaf schnupfen seitenlage unruhig
wach weint endormi agite calme couche fuite masque pleurs rhume toux dormido llanto mascarilla
fuga tos boca nariz respirazione sonno maschera perdita pianto tosse slaapt rustig huilt lek
"""
_VISITS = """
appointment besuch bezoek control controle controlled dag dagen erstbesuch erstuntersuchung erste
erstvisite examination fifth folgebesuch folgevisite fourth initial jour jours kontrolle last
maand maanden monat monate months mois
month mes meses mese mesi next nachuntersuchung preterm primera premiere recruitment screening
seconda segunda seventh sixth tag tage term termin third unscheduled planned enrolment enrollment
untersuchung visita visite weeks week wochen woche semaine semaines semana semanas settimane weken
years year yearly jahr jahre anno anni annee annees jaar
"""
_FILES = """
checks copy data database delivery export exported exports extract final list overview recordings
report reported results sessions sheet summary table tables upload version workbook
"""
HARMLESS_WORDS = frozenset((_CLINICAL + _VISITS + _FILES).split()) - COMMON_NAMES

# Beside one of these another word is most likely the person's name.
PERSONS = frozenset({"baby", "boy", "child", "doctor", "girl", "infant", "nurse", "patient"})

NAME = "the name of a person"
BIRTH_DATE = "a date of birth"
NATIONAL_NUMBER = "a national, insurance or hospital number"
ADDRESS = "a postal address"
TELEPHONE = "a telephone number"
E_MAIL = "an e-mail address"

_COLUMN_WORDS: dict[str, str] = {
    word: kind
    for kind, words in (
        (NAME, NAME_COLUMNS),
        (BIRTH_DATE, BIRTH_COLUMNS),
        (ADDRESS, ADDRESS_COLUMNS),
        (TELEPHONE, TELEPHONE_COLUMNS),
        (E_MAIL, E_MAIL_COLUMNS),
        (NATIONAL_NUMBER, NUMBER_COLUMNS),
    )
    for word in words.split()
}
# No cell may be longer (see `table_cells`), and the patterns cost the square of the length.
LONGEST_LOOKED_AT = 400
DAY_WORDS = frozenset({"date", "datum", "day", "month", "place", "tag", "time", "year"})
_COLUMN_PAIRS = (
    ({"birth"}, {"date", "day", "year", "month", "time", "place"}, BIRTH_DATE),
    (
        {"patient", "hospital", "national", "insurance", "identity", "social", "passport"},
        {"id", "no", "nr", "number", "code"},
        NATIONAL_NUMBER,
    ),
)

_E_MAIL = re.compile(r"[^\s@,;]+\s?(?:@|\(at\)|\[at\])\s?[^\s@,;]+\.[A-Za-z]{2,}", re.I)
_TELEPHONE = re.compile(
    r"""(?<![\w.])(?:
        \+[1-9]\d{0,2}[\s()./-]*\d(?:[\s()./-]*\d){6,12}              # +44 20 ...
      | 00[1-9]\d{0,2}\s*\d(?:[\s()]*\d){6,12}                        # 0044 20 ...
      | \(0?\d{2,5}\)[\s/-]?\d(?:[\s-]?\d){3,8}                          # (030) 123456
      | 0\d{1,4}[\s/]\d(?:[\s/-]?\d){4,8}                                 # 030 123456, 0171/234567
      | 0\d{1,4}-\d{6,8}                                                  # 06-12345678
      | 0[1-9](?:[\s.]\d\d){4}                                            # 06.12.34.56.78
      | 0[1-9]\d{8,9}                                                     # 0612345678
      | [2-9]\d\d[-.\s][2-9]\d\d[-.\s]\d{4}                               # 555-234-5678
    )(?![\w-])""",
    re.X,
)
_STREET = re.compile(
    r"""\b(?:street|road|avenue|lane|drive|square|rue|via|calle|rua|ulica|ul\.|platz|allee)\b
      | (?:stra(?:ss|ß)e|str\.|straat|gatan|gade|vej|laan|plein|gracht)(?:\b|(?<=\.))
      | \b(?!atem|luft)\w+weg\b""",
    re.X | re.I,
)
_POSTCODE = re.compile(
    r"^(?:[A-Z]{1,2}\d[A-Z\d]? \d[A-Z]{2}|\d{4} [A-Z]{2}(?: [A-Z][a-z]+)?"
    r"|[A-Z]\d[A-Z] \d[A-Z]\d|[A-Z]{1,2}-\d{4,5} \w+"
    r"|\d{4,5} [A-Z][a-z]{2,}.*)$"
)
_DATES = (
    (re.compile(r"(?<!\d)(\d{4})[-./](\d\d?)[-./](\d\d?)(?!\d)"), (0, 1, 2)),
    (re.compile(r"(?<!\d)(\d\d?)[-./ ](\d\d?)[-./ ](\d{4})(?!\d)"), (2, 1, 0)),
    (re.compile(r"(?<!\d)(\d\d?)[-./ ](\d\d?)[-./ ](\d{4})(?!\d)"), (2, 0, 1)),
    (re.compile(r"(?<!\d)((?:19|20)\d\d)(\d\d)(\d\d)(?!\d)"), (0, 1, 2)),
    (re.compile(r"(?<!\d)(\d\d)(\d\d)((?:19|20)\d\d)(?!\d)"), (2, 1, 0)),
)
_MONTH = r"(?:jan|feb|mar|apr|may|mai|jun|jul|aug|sep|oct|okt|nov|dec|dez)[a-z]*\.?"
_WRITTEN_DATE = re.compile(
    rf"(?<![^\W_])(?:\d{{1,2}}[\s.-]+{_MONTH}|{_MONTH}\s+\d{{1,2}}\s?,)[\s.-]+(?:19|20)?\d\d(?!\d)",
    re.I,
)
_SHORT_DATE = re.compile(r"(?<![\d.])([0-3]\d)[./]([01]\d)[./](\d\d)(?![\d.])")
_WITH_INITIAL = re.compile(
    r"[^\W\d_a-z][^\W\d_]{2,},? [^\W\d_a-z]\.?|[^\W\d_a-z]\.? [^\W\d_a-z][^\W\d_]{2,}"
)
_TITLE = re.compile(
    r"\b(?:mrs?|ms|miss|dr|prof|frau|herr|mme|mlle|sig(?:ra)?|sra?)\b\.?\s+\w", re.I
)
_WORDS = re.compile(r"[^\W\d_]+(?:['’][^\W\d_]+)*")
_CAMEL = re.compile(r"(?<=[a-zß-ÿ])(?=[A-ZÀ-Þ])")


def column_identifies(header: str) -> str | None:
    """Say what kind of identifier a column of that name would hold; None when it looks harmless."""
    tokens = [plain(w) for w in _WORDS.findall(_CAMEL.sub(" ", header[:LONGEST_LOOKED_AT]))]
    found = {*tokens}
    for left, right, kind in _COLUMN_PAIRS:
        if found & left and found & right:
            return kind
    if found & THINGS and not found & RELATIVES:
        return None
    if found & AT_BIRTH and not found & DAY_WORDS:
        tokens = [token for token in tokens if token not in BORN]
    joined = "".join(tokens)
    for token in (*tokens, joined):
        if token in _COLUMN_WORDS:
            return _COLUMN_WORDS[token]
    if "dateofbirth" in joined or (joined.startswith("birth") and joined[5:] in {"", "s"}):
        return BIRTH_DATE
    return next((k for w, k in _COLUMN_WORDS.items() if len(w) >= 7 and w in joined), None)


def value_identifies(
    value: str,
    *,
    is_code: bool,
    words: frozenset[str] = frozenset(),
    days: frozenset[date] = frozenset(),
) -> str | None:
    """Say what kind of identifier a value looks like; None when it looks harmless.

    `is_code` is true for values that should be codes, where every capitalised word is suspect.
    `words` are codes of the study, `days` the days of tests: both may stand in a value.
    """
    text = unicodedata.normalize("NFKC", value[:LONGEST_LOOKED_AT]).strip()
    if len(text) < 3:
        return None
    signs = (
        (E_MAIL, lambda: _E_MAIL.search(text)),
        (NATIONAL_NUMBER, lambda: _is_national_number(text, days)),
        (TELEPHONE, lambda: _TELEPHONE.search(text)),
        (BIRTH_DATE, lambda: _has_foreign_date(text, days)),
        (ADDRESS, lambda: _is_address(text)),
        (NAME, lambda: _looks_like_name(text, is_code=is_code, words=words)),
    )
    return next((kind for kind, shows in signs if shows()), None)


def plain(word: str) -> str:
    """Return a word in lower case without accents."""
    folded = word.casefold().replace("ø", "o").replace("ł", "l").replace("æ", "ae")
    return "".join(c for c in unicodedata.normalize("NFKD", folded) if not unicodedata.combining(c))


def _is_address(text: str) -> bool:
    if _POSTCODE.match(text):
        return True
    return bool(_STREET.search(text)) and any(c.isdecimal() for c in text)


# A column of days of tests is called so.
_TEST_DAYS = """
besuch calibrat call check done eich exam export follow kalib kontroll mess recording report scan
session started study termin test untersuch visit visite
"""
TEST_DAYS = tuple(_TEST_DAYS.split())
_LONGEST_DATE = 10


def days_of_date(value: str) -> list[date]:
    """Return the days that a plain date, without anything beside it, may mean; none for others."""
    if len(value) > _LONGEST_DATE:
        return []
    found: list[date] = []
    for pattern, (year, month, day) in _DATES:
        if match := pattern.fullmatch(value):
            parts = match.groups()
            with suppress(ValueError):
                found.append(date(int(parts[year]), int(parts[month]), int(parts[day])))
    return found


def names_days_of_tests(header: str) -> bool:
    """Whether the heading of a column says that it holds days on which something was done."""
    joined = "".join(plain(w) for w in _WORDS.findall(header[:LONGEST_LOOKED_AT]))
    return any(word in joined for word in TEST_DAYS) and any(day in joined for day in DAY_WORDS)


def _has_foreign_date(text: str, days: frozenset[date]) -> bool:
    if _WRITTEN_DATE.search(text):
        return True
    found = any(
        1 <= int(day) <= 31 and 1 <= int(month) <= 12 and not _is_one_of(days, day, month, year)
        for day, month, year in _SHORT_DATE.findall(text)
    )
    for pattern, (year, month, day) in _DATES:
        for match in pattern.finditer(text):
            parts = match.groups()
            try:
                found_day = date(int(parts[year]), int(parts[month]), int(parts[day]))
            except ValueError:
                continue
            if found_day in days:
                return False
            found = found or 1900 <= found_day.year <= 2100
    return found


def _is_one_of(days: frozenset[date], day: str, month: str, year: str) -> bool:
    """Whether a date with a short year is the day of a test, written either way round."""
    return any(f"{d:%d%m%y}" in (day + month + year, month + day + year) for d in days)


def _looks_like_name(text: str, *, is_code: bool, words: frozenset[str]) -> bool:
    if _TITLE.search(text):
        return True
    harmless = words | HARMLESS_WORDS
    parts = [w for w in _WORDS.findall(_CAMEL.sub(" ", text)) if plain(w) not in harmless]
    known = [plain(w) for w in parts]
    if any(w in COMMON_NAMES for w in known if len(w) >= 4):
        return True
    return is_code and _code_looks_like_name(text, parts)


def _code_looks_like_name(text: str, parts: list[str]) -> bool:
    """Judge what should be a code by how it is written; `parts` are its words."""
    known = [plain(w) for w in parts]
    if _names_with_role(text, known):
        return True
    # The way log-in names are made: an initial and a family name.
    if any(w[1:] in COMMON_NAMES for w in known if len(w) >= 6):
        return True
    if re.search(r"\d", text) or any(w in TRADE_WORDS for w in known):
        return False
    capitalised = [w for w in parts if len(w) >= 2 and w[0].isupper()]
    long_words = [w for w in capitalised if len(w) >= 3 and not w.isupper()]
    if len(parts) == 1:
        return len(parts[0]) >= 5 and bool(long_words)
    if any(w in PARTICLES for w in known) and capitalised:
        return True
    return len(capitalised) >= 2 and (bool(long_words) or " " in text)


def _names_with_role(text: str, known: list[str]) -> bool:
    """Whether a word stands beside what only persons have: a role, or an initial."""
    if not any(w not in TRADE_WORDS and len(w) >= 4 for w in known):
        return False
    has_role = any(w in PERSONS for w in known) and not re.search(r"\d", text)
    return has_role or bool(_WITH_INITIAL.fullmatch(text))


def _is_national_number(text: str, days: frozenset[date]) -> bool:
    if any(pattern.search(text) for pattern in _NATIONAL_SHAPES):
        return True
    compact = re.sub(r"[\s.-]", "", text).upper()
    if any(p.fullmatch(compact) and holds(compact) for p, holds in _NATIONAL_CHECKED):
        return True
    if not text.isdecimal() or not text.isascii() or not 9 <= len(text) <= 20:
        return False
    return not (text[0] == "0" and len(text) in {10, 11}) and not _begins_with_day(text, days)


def _begins_with_day(digits: str, days: frozenset[date]) -> bool:
    return any(digits.startswith(day.strftime("%Y%m%d")) for day in days)


def _letter_of(digits: str, letters: str) -> str:
    return letters[int(digits) % len(letters)]


def _spanish(compact: str) -> bool:
    number = compact[:-1].translate(str.maketrans("XYZ", "012"))
    return compact[-1] == _letter_of(number, "TRWAGMYFPDXBNJZSQVHLCKE")


def _health_service(compact: str) -> bool:
    check = 11 - sum(int(d) * w for d, w in zip(compact, range(10, 1, -1), strict=False)) % 11
    return check % 11 == int(compact[9]) and compact[0] != "0"


def _german_insured(compact: str) -> bool:
    digits = f"{ord(compact[0]) - 64:02d}{compact[1:9]}"
    weighted = (int(d) * (1 + i % 2) for i, d in enumerate(digits))
    return sum(w // 10 + w % 10 for w in weighted) % 10 == int(compact[9])


def _irish(compact: str) -> bool:
    total = sum(int(d) * w for d, w in zip(compact, range(8, 1, -1), strict=False))
    total += 9 * (ord(compact[8]) - 64) if len(compact) == 9 else 0
    return compact[7] == "WABCDEFGHIJKLMNOPQRSTUV"[total % 23]


_NATIONAL_SHAPES = tuple(
    re.compile(rf"(?<![\w-]){shape}(?![\w-])")
    for shape in (
        r"(?!000|666)[0-8]\d\d-(?!00)\d\d-(?!0000)\d{4}",
        r"[0-3]\d[01]\d\d\d[-+A]\d{3}[\dA-Y]",
        r"(?:19|20)?\d\d[01]\d[0-3]\d[-+]\d{4}",
        r"\d\d\.\d\d\.\d\d-\d{3}\.\d\d",
        r"756\.\d{4}\.\d{4}\.\d\d",
        r"\d{3}\.\d{3}\.\d{3}-\d\d",
        r"[12] ?\d\d ?[0-1]\d ?\d[\dAB] ?\d{3} ?\d{3}(?: ?\d\d)?",
        r"[A-Z]{6}\d\d[A-EHLMPRST]\d\d[A-Z]\d{3}[A-Z]",
        r"[A-Z]{4}\d{6}[HM][A-Z]{5}[A-Z\d]\d",
        r"(?![DFIQUV])[A-Z](?![DFIQUVO])[A-Z] ?\d\d ?\d\d ?\d\d ?[A-D]",
    )
)
_NATIONAL_CHECKED: tuple[tuple[re.Pattern[str], Callable[[str], bool]], ...] = (
    (re.compile(r"(?:\d{8}|[XYZ]\d{7})[A-Z]"), _spanish),
    (re.compile(r"\d{10}"), _health_service),
    (re.compile(r"[A-Z]\d{9}"), _german_insured),
    (re.compile(r"\d{7}[A-W][A-IW]?"), _irish),
)
