"""Where in which delivery a problem lies, and how a value may be shown in its sentence."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from difflib import SequenceMatcher, get_close_matches

from quietsleep.intake.identifiers import BIRTH_DATE, plain, value_identifies
from quietsleep.records import Problem
from quietsleep.study.study import Study

_LONGEST_SHOWN = 40
_NUMBER_LIKE = re.compile(
    r"[-+\d.,:/ %eEoOlI]{1,24}|[<>~*#(]{0,2}[A-Za-z]{0,2}[-+]?[\d.,]{1,18} ?[A-Za-z%?!*#)]{0,5}"
)
_TIME_LIKE = re.compile(r"[\dTZ.,:/ +-]{4,35}")
_WORDS_FOR_NOTHING = frozenset(
    """nan inf infinity na n/a null none nil missing error err overflow invalid unknown yes no y n
    true false ja nein oui non si x - -- ? . open fail low high""".split()  # noqa: SIM905
)


@dataclass(frozen=True, slots=True)
class DeliveryReference:
    """A delivery of a centre, for the problems found in it.

    `called` says how the centre calls the tables: (as the contract does, as the centre sees it).
    """

    centre: str
    delivery: str
    called: tuple[tuple[str, str], ...] = ()

    def problem(
        self,
        kind: str,
        where: str,
        sentence: str,
        *,
        expected: str,
        remedy: str,
        session: str | None = None,
        recording: str | None = None,
        row: int | None = None,
        column: str | None = None,
        value: str | None = None,
    ) -> Problem:
        """Return a problem of this delivery."""
        return Problem(
            centre=self.centre,
            delivery=self.delivery,
            kind=kind,
            where=self._as_called(where),
            sentence=self._as_called(sentence),
            expected=self._as_called(expected),
            remedy=self._as_called(remedy),
            session=session,
            recording=recording,
            row=row,
            column=column,
            value=value,
        )

    def _as_called(self, text: str) -> str:
        """Call the tables in a text as the centre does."""
        for name, called in self.called:
            # Only where it stands by itself: what the centre calls it may hold the name.
            escaped = called.replace("\\", r"\\")
            text = re.sub(rf"(?<![\w./]){re.escape(name)}(?!\w)", escaped, text)
        return text


def study_words(study: Study) -> frozenset[str]:
    """Words in the codes of the study: they may stand in values although some are also names."""
    codes = (study.name, *study.centres, *study.renamed, *study.devices)
    return frozenset(plain(w) for code in codes for w in re.findall(r"[^\W\d_]+", code))


def shown(value: str, *, like: Iterable[str] = (), is_time: bool = False) -> str | None:
    """Return a bad value as it may be written on; None when it could identify a person.

    Numbers, words for "nothing" and words close to one of `like` are shown; of anything else it
    cannot be ruled out that it names a person (a shifted column is enough for that). `is_time`
    is true for columns of times, where a time of day tells a test from a birth.
    """
    text = " ".join(value.split())
    if not text:
        return ""
    if len(text) > _LONGEST_SHOWN or not text.isprintable():
        return None
    if is_time and ":" in text and _TIME_LIKE.fullmatch(text):
        kind = value_identifies(text, is_code=False)
        return text if kind in {None, BIRTH_DATE} else None
    close = any(SequenceMatcher(None, text.lower(), w.lower()).ratio() >= 0.7 for w in like)
    is_one_sign = len(text) == 1  # M for male: it names nobody
    harmless = (
        close or is_one_sign or text.lower() in _WORDS_FOR_NOTHING or _NUMBER_LIKE.fullmatch(text)
    )
    return text if harmless and value_identifies(text, is_code=not close) is None else None


# Problems that hold nothing: columns of a signal file, and of a table, that are not read.
UNREGISTERED, UNKNOWN = "column_unregistered", "column_unknown"
UNREAD_COLUMNS = frozenset({UNREGISTERED, UNKNOWN})


def quoted(value: str | None) -> str:
    """Return a value for the middle of a sentence."""
    if value is None:
        return "a value that is not shown here"
    return f'"{value}"' if value else "an empty cell"


def nearest(name: str, known: Iterable[str]) -> str:
    """Return " Is X meant?" for the nearest known name; empty when none is near."""
    folded = {k.casefold(): k for k in known}
    close = get_close_matches(name.casefold(), folded, n=1, cutoff=0.6)
    return f" Is {folded[close[0]]} meant?" if close else ""
