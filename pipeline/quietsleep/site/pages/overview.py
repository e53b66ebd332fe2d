"""The overview of the coordinating centre: the night, five answers, all centres, what is asked.

Of over-reading it says who waits, what readers decided, and how far they agree.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from contextlib import closing
from importlib.resources import files
from typing import Any, NamedTuple

from quietsleep import contract
from quietsleep.contract import Choice
from quietsleep.contract.query_kinds import QueryKind
from quietsleep.judge.readers import ALL, MACHINE
from quietsleep.review.queue import read_trials, waiting
from quietsleep.site import words
from quietsleep.site.actions import OPEN, SIGNS
from quietsleep.site.folder import PageFolder, fingerprint
from quietsleep.site.heartbeat import heartbeat
from quietsleep.site.pages.agreement import agreement_of_centres
from quietsleep.site.pages.briefing import answers_of
from quietsleep.site.pages.centre import count_tests
from quietsleep.site.pages.changes import change_counts, write_changes
from quietsleep.site.pages.comparability import comparability_page
from quietsleep.site.pages.drifts import drifts_of
from quietsleep.site.pages.equipment import DeviceView, devices_of
from quietsleep.site.pages.funnels import funnels_of
from quietsleep.site.pages.matrix import matrix_of
from quietsleep.site.pages.missing import missing_page
from quietsleep.site.pages.reasons import FIRST, reasons_of, reasons_page
from quietsleep.site.read import CentreData, PublishedNight, Row, grouped
from quietsleep.site.words import Sign, night_said, technique_title
from quietsleep.study.study import Study
from quietsleep.warehouse.database import open_night

NAV = (
    ("index.html", "Tonight"),
    ("index.html#queries", "Queries"),
    ("missing.html", "Missing"),
    ("reasons.html", "Lost tests"),
    ("equipment.html", "Equipment"),
    ("comparability.html", "Comparability"),
    ("agreement.html", "Agreement"),
    ("changes.html", "Changes"),
    ("../dictionary/index.html", "Dictionary"),
)
MOST_CRASHES = 50
MOST_QUERIES = 300
REVIEWS = "SELECT * FROM reviews ORDER BY review"
WAIVERS = "SELECT * FROM waivers WHERE starts_with(waiver, 'rv-') ORDER BY waiver"
AGREEMENT = f"""
SELECT * FROM review_agreement
ORDER BY technique <> '{ALL}', technique, second = '{MACHINE}', first, second
"""


class Seen(NamedTuple):
    """What the overview says of one centre; the whole of a centre is read and let go again."""

    name: str
    title: str
    devices: list[DeviceView]


class KindOfQueries(NamedTuple):
    """The open queries of one kind; `remedy` where all of them have the same."""

    kind: str
    said: str
    sign: Sign
    remedy: str
    rows: tuple[tuple[str, Row], ...]


def write_overview(study: Study, night: PublishedNight, seen: Sequence[Seen]) -> PageFolder:
    """Write the folder of the coordinating centre."""
    folder = PageFolder(
        study.path / "pages" / "overview",
        study.work_path / "pages" / "overview.json",
        {
            "study_title": study.title,
            "place": "Coordinating centre",
            "nav": NAV,
            "dictionary": "../dictionary/index.html",
        },
    )
    titles = {s.name: s.title for s in seen}
    asked = _open_queries(night)
    reasons = reasons_of(night, titles)
    equipment = {
        "centres": [(s.name, s.title, s.devices) for s in seen],
        "drifts": drifts_of(night, titles),
    }
    first = _first_page(night, titles, asked, study)
    first |= {"reasons": reasons, "first_reasons": reasons.ranked[:FIRST]}
    folder.put_page("index.html", "overview.html.jinja", first)
    folder.put_page(
        "conservation.html", "overview_conservation.html.jinja", _conservation(night, titles)
    )
    folder.put_page(
        "missing.html", "overview_missing.html.jinja", missing_page(night, titles, asked)
    )
    folder.put_page("reasons.html", "overview_reasons.html.jinja", reasons_page(reasons))
    folder.put_page("equipment.html", "overview_equipment.html.jinja", equipment)
    folder.put_page(
        "comparability.html", "overview_comparability.html.jinja", comparability_page(night)
    )
    folder.put_page("agreement.html", "agreement.html.jinja", agreement_of_centres(night))
    write_changes(folder, night, titles)
    folder.put_assets(traces=False)
    static = files("quietsleep.site") / "static"
    for name in ("overview.css", "overview.js"):
        folder.put(f"assets/{name}", fingerprint(), (static / name).read_bytes)
    folder.finish()
    return folder


def seen_of(data: CentreData) -> Seen:
    """Keep what the overview says of one centre."""
    return Seen(data.name, data.title, devices_of(data))


def _open_queries(night: PublishedNight) -> list[Row]:
    """Return the open data queries, the most urgent kind first."""
    rows = night.rows("SELECT * FROM queries WHERE state = 'open' ORDER BY query")
    order = {kind: place for place, kind in enumerate(contract.QUERIES.kinds)}
    return sorted(rows, key=lambda row: (order[row["kind"]], row["centre"] or "", row["query"]))


def _first_page(
    night: PublishedNight, titles: Mapping[str, str], asked: Sequence[Row], study: Study
) -> dict[str, Any]:
    tests = night.rows("SELECT centre, technique, status, flagged FROM tests")
    return {
        "night": night.night,
        "began_under": study.contract,
        "night_sign": words.sign(night.night["state"]),
        "night_said": night_said(night),
        "heartbeat": heartbeat(night.night["started_at"], study.due),
        "lasted": _lasted(night),
        "stages": stage_times(night),
        "answers": known_answers(night),
        "unbalanced": night.rows("SELECT * FROM conservation WHERE NOT balances"),
        "crashed": _crashed(night),
        "briefing": answers_of(night, titles),
        "n_open": len(asked),
        "n_answered": len(night.rows("SELECT query FROM queries WHERE state = 'answered'")),
        "kinds": _kinds(asked, titles),
        "matrix": matrix_of(night, Counter(row["centre"] or "" for row in asked)),
        "counts": count_tests(tests),
        "funnels": funnels_of(night, titles),
        "changes": change_counts(night),
        "readers": reviews_of(night),
    }  # fmt: skip


def _conservation(night: PublishedNight, titles: Mapping[str, str]) -> dict[str, Any]:
    rows = night.rows("SELECT * FROM conservation ORDER BY balances, centre, technique")
    return {
        "conservation": [(titles.get(r["centre"], r["centre"]), _technique(r), r) for r in rows],
        "n_unbalanced": sum(not row["balances"] for row in rows),
    }


def _technique(row: Row) -> str:
    known = row["technique"] in contract.TECHNIQUES
    return technique_title(row["technique"]) if known else "nothing delivered"


def _kinds(asked: Sequence[Row], titles: Mapping[str, str]) -> list[KindOfQueries]:
    """Gather the open queries by kind, the most urgent kind first, up to so many in all."""
    by_kind = grouped(asked, "kind")
    listed = grouped(asked[:MOST_QUERIES], "kind")
    return [
        _kind(contract.QUERIES.kinds[kind], rows, len(by_kind[kind]), titles)
        for kind, rows in listed.items()
    ]


def _kind(kind: QueryKind, rows: list[Row], n: int, titles: Mapping[str, str]) -> KindOfQueries:
    remedies = {row["remedy"] for row in rows}
    return KindOfQueries(
        kind=kind.name,
        said=words.count(n, kind.one, kind.many),
        sign=SIGNS.get(kind.name, OPEN),
        remedy=remedies.pop() if len(remedies) == 1 else "",
        rows=tuple(
            (titles.get(row["centre"] or "", row["centre"] or "the study"), row) for row in rows
        ),
    )


def _lasted(night: PublishedNight) -> str:
    began, ended = night.night["started_at"], night.night["ended_at"]
    return f"{(ended - began).total_seconds():.0f} s" if began and ended else "unknown"


def stage_times(night: PublishedNight) -> list[tuple[str, float]]:
    """Return seconds of each stage as NIGHT.json notes them; empty if it does not."""
    noted = night.facts.get("stages", {})
    return [(words.plain(str(k)), float(v)) for k, v in noted.items()]


def known_answers(night: PublishedNight) -> list[tuple[str, str, Row, str]]:
    """Return technique, quantity, the answer, and the share of its tolerance that was used up."""
    return [
        (
            words.plain(a["technique"]),
            a["quantity"],
            a,
            f"{abs(a['measured'] - a['truth']) / a['within']:.0%}",
        )
        for a in night.facts.get("known_answers", [])
    ]


def _crashed(night: PublishedNight) -> list[Row]:
    return night.rows(
        "SELECT centre, item, technique, why FROM recordings WHERE state = 'crashed' "
        "UNION ALL SELECT centre, check_id, kind, why FROM checks WHERE state = 'crashed' "
        f"ORDER BY ALL LIMIT {MOST_CRASHES}"
    )


class PastReading(NamedTuple):
    """A decision of the published night, as the queue needs it."""

    centre: str
    trial: str
    file_sha256: str
    reader: str
    decision: Choice


class ReviewsView(NamedTuple):
    """What the overview says of readers."""

    waiting: tuple[tuple[str, int], ...]
    n_waiting: int
    n_decisions: int
    waived: tuple[tuple[str, str, str, str, str], ...]
    agreement: tuple[tuple[str, str, int, str, str], ...]
    same_seat: tuple[str, ...]


def reviews_of(night: PublishedNight) -> ReviewsView:
    """Gather what readers decided and who still waits, from one published night."""
    decided = night.rows(REVIEWS)
    past = [PastReading(**{name: row[name] for name in PastReading._fields}) for row in decided]
    reasons: Counter[str] = Counter()
    n_waiting = 0
    with closing(open_night(night.path)) as warehouse:
        for centre in night.centres():
            published = read_trials(warehouse, centre["centre"])
            queue = waiting(
                published.trials, published.verdicts, past, study=str(night.facts.get("study", ""))
            )
            n_waiting += len(queue)
            # A centre without trials has an empty queue, which may have no columns either.
            reasons.update(reason for row in queue.to_dict("records") for reason in row["why"])
    return ReviewsView(
        waiting=tuple(reasons.most_common()),
        n_waiting=n_waiting,
        n_decisions=len(decided),
        waived=tuple(
            (w["centre"], w["item"], words.rule_name(w["rule"]), w["signed_by"], w["reason"])
            for w in night.rows(WAIVERS)
        ),
        agreement=tuple(_agreement(row) for row in night.rows(AGREEMENT)),
        same_seat=tuple(said for row in night.rows(AGREEMENT) if (said := _same_seat(row))),
    )


def _same_seat(row: Row) -> str:
    """Say that two readers may be one person; empty where nothing says so."""
    n_same = row.get("n_same_seat") or 0  # a night of before has no such column
    if row["technique"] != ALL or not n_same:
        return ""
    both = words.count(row["n_trials"], "trial")
    return (
        f"{row['first']} and {row['second']} may be one person: of the {both} that both decided, "
        f"{n_same} came twice by one account or token. Ask them; until then their agreement is "
        "that of one reader with themselves."
    )


def _agreement(row: Row) -> tuple[str, str, int, str, str]:
    technique = "All techniques" if row["technique"] == ALL else technique_title(row["technique"])
    other = "the rules" if row["second"] == MACHINE else row["second"]
    return (
        technique,
        f"{row['first']} and {other}",
        row["n_trials"],
        f"{row['agreement_pct']:.0f} %",
        "–" if words.missing(row["kappa"]) else f"{row['kappa']:.2f}",
    )
