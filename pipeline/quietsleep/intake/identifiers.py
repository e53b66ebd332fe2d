"""What looks like an identifier of a person: a column name, or a value.

These are signs, not proofs. Each function returns what the text looks like, in words for a
sentence, and never the text itself. The formats of national numbers are written down from general
knowledge of them; where a format has a check digit, it must hold.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable
from datetime import date

from quietsleep.intake import person_words
from quietsleep.intake.person_words import (
    COMMON_NAMES,
    PARTICLES,
    PERSONS,
    RELATIVES,
    THINGS,
    TRADE_WORDS,
)

NAME = "the name of a person"
BIRTH_DATE = "a date of birth"
NATIONAL_NUMBER = "a national, insurance or hospital number"
ADDRESS = "a postal address"
TELEPHONE = "a telephone number"
E_MAIL = "an e-mail address"

_COLUMN_WORDS: dict[str, str] = {
    word: kind
    for kind, words in (
        (NAME, person_words.NAME_COLUMNS),
        (BIRTH_DATE, person_words.BIRTH_COLUMNS),
        (ADDRESS, person_words.ADDRESS_COLUMNS),
        (TELEPHONE, person_words.TELEPHONE_COLUMNS),
        (E_MAIL, person_words.E_MAIL_COLUMNS),
        (NATIONAL_NUMBER, person_words.NUMBER_COLUMNS),
    )
    for word in words.split()
}
# No cell may be longer (see `table_cells`), and the patterns cost the square of the length.
LONGEST_LOOKED_AT = 400
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
      | \b\w+weg\b""",
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
    parts = [w for w in _WORDS.findall(_CAMEL.sub(" ", text)) if plain(w) not in words]
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
