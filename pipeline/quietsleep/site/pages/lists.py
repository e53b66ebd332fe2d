"""Lists of tests and of sessions: what their rows say, their filters, and the files behind them.

A page shows the newest rows as plain HTML; a script beside it holds every row, so that the page can
search, sort, filter and turn over all of them. Without a script the pages by month hold every row.
Each row carries short tokens (``s1 t0 m4 r2 r7``), and a choice in a filter keeps the rows that
carry its token; a row that was lost carries `LOST`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from quietsleep import contract
from quietsleep.site import words
from quietsleep.site.csv_text import csv_text
from quietsleep.site.folder import PageFolder, digest_of, for_script, session_file, test_file
from quietsleep.site.read import CentreData, Row, grouped
from quietsleep.site.words import Sign, faults_of, technique_title

ON_A_PAGE = 50
# So many rows of a month on one page without a script.
MOST_ON_MONTH_PAGE = 1000
LOST = "lost"
NOT_GIVEN = "not given"


class Choice(NamedTuple):
    """One choice of a filter: its token, its words, its word in a link, its number of rows."""

    token: str
    words: str
    link: str
    n: int


class Filter(NamedTuple):
    """One filter above a list."""

    name: str
    title: str
    choices: tuple[Choice, ...]


class ListColumn(NamedTuple):
    """One column of a list; `kind` is link, sign, day or text, `part` its place on a telephone."""

    title: str
    kind: str
    part: str


class Cell(NamedTuple):
    """One cell: its text, where it leads, what it sorts by where that is not the text."""

    text: str = ""
    href: str = ""
    sort: str = ""
    signs: tuple[Sign, ...] = ()


class ListLine(NamedTuple):
    """One row of a list; `more` is text that is found by a search and not shown."""

    tokens: tuple[str, ...]
    cells: tuple[Cell, ...]
    more: str = ""


class Listing(NamedTuple):
    """A list as a page holds it: its newest rows and the file that has all of them.

    `n` counts all rows; `only` is a token that every row has that this page shows.
    """

    name: str
    one: str
    many: str
    columns: tuple[ListColumn, ...]
    lines: tuple[ListLine, ...]
    n: int
    filters: tuple[Filter, ...]
    only: str = ""


class ListOf(NamedTuple):
    """All rows of one kind in a centre, with the words of their tokens, filter by filter."""

    name: str
    one: str
    many: str
    columns: tuple[ListColumn, ...]
    lines: tuple[ListLine, ...]
    filters: tuple[tuple[str, str, Mapping[str, tuple[str, str]]], ...]

    def listing(self, *, only: str = "") -> Listing:
        """Return what a page shows of it, of all rows or of those with one token."""
        own = [line for line in self.lines if not only or only in line.tokens]
        return Listing(
            self.name,
            self.one,
            self.many,
            self.columns,
            tuple(own[:ON_A_PAGE]),
            len(own),
            _filters(self.filters, own),
            only,
        )


def _filters(
    named: Iterable[tuple[str, str, Mapping[str, tuple[str, str]]]], lines: Sequence[ListLine]
) -> tuple[Filter, ...]:
    counts = Counter(token for line in lines for token in line.tokens)
    found = []
    for name, title, tokens in named:
        choices = [
            Choice(token, said, link, counts[token])
            for token, (link, said) in tokens.items()
            if token in counts
        ]
        if name == "month":
            choices.sort(key=lambda c: c.link, reverse=True)
        elif name != "status":
            choices.sort(key=lambda c: c.words.lower())
        found.append(Filter(name, title, tuple(choices)))
    return tuple(f for f in found if f.choices)


class _Tokens:
    """Gives each value of one filter a token."""

    def __init__(self, letter: str) -> None:
        self.letter = letter
        self.places: dict[str, int] = {}

    def token(self, value: str) -> str:
        return f"{self.letter}{self.places.setdefault(value, len(self.places))}"

    def said(self, said: Mapping[str, str]) -> dict[str, tuple[str, str]]:
        return {
            f"{self.letter}{place}": (value, said.get(value, value))
            for value, place in self.places.items()
        }


TEST_COLUMNS = (
    ListColumn("Session", "link", "key"),
    ListColumn("Test", "link", "name"),
    ListColumn("Status", "sign", "mark"),
    ListColumn("Tested", "day", "when"),
    ListColumn("Operator", "text", "who"),
    ListColumn("Why not", "text", "why"),
)
SESSION_COLUMNS = (
    ListColumn("Session", "link", "key"),
    ListColumn("Infant", "text", "name"),
    ListColumn("Session row", "sign", "mark"),
    ListColumn("Tested", "day", "when"),
    ListColumn("Operator", "text", "who"),
    ListColumn("Techniques", "sign", "why"),
)


def failed_rules(data: CentreData, test: Row) -> dict[str, list[Row]]:
    """Return the verdicts that kept a test from acceptance, by rule, as `lost_tests` counts them.

    A rule of the session counts where the test says so; what was wrong with trials counts where
    too few of them were left.
    """
    if test["status"] == "accepted":
        return {}
    why = test["why"] or ""
    of_session = [
        row for row in _stopped(data, "session", test["session"]) if (row["sentence"] or "") in why
    ]
    of_test = _stopped(data, "test", test["test"])
    found = [*of_session, *of_test]
    if any(row["quantity"] == "n_accepted" or row["state"] == "not_judged" for row in of_test):
        for trial in data.trials.get((test["session"], test["technique"]), []):
            found += _stopped(data, "trial", trial["trial"])
    return grouped(found, "rule")


def _stopped(data: CentreData, kind: str, item: str) -> list[Row]:
    return [
        row
        for row in data.faults.get((kind, item), [])
        if row["severity"] == "reject" and row["state"] in ("fail", "not_judged")
    ]


def reasons_of(data: CentreData, test: Row) -> list[str]:
    """Name why a test was not accepted, each fault with its number; what was held was not read."""
    if test["status"] == "accepted":
        return []
    if test["status"] == "quarantined":
        return [f"not read: {test['why'] or 'held with its delivery'}"]
    failed = failed_rules(data, test)
    # That too few trials were left follows from what was wrong with them.
    follows = any(rows[0]["item_kind"] == "trial" for rows in failed.values())
    own = {
        rule: rows
        for rule, rows in failed.items()
        if not follows
        or rows[0]["item_kind"] != "test"
        or not (rows[0]["quantity"] == "n_accepted" or rows[0]["state"] == "not_judged")
    }
    said = [words.reason_of(data.rule_behind(rows[0]), rows) for rows in own.values()]
    return said or [(test["why"] or "")[:160]]


def list_of_tests(data: CentreData) -> ListOf:
    """Return every test of a centre, the newest first."""
    status, technique, rule = _Tokens("s"), _Tokens("t"), _Tokens("r")
    operator, month = _Tokens("o"), _Tokens("m")
    lines: list[ListLine] = []
    faults: dict[str, str] = {}
    for test in data.tests:
        failed = failed_rules(data, test)
        for name, rows in failed.items():
            faults.setdefault(name, words.fault_of(data.rule_behind(rows[0]), rows[0]))
        tokens = [
            status.token(test["status"]),
            technique.token(test["technique"]),
            operator.token(test["operator"] or NOT_GIVEN),
            month.token(words.month(test["tested_on"])),
            *(rule.token(name) for name in failed),
            *([LOST] if test["status"] != "accepted" else []),
        ]
        lines.append(ListLine(tuple(tokens), _cells_of_test(data, test), _infant(data, test)))
    titles = {key: technique_title(key) for key in technique.places}
    return ListOf(
        "tests",
        "test",
        "tests",
        TEST_COLUMNS,
        tuple(lines),
        (
            ("status", "Status", {LOST: (LOST, "Not accepted")} | status.said(_words_of(status))),
            ("technique", "Technique", technique.said(titles)),
            ("rule", "Why not", rule.said(_titled(faults, titles))),
            ("operator", "Operator", operator.said({})),
            ("month", "Month", month.said({m: words.month_words(m) for m in month.places})),
        ),
    )


def _words_of(status: _Tokens) -> dict[str, str]:
    return {key: words.sign(key).word for key in status.places}


def _titled(faults: Mapping[str, str], titles: Mapping[str, str]) -> dict[str, str]:
    return {
        rule: f"{titles.get(rule.partition('.')[0], 'Session')}: {fault}"
        for rule, fault in faults.items()
    }


def _infant(data: CentreData, row: Row) -> str:
    return str(data.sessions.get(row["session"], {}).get("infant") or "")


def _cells_of_test(data: CentreData, test: Row) -> tuple[Cell, ...]:
    flagged = (words.sign("flagged"),) if test["flagged"] else ()
    known = test["session"] in data.sessions
    return (
        Cell(test["session"], session_file(test["session"]) if known else ""),
        Cell(technique_title(test["technique"]), test_file(test["test"])),
        Cell(signs=(words.sign(test["status"]), *flagged)),
        _day(test),
        Cell(test["operator"] or NOT_GIVEN),
        Cell("; ".join(reasons_of(data, test))),
    )


def _day(row: Row) -> Cell:
    at = row["tested_at"]
    return Cell(words.day(row["tested_on"]), sort=at.strftime("%Y%m%d%H%M") if at else "")


def _newest_first(data: CentreData) -> list[Row]:
    """Return the sessions as tests are ordered: by their day, those without one last."""
    dated = sorted(
        data.sessions.values(),
        key=lambda s: (words.month(s["tested_on"]), str(s["tested_on"]), str(s["tested_at"])),
    )
    return dated[::-1]


def list_of_sessions(data: CentreData) -> ListOf:
    """Return every session of a centre, the newest first."""
    status, operator, month = _Tokens("s"), _Tokens("o"), _Tokens("m")
    of_session = grouped(data.tests, "session")
    lines = []
    for session in _newest_first(data):
        tests = of_session.get(session["session"], [])
        tokens = [
            status.token(session["status"]),
            operator.token(session["operator"] or NOT_GIVEN),
            month.token(words.month(session["tested_on"])),
            *([LOST] if any(t["status"] != "accepted" for t in tests) else []),
        ]
        lines.append(ListLine(tuple(tokens), _cells_of_session(data, session, tests)))
    return ListOf(
        "sessions",
        "session",
        "sessions",
        SESSION_COLUMNS,
        tuple(lines),
        (
            ("status", "Session", {LOST: (LOST, "A test is not accepted")}
             | status.said(_words_of(status))),
            ("operator", "Operator", operator.said({})),
            ("month", "Month", month.said({m: words.month_words(m) for m in month.places})),
        ),
    )  # fmt: skip


def _cells_of_session(data: CentreData, session: Row, tests: Sequence[Row]) -> tuple[Cell, ...]:
    alert = (words.sign("alert"),) if session["n_alerts"] else ()
    order = [*contract.TECHNIQUES]
    ordered = sorted(
        tests, key=lambda t: order.index(t["technique"]) if t["technique"] in order else 99
    )
    techniques = (
        words.sign(test["status"])._replace(word=technique_title(test["technique"]))
        for test in ordered
    )
    return (
        Cell(session["session"], session_file(session["session"])),
        Cell(" ".join(filter(None, (session["infant"], session["visit"])))),
        Cell(signs=(words.sign(session["status"]), *alert)),
        _day(session),
        Cell(session["operator"] or NOT_GIVEN),
        Cell(signs=tuple(techniques)),
    )


class MonthPage(NamedTuple):
    """One page that lists a month, or a part of it, whole: its rows among all, newest first."""

    file: str
    words: str
    tests: tuple[int, int]
    sessions: tuple[int, int]


def months_in(data: CentreData) -> list[MonthPage]:
    """Return the pages by month, the newest first; lists of tests and sessions run so too."""
    tests = _by_month(data.tests)
    sessions = _by_month(data.sessions.values())
    found, at_test, at_session = [], 0, 0
    for key in sorted({*tests, *sessions}, reverse=True):
        n_sessions = sessions[key]
        for first in range(0, max(tests[key], 1), MOST_ON_MONTH_PAGE):
            n = min(MOST_ON_MONTH_PAGE, tests[key] - first)
            number = first // MOST_ON_MONTH_PAGE + 1
            suffix, said = ("", "") if number == 1 else (f"-{number}", f", part {number}")
            found.append(
                MonthPage(
                    f"months/{key}{suffix}.html",
                    words.month_words(key) + said,
                    (at_test, at_test + n),
                    (at_session, at_session + n_sessions),
                )
            )
            at_test, at_session, n_sessions = at_test + n, at_session + n_sessions, 0
    return found


def _by_month(rows: Iterable[Row]) -> Counter[str]:
    return Counter(words.month(row["tested_on"]) for row in rows)


def month_links(data: CentreData, name: str) -> list[tuple[str, str, int]]:
    """Return file, words and number of rows of the pages by month for one list."""
    spans = [(page, page.tests if name == "tests" else page.sessions) for page in months_in(data)]
    return [(page.file, page.words, end - first) for page, (first, end) in spans if end > first]


def write_list(folder: PageFolder, data: CentreData, whole: ListOf) -> None:
    """Write all rows of a list for the script of its pages, and as csv."""
    packed = pack(whole)
    folder.put(f"lists/{whole.name}.js", digest_of(packed), lambda: _script(whole.name, packed))
    rows = [*(_csv_of_tests(data) if whole.name == "tests" else _csv_of_sessions(data))]
    folder.put(f"lists/{whole.name}.csv", digest_of(rows), lambda: csv_text(rows))


def pack(whole: ListOf) -> dict[str, Any]:
    """Return the rows of a list as the script of its pages reads them.

    A row is its tokens, the text that only a search finds, and its cells: text, [text, address],
    [words, what it sorts by] or the places of its signs.
    """
    signs: dict[Sign, int] = {}
    rows = []
    for line in whole.lines:
        cells: list[Any] = []
        for column, cell in zip(whole.columns, line.cells, strict=True):
            match column.kind:
                case "sign":
                    cells.append([signs.setdefault(s, len(signs)) for s in cell.signs])
                case "link":
                    cells.append([words.seen(cell.text), cell.href])
                case "day":
                    cells.append([cell.text, cell.sort])
                case _:
                    cells.append(words.seen(cell.text))
        rows.append([" ".join(line.tokens), words.seen(line.more), *cells])
    return {"signs": [[*sign] for sign in signs], "rows": rows}


def _script(name: str, packed: Mapping[str, Any]) -> str:
    return f'(globalThis.quietsleepLists ??= {{}})["{name}"] = {for_script(packed)};\n'


def _csv_of_tests(data: CentreData) -> Iterator[Sequence[Any]]:
    names = ("session", "technique", "status", "flagged", "tested_on", "operator", "device",
             "n_recordings", "n_trials", "n_accepted")  # fmt: skip
    yield ("infant", *names, "why_not")
    for test in data.tests:
        yield (
            _infant(data, test),
            *(test[name] for name in names),
            "; ".join(reasons_of(data, test)),
        )


def _csv_of_sessions(data: CentreData) -> Iterator[Sequence[Any]]:
    names = ("session", "infant", "visit", "tested_on", "operator", "device", "age_days",
             "weight_kg", "length_cm", "weight_z", "length_z", "status", "n_alerts",
             "delivery")  # fmt: skip
    yield (*names, "why_not")
    for row in _newest_first(data):
        faults = faults_of(data, "session", row["session"])
        yield (*(row[name] for name in names), "; ".join(f.name for f in faults if f.rejects))
