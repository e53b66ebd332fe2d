"""Dates of birth: with figures, names of months, words and other calendars; and days of tests."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from datetime import date
from functools import cache, lru_cache

from quietsleep.intake.identifiers.spelling import plain
from quietsleep.intake.identifiers.words import months, one_of, phrases_of, words_of

_DATES = (
    (re.compile(r"(?<!\d)(\d{4})[-./](\d\d?)[-./](\d\d?)(?!\d)"), (0, 1, 2)),
    (re.compile(r"(?<!\d)(\d\d?)[-./ ](\d\d?)[-./ ](\d{4})(?!\d)"), (2, 1, 0)),
    (re.compile(r"(?<!\d)(\d\d?)[-./ ](\d\d?)[-./ ](\d{4})(?!\d)"), (2, 0, 1)),
    (re.compile(r"(?<!\d)((?:19|20)\d\d)(\d\d)(\d\d)(?!\d)"), (0, 1, 2)),
    (re.compile(r"(?<!\d)(\d\d)(\d\d)((?:19|20)\d\d)(?!\d)"), (2, 1, 0)),
)
_SPACED = re.compile(r"(?<!\d)(\d\d?) ?([./-]) ?(\d\d?) ?\2 ?((?:19|20)?\d\d)(?!\d)")
_SHORT = re.compile(
    r"(?<![\d.,/])(\d\d?)([./-])(\d\d?)\2(\d\d)(?![\d/-]|[.,]\d| ?(?:l/min|"
    r"ml|kpa|hpa|cm|mm|hz|kg|bpm|/min|l\b|%))",
    re.IGNORECASE,
)
_ROMAN = re.compile(
    r"(?<![\w.])\d{1,2}[. ]{1,2}(?:I{1,3}|IV|VI{0,3}|IX|XI{0,2})[. ]{1,2}(?:19|20)?\d\d(?!\d)"
)
_SCRIPT = re.compile(
    r"(?:\d{2,4}|元) ?年 ?\d{1,2} ?月 ?\d{1,2} ?日|\d{2,4} ?년 ?\d{1,"
    r"2} ?월 ?\d{1,2} ?일|(?<![A-Za-z])[HRS]\d{1,2}[.年]\d{1,2}[.月]\d{1,2}"
)
_VERSION = re.compile(
    r"(?:\bv(?:er(?:sion)?)?|\bfw|\bsw|firmware|software|release|build|"
    r"rev(?:ision)?|version|update(?:d)?|upgraded to|\bsop|protocol|"
    r"protokoll?)[ .:]*(?:\w+ )?$",
    re.IGNORECASE,
)
_TIME = re.compile(
    r"(?<!\d)(?:[01]?\d|2[0-3])(?:[:h][0-5]\d|[._][0-5]\d(?:[._][0-5]\d)"
    r"? ?(?:uhr|h|am|pm))|T\d\d:?\d\d|_\d{4,6}(?!\d)",
    re.IGNORECASE,
)


@cache
def _written() -> re.Pattern[str]:
    month = one_of(months())
    year = r"(?:(?:19|20|25|14|13)\d\d|['’]?\d\d(?!\d))"
    day = r"\d{1,2}(?:st|nd|rd|th|er|e|\.|º|ª|°|-?го|-?ej|ή|η)?"
    joint = (
        r"[\s.,/_-]{0,2}(?:(?:of|de|del|di|da|d'|den|the|na|gada|des|el|le|ta|ta'|mis|ng) ?){0,2}"
    )
    return re.compile(
        rf"(?<!\d)(?P<d1>{day}){joint}(?<![^\W\d_])(?:{month})(?![^\W\d_])[\s.,"
        rf"/_-]{{0,3}}(?:(?:of|de|del|di|year|ano|roku|r\.?|в|г\.?) ?){{0,"
        rf"2}}(?P<y1>{year})"
        rf"|(?<![^\W\d_])(?:{month})(?![^\W\d_])[\s.,/_-]{{0,2}}(?:the )"
        rf"?(?P<d2>{day})[\s.,/_-]{{0,3}}(?:of )?(?P<y2>{year})"
        rf"|(?<!\d)(?P<y3>(?:19|20)\d\d)[\s.,/_-]{{0,2}}(?:gada |m\. |ko |eko |"
        rf"urteko )?(?:(?P<d3>{day})[\s.,/_-]{{0,2}})?(?<![^\W\d_])(?:{month})"
        rf"(?![^\W\d_])[\s.,/_-]{{0,2}}(?P<d4>\d{{1,2}})?"
    )


@cache
def _day_and_month() -> re.Pattern[str]:
    month = one_of(months())
    ordinal = one_of(words_of("dates.ordinals"))
    return re.compile(
        rf"(?<!\d)\d{{1,2}}(?:st|nd|rd|th|er|\.|º)?[\s./-]{{0,2}}(?:(?:of|de|del|"
        rf"di|den|the) ?){{0,2}}(?<![^\W\d_]){month}(?![^\W\d_])"
        rf"|(?<![^\W\d_]){month}(?![^\W\d_])[\s./-]{{0,2}}(?:the )?\d{{1,"
        rf"2}}(?!\d)|(?<![^\W_]){ordinal}[ -](?:(?:of|de|del|di) )"
        rf"?{month}(?![^\W\d_])|(?<![^\W\d_]){month} (?:the )?{ordinal}"
    )


@cache
def _in_words() -> re.Pattern[str]:
    month = one_of(months())
    ordinal = one_of(words_of("dates.ordinals"))
    years = one_of(phrases_of("dates.years"))
    figure = r"(?:19|20)\d\d"
    return re.compile(
        rf"(?<![^\W_])(?:{ordinal}[ -](?:(?:day )?(?:of|de|del|di) )?(?:the )"
        rf"?{month}|{month},? (?:the )?{ordinal})(?![^\W\d_])[ ,]{{1,2}}(?:(?:of|"
        rf"de|del|di|in|im jahr|year) )?(?:{years}|{figure}|['’]\d\d)"
        rf"|(?<!\d)\d{{1,2}}(?:st|nd|rd|th|er|\.)?[ ](?:(?:of|de|del|di) )"
        rf"?{month}(?![^\W\d_])[ ,]{{1,2}}(?:(?:of|de|del|di) )?{years}"
    )


@cache
def _months_by_kind() -> tuple[frozenset[str], frozenset[str]]:
    """Return the months that are one word of plain letters, and how all others begin."""
    words = frozenset(name for name in months() if re.fullmatch("[a-z]+", name))
    return words, frozenset(name.split()[0] for name in months() if name not in words)


@lru_cache(maxsize=1024)
def _may_name_month(folded: str) -> bool:
    """Whether a text names a month, or may: else no date in words need be looked for in it.

    The patterns of such dates hold the months of all languages and take long to make. No letter
    stands beside a month in any of them.
    """
    words, beginnings = _months_by_kind()
    return not words.isdisjoint(re.findall("[a-z]+", folded)) or any(
        beginning in folded for beginning in beginnings
    )


def _dates(pattern: Callable[[], re.Pattern[str]], folded: str) -> Iterator[re.Match[str]]:
    """Yield the dates in words that a text holds."""
    if _may_name_month(folded):
        yield from pattern().finditer(folded)


@cache
def _birth() -> re.Pattern[str]:
    joined = {w for w in words_of("dates.birth") if _is_joined(w)}
    words = {w.replace("_", " ") for w in words_of("dates.birth") - joined}
    return re.compile(
        rf"(?<![^\W_]){one_of(words)}(?![^\W\d_])|"
        rf"{one_of(joined)}|^\*|[ (]\* ?\d|(?<=[\d_-])born|"
        rf"dob(?=[_\d])|^b(?=\d{6}[fmFM]?$)"
    )


def _is_joined(word: str) -> bool:
    """Whether a word is of a script that joins it with what stands before it."""
    return any(c >= "\u0e00" or "\u0590" <= c <= "\u06ff" for c in word)


@cache
def _test() -> re.Pattern[str]:
    words = {w.replace("_", " ") for w in words_of("dates.tests")}
    joined = {w for w in words if _is_joined(w)}
    stems = "|".join(sorted(words_of("dates.of_tests")))
    return re.compile(
        rf"(?<![^\W_]){one_of(words - joined)}(?![^\W\d_])|{one_of(joined)}|"
        rf"(?<![^\W_])(?:{stems})[^\W\d_]*"
    )


def finds_birth_date(text: str, days: frozenset[date], *, is_code: bool) -> str | None:
    """Say by which sign a text holds a date of birth; None where it shows none.

    A date is taken for one of birth unless it is a day of tests, or the text says what was done.
    """
    return next(_signs_of_birth(text, days, is_code=is_code), None)


def _signs_of_birth(text: str, days: frozenset[date], *, is_code: bool) -> Iterator[str | None]:
    folded = plain(text)
    has_figures = any(c.isdigit() for c in text)
    told = _birth().search(folded) is not None
    if told and has_figures and _tells_birth(text, folded):
        yield "a word beside a date tells of birth"
    if told and (any(_dates(_day_and_month, folded)) or any(_dates(_in_words, folded))):
        yield "a word beside a date tells of birth"
    if not has_figures:
        yield "a date stands there in words" if any(_dates(_in_words, folded)) else None
    of_test = not is_code and not told and _test().search(folded) is not None
    if of_test:
        return
    if not is_code and not told and _TIME.search(text):
        return
    if any(_dates(_in_words, folded)):
        yield "a date stands there in words"
    yield _foreign_date(text, folded, days)


def _tells_birth(text: str, folded: str) -> bool:
    """Whether anything like a date stands beside a word of birth."""
    birth = list(_birth().finditer(folded))
    if (
        any(_dates(_written, folded))
        or _SPACED.search(text)
        or _SCRIPT.search(text)
        or _ROMAN.search(text)
    ):
        return True
    near = "|".join(
        (
            r"\d\d?[/-]\d\d?(?:[/-]\d\d)?(?!\d|[.,]\d)",
            r"\d\d?\.\d\d?\.(?:\d\d)?(?!\d)",
            r"\d{6}(?:\d\d)?(?!\d)",
            r"(?:13|14|19|20|25)\d\d[./ -]\d\d?[./ -]\d\d?",
        )
    )
    for match in birth:
        window = folded[match.end() : match.end() + 22]
        if re.match(rf"(?:[^\d]{{0,14}}?)(?<!\d)(?:{near})", window):
            value = re.search(near, window)
            if value and _may_be_day(value.group()):
                return True
    return bool(re.search(r"\d{6,8}[a-z]?[_-]?(?:born|geb)", folded))


def _may_be_day(text: str) -> bool:
    parts = [int(p) for p in re.findall(r"\d+", text)]
    if len(parts) == 1:
        digits = re.sub(r"\D", "", text)
        pairs = [int(digits[i : i + 2]) for i in range(0, len(digits), 2)]
        return any(
            1 <= a <= 31 and 1 <= b <= 12
            for a, b in (pairs[:2], pairs[1::-1], pairs[-1:-3:-1], pairs[1:3])
        )
    return all(p >= 1 for p in parts[:2]) and min(parts[:2]) <= 12 and any(p <= 31 for p in parts)


def _foreign_date(text: str, folded: str, days: frozenset[date]) -> str | None:
    said = "it holds a date that is no day of tests"
    if _SCRIPT.search(text) or _ROMAN.search(text):
        return said
    for match in _dates(_written, folded):
        has_day = match["d1"] or match["d2"] or match["d3"] or match["d4"]
        if has_day and not _is_written_day(match, days):
            return said
    found = _has_short_date(text, days)
    for pattern, (year_at, month_at, day_at) in _DATES:
        for match in pattern.finditer(text):
            if _VERSION.search(text[: match.start()]):
                continue
            parts = match.groups()
            try:
                found_day = date(int(parts[year_at]), int(parts[month_at]), int(parts[day_at]))
            except ValueError:
                continue
            if found_day in days:
                return None
            found = found or 1900 <= found_day.year <= 2100
    return said if found else None


def _has_short_date(text: str, days: frozenset[date]) -> bool:
    """Whether a text holds a date with a year of two figures that is no day of tests."""
    for match in _SHORT.finditer(text):
        first, sign, second, year = match.groups()
        one_digit = min(len(first), len(second)) == 1
        if not (
            1 <= int(first) <= 31 and 1 <= int(second) <= 31 and min(int(first), int(second)) <= 12
        ):
            continue
        if _VERSION.search(text[: match.start()]) or (sign == "-" and one_digit):
            continue
        if sign == "." and one_digit and not 10 <= int(year) <= 40:
            continue
        if not _is_one_of(days, int(first), int(second), int(year)):
            return True
    return False


def _is_written_day(match: re.Match[str], days: frozenset[date]) -> bool:
    month = next(
        (
            n
            for w, n in months().items()
            if re.search(rf"(?<![^\W\d_]){re.escape(w)}(?![^\W\d_])", match.group())
        ),
        0,
    )
    found = [match[g] for g in ("d1", "d2", "d3", "d4") if match[g]]
    years = [match[g] for g in ("y1", "y2", "y3") if match[g]]
    day = int(re.sub(r"\D", "", found[0])) if found else 0
    year = int(re.sub(r"\D", "", years[0])) if years else 0
    return any((d.day, d.month) == (day, month) and d.year % 100 == year % 100 for d in days)


def _is_one_of(days: frozenset[date], first: int, second: int, year: int) -> bool:
    """Whether a date with a short year is the day of a test, written either way round."""
    return any(
        d.year % 100 == year and (d.day, d.month) in {(first, second), (second, first)}
        for d in days
    )
