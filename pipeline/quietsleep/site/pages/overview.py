"""The overview of the coordinating centre: the state of the night, then all centres."""

from __future__ import annotations

from pathlib import Path
from typing import Any, NamedTuple

from markupsafe import Markup

from quietsleep import contract
from quietsleep.site import words
from quietsleep.site.actions import actions_of
from quietsleep.site.comparisons import FunnelPoint, Pair, agreement_limits, funnel
from quietsleep.site.counts import count_tests, techniques_in
from quietsleep.site.faults import technique_title
from quietsleep.site.folder import PageFolder, digest_of
from quietsleep.site.matters import Group
from quietsleep.site.pages.agreement import agreement_by_technique, suspects
from quietsleep.site.pages.centre import night_said
from quietsleep.site.pages.equipment import DeviceView, devices_of
from quietsleep.site.pages.reviews import reviews_of
from quietsleep.site.read import CentreData, PublishedNight, Row, grouped, read_centre
from quietsleep.site.render import page
from quietsleep.study.study import Study

NAV = (
    ("index.html", "Act on"),
    ("index.html#conservation", "Conservation"),
    ("equipment.html", "Equipment"),
    ("agreement.html", "Agreement"),
    ("changes.html", "Changes"),
)
MOST_CRASHES = 50
MOST_CHANGES = 1500


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
    state: str
    groups: list[Group]
    line: CentreLine
    devices: list[DeviceView]


class Funnel(NamedTuple):
    """Accepted shares of all centres for one technique."""

    title: str
    said: str
    chart: Markup
    rows: tuple[tuple[str, int, int, str], ...]


def write_overview(
    study: Study, warehouse_night_dir: Path, out_dir: Path | None = None
) -> PageFolder:
    """Write the folder of the coordinating centre from a published night."""
    folder = PageFolder(
        out_dir or study.path / "pages" / "overview", study.work_path / "pages" / "overview.json"
    )
    night = PublishedNight(warehouse_night_dir)
    try:
        seen = [_seen(night, row["centre"]) for row in night.centres()]
        frame = {"study_title": study.title, "place": "Coordinating centre", "nav": NAV}
        _put(folder, "index.html", "overview.html.jinja", _first_page(night, seen), frame)
        _put(folder, "equipment.html", "overview_equipment.html.jinja", _equipment(seen), frame)
        _put(folder, "agreement.html", "agreement.html.jinja", _agreement(night), frame)
        _put(folder, "changes.html", "changes.html.jinja", _changes(night), frame)
    finally:
        night.close()
    folder.put_assets(traces=False)
    folder.finish()
    return folder


def _seen(night: PublishedNight, centre: str) -> Seen:
    """Read one centre and keep what the overview says of it."""
    data = read_centre(night, centre)
    groups = actions_of(data, f"../{data.name}/")
    return Seen(
        data.name,
        data.centre["title"] or data.name,
        data.centre["state"],
        groups,
        _centre_line(data, groups),
        devices_of(data),
    )


def _put(
    folder: PageFolder, name: str, template: str, context: dict[str, Any], frame: dict[str, Any]
) -> None:
    folder.put(
        name, digest_of([context, frame]), lambda: page(template, root="", **context, **frame)
    )


def _first_page(night: PublishedNight, seen: list[Seen]) -> dict[str, Any]:
    tests = night.rows("SELECT centre, technique, status, flagged FROM tests")
    conservation = night.rows("SELECT * FROM conservation ORDER BY centre, technique")
    titles = {s.name: s.title for s in seen}
    groups = {s.name: s.groups for s in seen}
    alerts = _alerts(groups, titles)
    return {
        "night": night.night,
        "night_sign": words.sign(night.night["state"]),
        "night_said": night_said(night),
        "lasted": _lasted(night),
        "stages": stage_times(night),
        "answers": known_answers(night),
        "unbalanced": [row for row in conservation if not row["balances"]],
        "crashed": _crashed(night),
        "late": [s.title for s in seen if s.state == "late"],
        "silent": [s.title for s in seen if s.state == "nothing"],
        "centres": [s.line for s in seen],
        "alerts": alerts,
        "asked": _asked(groups),
        "n_alerts": sum(len(matter.rows) + matter.more for _, matter in alerts),
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


def _asked(groups: dict[str, list[Group]]) -> list[tuple[words.Sign, str]]:
    """Say how many centres have matters of each kind, the most pressing kind first."""
    named = {"deliveries": "a delivery to put right", "checks": "a check out of tolerance",
             "rescue": "tests that a new delivery could rescue"}  # fmt: skip
    found = []
    for key, said in named.items():
        signs = [g.matters[0].sign for own in groups.values() for g in own
                 if g.key == key and g.matters]  # fmt: skip
        if signs:
            found.append((signs[0], f"{words.count(len(signs), 'centre')} with {said}"))
    return found


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
        "SELECT centre, recording AS item, technique, why FROM recordings WHERE state = 'crashed' "
        "UNION ALL SELECT centre, check_id, kind, why FROM checks WHERE state = 'crashed' "
        f"ORDER BY ALL LIMIT {MOST_CRASHES}"
    )


def _centre_line(data: CentreData, groups: list[Group]) -> CentreLine:
    return CentreLine(
        centre=data.name,
        title=data.centre["title"] or data.name,
        sign=words.sign(data.centre["state"]),
        last_delivery=words.moment(data.centre["last_delivery_at"]),
        n_sessions=len(data.sessions),
        groups=tuple(
            (g.summary, f"../{data.name}/index.html#{g.key}") for g in groups if g.matters
        ),
    )


def _alerts(groups: dict[str, list[Group]], titles: dict[str, str]) -> list[tuple[str, Any]]:
    return [
        (titles[name], matter)
        for name, own in groups.items()
        for group in own
        if group.key == "alerts"
        for matter in group.matters
    ]


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


def _equipment(seen: list[Seen]) -> dict[str, Any]:
    return {"centres": [(s.name, s.title, s.devices) for s in seen]}


def _agreement(night: PublishedNight) -> dict[str, Any]:
    rows = night.rows("SELECT * FROM agreement ORDER BY technique, outcome, centre, session")
    lines = []
    for (centre, outcome), own in sorted(grouped(rows, "centre", "outcome").items()):
        pairs = [
            Pair(r["session"], r["reported_converted"], r["central_value"])
            for r in own
            if not words.missing(r["difference"])
        ]
        limits = agreement_limits(pairs)
        unit = own[0]["unit"]
        causes = sorted({words.plain(r["suspected_cause"]) for r in own if suspects(r)})
        lines.append(
            (
                centre,
                outcome,
                len(pairs),
                words.with_unit(words.number(limits.bias, 3), unit) if limits else "–",
                f"{words.number(limits.lower, 3)} to {words.number(limits.upper, 3)}"
                if limits
                else "–",
                "; ".join(causes),
            )
        )
    return {"techniques": agreement_by_technique(rows), "centres": lines}
