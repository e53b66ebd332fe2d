"""What looks like an identifier of a person, as a column name or a value; the one way in."""

from __future__ import annotations

from quietsleep.intake.identifiers.columns import column_identifies
from quietsleep.intake.identifiers.kinds import (
    ACCOUNT,
    ADDRESS,
    BIRTH_DATE,
    E_MAIL,
    NAME,
    NATIONAL_NUMBER,
    TELEPHONE,
)
from quietsleep.intake.identifiers.names import common_names, harmless_words
from quietsleep.intake.identifiers.spelling import plain
from quietsleep.intake.identifiers.values import IdentifierSign, sign_in, value_identifies

__all__ = [
    "ACCOUNT", "ADDRESS", "BIRTH_DATE", "E_MAIL", "NAME", "NATIONAL_NUMBER", "TELEPHONE",
    "IdentifierSign", "column_identifies", "common_names", "harmless_words", "plain", "sign_in",
    "value_identifies",
]  # fmt: skip
