"""The front door: each delivery is looked at, read, and kept in the state, whole or not at all."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence

import pandas as pd

from quietsleep.intake.delivery import ReadDelivery, read_delivery
from quietsleep.intake.find import FoundDelivery
from quietsleep.intake.store import Address, placed
from quietsleep.records import Problem
from quietsleep.store.state import State
from quietsleep.study.study import Study

# The tables of a delivery, by their names in the state.
TABLES = ("sessions", "recordings", "checks", "reported")


def ingest(
    study: Study, state: State, found: FoundDelivery, *, night: str, code: str, full: bool = False
) -> None:
    """Take in a delivery unless it is as it was taken in before.

    `code` is a digest of all that decides whether a row is taken in. `full` looks into every file
    again, even where size and time have not changed.
    """
    where = [found.centre, found.delivery]
    digest = _digest(found, code)
    if not full and _is_known(state, where, digest):
        return
    delivered = read_delivery(study, found, known={} if full else _stamps(state, where))
    first = state.value(
        "SELECT first_night FROM deliveries WHERE centre = ? AND delivery = ?", where
    )
    with state.transaction():
        for table in ("deliveries", "stats", "delivered"):
            state.run(f"DELETE FROM {table} WHERE centre = ? AND delivery = ?", where)
        state.run(
            "DELETE FROM problems WHERE centre = ? AND delivery = ? AND content_key IS NULL", where
        )
        _store_delivery(state, delivered, night=night, first_night=first or night, digest=digest)


def _is_known(state: State, where: list[str], digest: str) -> bool:
    """Say whether a delivery is as it was taken in, and what was unpacked of it is still there."""
    known = state.frame(
        "SELECT state, path FROM deliveries WHERE centre = ? AND delivery = ? AND stat_digest = ?",
        [*where, digest],
    )
    if known.empty or known["state"][0] != "accepted":
        return len(known) > 0
    path = placed(known["path"][0])
    return isinstance(path, Address) or path.is_dir()


def _digest(found: FoundDelivery, code: str) -> str:
    """Return a digest of all that taking in a delivery rests on, and of where it lies."""
    lies = found.path if isinstance(found.path, Address) else found.path.resolve()
    place = hashlib.sha256(str(lies).encode("utf-8", "surrogateescape"))
    return f"{found.stat_digest} {code} {place.hexdigest()}"


def _stamps(state: State, where: list[str]) -> dict[str, tuple[int, int, str]]:
    """Return what is known of a delivery's files from earlier nights."""
    rows = state.frame(
        "SELECT path, bytes, mtime_ns, sha256 FROM stats WHERE centre = ? AND delivery = ?", where
    )
    return {
        path: (int(size), int(mtime_ns), sha256)
        for path, size, mtime_ns, sha256 in rows.itertuples(index=False, name=None)
    }


def _store_delivery(
    state: State, delivered: ReadDelivery, *, night: str, first_night: str, digest: str
) -> None:
    centre, delivery = delivered.centre, delivered.delivery
    rows = rows_to_keep(delivered)
    state.append(
        "deliveries",
        pd.DataFrame(
            [
                {
                    "centre": centre,
                    "delivery": delivery,
                    "created_at": delivered.created,
                    "first_night": first_night,
                    "state": delivered.state,
                    # The folder of a refused one may be called after a person.
                    "path": str(delivered.root) if delivered.state == "accepted" else "",
                    "stat_digest": "" if _waits(delivered) else digest,
                    "sha256": delivered.sha256,
                    "n_sessions": len(rows.get("sessions", ())),
                    "n_recordings": len(rows.get("recordings", ())),
                    "n_checks": len(rows.get("checks", ())),
                    "read_tolerantly": delivered.read_tolerantly or None,
                }
            ]
        ),
    )
    stamps = [
        {"centre": centre, "delivery": delivery, "path": path, "bytes": size}
        | {"mtime_ns": mtime_ns, "sha256": sha256}
        for path, (size, mtime_ns, sha256) in delivered.stamps.items()
    ]
    state.append("stats", pd.DataFrame(stamps))
    state.store_tables(rows, centre=centre, delivery=delivery)
    state.store_problems(delivered.problems, night=night)


def rows_to_keep(delivered: ReadDelivery) -> dict[str, pd.DataFrame]:
    """Return all rows of a delivery, clean and held, each with `held` and `why`."""
    session_why = _sentences(delivered.held_sessions)
    own_why = {
        "sessions": session_why,
        "recordings": _sentences(delivered.held_recordings),
        "checks": _sentences(delivered.held_checks),
    }
    kept = {}
    for name in TABLES:
        clean, held = delivered.tables.get(name), delivered.held.get(name)
        if clean is None or held is None:
            continue
        rows = pd.concat([clean.assign(held=False), held.assign(held=True)], ignore_index=True)
        items = rows[name[:-1]] if name in own_why else rows["session"]
        sessions = rows["session"] if name == "recordings" else items
        own = own_why.get(name, {})
        rows["held"] |= items.isin(list(own))
        rows["why"] = [
            own.get(item) or session_why.get(session, "")
            for item, session in zip(items, sessions, strict=True)
        ]
        kept[name] = rows.rename(columns={"local_day": "on"})
    return kept


def _sentences(reasons: Mapping[str, Sequence[Problem]]) -> dict[str, str]:
    return {
        item: " ".join(dict.fromkeys(problem.sentence for problem in problems))
        for item, problems in reasons.items()
    }


def _waits(delivered: ReadDelivery) -> bool:
    """Say whether something could not be read for a reason that may have passed tomorrow."""
    return any(p.kind in ("not_opened", "not_unpacked") for p in delivered.problems)
