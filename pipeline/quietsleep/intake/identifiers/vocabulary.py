"""How common a word is, in lists of many languages that a library keeps.

Of each word only a hash is kept, beside how common it is: opened into dictionaries the lists would
take hundreds of megabytes, for the few words that nothing else knows. A list is read when a word
of its script turns up.
"""

from __future__ import annotations

import gzip
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache, lru_cache
from importlib.util import find_spec
from pathlib import Path

import msgpack
import numpy as np
from numpy.typing import NDArray

# The library; its own code is not needed, and takes a quarter of a second to import.
LIBRARY = "wordfreq"
LATIN = (
    "en", "de", "fr", "es", "it", "nl", "pt", "pl", "sv", "da", "nb", "fi", "cs", "hu", "tr", "ro",
    "id", "sh", "sk", "lt",
)  # fmt: skip
CYRILLIC = ("ru", "uk", "bg", "mk")
GREEK = ("el",)
# What counts where a list does not have a word: just below the rarest it has.
NOT_LISTED = 2.7


@dataclass(frozen=True, slots=True)
class Hashes:
    """Words by their hashes, each with a number."""

    sorted: NDArray[np.int64]
    numbers: NDArray[np.float32]

    @classmethod
    def of(cls, words: Iterable[str], numbers: Iterable[float]) -> Hashes:
        """Keep some words, each with its number."""
        hashes = np.fromiter(map(hash, words), np.int64)
        order = np.argsort(hashes)
        return cls(hashes[order], np.fromiter(numbers, np.float32)[order])

    def get(self, word: str) -> float:
        """Return the number of a word; 0 where it is none of them."""
        wanted = np.int64(hash(word))
        at = int(np.searchsorted(self.sorted, wanted))
        found = at < len(self.sorted) and self.sorted[at] == wanted
        return float(self.numbers[at]) if found else 0.0


@cache
def _list(name: str) -> Hashes:
    """Return the decimal logarithms of how often words stand in 10**9 words of a language."""
    spec = find_spec(LIBRARY)
    if spec is None or not spec.submodule_search_locations:
        raise ModuleNotFoundError(f"{LIBRARY} is not installed", name=LIBRARY)
    file = Path(next(iter(spec.submodule_search_locations))) / "data" / f"{name}.msgpack.gz"
    # Each block of words is rarer by a hundredth of a decade than the one before.
    _, *blocks = msgpack.unpackb(gzip.decompress(file.read_bytes()))
    numbers = (9 - n / 100 for n, block in enumerate(blocks) for _ in block)
    return Hashes.of((word for block in blocks for word in block), numbers)


@dataclass(frozen=True, slots=True)
class Frequency:
    """How common a word is where it is most common, in which language, and by how much there."""

    peak: float
    language: str
    spread: float


@lru_cache(maxsize=4096)
def frequency(word: str, accented: str = "") -> Frequency:
    """Return how common a word is among the languages of its script that have capital letters.

    `accented` is the word as it is written, where that is not plain.
    """
    each = {}
    for language in _languages_of(word):
        listed = _list(f"small_{language}")
        each[language] = max(listed.get(word), listed.get(accented or word)) or NOT_LISTED
    peak = max(each, key=lambda language: each[language])
    middle = sorted(each.values())[len(each) // 2]
    return Frequency(each[peak], peak, each[peak] - middle)


def _languages_of(word: str) -> tuple[str, ...]:
    if "\u0400" <= word[:1] <= "\u052f":
        return CYRILLIC
    return GREEK if "\u0370" <= word[:1] <= "\u03ff" else LATIN


@lru_cache(maxsize=4096)
def rare_english(word: str) -> float:
    """Return how common a word is in the long list of English; 0 for other scripts."""
    return _list("large_en").get(word) if word.isascii() else 0.0


@lru_cache(maxsize=4096)
def frequency_in(word: str, languages: tuple[str, ...]) -> float:
    """Return how common a word is where it is most common among some languages."""
    return max(_list(f"small_{language}").get(word) for language in languages)
