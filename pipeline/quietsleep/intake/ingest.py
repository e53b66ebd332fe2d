"""The front door: each delivery is looked at, read, and kept in the state, whole or not at all.

Its arrival is noted in the study register before anything of it is kept, and so is what it brought.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import pandas as pd

from quietsleep.intake.delivery import ReadDelivery, read_delivery
from quietsleep.intake.find import FoundDelivery
from quietsleep.intake.hold import KnownSession, KnownSessions
from quietsleep.intake.store import Address, placed
from quietsleep.intake.withdrawn import leave_out
from quietsleep.records import Problem
from quietsleep.store.erase import erase_rows
from quietsleep.store.items import item_of_row
from quietsleep.store.state import State
from quietsleep.study.history import History, natural_order
from quietsleep.study.register import Kind, Register
from quietsleep.study.study import Study

# The tables of a delivery, by their names in the state.
TABLES = ("sessions", "recordings", "checks", "reported")


@dataclass(slots=True)
class FrontDoor:
    """Where the deliveries of one centre are taken in, in one night.

    `code` is a digest of all that decides whether a row is taken in. `full` looks into every file
    again, even where size and time have not changed.
    """

    study: Study
    state: State
    register: Register
    centre: str
    night: str
    at: datetime
    code: str
    full: bool = False
    _history: History = field(default_factory=History)
    _sessions: pd.DataFrame | None = None

    @property
    def history(self) -> History:
        """What the register says by now."""
        return self._history.follow(self.register)

    def in_order(self, found: Iterable[FoundDelivery]) -> list[FoundDelivery]:
        """Return deliveries in the order of arrival; new ones by their names, `d9` before `d10`."""
        place = self.history.place_of
        return sorted(found, key=lambda f: (place(f.centre, f.delivery), natural_order(f.delivery)))

    def take_in(self, found: FoundDelivery) -> None:
        """Take in a delivery unless it is as it was taken in before."""
        where = [self.centre, found.delivery]
        digest = self._digest(found)
        if not self.full and self._is_known(where, digest):
            return
        history = self.history
        arrival = history.arrivals.get((self.centre, found.delivery))
        delivered = read_delivery(
            self.study,
            found,
            known={} if self.full else _stamps(self.state, where),
            sessions=self._known_sessions(found.delivery),
            arrived_at=arrival.latest if arrival else history.latest(self.at),
        )
        whole = brought_by(delivered)
        since = history.since((self.centre, found.delivery), whole)
        withdrawn = history.withdrawn_of(self.centre)
        delivered, gone = leave_out(delivered, withdrawn, name=found.delivery, since=since)
        named = {"centre": self.centre, "delivery": found.delivery, "night": self.night}
        new: list[tuple[Kind, Mapping[str, Any]]] = []
        if arrival is None and found.state == "arrived" and not found.problems:
            new.append(("arrival", named | {"sha256": delivered.sha256}))
        out = sorted(gone - withdrawn.sessions)
        if delivered.state == "accepted" and (out or not _says_so(history, where, whole)):
            new.append(("delivered", named | whole | {"withdrawn": out}))
        self.register.append_all(new, at=self.at)
        if out:
            # What earlier nights said of it, when nobody knew whose it is.
            erase_rows(self.state, self.centre, sessions=out, infants=())
        self._keep(where, delivered, digest)

    def leaning(self) -> set[str]:
        """Return the deliveries that name sessions of others, which may have come since."""
        rows = self.state.frame(
            "SELECT delivery FROM deliveries WHERE centre = ? AND leans_on <> '{}'", [self.centre]
        )
        return {str(delivery) for delivery in rows["delivery"]}

    def forget_what_was_refused(self, found: Iterable[FoundDelivery]) -> None:
        """Forget what was refused and does not lie there any more: nothing rests on it."""
        there = {each.delivery for each in found}
        rows = self.state.frame(
            "SELECT delivery FROM deliveries WHERE centre = ? AND state <> 'accepted'",
            [self.centre],
        )
        for delivery in {str(d) for d in rows["delivery"]} - there:
            with self.state.transaction():
                _forget(self.state, [self.centre, delivery])

    def _digest(self, found: FoundDelivery) -> str:
        """Return a digest of all that taking in a delivery rests on, and of where it lies."""
        lies = found.path if isinstance(found.path, Address) else found.path.resolve()
        withdrawn = self.history.withdrawn_of(self.centre)
        out = f"{sorted(withdrawn.infants)} {sorted(withdrawn.sessions)}"
        place = hashlib.sha256(f"{lies} {out}".encode("utf-8", "surrogateescape"))
        return f"{found.stat_digest} {self.code} {place.hexdigest()}"

    def _is_known(self, where: list[str], digest: str) -> bool:
        """Say whether a delivery is as it was taken in, and all that it leans on.

        What was unpacked of an archive must still be there.
        """
        known = self.state.frame(
            "SELECT state, path, leans_on FROM deliveries "
            "WHERE centre = ? AND delivery = ? AND stat_digest = ?",
            [*where, digest],
        )
        if known.empty or known["state"][0] != "accepted":
            return len(known) > 0
        leans = json.loads(known["leans_on"][0] or "{}")
        if leans:
            sessions = self._known_sessions(where[1])
            if leans != _as_said({name: sessions.get(name) for name in leans}):
                return False
        path = placed(known["path"][0])
        return isinstance(path, Address) or path.is_dir()

    def _known_sessions(self, delivery: str) -> KnownSessions:
        """Return the sessions that other deliveries of the centre brought, by their last rows."""
        if self._sessions is None:
            self._sessions = named_sessions(self.state, self.history, self.centre)
        return known_sessions(self._sessions, delivery)

    def _keep(self, where: list[str], delivered: ReadDelivery, digest: str) -> None:
        with self.state.transaction():
            _forget(self.state, where)
            _store_delivery(self.state, delivered, night=self.night, digest=digest)
        self._sessions = None


def named_sessions(state: State, history: History, centre: str) -> pd.DataFrame:
    """Return every session that the deliveries of a centre brought, in order of arrival."""
    rows = state.frame(
        "SELECT delivery, session, device, on_day FROM named_sessions WHERE centre = ?", [centre]
    )
    rows["place"] = [history.place_of(centre, str(d)) for d in rows["delivery"]]
    return rows.sort_values(["place", "delivery"], kind="stable")


def known_sessions(named: pd.DataFrame, but_for: str) -> dict[str, KnownSession]:
    """Return the sessions that the other deliveries brought, each by its last row."""
    return {
        str(row["session"]): KnownSession(
            None if pd.isna(row["device"]) else str(row["device"]),
            None if pd.isna(row["on_day"]) else pd.Timestamp(row["on_day"]).date(),
        )
        for row in named[named["delivery"] != but_for].to_dict("records")
    }


def _says_so(history: History, where: Sequence[str], said: Mapping[str, Any]) -> bool:
    """Say whether this is what the register says last of what a delivery brought."""
    versions = history.brought.get((where[0], where[1]), ())
    return bool(versions) and versions[-1].keys() == said


def brought_by(delivered: ReadDelivery) -> dict[str, Any]:
    """Return the keys of all rows of a delivery, clean and held, that say all of their key."""
    found: dict[str, dict[str, str | None]] = {name: {} for name in TABLES}
    says = {"recordings": "technique", "checks": "kind"}
    for name, items in found.items():
        for frames in (delivered.tables, delivered.held):
            rows = frames[name].rename(columns={"local_day": "on"}) if name in frames else None
            for row in [] if rows is None else rows.to_dict("records"):
                item = item_of_row(name, row)
                if item is not None:
                    said = row[says.get(name, "session")]
                    items[item] = None if pd.isna(said) else str(said)
    return {
        "sha256": delivered.sha256,
        "replaces": [*delivered.replaces],
        "sessions": sorted(found["sessions"]),
        "recordings": dict(sorted(found["recordings"].items())),
        "checks": dict(sorted(found["checks"].items())),
        "reported": sorted(found["reported"]),
    }


def _forget(state: State, where: Sequence[str]) -> None:
    """Take out of the state what a delivery brought, and what was wrong with it."""
    for table in ("deliveries", "stats", "delivered", "named_sessions"):
        state.run(f"DELETE FROM {table} WHERE centre = ? AND delivery = ?", where)
    sql = "DELETE FROM problems WHERE centre = ? AND delivery = ? AND content_key IS NULL"
    state.run(sql, where)


def _as_said(sessions: Mapping[str, KnownSession | None]) -> dict[str, list[str | None] | None]:
    """Return what is known of sessions in the form in which the state remembers it."""
    return {
        name: None if said is None else [said.device, None if said.on is None else str(said.on)]
        for name, said in sessions.items()
    }


def _stamps(state: State, where: list[str]) -> dict[str, tuple[int, int, str]]:
    """Return what is known of a delivery's files from earlier nights."""
    rows = state.frame(
        "SELECT path, bytes, mtime_ns, sha256 FROM stats WHERE centre = ? AND delivery = ?", where
    )
    return {
        path: (int(size), int(mtime_ns), sha256)
        for path, size, mtime_ns, sha256 in rows.itertuples(index=False, name=None)
    }


def _store_delivery(state: State, delivered: ReadDelivery, *, night: str, digest: str) -> None:
    centre, delivery = delivered.centre, delivered.delivery
    rows = rows_to_keep(delivered)
    about = {
        "centre": centre,
        "delivery": delivery,
        "created_at": delivered.created,
        "state": delivered.state,
        # The folder of a refused one may be called after a person.
        "path": str(delivered.root) if delivered.state == "accepted" else "",
        "stat_digest": "" if _waits(delivered) else digest,
        "sha256": delivered.sha256,
        "replaces": json.dumps(delivered.replaces),
        "leans_on": json.dumps(_as_said(delivered.leans_on)),
        "names": json.dumps(delivered.names),
        "read_tolerantly": delivered.read_tolerantly or None,
    }
    counts = {f"n_{name}": len(rows.get(name, ())) for name in ("sessions", "recordings", "checks")}
    state.append("deliveries", pd.DataFrame([about | counts]))
    where = {"centre": centre, "delivery": delivery}
    stamps = [
        {**where, "path": path, "bytes": size, "mtime_ns": mtime_ns, "sha256": sha256}
        for path, (size, mtime_ns, sha256) in delivered.stamps.items()
    ]
    state.append("stats", pd.DataFrame(stamps))
    if "sessions" in rows:
        named = rows["sessions"].dropna(subset=["session"]).rename(columns={"on": "on_day"})
        state.append("named_sessions", named[["session", "device", "on_day"]].assign(**where))
    state.store_tables(rows, centre=centre, delivery=delivery)
    state.store_problems(delivered.problems, night=night)


def rows_to_keep(delivered: ReadDelivery) -> dict[str, pd.DataFrame]:
    """Return all rows of a delivery, clean and held.

    Each says whether it is `faulty` itself, or its file is (`unread`), and in words `why`; and
    `session_why`, what is wrong with its session in this delivery.
    """
    session_why = _sentences(delivered.held_sessions)
    why = _sentences(delivered.held_rows)
    kept = {}
    for name in TABLES:
        clean, held = delivered.tables.get(name), delivered.held.get(name)
        if clean is None or held is None:
            continue
        rows = pd.concat([clean.assign(is_clean=True), held.assign(is_clean=False)])
        own = pd.Series([why.get((name, int(row)), "") for row in rows["row"]], index=rows.index)
        rows["faulty"] = ~rows["is_clean"] & (own != "")
        rows["unread"] = rows["is_clean"] & (own != "")
        rows["why"] = own.astype("str")
        sessions = rows["session"] if name != "checks" else [None] * len(rows)
        rows["session_why"] = [
            session_why.get(session, "") if isinstance(session, str) else "" for session in sessions
        ]
        kept[name] = rows.drop(columns="is_clean").rename(columns={"local_day": "on"})
        kept[name] = kept[name].reset_index(drop=True)
    return kept


def _sentences(reasons: Mapping[Any, Sequence[Problem]]) -> dict[Any, str]:
    return {
        item: " ".join(dict.fromkeys(problem.sentence for problem in problems))
        for item, problems in reasons.items()
    }


def _waits(delivered: ReadDelivery) -> bool:
    """Say whether something could not be read for a reason that may have passed tomorrow."""
    return any(p.kind in ("not_opened", "not_unpacked") for p in delivered.problems)
