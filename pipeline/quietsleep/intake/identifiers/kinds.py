"""The kinds of identifiers, in words for a sentence."""

from __future__ import annotations

NAME = "the name of a person"
BIRTH_DATE = "a date of birth"
NATIONAL_NUMBER = "a national, insurance or hospital number"
ADDRESS = "a postal address"
TELEPHONE = "a telephone number"
E_MAIL = "an e-mail address"
ACCOUNT = "the account of a person, on a computer, on the net or at a bank"
