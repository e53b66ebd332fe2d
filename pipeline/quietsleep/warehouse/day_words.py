"""Days that stand in words: in codes that a centre made, names of files, sentences, answers.

A day that is found is put into letters by a key that stays with the coordinating centre, the same
day of the same centre always into the same letters. So codes still name one thing each, and join,
but no day can be read from them or found by trying all days.
"""

from __future__ import annotations

import hashlib
import hmac
import re
from collections.abc import Callable, Mapping
from contextlib import suppress
from datetime import UTC, date, datetime, timedelta

_YEAR = r"(?:19|20)\d\d"
_MONTH = r"(?:0[1-9]|1[0-2])"
_DAY = r"(?:0[1-9]|[12]\d|3[01])"
_SHORT_YEAR = r"(?:1[5-9]|[23]\d)"
_TIME = (
    r"(?:[T _-]?(?:[01]\d|2[0-3])[:._-]?[0-5]\d"
    r"(?:[:._-]?[0-5]\d(?:[.,]\d+)?)?(?:Z|[+-]\d\d:?\d\d)?)?"
)
_SHORT_DAY, _SHORT_MONTH = r"(?:0?[1-9]|[12]\d|3[01])", r"(?:0?[1-9]|1[0-2])"
_ANY_YEAR, _NTH = r"(?:(?:19|20)?\d\d)", r"\d{1,2}(?:st|nd|rd|th)?"
_MONTHS = {
    name: number
    for number, names in enumerate(
        ("january jan", "february feb", "march mar", "april apr", "may", "june jun", "july jul",
         "august aug", "september sept sep", "october oct", "november nov", "december dec"),
        start=1,
    )
    for name in names.split()
}  # fmt: skip
_NAMES = "|".join(
    sorted((w for n in _MONTHS for w in (n.capitalize(), n.upper())), key=len, reverse=True)
)
_LOWER = "|".join(sorted(_MONTHS, key=len, reverse=True))
# A run of ten or more letters and digits of a hash may look like a day; what is a hash is left.
A_HASH = re.compile(r"[0-9a-f]{12,}")
# In the order in which they are tried at one place.
_FORMS = (
    rf"(?P<iso>{_YEAR}(?P<between_iso>[-._/ ]){_MONTH}(?P=between_iso){_DAY}{_TIME})",
    rf"(?P<compact>{_YEAR}{_MONTH}{_DAY}(?:[T_-]?\d{{4}}(?:\d\d)?)?)",
    rf"(?P<compact_european>{_DAY}{_MONTH}{_YEAR})",
    rf"(?P<short>{_SHORT_YEAR}{_MONTH}{_DAY})",
    rf"(?P<short_european>{_DAY}{_MONTH}{_SHORT_YEAR})",
    rf"(?P<week>{_YEAR}-?[Ww](?:0[1-9]|[1-4]\d|5[0-3])(?:-?[1-7])?)",
    rf"(?P<ordinal>{_YEAR}-(?:[0-2]\d\d|3[0-5]\d|36[0-6]))",
    rf"(?P<european>{_SHORT_DAY}(?P<between_eu>[-./ ]){_SHORT_MONTH}(?P=between_eu){_ANY_YEAR})",
    rf"(?P<american>{_SHORT_MONTH}(?P<between_us>[-./]){_SHORT_DAY}(?P=between_us){_ANY_YEAR})",
    rf"(?P<month>{_YEAR}[-._/]?{_MONTH})",
    r"(?P<seconds>1[5-9]\d{8}(?:\d{3})?)",
    rf"(?P<named>{_NTH}[ .-]{{0,2}}(?:{_NAMES})(?![A-Za-z])(?:[ .,-]{{0,2}}(?:{_YEAR}|\d\d))?)",
    rf"(?P<named_lower>\d{{1,2}}[._-]?(?:{_LOWER})[._-]?(?:{_YEAR}|\d\d))",
    rf"(?P<named_first>(?:{_NAMES})[ .-]{{0,2}}{_NTH}(?!\d)(?:[ .,-]{{0,2}}{_YEAR})?)",
    rf"(?P<month_named>(?:{_NAMES})[ .,-]{{0,2}}{_YEAR})",
    rf"(?P<year_first>{_YEAR}[ .-]?(?:{_NAMES}|{_LOWER})(?:[ .-]?\d{{1,2}})?)",
)
_ANY = re.compile(rf"(?<![\d])(?:{'|'.join(_FORMS)})(?!\d)")


def days_hidden(secret: bytes) -> Callable[[str, str], str]:
    """Return a function of a text and a centre that puts every day in the text into letters."""

    def hide(text: str, centre: str) -> str:
        if A_HASH.fullmatch(text):
            return text
        return _ANY.sub(lambda found: _letters(secret, centre, _told(found)), text)

    return hide


def tells_day(text: str) -> bool:
    """Say whether something in a text may be read as a day, a week or a month."""
    return not A_HASH.fullmatch(text) and _ANY.search(text) is not None


def _letters(secret: bytes, centre: str, said: str) -> str:
    digest = hmac.new(secret, f"{centre}\n{said}".encode(), hashlib.sha256).hexdigest()
    return "day-" + digest[:12].translate(str.maketrans("0123456789", "ghijkmnpqr"))


def _told(found: re.Match[str]) -> str:
    """Return the day that was found as YYYY-MM-DD; as it is written where it is none."""
    text = found.group()
    for form, read in _READ.items():
        if found[form]:
            with suppress(ValueError):
                return read(text).isoformat()
    return text


def _iso(text: str) -> date:
    return date(int(text[:4]), int(text[5:7]), int(text[8:10]))


def _compact(text: str) -> date:
    return date(int(text[:4]), int(text[4:6]), int(text[6:8]))


def _compact_european(text: str) -> date:
    return date(int(text[4:]), int(text[2:4]), int(text[:2]))


def _short(text: str) -> date:
    return date(2000 + int(text[:2]), int(text[2:4]), int(text[4:]))


def _short_european(text: str) -> date:
    return date(2000 + int(text[4:]), int(text[2:4]), int(text[:2]))


def _ordinal(text: str) -> date:
    return date(int(text[:4]), 1, 1) + timedelta(days=int(text[5:]) - 1)


def _european(text: str) -> date:
    day, month, year = (int(part) for part in re.split(r"[-./ ]", text))
    return date(year if year > 99 else 2000 + year, month, day)


def _seconds(text: str) -> date:
    return datetime.fromtimestamp(int(text[:10]), UTC).date()


_READ: Mapping[str, Callable[[str], date]] = {
    "iso": _iso,
    "compact": _compact,
    "compact_european": _compact_european,
    "short": _short,
    "short_european": _short_european,
    "ordinal": _ordinal,
    "european": _european,
    "seconds": _seconds,
}
