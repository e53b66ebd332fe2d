"""The overview of the coordinating centre: the state of the night, then all centres, and readers.

Of over-reading it says who waits, what readers decided, and how far they agree.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from contextlib import closing
from typing import Any, NamedTuple

from markupsafe import Markup

from quietsleep import contract
from quietsleep.contract import Choice
from quietsleep.judge.readers import ALL, MACHINE
from quietsleep.review.queue import read_trials, waiting
from quietsleep.site import words
from quietsleep.site.actions import OPEN, SIGNS, Group, actions_of
from quietsleep.site.charts import FunnelPoint, funnel
from quietsleep.site.folder import PageFolder
from quietsleep.site.heartbeat import heartbeat
from quietsleep.site.pages.agreement import agreement_of_centres
from quietsleep.site.pages.centre import count_tests, techniques_in
from quietsleep.site.pages.equipment import DeviceView, devices_of
from quietsleep.site.read import CentreData, PublishedNight, Row, grouped
from quietsleep.site.words import night_said, technique_title
from quietsleep.study.study import Study
from quietsleep.warehouse.database import open_night

NAV = (
    ("index.html", "Act on"),
    ("index.html#conservation", "Conservation"),
    ("equipment.html", "Equipment"),
    ("agreement.html", "Agreement"),
    ("changes.html", "Changes"),
)
MOST_CRASHES = 50
MOST_CHANGES = 1500
MOST_QUERIES = 500
REVIEWS = "SELECT * FROM reviews ORDER BY review"
WAIVERS = "SELECT * FROM waivers WHERE starts_with(waiver, 'rv-') ORDER BY waiver"
AGREEMENT = f"""
SELECT * FROM review_agreement
ORDER BY technique <> '{ALL}', technique, second = '{MACHINE}', first, second
"""


class CentreLine(NamedTuple):
    """One centre on the first page."""

    centre: str
    title: str
    sign: words.Sign
    last_delivery: str
    n_sessions: int
    groups: tuple[tuple[str, str], ...]


class Seen(NamedTuple):
    """What the overview says of one centre; the whole of a centre is read and let go again."""

    name: str
    title: str
    line: CentreLine
    devices: list[DeviceView]


class Funnel(NamedTuple):
    """Accepted shares of all centres for one technique."""

    title: str
    said: str
    chart: Markup
    rows: tuple[tuple[str, int, int, str], ...]


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
    devices = {"centres": [(s.name, s.title, s.devices) for s in seen]}
    folder.put_page("index.html", "overview.html.jinja", _first_page(night, seen, study))
    folder.put_page("equipment.html", "overview_equipment.html.jinja", devices)
    folder.put_page("agreement.html", "agreement.html.jinja", agreement_of_centres(night))
    folder.put_page("changes.html", "changes.html.jinja", _changes(night))
    folder.put_assets(traces=False)
    folder.finish()
    return folder


def seen_of(data: CentreData) -> Seen:
    """Keep what the overview says of one centre."""
    groups = actions_of(data, f"../{data.name}/")
    return Seen(data.name, data.title, _centre_line(data, groups), devices_of(data))


def _first_page(night: PublishedNight, seen: Sequence[Seen], study: Study) -> dict[str, Any]:
    tests = night.rows("SELECT centre, technique, status, flagged FROM tests")
    conservation = night.rows("SELECT * FROM conservation ORDER BY centre, technique")
    titles = {s.name: s.title for s in seen}
    waiting = night.rows("SELECT * FROM queries WHERE state = 'open' ORDER BY query")
    order = {kind: place for place, kind in enumerate(contract.QUERIES.kinds)}
    waiting.sort(key=lambda row: (order[row["kind"]], row["centre"] or "", row["query"]))
    return {
        "night": night.night,
        "began_under": study.contract,
        "night_sign": words.sign(night.night["state"]),
        "night_said": night_said(night),
        "heartbeat": heartbeat(night.night["started_at"], study.due),
        "lasted": _lasted(night),
        "stages": stage_times(night),
        "answers": known_answers(night),
        "unbalanced": [row for row in conservation if not row["balances"]],
        "crashed": _crashed(night),
        "n_open": len(waiting),
        "n_answered": len(night.rows("SELECT query FROM queries WHERE state = 'answered'")),
        "kinds": _kinds(waiting),
        "queries": [_open_query(row, titles) for row in waiting[:MOST_QUERIES]],
        "centres": [s.line for s in seen],
        "conservation": [(titles.get(r["centre"], r["centre"]), _technique(r), r)
                         for r in conservation],
        "counts": count_tests(tests),
        "funnels": _funnels(tests, titles),
        "changes": _change_counts(night),
        "readers": reviews_of(night),
    }  # fmt: skip


def _technique(row: Row) -> str:
    known = row["technique"] in contract.TECHNIQUES
    return technique_title(row["technique"]) if known else "nothing delivered"


def _kinds(waiting: Sequence[Row]) -> list[tuple[words.Sign, str]]:
    """Count the open queries by kind, the most urgent kind first."""
    return [
        (
            SIGNS.get(kind, OPEN),
            words.count(
                len(rows), contract.QUERIES.kinds[kind].one, contract.QUERIES.kinds[kind].many
            ),
        )
        for kind, rows in grouped(waiting, "kind").items()
    ]


def _open_query(row: Row, titles: dict[str, str]) -> tuple[words.Sign, str, str, Row]:
    centre = row["centre"] or ""
    what = contract.QUERIES.kinds[row["kind"]].one
    return SIGNS.get(row["kind"], OPEN), titles.get(centre, centre or "the study"), what, row


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


def _centre_line(data: CentreData, groups: list[Group]) -> CentreLine:
    return CentreLine(
        centre=data.name,
        title=data.title,
        sign=words.sign(data.centre["state"]),
        last_delivery=words.moment(data.centre["last_delivery_at"]),
        n_sessions=len(data.sessions),
        groups=tuple((g.summary, f"../{data.name}/index.html#{g.key}") for g in groups if g.items),
    )


def _funnels(tests: list[Row], titles: dict[str, str]) -> list[Funnel]:
    found = []
    for key in techniques_in(tests):
        by_centre = grouped((t for t in tests if t["technique"] == key), "centre")
        points = [
            FunnelPoint(titles.get(c, c), sum(t["status"] == "accepted" for t in own), len(own))
            for c, own in sorted(by_centre.items())
        ]
        accepted, total = sum(p.accepted for p in points), sum(p.total for p in points)
        said = f"{accepted} of {total} accepted in all ({words.share(accepted, total)})"
        title = technique_title(key)
        found.append(
            Funnel(
                title,
                said,
                funnel(points, title=f"{title}: accepted share of centres. {said}"),
                tuple((p.name, p.total, p.accepted, words.share(p.accepted, p.total))
                      for p in points),
            )
        )  # fmt: skip
    return found


def _change_counts(night: PublishedNight) -> list[tuple[str, int, int, int]]:
    return night.tuples(
        "SELECT table_name, count(DISTINCT key) FILTER (column_name = '' AND before IS NULL), "
        "count(DISTINCT key) FILTER (column_name = '' AND after IS NULL), "
        "count(*) FILTER (column_name <> '') FROM changes WHERE night = ? "
        "GROUP BY table_name ORDER BY table_name",
        night.night["night"],
    )


def _changes(night: PublishedNight) -> dict[str, Any]:
    rows = night.rows(
        "SELECT * FROM changes WHERE night = ? AND column_name <> '' "
        f"ORDER BY table_name, key, column_name LIMIT {MOST_CHANGES}",
        night.night["night"],
    )
    counts = _change_counts(night)
    return {
        "counts": counts,
        "rows": rows,
        "left_out": max(0, sum(c[3] for c in counts) - len(rows)),
        "night_said": night_said(night),
    }


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
