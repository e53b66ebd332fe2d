"""Telephone numbers and e-mail addresses, also in disguise."""

from __future__ import annotations

import re
from functools import cache

from quietsleep.intake.identifiers.spelling import plain
from quietsleep.intake.identifiers.words import one_of, words_of

_AT = (
    r"(?:\s?@\s?|\s?[(\[{<]\s?(?:at|a|arroba|kukac|snabel-?a|chiocciola|@|"
    r"klammeraffe|apestaart(?:je)?|malpa|zavinac|sobaka|собака)\s?[)"
    r"\]}>]\s?|\s(?:at|arroba|kukac|snabel-?a|chiocciola|klammeraffe|"
    r"apestaart(?:je)?|malpa|małpa|zavinac|zavináč|arobase|собака|et|"
    r"miukumauku|alfakrull)\s)"
)
_DOT = (
    r"(?:[.,]|(?<=[)\]}>])\s?[.,]\s?|\s?[(\[{<]\s?(?:dot|punkt|point|punto|"
    r"ponto|punt|pont|kropka|tecka|piste|nokta|точка)\s?[)\]}>]\s?|\s(?:dot|"
    r"punkt|point|punto|ponto|punt|pont|kropka|tecka|tečka|piste|nokta|"
    r"точка)\s)"
)
_PLAIN_MAIL = re.compile(r"[^\s@,;:<>()]{1,64}\s?@\s?[^\s@,;:<>()]{1,64}[.,][A-Za-z]{2,}")
_LOCAL = r"[A-Za-z0-9][\w+%-]{0,30}(?:" + _DOT + r"[\w+%-]{1,30}){0,3}"
_MAIL = re.compile(
    rf"(?<!\w){_LOCAL}{_AT}[A-Za-z0-9][\w-]{{1,40}}(?:{_DOT}[A-Za-z0-9-]{{2,40}}){{1,3}}(?!\w)",
    re.IGNORECASE,
)
_OF_A_FILE = re.compile(
    r"\.(?:json|csv|dat|txt|edf|toml|pdf|xlsx?|docx?|png|jpe?g|raw|bin|zip|"
    r"parquet|md|py|tsv|log|cal)$",
    re.IGNORECASE,
)
_HALF = re.compile(r"(?<![\w.])[A-Za-z][\w-]*(?:[._]\w+)+@[A-Za-z][\w-]{2,}", re.IGNORECASE)

_TELEPHONE = re.compile(
    r"""(?<![\w.,-])(?:
        \+[ ]?[1-9]\d{0,2}[\s()./-]*\d(?:[\s()./-]*\d){6,12}           # +44 20 ...
      | 00[ ]?[1-9]\d{0,2}\s*\d(?:[\s()]*\d){6,12}                    # 0044 20 ...
      | 00[2-9]\d-\d{2,4}-\d{5,8}
      | \(0?\d{2,5}\)[\s/-]?\d(?:[\s-]?\d){3,8}                        # (030) 123456
      | 0\d{1,4}[\s/]\d(?:[\s/-]?\d){4,8}                              # 030 123456, 0171/234567
      | 0\d{1,4}-\d{6,8}                                               # 06-12345678
      | 0[1-9]\d{0,2}-\d{3,4}-\d{3,4}                                  # 090-1234-5678
      | 0\d0-\d{3,4}-\d{4}
      | 0\d{1,2}-\d{3}[ ]\d{3,4}
      | 0[1-9](?:[\s.]\d\d){4}                                         # 06.12.34.56.78
      | 0[1-9]\d{8,9}                                                  # 0612345678
      | [2-9]\d\d[-.\s][2-9]\d\d[-.\s]\d{4}                            # 555-234-5678
      | 1[-. ]?8\d\d[-. ]\d{3}[-. ]\d{4}
      | 8[ ]?\(?9\d\d\)?[ -]?\d{3}[ -]?\d\d[ -]?\d\d
      | 1[3-9]\d[ -]?\d{4}[ -]?\d{4}
      | [6-9]\d{4}[ ]\d{5}
      | 555-0\d{3}
    )(?![\w-])""",
    re.X,
)


@cache
def _labelled() -> re.Pattern[str]:
    labels = words_of("contacts.telephone")
    apart = one_of({w for w in labels if w.isascii() or not _joins_figures(w)})
    joined = one_of({w for w in labels if _joins_figures(w)})
    return re.compile(
        rf"(?:(?<![^\W_]){apart}(?![^\W\d_])|{joined}|[℡☎✆📞📱])[^\d+(]{{0,"
        rf"18}}([+(]?[\do](?:[ ()./-]{{0,2}}\d){{5,14}})(?![\d:])"
    )


def _joins_figures(word: str) -> bool:
    """Whether a word is of a script that is written without spaces."""
    return any("\u0e00" <= c <= "\u0e7f" or "\u3040" <= c <= "\ud7af" for c in word)


def finds_telephone(text: str, *, is_code: bool) -> str | None:
    """Say by which sign a text holds a telephone number; None where it shows none."""
    opened = re.sub(r"(?<![^\W_])[oO](?=\d{3})", "0", text)
    if is_code:
        opened = re.sub(r"^[A-Za-z]\d{3}[-_ /;:]", "", opened)
    if any(not _is_day(match.group()) for match in _TELEPHONE.finditer(opened)):
        return "it is written as telephone numbers are"
    for match in _labelled().finditer(plain(opened)):
        digits = re.sub(r"\D", "", match.group(1))
        clocks = re.fullmatch(
            r"(?:[01]\d|2[0-3])[0-5]\d[ /-]+(?:[01]\d|2[0-3])[0-5]\d", match.group(1)
        )
        if 6 <= len(digits) <= 15 and not clocks and not _is_day(match.group(1)):
            return "a word before it announces a telephone number"
    if not is_code and re.fullmatch(r"\d{3}[ .]\d{3}[ .]\d{3}|\d\d(?:[ .]\d\d){3}", text):
        return "it is written as telephone numbers are"
    tokens = re.findall(r"\w+", text)
    in_words = [plain(token) in words_of("contacts.figures") for token in tokens]
    run = longest = 0
    for is_in_words, token in zip(in_words, tokens, strict=True):
        run = run + 1 if is_in_words or token.isdecimal() else 0
        longest = max(longest, run)
    words = sum(in_words)
    if (longest >= 7 and words >= 5) or (
        longest >= 5 and words >= 4 and sum(c.isdigit() for c in text) >= 4
    ):
        return "it is a number said in words"
    return None


def _is_day(text: str) -> bool:
    return re.fullmatch(r"\d{1,4}([./-])\d{1,2}\1\d{1,4}", text.strip()) is not None


def finds_e_mail(text: str) -> str | None:
    """Say by which sign a text holds an e-mail address; None where it shows none."""
    if _PLAIN_MAIL.search(text) or _HALF.search(text):
        return "it has the sign of e-mail addresses"
    for match in _MAIL.finditer(text):
        if not _OF_A_FILE.search(match.group()) and not re.search(
            r"\d\s?(?:Hz|ml|l/min|kpa|%|mg)", text, re.IGNORECASE
        ):
            return "it is an e-mail address in words"
    return None
