"""Postal addresses: streets with a number, flats, boxes, postcodes with a place."""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache

from quietsleep.intake.identifiers.names import Standing, is_of_trade, standing
from quietsleep.intake.identifiers.spelling import plain
from quietsleep.intake.identifiers.words import one_of, phrases_of, words_of

_POSTCODE = re.compile(
    r"^(?:[A-Z]{1,2}\d[A-Z\d]? \d[A-Z]{2}|\d{4} (?!MB|GB|KB|HZ|ML|MS|PA|CM|"
    r"MM|KG|BP|AM|PM|UL)[A-Z]{2}(?: [A-Z][a-z]+)?"
    r"|[A-Z]\d[A-Z] \d[A-Z]\d|[A-Z]{1,2}-\d{4,5} \w+"
    r"|\d{4,5} [A-Z][a-z]{2,}.*)$"
)
_WITHIN = re.compile(
    r"(?<![A-Za-z0-9])(?:(?:[BEGLMNSW]|A[BL]|B[ABDHLNRST]|C[ABFHMORTVW]|"
    r"D[ADEGHLNTY]|E[CHNX]|F[KY]|G[LUY]|H[ADGPRSUX]|I[GMPV]|JE|K[ATWY]|"
    r"L[ADELNSU]|M[EKL]|N[EGNPRW]|O[LX]|P[AEHLOR]|R[GHM]|S[AEGKLMNOPRSTWY]|"
    r"T[ADFNQRSW]|UB|W[ACDFNRSV]|YO|ZE)\d[A-Z\d]? ?\d[ABD-HJLNP-UW-Z]{2}"
    r"|[ABCEGHJ-NPRSTVXY]\d[A-Z] \d[A-Z]\d)(?![A-Za-z0-9])"
)
_ZIP = re.compile(
    r"(?<![A-Za-z])(?:zip|postcode|post code|plz|postal code|code postal|"
    r"postnr|cap|cep|c\.p\.|cp)[ :.]{1,3}[A-Z]{0,2}-?\d{3,6}(?!\d)",
    re.IGNORECASE,
)
_STATE = re.compile(r"\b[A-Z]{2} \d{5}(?:-\d{4})?\b")
# A house number, a comma, and a place with or without its postcode.
_PLACED = re.compile(
    r"(?P<street>[^\W\d_][^\d,;:]{2,40}?),? (?:nr?\.? ?|no\.? ?|nº ?|č\.? ?|"
    r"д\. ?|#)?(?P<number>\d{1,4})(?: ?[a-zA-Z])?(?:[ /-]\d{1,4}){0,"
    r"2}[a-z]?(?: ?[A-Z] \d{1,3})?"
    r",(?: \d\. ?\w{1,3}\.?,)? (?P<code>(?:[A-Z]{1,2}-)?\d{2,3}[ -]?\d{2,"
    r"3} |\d{3,6} )?(?P<place>[^\W\d_][^\W\d_]{2,})",
)
_UNSPACED = re.compile(
    r"[\u4e00-\u9fff]{1,8}(?:路|街|道|巷|弄|里|村|镇|區|区)[^a-zA-Z]{0,"
    r"12}?\d{1,5}\s?(?:号|號|栋|室|弄|楼|樓|之)|〒\s?\d{3}-?\d{4}|"
    r"\d+\s?丁目|\d+\s?番地?|"
    r"[\u4e00-\u9fff]{2,}[町村][\u4e00-\u9fff]{0,4}\s?\d+-\d+|"
    r"[\u4e00-\u9fff]{1,4}[省市区県縣郡都][\u4e00-\u9fff\d]{2,20}\d{1,"
    r"4}(?:号|號|栋|-\d)|"
    r"[\uac00-\ud7af]{1,8}(?:로|길|동|읍|면|리)\s?\d{1,4}(?:-\d+|번길|번지|"
    r"호)?(?!\d|초|분|회|차|월|일|년|주|kg|ml|도|번째)|\d{1,4}동 ?\d{1,4}호|"
    r"หมู่ ?\d|ถนน|ซอย|ต\.[ก-๙]{3,}|मकान|गली|मोहल्ला|গলি|বাড়ি নং|பதிப்பு|"
    r"தெரு|வீதி|వీధి|ఇంటి నం"
)


@cache
def _by_words() -> tuple[re.Pattern[str], ...]:
    behind = one_of(words_of("addresses.behind"))
    before = one_of(words_of("addresses.before"))
    ends = one_of(words_of("addresses.ends"))
    boxes = one_of(phrases_of("addresses.boxes"))
    name = r"[^\W\d_][^\W\d_'’-]*"
    return (
        # 14 Elm Road
        re.compile(
            rf"(?<![\w.])(?:no\.? ?)?\d{{1,5}}(?:[/-]\d{{1,4}})?[a-z]?,"
            rf"? (?:{name}['’]?s? ){{1,4}}{behind}(?![^\W_])",
            re.IGNORECASE,
        ),
        # Elm Road 14
        re.compile(
            rf"(?<![^\W_])(?:{name} ){{1,3}}{behind}[ .,]{{1,2}}(?:n[or]?\.? ?)"
            rf"?\d{{1,4}}(?![\d.,]\d|\d)",
            re.IGNORECASE,
        ),
        # rue des Lilas 3, 12 rue des Lilas
        re.compile(
            rf"(?<![^\W_]){before}[ .](?: ?{name}\.?[ ,]){{0,5}} ?(?:n[or]?[.°º]? ?|"
            rf"num\.? ?|д\.? ?)?\d{{1,4}}(?!\d|[.,]\d| ?(?:l|ml|kpa|hz|%)\b)",
            re.IGNORECASE,
        ),
        re.compile(
            rf"(?<![\w.])\d{{1,4}}(?: ?bis| ?ter| ?[a-z])?,? {before}[ .](?:d[eu]s? |"
            rf"de la |l'|d'|della |dei )?{name}",
            re.IGNORECASE,
        ),
        # Kerkstraat 5, 14 Kerkstraat
        re.compile(
            rf"(?<![^\W_])(?!atem|luft|fluss){name}[- ]?{ends}[ .]{{1,2}}\d{{1,"
            rf"4}}(?!\d|[.,]\d| ?(?:l|ml|kpa|hz|%|mm|cm)\b)|(?<![\w.,])\d{{1,"
            rf"4}}[a-z]? (?!atem|luft|fluss)[^\W\d_]{{3,}}{ends}(?![^\W_])",
            re.IGNORECASE,
        ),
        re.compile(
            rf"(?<![^\W_])(?:{name} ){{1,4}}(?:{behind}|{ends}),? ?n[or]?[.:°º ]{{1,2}}\d{{1,4}}",
            re.IGNORECASE,
        ),
        re.compile(
            rf"(?<![^\W_]){boxes}[ .:]{{0,3}}(?:no?\.? ?|nr\.? ?)?\d{{1,6}}(?:[ ,]|$)",
            re.IGNORECASE,
        ),
    )


@cache
def _flat() -> re.Pattern[str]:
    flats = one_of(phrases_of("addresses.flats"))
    return re.compile(
        rf"(?<![^\W_]){flats}[ .]{{0,2}}(?:no\.? ?)?\d{{1,4}}[a-z]?(?:/\d+)?,"
        rf"? (?:\d{{1,5}}[a-z]? )?[^\W\d_]{{3,}}",
        re.IGNORECASE,
    )


@cache
def _moved() -> re.Pattern[str]:
    moved = phrases_of("addresses.moved") - {"from", "moved", "bor", "vive", "mora", "residing"}
    return re.compile(
        rf"(?<![^\W_]){one_of(moved)}[ :]{{1,3}}(?:(?:at|to|in|now|nun|jetzt|a|"
        rf"en|em|w|v|na|i|the) ){{0,2}}(?P<rest>.{{3,80}})",
        re.IGNORECASE,
    )


def finds_address(text: str) -> str | None:
    """Say by which sign a text holds a postal address; None where it shows none."""
    return next(filter(None, _signs_of_address(text)), None)


def _signs_of_address(text: str) -> Iterator[str | None]:
    if _POSTCODE.match(text):
        code, _, place = text.partition(" ")
        if not code.isdecimal() or standing(re.sub(r"\W.*", "", place)) is not Standing.HARMLESS:
            yield "it is written as postcodes are"
    if _WITHIN.search(text) or _ZIP.search(text):
        yield "it holds a postcode"
    if not any(c.isdigit() for c in text):
        yield _without_number(text)
    if _UNSPACED.search(text):
        yield "it is written as addresses are"
    folded = plain(text)
    yield _with_street(folded)
    if (match := _flat().search(folded)) and _looks_placed(text):
        words = re.findall(r"[^\W\d_]{3,}", match.group())[1:]
        if words and all(standing(w) is not Standing.HARMLESS for w in words):
            yield "it holds a flat"
    if (match := _PLACED.search(text)) and _is_place(match):
        yield "it holds a street, a number and a place"
    if (match := _moved().search(folded)) and _is_told(match["rest"]):
        yield "a word before it announces an address"


def _with_street(folded: str) -> str | None:
    for n, pattern in enumerate(_by_words()):
        for match in pattern.finditer(folded):
            if n == 6 or not _is_of_the_ward(match.group(), n):
                return "it holds a street and a number" if n < 6 else "it holds a post-office box"
    return None


def _is_place(match: re.Match[str]) -> bool:
    """Whether what stands around a house number is a street and a place."""
    street = re.findall(r"[^\W\d_]{3,}", match["street"])
    if not street or not match["place"][0].isupper():
        return False
    known = {standing(w) for w in (*street, match["place"])}
    if Standing.HARMLESS in known:
        return False
    if match["code"]:
        return True
    is_large = street[-1][0].isupper() or street[0][0].isupper()
    of_trade = any(is_of_trade(plain(w)) for w in street)
    return is_large and not of_trade and not known.isdisjoint(_NO_WORDS)


_NO_WORDS = {Standing.UNKNOWN, Standing.NAME, Standing.RARE}


def _is_told(rest: str) -> bool:
    """Whether behind a word for living somewhere stands a street with a number."""
    first = re.match(r"[^\W\d_]+", rest)
    if first and standing(first.group()) is Standing.HARMLESS:
        return False
    measured = r"\d+ ?(?:min|h|weeks?|wk|months?|mo|km|miles?|days?|hours?|l|ml)\b"
    before = re.match(r"(?:no\.? ?)?\d{1,4}[a-z]? [^\W\d_]{3,}", rest)
    behind = re.search(r"[^\W\d_]{4,} \d{1,4}[a-z]?(?:$|[ ,-])", rest)
    return bool(before or behind) and re.match(measured, rest) is None


def _without_number(text: str) -> str | None:
    match = re.search(r"(?<![^\W_])c/o(?![^\W_])", text, re.IGNORECASE)
    return "it is in care of somebody" if match and "," in text else None


def _looks_placed(text: str) -> bool:
    return bool(re.search(r"\d", text)) and (
        "," in text or bool(re.search(r"[A-Z][a-z]{2,}", text))
    )


_SURE_ENDS = (
    "strasse",
    "straat",
    "gracht",
    "gatan",
    "vagen",
    "gade",
    "gasse",
    "katu",
    "laan",
    "str",
)


def _is_of_the_ward(found: str, n: int) -> bool:
    """Whether what is written like a street tells of the test: via nasal cannula 2."""
    words = re.findall(r"[^\W\d_]{2,}", found)
    street = words_of("addresses.behind", "addresses.before", "addresses.ends")
    named = [w for w in words if w not in street and len(w) >= 3]
    if n == 4:
        if any(w.endswith(_SURE_ENDS) for w in words):
            return any(standing(w) is Standing.HARMLESS for w in words)
        return any(standing(w) in {Standing.HARMLESS, Standing.ORDINARY} for w in words)
    if not named:
        return True
    if n in {2, 3}:
        known = all(standing(w) in {Standing.HARMLESS, Standing.ORDINARY} for w in named)
        return known and words[0] in words_of("addresses.of_the_trade_too")
    short = [w for w in words if w in street and len(w) <= 3]
    if any(standing(w) is Standing.HARMLESS for w in named):
        return True
    ordinary = all(standing(w) is Standing.ORDINARY for w in named)
    return ordinary and (bool(short) or n == 1) and len(named) < 2
