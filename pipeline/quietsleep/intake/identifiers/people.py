"""Names of persons in what is written of a test: by titles, roles, initials and neighbours."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from functools import cache

from quietsleep.intake.identifiers.names import (
    Standing,
    common_names,
    harmless_eponyms,
    harmless_words,
    is_compound,
    is_given,
    languages_of,
    standing,
)
from quietsleep.intake.identifiers.spelling import Word, plain, words_in
from quietsleep.intake.identifiers.vocabulary import frequency
from quietsleep.intake.identifiers.words import months, one_of, phrases_of, words_of

_S = Standing
# What may be a name where something else says that a name stands here.
_POSSIBLE = frozenset({_S.NAME, _S.UNKNOWN, _S.AMBIGUOUS, _S.RARE})
_LIKELY = frozenset({_S.NAME, _S.UNKNOWN})
_GAP = re.compile(r"[ .,:;()\"'/_-]{1,3}")
_SPACE = re.compile(r"[ ,_.-]{1,2}")
# Written apart from its capital inside, such as PneumoBox, a word is the name of a thing.
_PRODUCT = re.compile(r"(?!Mc|Mac|O['’]|De|Di|Van|Le|La|Fitz)[^\W\d_]*[^\W\d_A-Z][A-Z][^\W\d_]*")
_DOTTED_INITIALS = re.compile(r"(?:[A-Z]\. ?){1,3}[A-Z]\.?")


def finds_name(
    text: str, *, is_code: bool, words: frozenset[str] = frozenset(), is_heading: bool = False
) -> str | None:
    """Say by which sign a text holds the name of a person; None where it shows none.

    `words` may stand in it whatever they are. A heading of one word is in the language of the
    centre, and none that no list knows is a name for that.
    """
    if not any(c.isalpha() for c in text):
        return None
    said = _without_eponyms(text)
    found = list(words_in(said, split_joined=is_code))
    line = _Line(said, found, words, is_code=is_code)
    if not any(line.at(n) in _POSSIBLE for n in range(len(found))) and not line.has_capital:
        return None
    more = _SIGNS_OF_CODES if is_code else () if is_heading else _SIGNS_OF_TEXT
    return next((why for sign in (*_SIGNS, *more) if (why := sign(line))), None)


class _Line:
    """The words of a text and what is known of each."""

    def __init__(
        self, text: str, words: Sequence[Word], allowed: frozenset[str], *, is_code: bool
    ) -> None:
        self.text = text
        self.words = words
        self.is_code = is_code
        self._allowed = allowed
        letters = [w for w in words if len(w.text) > 1]
        upper = sum(w.is_upper for w in letters)
        # Where all is written in capitals they say nothing.
        self.is_shouted = bool(letters) and upper == len(letters) and len(letters) > 1
        self.has_capital = any(w.is_capitalised for w in words)
        # Nor where each word begins large, as titles do.
        self.is_titled = len(letters) > 1 and all(
            w.is_capitalised for w in letters if len(w.text) > 3
        )

    def __len__(self) -> int:
        return len(self.words)

    def at(self, n: int) -> Standing:
        """What is known of a word; one that may stand here is harmless."""
        word = self.words[n]
        if word.plain in self._allowed or _PRODUCT.fullmatch(word.text):
            return _S.HARMLESS
        # A code of the study that lost its hyphen: larchs001.
        is_numbered = self.text[word.end : word.end + 1].isdigit()
        if is_numbered and word.plain[:-1] in self._allowed:
            return _S.HARMLESS
        # A short word in capitals is short for something.
        is_short = word.is_upper and not self.is_shouted and len(word.text) <= 4
        if is_short and (len(word.text) <= 3 or not _is_widely_name(word.plain)):
            return _S.HARMLESS
        return standing(word.text)

    def is_large(self, n: int) -> bool:
        """Whether a word begins large where that says something."""
        return self.words[n].is_capitalised

    def may_be_name(self, n: int) -> bool:
        """Whether a word can be a name where a name is expected."""
        if not 0 <= n < len(self.words) or len(self.words[n].text) < 2:
            return False
        known = self.at(n)
        if self.is_large(n):
            return known in _POSSIBLE
        return known is _S.NAME and len(self.words[n].text) >= 3 and _is_surely_name(self.plain(n))

    def gap(self, n: int) -> str:
        """What stands between a word and the one behind it."""
        return self.text[self.words[n].end : self.words[n + 1].start]

    def joins(self, n: int, pattern: re.Pattern[str] = _SPACE) -> bool:
        """Whether a word and the one behind it stand beside each other."""
        return n + 1 < len(self.words) and pattern.fullmatch(self.gap(n)) is not None

    def plain(self, n: int) -> str:
        """A word as it is compared."""
        return self.words[n].plain

    def is_called_after(self, n: int) -> bool:
        """Whether a thing is called after a name: it stands behind it."""
        last = min(n + 3, len(self.words))
        return any(self.plain(m) in words_of("names.called_after") for m in range(n + 1, last))


@cache
def _eponym_pattern() -> re.Pattern[str]:
    several = [p for p in phrases_of("harmless.eponyms") if " " in p or "-" in p]
    return re.compile(rf"(?<!\w){one_of(several)}(?!\w)", re.IGNORECASE)


def _without_eponyms(text: str) -> str:
    return _eponym_pattern().sub(lambda match: "-" * len(match.group()), text)


@cache
def _announcing() -> re.Pattern[str]:
    return re.compile(
        rf"(?<!\w)(?:{one_of(phrases_of('names.announcing'))}|[bsdwc]\s?/\s?o)(?!\w)"
        r"(?:['’]s)?(?: (?:is|was|of|by|ist|est|es|the))?[ :.,;=_#'\"„“«(-]{0,3}",
        re.IGNORECASE,
    )


def _behind_title(line: _Line) -> str | None:
    titles = words_of("names.titles")
    for n in range(len(line) - 1):
        title = line.words[n]
        if title.plain not in titles or not line.joins(n, _GAP):
            continue
        # Short for other things as well, unless written as titles are.
        if not title.is_capitalised and len(title.text) <= 3 and line.at(n + 1) is not _S.NAME:
            continue
        if title.is_upper and not line.is_shouted and len(title.text) == 2 and title.plain != "dr":
            continue
        m = n + 1
        while m < len(line) - 1 and (
            len(line.words[m].text) == 1 or line.plain(m) in words_of("names.particles")
        ):
            m += 1
        firmly = title.plain in words_of("names.firm_titles") and (
            title.is_capitalised or "." in line.gap(n)
        )
        if (
            firmly
            and line.is_large(m)
            and not line.words[m].is_upper
            and not line.is_called_after(m)
        ):
            return "a title stands before it"
        small = line.at(m) is _S.UNKNOWN and len(line.words[m].text) >= 4 and len(title.text) >= 2
        if (line.may_be_name(m) or small) and not line.is_called_after(m):
            return "a title stands before it"
    return None


def _behind_role(line: _Line) -> str | None:
    said = "it stands beside a role"
    roles = words_of("names.roles")
    joining = words_of("names.joining")
    for n in range(len(line) - 1):
        if line.plain(n) not in roles or not line.joins(n, _GAP):
            continue
        m = n + 1
        while m < len(line) - 1 and (line.plain(m) in joining or line.plain(m) in roles):
            m += 1
        if _stands_as_name(line, m) or _is_proper(line, n, m):
            return said
    for n in range(1, len(line)):  # Kowalski baby, Kowalski (mum)
        behind = line.plain(n) in words_of("names.owned") and line.joins(n - 1)
        behind = behind and len(line.words[n - 1].text) >= 3
        bracketed = (
            line.plain(n) in roles and re.fullmatch(r"'?s? ?\($", line.gap(n - 1)) is not None
        )
        if behind and line.at(n - 1) in _LIKELY and line.may_be_name(n - 1):
            return said
        named = line.may_be_name(n - 1) or (n > 1 and line.at(n - 2) in _POSSIBLE)
        if bracketed and named and line.at(n - 1) in {_S.NAME, _S.UNKNOWN, _S.AMBIGUOUS}:
            return said
    return None


def _is_proper(line: _Line, role: int, n: int) -> bool:
    """Whether a word begins large behind a role that does not: no noun of German, but a name."""
    word = line.words[n]
    written = word.is_capitalised and not word.is_upper and len(word.text) >= 3
    if line.is_large(role) or line.is_shouted or not written or line.is_called_after(n):
        return False
    return line.at(n) is not _S.HARMLESS and not _PRODUCT.fullmatch(word.text)


def _stands_as_name(line: _Line, n: int) -> bool:
    """Whether a word beside a role is a name."""
    if not line.may_be_name(n) or line.is_called_after(n):
        return False
    known = line.at(n)
    if known in _LIKELY:
        return True
    followed = line.joins(n) and line.may_be_name(n + 1) and line.at(n + 1) is not _S.AMBIGUOUS
    if known is _S.AMBIGUOUS:
        return (is_given(line.plain(n)) and not line.is_shouted and not line.is_titled) or followed
    return followed or not (line.is_titled or line.is_shouted or is_compound(line.plain(n)))


def _by_somebody(line: _Line) -> str | None:
    """Who did it: fixed by Giorgos."""
    for n in range(len(line) - 1):
        if (
            line.words[n].text not in words_of("names.by")
            or line.gap(n) != " "
            or not line.is_large(n + 1)
        ):
            continue
        word = line.words[n + 1]
        if (
            line.at(n + 1) in {_S.NAME, _S.UNKNOWN, _S.RARE}
            and not word.is_upper
            and not is_compound(word.plain)
        ):
            return "it says who did something"
    return None


def _does(line: _Line) -> str | None:
    """A capitalised word, and behind it what only persons do."""
    doing = words_of("names.doing")
    for n in range(len(line) - 1):
        if (
            not (line.is_large(n) and line.may_be_name(n))
            or line.is_shouted
            or line.gap(n) not in {" ", ", ", ": ", " - "}
        ):
            continue
        known = line.at(n)
        behind = [line.plain(m) for m in range(n + 1, min(n + 3, len(line)))]
        if behind[0] not in doing and not (
            behind[0] in words_of("names.helping") and behind[-1] in doing
        ):
            continue
        if known in _LIKELY or (known is _S.RARE and not is_compound(line.plain(n))):
            return "it stands before what persons do"
        if (
            known is _S.AMBIGUOUS
            and is_given(line.plain(n))
            and line.plain(n) not in {"may", "will", "can"}
        ):
            return "it stands before what persons do"
    return None


def _announced(line: _Line) -> str | None:
    for match in _announcing().finditer(line.text):
        behind = [n for n, word in enumerate(line.words) if word.start >= match.end()][:3]
        if not behind or line.words[behind[0]].start - match.end() > 1:
            continue
        while behind and len(line.words[behind[0]].text) == 1:
            behind = behind[1:]
        n = behind[0] if behind else len(line)
        if n < len(line) and plain(line.words[n].text) in words_of("names.titles"):
            n += 1
        if line.may_be_name(n) and not line.is_called_after(n):
            return "a word before it announces a name"
        said_so = match.group().casefold()
        firmly = said_so.rstrip()[-1:] in ":=" or any(w in said_so for w in (" by", "/", "name"))
        before = [line.plain(m) for m, word in enumerate(line.words) if word.end <= match.start()][
            -1:
        ]
        if before and before[0] in words_of("headings.things.words"):
            continue
        if firmly and n < len(line) and line.at(n) is _S.UNKNOWN and len(line.words[n].text) >= 4:
            return "a word before it announces a name"
    return None


def _known(line: _Line) -> str | None:
    for n in range(len(line)):
        if line.at(n) is not _S.NAME or len(line.words[n].text) < 3 or line.is_called_after(n):
            continue
        if line.is_large(n):
            return "it is in lists of names"
        if len(line.words[n].text) >= 4 and _is_surely_name(line.plain(n)):
            return "it is in lists of names"
    return None


def _is_widely_name(word: str) -> bool:
    return word in common_names() or len(languages_of(word)) >= 3


def _is_surely_name(word: str) -> bool:
    """Whether a word in small letters is a name all the same."""
    if word in words_of("names.ordinary_when_small"):
        return False
    if not word.isascii():
        return False
    often = frequency(word)
    if word in common_names() or (len(languages_of(word)) >= 3 and often.spread < 1.2):
        return True
    return len(word) >= 5 and often.peak < 3.2 and bool(languages_of(word))


def _pair(line: _Line) -> str | None:
    for n in range(len(line) - 1):
        if not line.joins(n) or not (line.is_large(n) and line.is_large(n + 1)):
            continue
        both = (line.at(n), line.at(n + 1))
        slavic = "\u0370" <= line.plain(n)[:1] <= "\u052f" and not (
            line.is_titled or line.is_shouted
        )
        if slavic and _S.UNKNOWN in both and _S.HARMLESS not in both:
            return "two words stand together as names do"
        if any(known not in _POSSIBLE for known in both) or line.is_called_after(n + 1):
            continue
        if min(len(line.words[n].text), len(line.words[n + 1].text)) < 2:
            continue
        said = "two words stand together as names do"
        if _S.NAME in both or (
            _S.UNKNOWN in both and _S.AMBIGUOUS not in both and not _is_product(line, n)
        ):
            return said
        if is_given(line.plain(n)) and not line.is_shouted and both != (_S.RARE, _S.RARE):
            return said
    return None


def _is_product(line: _Line, n: int) -> bool:
    behind = line.text[line.words[n + 1].end :]
    return bool(re.match(r"[ -]{0,2}(?:[vV]?\d|[IVX]+\b|mk\b|rev\b|[®™])", behind))


def _with_particle(line: _Line) -> str | None:
    if re.fullmatch(
        r"(?:de la|de|del|van|von|den|der|di|du|le|la|da|dos|el|al)(?: [^\W\d_]+){1,2}",
        line.text,
        re.IGNORECASE,
    ):
        last = len(line) - 1
        if (
            line.is_large(last)
            and line.at(last) in {*_POSSIBLE, _S.ORDINARY}
            and len(line) >= 2
            and line.words[0].text.islower()
        ):
            return "it is joined as family names are"
    particles = words_of("names.particles") - {
        "e",
        "y",
        "i",
        "san",
        "la",
        "le",
        "al",
        "el",
        "do",
        "da",
        "a",
        "de",
        "ben",
        "ap",
        "ten",
        "du",
        "zum",
        "zur",
    }
    for n in range(len(line) - 1):
        if line.plain(n) not in particles or not line.joins(n):
            continue
        m = n + 1
        if line.plain(m) in particles and m + 1 < len(line):
            m += 1
        if not line.is_large(m) or line.is_shouted or len(line.words[m].text) < 3:
            continue
        known = line.at(m)
        before = n > 0 and line.is_large(n - 1) and line.joins(n - 1)
        if known in {_S.NAME, _S.UNKNOWN} or (known is _S.AMBIGUOUS and before):
            return "it is joined as family names are"
    return None


def _with_initial(line: _Line) -> str | None:
    for n in range(len(line) - 1):
        one, two = line.words[n], line.words[n + 1]
        gap = line.gap(n)
        if not re.fullmatch(r"\.? ?|, ?|_|-", gap):
            continue
        if len(one.text) == 1 and one.text.isupper() and line.may_be_name(n + 1):
            before = line.plain(n - 1) if n else ""
            firmly = "." in gap or line.at(n + 1) is _S.NAME or len(line) <= 3
            if (
                before not in words_of("names.lettered")
                and len(two.text) >= 3
                and firmly
                and not line.is_called_after(n + 1)
            ) and (line.at(n + 1) is not _S.AMBIGUOUS or "." in gap):
                return "an initial stands beside it"
        is_last = len(two.text) == 1 and two.text.isupper()
        if is_last and line.may_be_name(n) and len(one.text) >= 3 and gap.strip(" ,_") == "":
            dotted = line.text[two.end : two.end + 1] == "."
            if (
                dotted
                or line.at(n) is _S.NAME
                or (len(line) == 2 and not re.search(r"\d", line.text))
            ) and (line.at(n) is not _S.AMBIGUOUS or dotted):
                return "an initial stands beside it"
    if _DOTTED_INITIALS.fullmatch(line.text.strip(" ()")) and line.text.strip(" ().") != "":
        return "it is written as initials are"
    return None


def _possessive(line: _Line) -> str | None:
    for n, word in enumerate(line.words):
        if not word.text.endswith(("'s", "’s")) or line.is_called_after(n):
            continue
        known = line.at(n)
        given = known is _S.AMBIGUOUS and n > 0 and is_given(word.plain)
        if line.is_large(n) and (known in _LIKELY or given):
            return "something is said to be somebody's"
    return None


def _alone(line: _Line) -> str | None:
    if any(re.search(r"\w.*[A-Z]", word.text) and not word.is_upper for word in line.words):
        return None  # V'maxFRC
    if (
        len(line) > 2
        or re.search(r"\d", line.text)
        or not all(line.is_large(n) for n in range(len(line)))
    ):
        return None
    if (
        len(line) == 1
        and len(line.words[0].text) >= 4
        and line.text.strip(" .,;:-()") == line.words[0].text
    ):
        known = line.at(0)
        if known is _S.UNKNOWN and _is_built_of_trade(line.plain(0)):
            return None
        if known is _S.UNKNOWN and not (line.words[0].is_upper and len(line.words[0].text) < 6):
            return "it stands alone and is no ordinary word"
        if known is _S.AMBIGUOUS and _leans_to_name(line.plain(0)):
            return "it stands alone and is a name"
    return None


def _is_built_of_trade(word: str) -> bool:
    """Whether a word ends in one of the trade, as in Okklusionstest."""
    return any(word[n:] in harmless_words() for n in range(4, len(word) - 3))


def _leans_to_name(word: str) -> bool:
    return (
        word not in words_of("names.ambiguous") | months().keys() | words_of("harmless.days")
        and word not in harmless_eponyms()
        and frequency(word).spread < 0.9
    )


def _written_large(line: _Line) -> str | None:
    """In a code, a word that no list knows is suspect."""
    for n, word in enumerate(line.words):
        known = line.at(n)
        rare = known is _S.RARE and not is_compound(word.plain)
        is_long = len(word.text) >= (6 if word.is_upper else 4)
        if (known is _S.UNKNOWN or rare) and word.is_capitalised and is_long:
            return "a code holds a word that is no ordinary one"
        if known is _S.UNKNOWN and len(word.text) >= 6 and re.search("[aeiouyáéíóúäöü]", word.text):
            return "a code holds a word that is no ordinary one"
        if known is _S.NAME and len(word.text) >= 4:
            return "a code holds a word in lists of names"
        if known is _S.AMBIGUOUS and word.is_capitalised and _leans_to_name(word.plain):
            return "a code holds a word in lists of names"
    return None


_SIGNS: tuple[Callable[[_Line], str | None], ...] = (
    _behind_title, _announced, _known, _behind_role, _by_somebody, _does, _pair, _with_particle,
    _with_initial, _possessive,
)  # fmt: skip
_SIGNS_OF_TEXT: tuple[Callable[[_Line], str | None], ...] = (_alone,)
_SIGNS_OF_CODES: tuple[Callable[[_Line], str | None], ...] = (_written_large,)
