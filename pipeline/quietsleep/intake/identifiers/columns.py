"""What a heading announces: a column of names, of dates of birth, of numbers of persons."""

from __future__ import annotations

import re
from difflib import get_close_matches
from functools import cache, lru_cache

from quietsleep.intake.identifiers.kinds import (
    ACCOUNT,
    ADDRESS,
    BIRTH_DATE,
    E_MAIL,
    NAME,
    NATIONAL_NUMBER,
    TELEPHONE,
)
from quietsleep.intake.identifiers.spelling import CAMEL, LONGEST_LOOKED_AT, WORDS, plain, tidy
from quietsleep.intake.identifiers.words import phrases_of, words_of

_PLACES = (
    ("birth", BIRTH_DATE),
    ("number", NATIONAL_NUMBER),
    ("telephone", TELEPHONE),
    ("email", E_MAIL),
    ("address", ADDRESS),
    ("name", NAME),
)


def column_identifies(header: str) -> str | None:
    """Say what kind of identifier a column of that name would hold; None when it looks harmless."""
    text = tidy(header[:LONGEST_LOOKED_AT])
    tokens = [plain(w) for w in WORDS.findall(CAMEL.sub(" ", text))]
    if not tokens:
        return None
    found = frozenset(tokens)
    if kind := _by_pairs(found):
        return kind
    tokens = [_mended(t) for t in tokens]
    found = frozenset(tokens)
    things = words_of("headings.things.words") & found
    if things and not found & words_of("headings.things.persons") and not _is_strong(tokens):
        return None
    joined = "".join(tokens)
    of_state = bool(found & words_of("headings.things.state")) or any(
        sign in joined for sign in words_of("headings.things.state_signs")
    )
    for place, kind in _PLACES:
        if _announces(place, tokens, joined, of_state=of_state):
            return kind
    return None


@lru_cache(maxsize=1024)
def _mended(token: str) -> str:
    """Return the word that a token is a slip of: a letter too few, too many or wrong."""
    if len(token) < 7 or not token.isascii():
        return token
    near = get_close_matches(token, words_of("headings.things.misspelt"), n=1, cutoff=0.87)
    return near[0] if near else token


def _by_pairs(found: frozenset[str]) -> str | None:
    state = found & words_of("headings.things.state") - {"place", "date"}
    if (
        found & {"birth", "brth", "bth", "bith", "brith"}
        and found & words_of("headings.things.of_birth")
        and not state
    ):
        return BIRTH_DATE
    if (
        found & words_of("headings.things.numbered")
        and found & words_of("headings.things.numbers")
        and not found & (words_of("headings.things.words") - {"hospital", "clinic"})
    ):
        return NATIONAL_NUMBER
    if found & {"emerg", "emergency", "primary", "kin", "nok", "next"} and found & {
        "contact",
        "kin",
        "rel",
        "person",
        "relative",
        "name",
    }:
        return NAME
    if {"user", "id"} <= found or {"login", "name"} <= found:
        return ACCOUNT
    return None


def _is_strong(tokens: list[str]) -> bool:
    """Whether a heading asks for a person although a thing is named as well."""
    joined = "".join(tokens)
    strong = (
        "dateofbirth",
        "birthdate",
        "phone",
        "email",
        "address",
        "surname",
        "lastname",
        "firstname",
        "geburtsdat",
    )
    return any(word in joined for word in strong) and not {"ip", "mac"} & set(tokens)


@cache
def _long(place: str) -> tuple[str, ...]:
    """Words and phrases that are found inside a longer heading as well."""
    words = {w for w in words_of(f"headings.{place}.words") if len(w) >= 6 and w.isascii()}
    signs = {
        w
        for w in words_of(f"headings.{place}.words")
        if not w.isascii() and len(w) >= (2 if w[0] > "\u2e00" else 5)
    }
    joined = {re.sub(r"[\W_]+", "", p) for p in phrases_of(f"headings.{place}.phrases")}
    joined = {
        p
        for p in joined
        if len(p) >= 6 or (not p.isascii() and len(p) >= (2 if p[:1] > "\u0900" else 4))
    }
    never = {
        "mothers",
        "father",
        "mother",
        "fathers",
        "parents",
        "parent",
        "signal",
        "account",
        "encounter",
        "portable",
        "mobile",
        "number",
        "initial",
        "village",
        "insurance",
        "street",
        "domain",
    }
    return tuple((words | signs | joined) - never - {""})


@cache
def _whole(place: str) -> frozenset[str]:
    return frozenset(re.sub(r"[\W_]+", "", p) for p in phrases_of(f"headings.{place}.phrases"))


def _announces(place: str, tokens: list[str], joined: str, *, of_state: bool) -> bool:
    words = words_of(f"headings.{place}.words")
    if joined in words or joined in _whole(place):
        return True
    if place == "birth" and set(tokens) & {
        "birthday",
        "birthdate",
        "dob",
        "bday",
        "geburtstag",
        "geburtsdatum",
        "birthdt",
    }:
        return True
    if (
        place == "birth"
        and of_state
        and not set(tokens) & (words_of("headings.things.days") | {"dat", "dt"})
    ):
        return False
    relatives = words & words_of("headings.things.persons")
    for token in tokens:
        if token not in words:
            continue
        if (
            token in words_of("headings.things.only_alone")
            and len(tokens) > 1
            and not _is_with_filler(tokens, token)
        ):
            continue
        if token in relatives and not _is_all_of_persons(tokens, words):
            continue
        if token in {"born", "geb", "geboren", "ne", "fodt", "birth"} and of_state:
            continue
        if of_state and place in {"name", "address"} and token in relatives | {"nom", "nome"}:
            continue
        return True
    if of_state and place == "name" and not any(w in joined for w in ("name", "nombre", "apellid")):
        return False
    return any(word in joined for word in _long(place))


def _is_with_filler(tokens: list[str], token: str) -> bool:
    """Whether beside a short word stands only what goes with it."""
    fillers = (
        words_of("headings.things.numbers")
        | words_of("headings.things.persons")
        | {
            "of",
            "the",
            "de",
            "del",
            "des",
            "della",
            "do",
            "da",
            "home",
            "full",
            "1",
            "o",
            "first",
            "last",
        }
    )
    return all(t == token or t in fillers for t in tokens)


def _is_all_of_persons(tokens: list[str], words: frozenset[str]) -> bool:
    """Whether a heading names a relative and nothing that the relative does or has."""
    fillers = (
        words
        | words_of("headings.things.persons")
        | {
            "of",
            "the",
            "s",
            "de",
            "legal",
            "full",
            "der",
            "des",
            "and",
            "or",
            "und",
            "et",
            "y",
            "e",
            "responsible",
            "primary",
            "referring",
            "emergency",
            "present_name",
        }
    )
    return all(t in fillers for t in tokens)
