"""Numbers of persons: of a state, an insurance, a hospital, a bank, with or without their label.

The formats are written down from general knowledge of them; where a format has a check digit that
tells it from other numbers, it must hold.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from datetime import date
from functools import cache

from quietsleep.intake.identifiers.spelling import plain
from quietsleep.intake.identifiers.words import one_of, phrases_of, words_of


def finds_number(text: str, days: frozenset[date], *, is_code: bool) -> str | None:
    """Say by which sign a text holds the number of a person; None where it shows none."""
    return next(_signs_of_number(text, days, is_code=is_code), None)


def _signs_of_number(text: str, days: frozenset[date], *, is_code: bool) -> Iterator[str | None]:
    if not any(c.isdigit() for c in text):
        return
    if _NUMBERED.search(text):
        yield "a word before it announces the number of a person"
    if is_bank_account(text):
        yield "it is written as bank accounts are"
    if _is_labelled(text):
        yield "a word before it announces the number of a person"
    if any(pattern.search(text) for pattern in _SHAPES):
        yield "it is written as national numbers are"
    compact = re.sub(r"[\s.-]", "", text).upper()
    if any(p.fullmatch(compact) and holds(compact) for p, holds in _CHECKED):
        yield "it is written as national numbers are, and its check digit holds"
    yield _bare(text, days, is_code=is_code)


def _bare(text: str, days: frozenset[date], *, is_code: bool) -> str | None:
    """A long number that nothing says to be that of a thing."""
    return next(_signs_of_bare(text, days, is_code=is_code), None)


def _signs_of_bare(text: str, days: frozenset[date], *, is_code: bool) -> Iterator[str | None]:
    if is_code:
        if _is_stamp(text):
            return
        digits = re.sub(r"^[A-Za-z]\d{3}[-_ /;:]", "", text)
        if not digits.isdecimal() or not 9 <= len(digits) <= 20:
            return
        yield None if _is_day_or_dial(digits, days) else "it is a long number"
    if _thing().search(plain(text)):
        return
    for match in re.finditer(r"(?<![\w.,:/-])\d{9,20}(?![\w:/]|[.,-]\d)", text):
        if not _is_day_or_dial(match.group(), days) and not _is_stamp(match.group()):
            yield "it is a long number"
    grouped = re.fullmatch(
        r"[^\W\d_]{0,12}[ .:]{0,3}(\d{2,6}(?:[ -]\d{2,6}){1,4})[ .]?[^\W\d_]{0,12}", text
    )
    threes = grouped is not None and all(
        len(part) == 3 for part in re.split("[ -]", grouped.group(1))
    )
    if grouped and not threes and 10 <= sum(c.isdigit() for c in grouped.group(1)) <= 20:
        yield "it is a long number"
    return


def _is_day_or_dial(digits: str, days: frozenset[date]) -> bool:
    if digits[0] == "0" and len(digits) in {10, 11}:
        return True
    return any(digits.startswith(day.strftime("%Y%m%d")) for day in days)


def _is_stamp(digits: str) -> bool:
    """Whether a number is a day with a time of day behind it."""
    return bool(
        re.fullmatch(
            r"20\d\d(?:0[1-9]|1[0-2])(?:0[1-9]|[12]\d|3[01])(?:[01]\d|2[0-3])"
            r"[0-5]\d(?:[0-5]\d(?:\d{3})?)?",
            digits,
        )
    )


@cache
def _thing() -> re.Pattern[str]:
    return re.compile(
        rf"(?<![^\W\d_]){one_of(words_of('numbers.things'))}(?![^\W\d_])|"
        rf"n[°º] ?serie|seryjn|序列号|일련번호|製造番号|批号|סידורי"
        r"|сериин|зав\. ?№|#\s?\d{1,5}(?!\d)"
    )


# What follows a label: nothing, or a word for number, and the signs between.
_NUMBER_WORD = (
    r"(?:[ .:#_=/-]{0,3}(?:is|ist|est|es|no|nr|num|numb|number|nummer|numer|"
    r"numero|numarasi|id|n|nº|n°|№|#|番号|号|nro|c|cislo|szam|ref)"
    r"(?![^\W\d_]))?[ .:#_=/()№º°-]{0,4}"
)
_VALUE = r"(?=[^\s]{0,6}[\d*x])([a-z]{0,5}[- ]?[\dx*](?:[ ./-]?[\da-z*]){3,24})"


# Where words are not parted: something of a patient or an insurance, a word for number, figures.
_NUMBERED = re.compile(
    r"(?:患|病|住院|门诊|門診|保险|保険|保|证|證|診|诊|カルテ|学籍|환자|"
    r"등록|병록|보험|진료)[^\s\d]{0,5}(?:号|號|番号|番號|번호|编号|碼|码|"
    r"no\.?)[ :：#№.は]{0,3}[A-Za-z]{0,3}\d[\d-]{3,}",
    re.IGNORECASE,
)


@cache
def _labelled() -> re.Pattern[str]:
    labels = phrases_of("numbers.labels")
    short = {w for w in labels if len(w) <= 3 and w.isascii()}
    return re.compile(
        rf"(?:(?<![^\W_])(?P<long>{one_of(labels - short)})|(?<![^\W_])(?P<short>{one_of(short)}))"
        rf"(?:{_NUMBER_WORD})(?P<value>(?:(?<![a-z])[a-z]{{1,"
        rf"5}}[- ]?(?=[\da-z]*\d))?\d(?:[ ./-]?[\da-z]){{0,24}}|(?<![a-z])"
        rf"[a-z]{{4}} ?\d{{4}} ?\d{{4}}|[x*-]{{3,}}\d{{3,}})",
    )


# Any word, a word for number, and a number: of a person where it is of no thing.
_ANY = re.compile(
    r"([^\W\d_]{2,20})\.?[ _-]?(?:no|nr|num|number|nummer|id|regn|reg|#|nº|"
    r"n°|№)[.:# =]{0,3}([a-z]{0,3}-?\d{5,}|\d{2,4}[ -]\d{2,4}[ -]\d{2,4})"
    r"(?![\d.,])"
)


def _is_labelled(text: str) -> bool:
    folded = plain(text)
    for match in _ANY.finditer(folded):
        if not _thing().search(folded[: match.end()]) and match.group(1) not in words_of(
            "headings.things.words"
        ):
            return True
    for match in _labelled().finditer(folded):
        value = match.group("value")
        if value[0] in "x*-":
            return True
        n = sum(c.isdigit() for c in value)
        before = folded[max(0, match.start() - 24) : match.start()]
        if _of_a_thing(before) or re.fullmatch(r"[01]\d/(?:20)?\d\d.*", value):
            continue
        between = folded[
            match.end("long" if match.group("long") else "short") : match.start("value")
        ]
        # A short label is short for other things as well: its number is a long one.
        firmly = bool(match.group("long")) or re.search(r"[:#=№º°]|no|nr|num", between) is not None
        fewest = 4 if firmly else (5 if between else 6)
        if n >= fewest and not _is_measured(value):
            return True
    return False


def _of_a_thing(before: str) -> bool:
    last = re.search(r"([^\W\d_]+)[ .-]{0,2}$", before)
    return last is not None and last.group(1) in words_of("numbers.things")


def _is_measured(value: str) -> bool:
    """Whether a number is a quantity: a point in it or a unit behind it."""
    if re.fullmatch(r"\d{1,3}[.,]\d{1,4}", value):
        return True
    return bool(
        re.search(r"\d ?(?:ml|kg|mg|g|cm|mm|kpa|hpa|hz|bpm|min|sec|s|l|pct|am|pm|h)$", value)
    ) and not re.search(r"\d{6}", value)


def is_bank_account(text: str) -> bool:
    """Whether a text holds an international bank account, or a labelled national one."""
    for match in re.finditer(r"(?<![A-Za-z0-9])[A-Za-z]{2}\d{2}(?:[ .-]?[A-Za-z0-9]){11,30}", text):
        compact = re.sub(r"[ .-]", "", match.group()).upper()
        for n in range(15, len(compact) + 1):
            if sum(c.isdigit() for c in compact[:n]) >= 10 and _mod_97(compact[:n]):
                return True
    for match in re.finditer(
        r"(?<![A-Za-z0-9])[A-Z]{2}\d{2}(?: ?[A-Z0-9]{4}){2,7}(?: ?[A-Z0-9]{1,4})?(?![A-Za-z0-9])",
        text,
    ):
        if sum(c.isdigit() for c in match.group()) >= 12:
            return True
    folded = plain(text)
    return bool(_bank().search(folded))


@cache
def _bank() -> re.Pattern[str]:
    labels = one_of(
        (words_of("numbers.bank") - {"nr", "hesap"})
        | {
            "acct",
            "acc",
            "a/c",
            "kto",
            "nr konta",
            "szamla",
            "חשבון",
            "bankgiro",
            "bsb",
            "sort code",
            "routing",
            "ktonr",
            "iban",
            "ιβαν",
            "cuenta",
            "bank",
        }
    )
    return re.compile(
        rf"(?<![^\W_]){labels}(?![^\W\d_])(?:{_NUMBER_WORD})[a-z]{{0,2}}\d(?:[ -]?[\da-z]){{6,32}}"
    )


def _mod_97(account: str) -> bool:
    turned = account[4:] + account[:4]
    return int("".join(str(int(c, 36)) for c in turned)) % 97 == 1


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


def _of_new_zealand(compact: str) -> bool:
    letters = "ABCDEFGHJKLMNPQRSTUVWXYZ"
    values = [letters.index(c) + 1 for c in compact[:3]] + [int(c) for c in compact[3:6]]
    rest = sum(v * w for v, w in zip(values, range(7, 1, -1), strict=True)) % 11
    return rest != 0 and (11 - rest) % 10 == int(compact[6])


def _of_taiwan(compact: str) -> bool:
    first = "ABCDEFGHJKLMNPQRSTUVXYWZIO".index(compact[0]) + 10
    weighted = [int(d) * w for d, w in zip(compact[1:9], range(8, 0, -1), strict=True)]
    return (first // 10 + first % 10 * 9 + sum(weighted) + int(compact[9])) % 10 == 0


_SHAPES = tuple(
    re.compile(rf"(?<![\w-]){shape}(?![\w-])")
    for shape in (
        r"(?!000|666)[0-8]\d\d-(?!00)\d\d-(?!0000)\d{4}",
        r"[0-3]\d[01]\d\d\d[-+A]\d{3}[\dA-Y]",
        r"(?:19|20)?\d\d[01]\d[0-3]\d[-+]\d{4}",
        r"\d\d\.\d\d\.\d\d[- ]\d{3}\.\d\d",
        r"756\.\d{4}\.\d{4}\.\d\d",
        r"\d{3}\.\d{3}\.\d{3}-\d\d",
        r"[12] ?\d\d ?[0-1]\d ?\d[\dAB] ?\d{3} ?\d{3}(?: ?\d\d)?",
        r"[A-Za-z]{6}\d\d[A-EHLMPRSTa-ehlmprst]\d\d[A-Za-z]\d{3}[A-Za-z]",
        r"[A-Z]{4}\d{6}[HM][A-Z]{5}[A-Z\d]\d",
        r"(?![DFIQUVdfiquv])[A-Za-z](?![DFIQUVOdfiquvo])[A-Za-z] ?\d\d ?\d\d ?\d\d ?[A-Da-d]",
        r"\d{2}[0-7]\d[0-3]\d ?/ ?\d{3,4}",                # birth number with a stroke
        r"\d\d[01]\d[0-3]\d-[1-8]\d{6}",                   # six and seven
        r"\d\d[01]\d[0-3]\d-\d\d-\d{4}",                   # six, two and four
        r"[STFGMstfgm]\d{7}[A-Za-z]",                       # a letter, seven and a letter
        r"[A-Z]{1,2}\d{6}\([\dA]\)",                       # the last in brackets
        r"\d-\d{4}-\d{5}-\d\d-\d",                         # thirteen, parted
        r"\d{5}-\d{7}-\d",                                 # five, seven and one
        r"784-?\d{4}-?\d{7}-?\d",                          # fifteen
        r"\d{3}-\d{3}-\d{3} \d\d",                         # nine and two
        r"[A-Z]{5}\d{4}[A-Z]",                             # five letters, four and a letter
        r"\d{1,2}\.\d{3}\.\d{3}-[\dkK]",                   # eight and a check sign
        r"\d{7,8}-[\dkK]",
        r"[12]\d{14}",
        r"[0-9]{6}(?:19|20)\d\d[01]\d[0-3]\d\d{3}[\dXx]",  # eighteen, the day in the middle
        r"\d{4} \d{4} \d{4}(?: \d{4})?",                   # twelve or sixteen in fours
        r"\d{3} \d{3} \d{4}",                              # ten
        r"[0-3]\d[01]\d\d\d ?\d{5}",                       # a day and five
        r"\d{4} [0-3]\d[01]\d\d\d",
        r"\d{7,8}[A-WYZ][A-IW]?",
        r"\d{6} \d{4} \d\d \d",

    )
)  # fmt: skip
_CHECKED: tuple[tuple[re.Pattern[str], Callable[[str], bool]], ...] = (
    (re.compile(r"(?:\d{8}|[XYZ]\d{7})[A-Z]"), _spanish),
    (re.compile(r"\d{10}"), _health_service),
    (re.compile(r"[A-Z]\d{9}"), _german_insured),
    (re.compile(r"\d{7}[A-W][A-IW]?"), _irish),
    (re.compile(r"[A-HJ-NP-Z]{3}\d{4}"), _of_new_zealand),
    (re.compile(r"[A-Z][12]\d{8}"), _of_taiwan),
)
