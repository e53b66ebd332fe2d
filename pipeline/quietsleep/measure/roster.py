"""Which sessions, recordings and checks count tonight, out of all that was ever delivered.

Deliveries count in the order of arrival. A later row replaces the row of the same key, whole, even
where the later one is held: what a centre has replaced never comes back silently. What it does not
name stays. A delivery that was quarantined as a whole replaces nothing.

A row that was taken in once and is not there any more, because its delivery was edited, refused
later, or taken away and the state lost, still stands in its place: held, with the reason.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import pandas as pd

from quietsleep import contract
from quietsleep.contract.schemas import PANDAS_TYPES
from quietsleep.store.items import code_of_item, day_of_check, item_of_row
from quietsleep.store.state import State
from quietsleep.study.history import History

TABLES = ("sessions", "recordings", "checks", "reported")
OF_A_SESSION = ("sessions", "recordings", "reported")
OWN_COLUMNS = {
    "centre": "str", "delivery": "str", "row": "int64", "on": "object", "faulty": "bool",
    "unread": "bool", "why": "str", "session_why": "str",
}  # fmt: skip
GONE = "It was delivered with {delivery} and is not there any more."
NO_SESSION = "Its session is in no delivery."
# What an item of a table that was taken in once says when its row is gone.
KIND_OF = {"sessions": "session", "recordings": "recording", "checks": "check"}
# Columns that are only worked with here.
WORKED = ["turn", "faulty", "unread", "session_why", "gone", "by_turn", "by_delivery"]
SUPERSEDED = ["centre", "item_kind", "item", "session", "technique", "delivery", "by_delivery"]


@dataclass(frozen=True, slots=True)
class Roster:
    """The rows that count, in the columns of the delivery contract and some of ours.

    Every frame has `centre`, `delivery`, `on` (the local day), `held` (True where the row or its
    file was refused at the border) and `why`. `recordings` and `checks` have `folder` and
    `file_sha256`; `recordings` have `item`, and `checks` call theirs `check_id` and their own code
    `check_code`. `session_checks` links each session to the last check of each kind on its device
    that day and before it: centre, session, kind, check_id.

    `superseded` are the rows that later ones replaced. `delivered` has one row for each recording
    of each delivery ever taken in (centre, delivery, item, technique), and `withdrawn` those of
    them that were taken out or came without consent; `sessions_without_consent` are the
    codes of the others: centre and session, to be counted and not to be told.
    """

    sessions: pd.DataFrame
    recordings: pd.DataFrame
    checks: pd.DataFrame
    reported: pd.DataFrame
    session_checks: pd.DataFrame
    superseded: pd.DataFrame
    delivered: pd.DataFrame
    withdrawn: pd.DataFrame
    sessions_without_consent: pd.DataFrame


def read_roster(state: State, history: History) -> Roster:
    """Work out what counts from everything taken in so far, and in which order it arrived."""
    order = order_of(state, history)
    rows = {name: _rows(state, name, order, history) for name in TABLES}
    delivered = _delivered(rows["recordings"], history)
    rows = in_order(rows, order, history)
    rows = {name: _held_together(frame, name, rows) for name, frame in rows.items()}
    superseded = pd.concat([_superseded(rows[name], kind) for name, kind in KIND_OF.items()])
    standing = {name: f[f["by_turn"].isna()].drop(columns=WORKED) for name, f in rows.items()}
    consent = standing["sessions"]
    refused = consent[consent["consent"].eq(False).fillna(False)]
    standing = {name: _not_of(frame, name, refused) for name, frame in standing.items()}
    superseded = _not_of(superseded, "superseded", refused)
    files = state.frame("SELECT centre, delivery, path AS file, sha256 AS file_sha256 FROM stats")
    sessions = standing["sessions"].reset_index(drop=True)
    checks = standing["checks"].rename(columns={"item": "check_id", "check": "check_code"})
    return Roster(
        sessions=sessions.drop(columns="item"),
        recordings=_with_files(_of_sessions(standing["recordings"], sessions), files, order),
        checks=_with_files(checks, files, order),
        reported=_reported(standing["reported"], sessions),
        session_checks=link_checks(sessions, checks),
        superseded=superseded[SUPERSEDED].reset_index(drop=True),
        delivered=delivered,
        withdrawn=_withdrawn(delivered, refused, history),
        sessions_without_consent=refused[["centre", "session"]].reset_index(drop=True),
    )


def in_order(
    rows: Mapping[str, pd.DataFrame], order: pd.DataFrame, history: History
) -> dict[str, pd.DataFrame]:
    """Leave out what was withdrawn, and say which later delivery replaced each row, if any did."""
    kept = {name: _without_withdrawn(frame, history) for name, frame in rows.items()}
    return {name: _replaced(frame, name, order) for name, frame in kept.items()}


def standing_results(state: State, history: History) -> pd.DataFrame:
    """Return the reported results that no later delivery replaced, those gone among them."""
    order = order_of(state, history)
    rows = in_order({"reported": _rows(state, "reported", order, history)}, order, history)
    return rows["reported"][rows["reported"]["by_turn"].isna()]


@dataclass(frozen=True, slots=True)
class Incoming:
    """A delivery that is not taken in yet: the sessions that it replaces whole, and its rows."""

    centre: str
    delivery: str
    replaces: Sequence[str]
    rows: Mapping[str, pd.DataFrame]


def rows_of_centre(
    state: State, history: History, centre: str, then: Incoming | None = None
) -> dict[str, pd.DataFrame]:
    """Return every row that was ever taken in of a centre, by table, in order of arrival.

    Columns are those of the delivery contract and `item`, `turn` (the place of its delivery),
    `gone` (it is not in its delivery any more), `by_turn` and `by_delivery` (what replaced it).
    `then` comes after all others, or in its place where an earlier form of it was taken in.
    """
    order = order_of(state, history, then)
    order = order[order["centre"] == centre]
    rows = {name: _rows(state, name, order, history, centre=centre, then=then) for name in TABLES}
    return in_order(rows, order, history)


def order_of(state: State, history: History, then: Incoming | None = None) -> pd.DataFrame:
    """Return the deliveries that count, by arrival: centre, delivery, folder, replaces, turn.

    Deliveries that were taken in once and cannot be read any more are among them.
    """
    taken = state.frame(
        "SELECT centre, delivery, path AS folder, replaces FROM deliveries WHERE state = 'accepted'"
    ).to_dict("records")
    if then is not None:
        name = (then.centre, then.delivery)
        taken = [row for row in taken if (row["centre"], row["delivery"]) != name]
        said: dict[Any, Any] = {"centre": then.centre, "delivery": then.delivery, "folder": ""}
        taken.append(said | {"replaces": json.dumps([*then.replaces])})
    known = {(row["centre"], row["delivery"]) for row in taken}
    gone = [
        {"centre": centre, "delivery": delivery, "folder": "",
         "replaces": json.dumps(versions[-1].replaces)}
        for (centre, delivery), versions in history.brought.items()
        if (centre, delivery) not in known
    ]  # fmt: skip
    both: list[dict[str, Any]] = [*taken, *gone]  # type: ignore[list-item]
    rows = sorted(
        both,
        key=lambda r: (r["centre"], history.place_of(r["centre"], r["delivery"]), r["delivery"]),
    )
    names = ["centre", "delivery", "folder", "replaces"]
    order = pd.DataFrame(rows, columns=names).astype(dict.fromkeys(names, "str"))
    return order.assign(turn=range(len(order)))


def _rows(
    state: State,
    name: str,
    order: pd.DataFrame,
    history: History,
    *,
    centre: str | None = None,
    then: Incoming | None = None,
) -> pd.DataFrame:
    """Return all rows of one table with their items, in order of arrival, those gone among them.

    Of one centre where it is given; `order` is that of its deliveries then.
    """
    columns = contract.TABLES[f"delivery_{name}"].columns
    types = {column.name: PANDAS_TYPES[column.type] for column in columns} | OWN_COLUMNS
    kept = state.delivered_rows(name, centre=centre)
    if then is not None:
        own = then.rows[name].assign(centre=then.centre, delivery=then.delivery)
        if len(kept):
            is_own = (kept["centre"] == then.centre) & (kept["delivery"] == then.delivery)
            kept = kept[~is_own]
        kept = pd.concat([kept, own], ignore_index=True) if len(kept) else own
    if kept.empty:  # no delivery was ever accepted, or none has a row of this table
        kept = pd.DataFrame(columns=[*types]).astype(types)
    kept = kept.reindex(columns=[*types]).astype(types)
    kept = kept.merge(order[["centre", "delivery", "turn"]], on=["centre", "delivery"])
    kept = _with_items(kept.sort_values(["turn", "row"], kind="stable", ignore_index=True), name)
    gone = _gone(kept, name, order, history)
    if gone.empty:
        return kept.assign(gone=False)
    whole = pd.concat(
        [kept.assign(gone=False), gone.reindex(columns=kept.columns).astype(kept.dtypes)
         .assign(gone=True)],
        ignore_index=True,
    )  # fmt: skip
    return whole.sort_values(["turn", "row"], kind="stable", ignore_index=True)


def _with_items(rows: pd.DataFrame, name: str) -> pd.DataFrame:
    """Name each row; one whose key is not whole, or that its delivery has twice, by its line."""
    items = pd.Series(
        [item_of_row(name, row) for row in rows.to_dict("records")], index=rows.index, dtype="str"
    )
    rows = rows.assign(item=items)
    nameless = items.isna() | rows.duplicated(["centre", "delivery", "item"])
    place = rows["delivery"] + "-row-" + rows["row"].astype("str")
    rows["item"] = rows["item"].where(~nameless, place)
    code = {"sessions": "session", "recordings": "recording", "checks": "check"}.get(name)
    if code is not None:
        lacking = rows[code].isna() | (nameless & (name == "sessions"))
        rows[code] = rows[code].where(~lacking, place)
    return rows


def _gone(kept: pd.DataFrame, name: str, order: pd.DataFrame, history: History) -> pd.DataFrame:
    """Return a held row for each item that a delivery once brought and that is gone from it."""
    there = set(zip(kept["centre"], kept["delivery"], kept["item"], strict=True))
    turns = dict(
        zip(zip(order["centre"], order["delivery"], strict=True), order["turn"], strict=True)
    )
    found: dict[tuple[str, str, str], dict[str, Any]] = {}
    for (centre, delivery), versions in history.brought.items():
        for version in versions if (centre, delivery) in turns else ():
            items = getattr(version, name)
            said = items if isinstance(items, Mapping) else dict.fromkeys(items)
            for item, word in said.items():
                if (centre, delivery, item) not in there:
                    found[centre, delivery, item] = {
                        "centre": centre, "delivery": delivery, "item": item, "row": 0,
                        "turn": turns[centre, delivery], "faulty": False, "unread": True,
                        "why": GONE.format(delivery=delivery), "session_why": "",
                        **_said_by_item(name, item, word),
                    }  # fmt: skip
    return pd.DataFrame([*found.values()])


def _said_by_item(name: str, item: str, word: str | None) -> dict[str, str | date | None]:
    """Return what the key of an item says of its row."""
    if name == "sessions":
        return {"session": item}
    code = code_of_item(item)
    if name == "reported":
        session, technique, outcome = item.split("/")
        return {"session": session, "technique": technique, "outcome": outcome}
    if name == "recordings":
        return {"session": item.partition("/")[0], "recording": code, "technique": word}
    device = item.partition("/")[0]
    return {"device": device, "on": day_of_check(item), "check": code, "kind": word}


def _delivered(recordings: pd.DataFrame, history: History) -> pd.DataFrame:
    """Return every recording of every delivery ever taken in, by the register and by the state.

    A row has the technique that it has now; one that is gone that which it had.
    """
    found = {
        (centre, delivery, item): (technique, item.partition("/")[0])
        for (centre, delivery), versions in history.brought.items()
        for version in versions
        for item, technique in version.recordings.items()
    }
    columns = [recordings[name] for name in ("centre", "delivery", "item", "technique", "session")]
    for centre, delivery, item, technique, session in zip(*columns, strict=True):
        found[centre, delivery, item] = (technique, session)
    rows = [(*key, *said) for key, said in found.items()]
    names = ["centre", "delivery", "item", "technique", "session"]
    return pd.DataFrame(rows, columns=names).astype(dict.fromkeys(names, "str"))


def _without_withdrawn(rows: pd.DataFrame, history: History) -> pd.DataFrame:
    if "session" not in rows or not any(w.sessions for w in history.withdrawn.values()):
        return rows
    out = {(c, session) for c, w in history.withdrawn.items() for session in w.sessions}
    return rows[~_among(rows, out)].reset_index(drop=True)


def _among(rows: pd.DataFrame, sessions: Collection[tuple[str, str]]) -> pd.Series[bool]:
    """Say which rows are of some sessions, each given by centre and code."""
    keys = zip(rows["centre"], rows["session"], strict=True)
    return pd.Series([key in sessions for key in keys], index=rows.index, dtype="bool")


def _replaced(rows: pd.DataFrame, name: str, order: pd.DataFrame) -> pd.DataFrame:
    """Add the later delivery that replaced a row, if any did: `by_turn` and `by_delivery`."""
    by_turn = rows.groupby(["centre", "item"])["turn"].shift(-1).astype("float64")
    if name in ("recordings", "reported"):
        whole = [
            (row["centre"], session, row["turn"])
            for row in order.to_dict("records")
            for session in json.loads(row["replaces"] or "[]")
        ]
        events = pd.DataFrame(whole, columns=["centre", "session", "later"])
        events = events.astype({"centre": "str", "session": "str", "later": "int64"})
        pairs = rows[["centre", "session", "turn"]].assign(at=rows.index)
        pairs = pairs.merge(events, on=["centre", "session"])
        first = pairs[pairs["later"] > pairs["turn"]].groupby("at")["later"].min()
        by_turn = by_turn.fillna(float("inf")).combine(
            first.reindex(rows.index).fillna(float("inf")), min
        )
        by_turn = by_turn.where(by_turn != float("inf"))
    return rows.assign(
        by_turn=by_turn, by_delivery=by_turn.map(order.set_index("turn")["delivery"])
    )


def _held_together(
    rows: pd.DataFrame, name: str, tables: Mapping[str, pd.DataFrame]
) -> pd.DataFrame:
    """Add `held`, and say `why`: for what is wrong with the row, or with its session beside it.

    A faulty row holds what its delivery says of the session, until it is replaced itself.
    """
    own = rows["faulty"] | rows["unread"]
    beside = pd.Series(False, index=rows.index)
    if name in OF_A_SESSION:
        faulty = pd.concat(
            [
                t.loc[t["faulty"] & t["by_turn"].isna(), ["centre", "delivery", "session"]]
                for t in (tables["sessions"], tables["recordings"])
            ]
        ).dropna()
        keys = {*faulty.itertuples(index=False, name=None)}
        columns = (rows["centre"], rows["delivery"], rows["session"])
        beside = pd.Series([key in keys for key in zip(*columns, strict=True)], index=rows.index)
        beside = beside.astype("bool")
    why = rows["why"].where(own, rows["session_why"].where(beside, ""))
    return rows.assign(held=own | beside, why=why)


def _superseded(rows: pd.DataFrame, kind: str) -> pd.DataFrame:
    gone = rows[rows["by_turn"].notna()]
    technique = {"session": None, "recording": gone.get("technique"), "check": gone.get("kind")}
    return gone.assign(item_kind=kind, technique=technique[kind]).reindex(columns=SUPERSEDED)


def _not_of(rows: pd.DataFrame, name: str, sessions: pd.DataFrame) -> pd.DataFrame:
    """Leave out what belongs to some sessions."""
    if name == "checks" or sessions.empty:
        return rows
    out = set(zip(sessions["centre"], sessions["session"], strict=True))
    return rows[~_among(rows, out)]


def _withdrawn(delivered: pd.DataFrame, refused: pd.DataFrame, history: History) -> pd.DataFrame:
    """Return the recordings ever delivered of sessions that were withdrawn or lack consent."""
    out = {(c, session) for c, w in history.withdrawn.items() for session in w.sessions}
    out |= set(zip(refused["centre"], refused["session"], strict=True))
    return delivered[_among(delivered, out)].reset_index(drop=True)


def _of_sessions(rows: pd.DataFrame, sessions: pd.DataFrame) -> pd.DataFrame:
    """Give recordings the day of their session; what is held of a session holds its recordings.

    A held row that names no session belongs to nothing and stays as it is.
    """
    said = sessions[["centre", "session", "on", "held", "why"]].rename(
        columns={"held": "session_held", "why": "held_why"}
    )
    joined = rows.drop(columns="on").merge(said, on=["centre", "session"], how="left")
    lost = joined["session_held"].isna()
    with_it = joined["session_held"].eq(True) | lost
    words = joined["held_why"].where(~lost, NO_SESSION).fillna("")
    joined["why"] = joined["why"].where(joined["held"], words.where(with_it, ""))
    joined["held"] |= with_it
    return joined.drop(columns=["session_held", "held_why"])


def _reported(rows: pd.DataFrame, sessions: pd.DataFrame) -> pd.DataFrame:
    """Return the reported results that count, with the day of their session."""
    clean = sessions.loc[~sessions["held"], ["centre", "session", "on"]]
    kept = rows[~rows["held"]].drop(columns="on")
    return kept.merge(clean, on=["centre", "session"])


def _with_files(rows: pd.DataFrame, files: pd.DataFrame, order: pd.DataFrame) -> pd.DataFrame:
    folders = order[["centre", "delivery", "folder"]]
    joined = rows.merge(files, on=["centre", "delivery", "file"], how="left")
    return joined.merge(folders, on=["centre", "delivery"], how="left")


def link_checks(sessions: pd.DataFrame, checks: pd.DataFrame) -> pd.DataFrame:
    """Link sessions to the last readable check of each kind on their device, that day, before."""
    taken = checks.loc[~checks["held"], ["centre", "device", "on", "kind", "check_id", "done_at"]]
    clean = sessions.loc[~sessions["held"], ["centre", "session", "device", "on", "tested_at"]]
    pairs = clean.merge(taken, on=["centre", "device", "on"])
    pairs = pairs[pairs["done_at"] <= pairs["tested_at"]].sort_values(["done_at", "check_id"])
    last = pairs.drop_duplicates(["centre", "session", "kind"], keep="last")
    return last[["centre", "session", "kind", "check_id"]].reset_index(drop=True)
