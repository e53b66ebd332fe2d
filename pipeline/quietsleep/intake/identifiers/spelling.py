"""How text is compared: words without case and accents, figures of all scripts, parts of codes."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from functools import lru_cache

# No cell may be longer (see `table_cells`), and the patterns cost more than the length.
LONGEST_LOOKED_AT = 400

WORDS = re.compile(r"[^\W\d_]+(?:['’][^\W\d_]+)*")
# Where a small letter meets a large one two words were joined: PatientName.
CAMEL = re.compile(r"(?<=[a-zß-ÿ])(?=[A-ZÀ-Þ])")
_LETTERS = str.maketrans({"ø": "o", "ł": "l", "æ": "ae", "ı": "i", "đ": "d", "œ": "oe", "ð": "d",
                          "’": "'", "‘": "'", "ʼ": "'"})  # fmt: skip
# Marks that show no place of their own: they would part words and numbers.
_UNSEEN = dict.fromkeys([0xAD, 0x200B, 0x200C, 0x200D, 0x200E, 0x200F, 0x2060, 0xFEFF])
_DASHES = str.maketrans(dict.fromkeys("‐‑‒–—−", "-"))
# Scripts that have no capital letters.
CASELESS = re.compile(
    "[\u0590-\u07ff\u0900-\u0fff\u1000-\u109f\u1200-\u139f\u1780-\u17ff\u3040-\u30ff\u3400-\u9fff"
    "\uac00-\ud7af\u10d0-\u10ff\u0e80-\u0eff\U00020000-\U0003ffff]"
)


@lru_cache(maxsize=8192)
def plain(word: str) -> str:
    """Return a word in lower case without accents."""
    if word.isascii():
        return word.lower()
    folded = word.casefold().translate(_LETTERS)
    if folded.isascii():
        return folded
    return "".join(c for c in unicodedata.normalize("NFKD", folded) if not unicodedata.combining(c))


def tidy(value: str) -> str:
    """Return a text as it is looked at: plain signs, spaces, dashes and figures of all scripts."""
    text = value[:LONGEST_LOOKED_AT]
    if not text.isascii():
        text = unicodedata.normalize("NFKC", text.translate(_UNSEEN)).translate(_DASHES)
        text = "".join(str(unicodedata.digit(c)) if c.isdecimal() else c for c in text)
    return " ".join(text[:LONGEST_LOOKED_AT].split())


@dataclass(frozen=True, slots=True)
class Word:
    """One word of a text, and where it stands."""

    text: str
    start: int
    end: int

    @property
    def plain(self) -> str:
        """The word as it is compared; without the possessive at its end."""
        return plain(self.text).removesuffix("'s")

    @property
    def is_capitalised(self) -> bool:
        """Whether it begins with a capital letter."""
        return self.text[0].isupper()

    @property
    def is_upper(self) -> bool:
        """Whether it is written in capitals throughout."""
        return len(self.text) > 1 and self.text.isupper()


def words_in(text: str, *, split_joined: bool = False) -> list[Word]:
    """Return the words of a text; `split_joined` parts PatientName where it is joined."""
    found = []
    for match in WORDS.finditer(text):
        parts = CAMEL.split(match.group()) if split_joined else [match.group()]
        at = match.start()
        for part in parts:
            found.append(Word(part, at, at + len(part)))
            at += len(part)
    return found
