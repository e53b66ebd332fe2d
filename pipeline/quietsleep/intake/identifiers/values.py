"""What kind of identifier of a person a text holds: the one entry for values.

These are signs, not proofs. What is returned tells what a text looks like, in words for a
sentence, and never the text itself.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import NamedTuple

from quietsleep.intake.identifiers.addresses import finds_address
from quietsleep.intake.identifiers.caseless import finds_caseless_name
from quietsleep.intake.identifiers.contacts import finds_e_mail, finds_telephone
from quietsleep.intake.identifiers.dates import finds_birth_date
from quietsleep.intake.identifiers.kinds import (
    ACCOUNT,
    ADDRESS,
    BIRTH_DATE,
    E_MAIL,
    NAME,
    NATIONAL_NUMBER,
    TELEPHONE,
)
from quietsleep.intake.identifiers.logins import finds_login, finds_place_on_the_net
from quietsleep.intake.identifiers.numbers import finds_number
from quietsleep.intake.identifiers.people import finds_name
from quietsleep.intake.identifiers.spelling import tidy


class IdentifierSign(NamedTuple):
    """A kind of identifier, and why a text is taken for one."""

    kind: str
    why: str


def value_identifies(
    value: str,
    *,
    is_code: bool,
    words: frozenset[str] = frozenset(),
    days: frozenset[date] = frozenset(),
    is_heading: bool = False,
) -> str | None:
    """Say what kind of identifier a value looks like; None when it looks harmless.

    `is_code` is true for values that should be codes, where every capitalised word is suspect.
    `words` are codes of the study, `days` the days of tests: both may stand in a value. A value
    that `is_heading` is the name of a column, which `column_identifies` has to be asked of as well.
    """
    sign = sign_in(value, is_code=is_code, words=words, days=days, is_heading=is_heading)
    return sign.kind if sign else None


def sign_in(
    value: str,
    *,
    is_code: bool,
    words: frozenset[str] = frozenset(),
    days: frozenset[date] = frozenset(),
    is_heading: bool = False,
) -> IdentifierSign | None:
    """Return the first sign of an identifier in a value, by the kinds that are surest first."""
    text = tidy(value)
    if len(text) < 2 or (len(text) < 3 and text.isascii()):
        return None
    looks: tuple[tuple[str, Callable[[], str | None]], ...] = (
        (E_MAIL, lambda: finds_e_mail(text)),
        (ACCOUNT, lambda: finds_place_on_the_net(text)),
        (BIRTH_DATE, lambda: finds_birth_date(text, days, is_code=is_code)),
        (NATIONAL_NUMBER, lambda: finds_number(text, days, is_code=is_code)),
        (TELEPHONE, lambda: finds_telephone(text, is_code=is_code)),
        (ADDRESS, lambda: finds_address(text)),
        (NAME, lambda: finds_name(text, is_code=is_code, words=words, is_heading=is_heading)),
        (ACCOUNT, lambda: finds_login(text, is_code=is_code, words=words)),
        (NAME, lambda: finds_caseless_name(text, is_code=is_code)),
    )
    for kind, look in looks:
        if why := look():
            return IdentifierSign(kind, why)
    return None
