"""What became of deliveries, what is still wrong with them, and what later ones replaced."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import datetime

import pandas as pd

from quietsleep.measure.roster import Roster
from quietsleep.records import Problem
from quietsleep.store.state import State
from quietsleep.study.history import History

# Kinds of problems with deliveries that are said in every night while they stand.
GONE, LOST, EDITED, REFUSED = (
    "delivery_gone",
    "delivery_lost",
    "delivery_edited",
    "delivery_refused",
)
HELD, NO_CONSENT, WITHDRAWN_NAMED = "amendment_held", "no_consent", "withdrawn_named"
NAMES = {"row_number": "row"}
OF_DELIVERY = ["centre", "delivery"]
TABLES = ("sessions", "recordings", "checks")


def deliveries_of_night(state: State, roster: Roster, history: History) -> pd.DataFrame:
    """Return every delivery that ever arrived, in order of arrival, and what became of it.

    One is superseded when nothing of it counts any more, or when it was refused and all that it
    names came with later ones; it is gone when it was taken in once and can be read no more.
    """
    rows = state.frame(
        "SELECT d.* EXCLUDE (path, stat_digest, leans_on), count(p.kind) AS n_problems "
        "FROM deliveries d LEFT JOIN problems p ON p.centre = d.centre "
        "AND p.delivery = d.delivery AND p.content_key IS NULL GROUP BY ALL"
    )
    rows = pd.concat([rows, _lost(rows, history)], ignore_index=True)
    keys = [*zip(rows["centre"], rows["delivery"], strict=True)]
    arrivals = [history.arrivals.get(key) for key in keys]
    rows["first_night"] = [None if a is None else a.night for a in arrivals]
    rows["arrived_at"] = pd.Series(
        [None if a is None else a.at for a in arrivals], dtype="datetime64[us, UTC]"
    )
    rows["place"] = [history.place_of(*key) for key in keys]
    rows = rows.sort_values(["centre", "place", "delivery"], ignore_index=True)
    rows["arrival"] = rows.groupby("centre").cumcount() + 1
    rows["arrival"] = rows["arrival"].where(rows["arrived_at"].notna())
    rows["replaces"] = [", ".join(json.loads(said or "[]")) or None for said in rows["replaces"]]
    rows["state"] = rows["state"].mask(_counts_no_more(rows, roster), "superseded")
    return rows.assign(state=rows["state"].mask(_came_anew(rows, history), "superseded"))


def _lost(rows: pd.DataFrame, history: History) -> pd.DataFrame:
    """Return the deliveries that were taken in once and of which the state holds nothing."""
    known = set(zip(rows["centre"], rows["delivery"], strict=True))
    lost = [
        {
            "centre": centre,
            "delivery": delivery,
            "state": "gone",
            "sha256": versions[-1].sha256,
            "replaces": json.dumps(versions[-1].replaces),
            "names": "[]",
            "n_sessions": len(versions[-1].sessions),
            "n_recordings": len(versions[-1].recordings),
            "n_checks": len(versions[-1].checks),
            "n_problems": 0,
        }
        for (centre, delivery), versions in history.brought.items()
        if (centre, delivery) not in known
    ]
    return pd.DataFrame(lost, columns=rows.columns).astype(rows.dtypes)


def _counts_no_more(rows: pd.DataFrame, roster: Roster) -> pd.Series[bool]:
    """Say of which deliveries nothing counts any more, although they brought something."""
    frames = (roster.sessions, roster.recordings, roster.checks, roster.reported)
    counting = {key for f in frames for key in zip(f["centre"], f["delivery"], strict=True)}
    brought = rows[["n_sessions", "n_recordings", "n_checks"]].sum(axis=1) > 0
    there = [key in counting for key in zip(rows["centre"], rows["delivery"], strict=True)]
    return rows["state"].isin(["accepted", "gone"]) & brought & ~pd.Series(there, index=rows.index)


def _came_anew(rows: pd.DataFrame, history: History) -> pd.Series[bool]:
    """Say which refused deliveries named nothing but what later ones brought."""
    cured = []
    for row in rows.to_dict("records"):
        names = set(json.loads(row["names"] or "[]")) if row["state"] == "quarantined" else set()
        later = [
            _names_of(history, row["centre"], other["delivery"])
            for other in (rows[rows["centre"] == row["centre"]].to_dict("records") if names else ())
            if other["state"] in ("accepted", "superseded") and other["place"] > row["place"]
        ]
        cured.append(bool(names) and names <= set().union(*later))
    return pd.Series(cured, index=rows.index, dtype="bool")


def _names_of(history: History, centre: str, delivery: str) -> set[str]:
    """Return what an accepted delivery names, in the form in which a refused one is remembered."""
    versions = history.brought.get((centre, delivery), ())
    if not versions:
        return set()
    last = versions[-1]
    found = {f"sessions:{session}" for session in last.sessions}
    found |= {f"recordings:{item}" for item in last.recordings}
    found |= {f"reported:{item}" for item in last.reported}
    return found | {f"checks:{item.rpartition('/')[2]}" for item in last.checks}


def last_arrivals(deliveries: pd.DataFrame) -> dict[str, datetime]:
    """Return when the last delivery of each centre was seen for the first time."""
    last = deliveries.dropna(subset=["arrived_at"]).groupby("centre")["arrived_at"].max()
    return {str(centre): at.to_pydatetime() for centre, at in last.items()}


def loose_problem(problem: Problem) -> dict[str, str | None]:
    """Return the row of a problem that is not one of what a delivery brought."""
    return {
        "centre": problem.centre or None,
        "delivery": problem.delivery or None,
        "session": problem.session,
        "recording": problem.recording,
        "kind": problem.kind,
        "where_found": problem.where,
        "expected": problem.expected,
        "sentence": problem.sentence,
        "remedy": problem.remedy,
    }


def problems_of_night(
    state: State,
    roster: Roster,
    deliveries: pd.DataFrame,
    *,
    night: str,
    loose: Sequence[Mapping[str, str | None]],
) -> pd.DataFrame:
    """Return the problems that still stand, numbered: of deliveries and of recordings that count.

    A problem goes when its delivery or its row is superseded, or its recording delivered anew.
    `loose` are rows of what is no problem of what a delivery brought.
    """
    rows = state.frame("SELECT * FROM problems ORDER BY night, centre, delivery, where_found")
    rows = _since_it_came(rows, deliveries)
    keys = pd.concat([roster.recordings["content_key"], roster.checks["content_key"]])
    standing = deliveries.loc[deliveries["state"] != "superseded", OF_DELIVERY]
    of_delivery = rows[rows["content_key"].isna()].merge(standing, on=OF_DELIVERY)
    of_delivery = of_delivery[_still_said(of_delivery, roster)]
    of_signal = rows[rows["content_key"].isin(keys.dropna())]
    of_none = pd.DataFrame([{"night": night, **row} for row in loose])
    found = pd.concat([f for f in (of_delivery, of_signal, of_none) if len(f)] or [rows.iloc[:0]])
    found = found.reindex(columns=rows.columns).rename(columns=NAMES).reset_index(drop=True)
    return found.assign(problem=found.groupby("night", sort=False).cumcount() + 1)


def _since_it_came(problems: pd.DataFrame, deliveries: pd.DataFrame) -> pd.DataFrame:
    """Put the night in which its delivery came into each problem, in that order.

    The register knows it; the state, which may be lost, knows only when it was read last.
    """
    came = deliveries.set_index(OF_DELIVERY)["first_night"].dropna().to_dict()
    keys = zip(problems["centre"], problems["delivery"], problems["night"], strict=True)
    nights = pd.Series([came.get((c, d), n) for c, d, n in keys], problems.index, dtype="object")
    order = ["night", *OF_DELIVERY, "where_found"]
    return problems.assign(night=nights).sort_values(order, kind="stable", ignore_index=True)


def _still_said(problems: pd.DataFrame, roster: Roster) -> pd.Series[bool]:
    """Say which problems are of rows that still count, or of no row at all."""
    lines: dict[str, set[tuple[str, str, int]]] = {}
    items: set[tuple[str, str, str | None, str | None]] = set()
    for name in TABLES:
        frame = getattr(roster, name)
        columns = (frame["centre"], frame["delivery"], frame["row"])
        lines[name] = {*zip(*columns, strict=True)}
    for frame, code in ((roster.recordings, "recording"), (roster.checks, "check_code")):
        sessions = frame["session"] if "session" in frame else [None] * len(frame)
        items |= {*zip(frame["centre"], frame["delivery"], sessions, frame[code], strict=True)}
    said = []
    for p in problems.to_dict("records"):
        table = table_of(p["where_found"])
        if pd.notna(p["row_number"]) and table in lines:
            line = (p["centre"], p["delivery"], int(p["row_number"]))
            said.append(line in lines[table])
        elif pd.notna(p["recording"]):
            session = p["session"] if pd.notna(p["session"]) else None
            said.append((p["centre"], p["delivery"], session, p["recording"]) in items)
        else:
            said.append(True)
    return pd.Series(said, index=problems.index, dtype="bool")


def table_of(where: str) -> str:
    """Return which table a problem was found in: a file of any ending, or a sheet of a workbook."""
    _, is_sheet, sheet = where.casefold().rpartition(", sheet ")
    return sheet if is_sheet else where.casefold().partition(".")[0]


def supersessions(roster: Roster, history: History) -> pd.DataFrame:
    """Return what later deliveries replaced, since when, and whether it had been accepted."""
    rows = roster.superseded
    keys = zip(rows["centre"], rows["item_kind"], rows["item"], rows["delivery"], strict=True)
    noted = [history.superseded.get(key, (None, False)) for key in keys]
    return rows.assign(
        night=pd.Series([night for night, _ in noted], index=rows.index, dtype="str"),
        was_accepted=pd.Series([accepted for _, accepted in noted], index=rows.index, dtype="bool"),
    )
