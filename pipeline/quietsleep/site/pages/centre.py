"""The pages of one centre: what needs action, its tests, equipment, agreement and the rule book."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from quietsleep.site import words
from quietsleep.site.actions import actions_of
from quietsleep.site.counts import count_tests, months_of
from quietsleep.site.faults import technique_title
from quietsleep.site.folder import PageFolder, digest_of
from quietsleep.site.lists import list_of
from quietsleep.site.pages.agreement import agreement_by_technique
from quietsleep.site.pages.equipment import devices_of
from quietsleep.site.pages.rulebook import rule_book
from quietsleep.site.pages.test import write_test_pages
from quietsleep.site.read import CentreData, PublishedNight, Row, read_centre
from quietsleep.site.render import page
from quietsleep.site.traces import Draw, write_traces
from quietsleep.study.study import Study

MOST_ON_FIRST_PAGE = 1600
MOST_ON_MONTH_PAGE = 2500

NAV = (
    ("index.html", "Act on"),
    ("index.html#tests", "Tests"),
    ("equipment.html", "Equipment"),
    ("agreement.html", "Own results"),
    ("rules.html", "Rule book"),
)


def write_site(
    study: Study,
    warehouse_night_dir: Path,
    centre: str,
    out_dir: Path | None = None,
    *,
    draw: Draw | None = None,
) -> PageFolder:
    """Write the folder of one centre from a published night; KeyError for an unknown centre."""
    night = PublishedNight(warehouse_night_dir)
    try:
        if centre not in {row["centre"] for row in night.centres()}:
            raise KeyError(f"the warehouse knows no centre {centre!r}")
        return write_centre(study, night, centre, out_dir, draw)
    finally:
        night.close()


def write_centre(
    study: Study,
    night: PublishedNight,
    centre: str,
    out_dir: Path | None = None,
    draw: Draw | None = None,
) -> PageFolder:
    """Write the folder of one centre from a night that is open already."""
    data = read_centre(night, centre)
    folder = PageFolder(
        out_dir or study.path / "pages" / centre,
        study.work_path / "pages" / f"centre-{centre}.json",
    )
    frame = {"study_title": study.title, "place": data.centre["title"] or centre, "nav": NAV}
    traces = write_traces(folder, data, draw)
    write_test_pages(folder, data, traces, frame)
    _write_months(folder, data, frame)
    _put(folder, "index.html", "centre.html.jinja", _first_page(data), frame)
    _put(folder, "equipment.html", "equipment.html.jinja", {"devices": devices_of(data)}, frame)
    _put(
        folder,
        "agreement.html",
        "agreement.html.jinja",
        {"techniques": agreement_by_technique(data.agreement), "centres": ()},
        frame,
    )
    _put(folder, "rules.html", "rules.html.jinja", {"owners": rule_book(night)}, frame)
    folder.put_assets(traces=bool(traces))
    folder.finish()
    return folder


def _put(
    folder: PageFolder, name: str, template: str, context: dict[str, Any], frame: dict[str, Any]
) -> None:
    root = "../" * name.count("/")
    folder.put(
        name, digest_of([context, frame]), lambda: page(template, root=root, **context, **frame)
    )


def _first_page(data: CentreData) -> dict[str, Any]:
    lost = [test for test in data.tests if test["status"] != "accepted"]
    months = months_of(data.tests)
    return {
        "groups": actions_of(data),
        "state": _state(data),
        "counts": count_tests(data.tests),
        "months": months,
        "month_pages": _month_pages(data),
        "recordings": conservation_lines(data.conservation),
        "listed": list_of(data, lost[:MOST_ON_FIRST_PAGE]),
        "n_lost": len(lost),
        "crashed": [
            (r["recording"], r["technique"], r["why"] or "")
            for rows in data.recordings.values()
            for r in rows
            if r["state"] == "crashed"
        ],
        "night_said": night_said(data.night),
    }


def _state(data: CentreData) -> dict[str, Any]:
    """Say where the centre stands before anything else: never delivered, late, or taken in."""
    arriving = [d["delivery"] for d in data.deliveries if d["state"] == "arriving"]
    return {
        "empty": not data.sessions and not data.deliveries,
        "late": data.centre["state"] == "late",
        "last_delivery": words.moment(data.centre["last_delivery_at"]),
        "n_deliveries": len(data.deliveries),
        "n_sessions": len(data.sessions),
        "arriving": arriving,
    }


def conservation_lines(rows: list[Row]) -> list[tuple[str, list[int], bool]]:
    """Return recordings and trials by technique as the night balanced them."""
    names = ("delivered", "measured", "no_trial", "quarantined", "crashed",
             "found", "accepted", "rejected", "not_judgeable", "flagged")  # fmt: skip
    return [
        (
            technique_title(row["technique"]),
            [row[name] or 0 for name in names],
            bool(row["balances"]),
        )
        for row in rows
    ]


def night_said(night: PublishedNight) -> str:
    """Say which night this is and how it ended."""
    row = night.night
    ended = words.sign(row["state"]).word.lower() if row["state"] else "unknown"
    return f"Night {row['night']}, {words.moment(row['started_at'])}, ended {ended}"


def _month_pages(data: CentreData) -> list[tuple[str, str, int]]:
    """Return file, words and number of tests of each page that lists a month whole."""
    by_month: dict[str, int] = {}
    for test in data.tests:
        key = words.month(test["tested_at"])
        by_month[key] = by_month.get(key, 0) + 1
    found = []
    for key in sorted(by_month, reverse=True):
        for part in range(0, by_month[key], MOST_ON_MONTH_PAGE):
            n = min(MOST_ON_MONTH_PAGE, by_month[key] - part)
            number = part // MOST_ON_MONTH_PAGE + 1
            suffix, said = ("", "") if number == 1 else (f"-{number}", f", part {number}")
            found.append((f"months/{key}{suffix}.html", words.month_words(key) + said, n))
    return found


def _write_months(folder: PageFolder, data: CentreData, frame: dict[str, Any]) -> None:
    start = 0
    # Tests and month pages run in the same order, the newest first.
    for name, title, n in _month_pages(data):
        tests = data.tests[start : start + n]
        start += n
        context = {"title": title, "listed": list_of(data, tests), "counts": count_tests(tests)}
        _put(folder, name, "month.html.jinja", context, frame)
