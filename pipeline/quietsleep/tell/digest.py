"""The digest of a night, as text and HTML: one for each centre, one for the coordinating centre.

It reads the published night. What needs a person is the table `queries` and nothing else. A digest
leaves the coordinating centre, so it says less than a page: codes, kinds and what to do, and of
what concerns an infant no day, age or value; those stand on the pages. A centre's digest holds
nothing of any other centre.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, NamedTuple

from quietsleep import contract
from quietsleep.judge.causes import default_sentence
from quietsleep.judge.subjects import QuerySubject, text
from quietsleep.site import words
from quietsleep.site.folder import page
from quietsleep.site.read import PublishedNight, Row

WIDE = 76
# Counts as the closing table of the night names them; a count that is nowhere is left out.
COUNTS = {
    "delivered": "delivered",
    "measured": "measured",
    "no_trial": "without a trial",
    "quarantined": "quarantined",
    "crashed": "crashed",
    "superseded": "superseded",
    "withdrawn": "withdrawn",
    "found": "trials found",
    "accepted": "accepted",
    "flagged": "flagged",
    "rejected": "rejected",
    "not_judgeable": "not judgeable",
}
FLAGGED = [*COUNTS].index("flagged")
COUNTED = "Every recording and every trial is in one of them."
WITH_FLAGGED = f"{COUNTED} Flagged trials are among the others."
STATES = {
    "green": "Green: nothing is open.",
    "amber": "Amber: published, and something needs a person.",
    "red": "Red: something of the program failed.",
}
OF_CENTRE = {
    "green": "Nothing is open for you.",
    "amber": "Something needs an answer or a delivery from you.",
    "red": "The program failed in a part of this night. The coordinating centre looks after that.",
}
# Kinds that are about an infant and name no session: they too are told without their facts.
OF_INFANTS = frozenset(
    {"same_infant_and_day", "infant_differs", "ages_and_days_differ", "visit_missing", "same_bytes"}
)


@dataclass(frozen=True, slots=True)
class NightSaid:
    """What a night came to, as its digests say it; `by_centre` are the sentences of each centre."""

    night: str
    started_at: datetime
    state: str
    sentences: tuple[str, ...]
    by_centre: Mapping[str, tuple[str, ...]]


class Before(NamedTuple):
    """What the night of the digest before knew: open queries, and deliveries by centre and name."""

    open_queries: frozenset[int]
    deliveries: frozenset[tuple[str, str]]


class AskedLine(NamedTuple):
    """One data query in a digest; no `todo` where nothing is to be done any more."""

    number: int
    centre: str
    sentence: str
    todo: str = ""


class CountLine(NamedTuple):
    """The counts of one centre and technique, in the order of `COUNTS`."""

    name: str
    counts: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Digest:
    """A digest; `to` is a centre, empty for the coordinating centre. `news` is worth a message."""

    to: str
    subject: str
    text: str
    html: str
    news: bool


def told_sentence(query: Mapping[Any, Any]) -> str:
    """Return what a digest says of a query: of infants and sessions nothing but codes."""
    subject = QuerySubject(*(text(query[name]) for name in QuerySubject._fields))
    if not subject.session and subject.kind not in OF_INFANTS:
        return str(query["sentence"])
    return default_sentence(subject)


def known_before(night: PublishedNight) -> Before:
    """Read what a night knew, to tell what is new since then."""
    asked = night.tuples("SELECT query FROM queries WHERE state = 'open'")
    came = night.tuples("SELECT centre, delivery FROM deliveries")
    return Before(frozenset(number for (number,) in asked), frozenset(came))


def digest_of_study(
    title: str, said: NightSaid, night: PublishedNight | None, since: Before | None
) -> Digest:
    """Make the digest of the coordinating centre; without a `night` nothing was published."""
    asked = _asked(night, since, said.night, None)
    n_open = len(asked["new"]) + len(asked["open"])
    said_open = f", {words.count(n_open, 'query', 'queries')} open" if night else ""
    return _digest(
        to="",
        subject=f"{title}: night {said.night} ended {said.state}{said_open}",
        title=title,
        said=said,
        state=(said.state, STATES[said.state]),
        sentences=said.sentences,
        asked=asked,
        arrived=_arrived(night, since, said.night, None),
        counts=_counts(night, None),
        further=_FURTHER if night else _NOT_PUBLISHED,
        news=True,
    )


_FURTHER = (
    "Each query in full: the overview page, or 'quietsleep queries STUDY --open'. To answer one: "
    "'quietsleep answer STUDY NUMBER \"...\" --by CODE'."
)
_NOT_PUBLISHED = (
    "Nothing was published in this night: pages and warehouse are those of the last good one. "
    "'quietsleep doctor STUDY' looks for what is wrong; the log of the night says where it failed."
)
_OF_CENTRE = (
    "Rows, values and traces stand on your page. What is put right in a new delivery closes "
    "itself; anything else is answered to the coordinating centre, with the number of the query."
)


def digest_of_centre(
    study: str, centre: Row, said: NightSaid, night: PublishedNight, since: Before | None
) -> Digest:
    """Make the digest of one centre, of its own rows alone."""
    code, title = str(centre["centre"]), str(centre["title"] or centre["centre"])
    asked = _asked(night, since, said.night, code)
    arrived = _arrived(night, since, said.night, code)
    n_new, n_open = len(asked["new"]), len(asked["new"]) + len(asked["open"])
    state = "red" if said.state == "red" else "amber" if n_open else "green"
    news = f"{n_new} new, " if n_new else ""
    said_open = words.count(n_open, "query", "queries")
    sentences = said.by_centre.get(code, ())
    return _digest(
        to=code,
        subject=f"{title}: {news}{said_open} open, night {said.night}",
        title=f"{study}: {title}",
        said=said,
        state=(state, OF_CENTRE[state]),
        # Where each of them says no more than one query, the list below says it all.
        sentences=sentences if len(sentences) < n_open else (),
        asked=asked,
        arrived=arrived,
        counts=_counts(night, code),
        further=_OF_CENTRE,
        news=bool(asked["new"] or asked["settled"] or arrived),
    )


def _digest(
    *,
    to: str,
    subject: str,
    title: str,
    said: NightSaid,
    state: tuple[str, str],
    sentences: Sequence[str],
    asked: Mapping[str, list[AskedLine]],
    arrived: Sequence[str],
    counts: Sequence[CountLine],
    further: str,
    news: bool,
) -> Digest:
    parts: dict[str, Any] = {
        "title": title,
        "night": said.night,
        "began": words.moment(said.started_at),
        "sign": words.sign(state[0]),
        "state": state[1],
        "sentences": sentences,
        "asked": asked,
        "arrived": arrived,
        "counts": _shown(counts),
        "counted": WITH_FLAGGED if any(c.counts[FLAGGED] for c in counts) else COUNTED,
        "further": further,
        "headings_of_queries": ASKED,
        "with_centre": not to,
    }
    subject = " ".join(words.seen(subject).split())
    return Digest(to, subject, _as_text(parts), page("digest.html.jinja", **parts), news)


def _asked(
    night: PublishedNight | None, since: Before | None, name: str, centre: str | None
) -> dict[str, list[AskedLine]]:
    """Sort the queries of a night: open and not so in the digest before, open since, settled."""
    found: dict[str, list[AskedLine]] = {"new": [], "open": [], "settled": []}
    if night is None:
        return found
    rows = _of_centre(night, "SELECT * FROM queries", centre)
    order = {kind: place for place, kind in enumerate(contract.QUERIES.kinds)}
    rows.sort(key=lambda row: (order[row["kind"]], row["centre"] or "", row["query"]))
    for row in rows:
        was_open = row["query"] in since.open_queries if since else row["opened_in"] != name
        line = AskedLine(row["query"], row["centre"] or "", told_sentence(row))
        if row["state"] == "open":
            found["open" if was_open else "new"].append(line._replace(todo=row["remedy"]))
        elif since and was_open:
            found["settled"].append(line)
    return found


def _arrived(
    night: PublishedNight | None, since: Before | None, name: str, centre: str | None
) -> list[str]:
    """Say which deliveries were seen first since the digest before, and what became of them."""
    if night is None:
        return []
    rows = _of_centre(night, "SELECT * FROM deliveries", centre)
    rows.sort(key=lambda row: (row["centre"], row["arrival"] or 0, row["delivery"]))
    new = [
        row
        for row in rows
        if (
            (row["centre"], row["delivery"]) not in since.deliveries
            if since
            else row["first_night"] == name
        )
    ]
    return [_came(row, with_centre=centre is None) for row in new]


def _came(row: Row, *, with_centre: bool) -> str:
    place = f" of {row['centre']}" if with_centre else ""
    held = (("n_sessions", "session"), ("n_recordings", "recording"), ("n_checks", "check"))
    counts = [words.count(row[key], noun) for key, noun in held if row[key]]
    return (
        f"{row['delivery']}{place}: {', '.join([words.sign(row['state']).word.lower(), *counts])}."
    )


def _counts(night: PublishedNight | None, centre: str | None) -> list[CountLine]:
    if night is None:
        return []
    rows = _of_centre(night, "SELECT * FROM conservation", centre)
    rows.sort(key=lambda row: (row["centre"], row["technique"]))
    return [
        CountLine(
            ("" if centre else f"{row['centre']}, ") + words.plain(row["technique"]),
            tuple(row[name] or 0 for name in COUNTS),
        )
        for row in rows
        if row["delivered"]
    ]


def _of_centre(night: PublishedNight, sql: str, centre: str | None) -> list[Row]:
    """Return the rows of one centre, of all where none is named."""
    return night.rows(sql) if centre is None else night.rows(f"{sql} WHERE centre = ?", centre)


def _shown(lines: Sequence[CountLine]) -> tuple[tuple[str, ...], list[CountLine]]:
    """Return headings and lines without the counts that are nowhere."""
    places = [n for n in range(len(COUNTS)) if any(line.counts[n] for line in lines)]
    names = tuple(COUNTS.values())
    kept = [CountLine(line.name, tuple(line.counts[n] for n in places)) for line in lines]
    return tuple(names[n] for n in places), kept


def _as_text(parts: Mapping[str, Any]) -> str:
    out = [*_wrapped(parts["title"]), f"Night {parts['night']}, {parts['began']} UTC", ""]
    out += _wrapped(parts["state"])
    out += _listed("What the night says", parts["sentences"])
    asked = parts["asked"]
    for key, heading in ASKED.items():
        lines = [_asked_in_text(line, with_centre=parts["with_centre"]) for line in asked[key]]
        out += _listed(heading, lines)
    out += _listed("What came", parts["arrived"])
    headings, lines = parts["counts"]
    out += _listed(f"Counts. {parts['counted']}", [
        f"{line.name}: "
        + ", ".join(f"{n} {word}" for n, word in zip(line.counts, headings, strict=True) if n)
        for line in lines
    ])  # fmt: skip
    out += ["", *_wrapped(parts["further"]), "", *_wrapped(words.CAUTION)]
    return "\n".join(words.seen(line) for line in out) + "\n"


ASKED = {
    "new": "New since the digest before",
    "open": "Still open",
    "settled": "Not open any more",
}


def _asked_in_text(line: AskedLine, *, with_centre: bool) -> str:
    place = f", {line.centre or 'the study'}" if with_centre else ""
    todo = f"\nTo do: {line.todo}" if line.todo else ""
    return f"Query {line.number}{place}: {line.sentence}{todo}"


def _listed(heading: str, said: Sequence[str]) -> list[str]:
    if not said:
        return []
    out = ["", *_wrapped(heading)]
    for each in said:
        first, *rest = each.split("\n")
        out += _wrapped(first, "  - ", "    ")
        for line in rest:
            out += _wrapped(line, "    ", "    ")
    return out


def _wrapped(text: str, first: str = "", rest: str = "") -> list[str]:
    # Sentences of files may hold anything; whatever ends a line would end the list.
    return textwrap.wrap(
        text, WIDE, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False
    )
