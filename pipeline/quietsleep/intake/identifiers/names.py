"""Whether a word is a name, an ordinary word, or neither is known of it.

Names come from the lists of a library that invents persons in many countries, and from a census.
They are opened when a word turns up that no list of ours knows, and only the names are kept.
"""

from __future__ import annotations

import importlib
import pkgutil
import sys
from collections.abc import Iterator, Mapping
from enum import Enum
from functools import cache, lru_cache
from importlib.util import find_spec
from pathlib import Path

from quietsleep.intake.identifiers.spelling import plain
from quietsleep.intake.identifiers.vocabulary import Hashes, frequency, rare_english
from quietsleep.intake.identifiers.words import months, phrases_of, words_of

# The libraries whose lists are read.
PERSONS, CENSUS = "faker.providers.person", "names"


def common_names() -> frozenset[str]:
    """Return names that are known without opening any list."""
    return words_of("names.common")


@cache
def harmless_words() -> frozenset[str]:
    """Return the words of the trade, which are no names in whatever place."""
    places = ("harmless.trade", "harmless.ward", "harmless.visits", "harmless.files")
    return words_of(*places) - common_names()


class Standing(Enum):
    """What is known of a word."""

    HARMLESS = "a word of the trade"
    ORDINARY = "an ordinary word"
    AMBIGUOUS = "a name that is an ordinary word as well"
    NAME = "a name"
    RARE = "a rare word, or one joined from others"
    UNKNOWN = "in no list"


@cache
def _of_persons() -> tuple[Mapping[str, frozenset[str]], Mapping[str, frozenset[str]]]:
    """Return given and family names, each with the languages that have it."""
    before = set(sys.modules)
    package = importlib.import_module(PERSONS)
    given: dict[str, set[str]] = {}
    family: dict[str, set[str]] = {}
    for module in pkgutil.iter_modules(package.__path__):
        provider = importlib.import_module(f"{PERSONS}.{module.name}").Provider
        language = module.name.partition("_")[0]
        for kind, name in _names_of(provider):
            (given if kind else family).setdefault(name, set()).add(language)
    # The modules hold each name several times.
    for loaded in set(sys.modules) - before:
        if loaded.startswith(f"{PERSONS}."):
            del sys.modules[loaded]
    shared: dict[frozenset[str], frozenset[str]] = {}
    return (
        {n: shared.setdefault(s := frozenset(ls), s) for n, ls in given.items()},
        {n: shared.setdefault(s := frozenset(ls), s) for n, ls in family.items()},
    )


def _names_of(provider: type) -> Iterator[tuple[bool, str]]:
    for attribute in dir(provider):
        listed = getattr(provider, attribute)
        if "name" not in attribute or attribute.startswith("_") or callable(listed):
            continue
        is_given = "first" in attribute or "given" in attribute
        if isinstance(listed, str) or not hasattr(listed, "__iter__"):
            continue
        for entry in listed:
            # Names of some scripts come with their reading.
            for name in entry if isinstance(entry, tuple) else (entry,):
                if isinstance(name, str) and "{" not in name:
                    yield from ((is_given, plain(n)) for n in name.replace("-", " ").split())


@cache
def _census() -> Hashes:
    spec = find_spec(CENSUS)
    if spec is None or spec.origin is None:
        raise ModuleNotFoundError(f"{CENSUS} is not installed", name=CENSUS)
    text = (Path(spec.origin).parent / "dist.all.last").read_text(encoding="ascii")
    names = [line.split(" ", 1)[0].lower() for line in text.splitlines() if line]
    return Hashes.of(names, (1.0 for _ in names))


def languages_of(word: str) -> frozenset[str]:
    """Return the languages in which a plain word is a name."""
    given, family = _of_persons()
    return given.get(word, frozenset()) | family.get(word, frozenset())


def is_given(word: str) -> bool:
    """Whether a plain word is a given name somewhere."""
    return word in common_names() or word in _of_persons()[0]


def is_in_census(word: str) -> bool:
    """Whether a plain word is a family name of a census."""
    return word.isascii() and _census().get(word) > 0


def standing(text: str) -> Standing:
    """Say what is known of a word, as it is written."""
    return _standing(text.casefold().removesuffix("'s").removesuffix("’s"))


@lru_cache(maxsize=8192)
def _standing(folded: str) -> Standing:
    return next(_judged(folded), Standing.UNKNOWN)


def _judged(folded: str) -> Iterator[Standing]:
    word = plain(folded)
    if word in harmless_words() or len(word) < 2:
        yield Standing.HARMLESS
    if word in common_names():
        yield Standing.NAME
    if word in words_of("names.ambiguous") or word in harmless_eponyms():
        yield Standing.AMBIGUOUS
    languages = languages_of(word)
    if word in months() or word in words_of("harmless.days"):
        yield Standing.AMBIGUOUS if languages else Standing.HARMLESS
    if len(word) >= 6 and word.startswith(("mc", "mac", "o'", "d'")) and _is_rare(word):
        yield Standing.NAME
    if languages:
        yield _of_listed(word, languages)
    often = frequency(word, folded)
    if is_in_census(word) and not word.endswith(_stems()):
        if often.peak < 3:
            yield Standing.NAME if rare_english(word) < 2.95 else Standing.AMBIGUOUS
        yield Standing.AMBIGUOUS if often.spread < 0.8 else Standing.ORDINARY
    if often.peak > 3.3 or is_of_trade(word):
        yield Standing.ORDINARY
    if len(word) >= 6 and word.endswith(_endings()):
        yield Standing.NAME
    if often.peak > 2.9 or rare_english(word) >= 1.2 or is_compound(word):
        yield Standing.RARE
    yield Standing.UNKNOWN


def _of_listed(word: str, languages: frozenset[str]) -> Standing:
    """Judge a listed name by how it is used: ordinary words stand out in one language."""
    often = frequency(word)
    if often.peak < 3.2 or len(languages) >= 4:
        return Standing.NAME
    own = often.language in languages or (often.language == "nb" and "no" in languages)
    if often.spread < 0.8 or (own and often.peak < 4.2 and len(word) >= 5):
        return Standing.NAME
    return Standing.AMBIGUOUS


def _is_rare(word: str) -> bool:
    return frequency(word).peak < 3.6


@cache
def harmless_eponyms() -> frozenset[str]:
    """Return the single words after which things and findings are called."""
    return frozenset(p for p in phrases_of("harmless.eponyms") if " " not in p)


@cache
def _stems() -> tuple[str, ...]:
    return tuple(words_of("harmless.stems"))


@cache
def _endings() -> tuple[str, ...]:
    return tuple(words_of("names.endings"))


def is_of_trade(word: str) -> bool:
    """Whether a word is built as words of medicine and of reports are."""
    return len(word) >= 7 and word.endswith(_stems())


@lru_cache(maxsize=4096)
def is_compound(word: str) -> bool:
    """Whether a word is joined from two ordinary ones, as in Nasenbrille."""
    if not 7 <= len(word) <= 30 or word.endswith(_endings()):
        return False
    return any(
        _is_part(word[:at]) and _is_part(word[at:].removeprefix("s" if at > 3 else ""))
        for at in range(3, len(word) - 2)
    )


def _is_part(part: str) -> bool:
    if len(part) < 3:
        return False
    return part in harmless_words() or (len(part) >= 4 and frequency(part).peak >= 3.7)
