"""What becomes of a centre that has another code now: all it had goes on under the new one.

The change is noted in the study register once; stored rows and the history follow that note.
"""

from __future__ import annotations

import shutil
from collections.abc import Collection
from datetime import datetime

from quietsleep.intake.find import DeliveryInventory
from quietsleep.store.state import State
from quietsleep.study.history import History, history_of
from quietsleep.study.register import Register
from quietsleep.study.study import Study

# The tables of the state whose rows belong to a delivery, and those that belong to a centre alone.
OF_DELIVERIES = ("stats", "delivered", "named_sessions", "problems", "deliveries")
OF_CENTRES = (*OF_DELIVERIES, "ledger")


def follow_renames(
    study: Study,
    state: State,
    register: Register,
    inventory: DeliveryInventory | None = None,
    *,
    at: datetime | None = None,
) -> None:
    """Give what is known under every old code the code that its centre has now.

    A delivery whose name is there under the new code as well has its old code before its name, as
    `find.named_apart` calls it.
    """
    for old, new in study.renamed.items():
        history = history_of(register)
        apart = _apart(history, inventory, old, new)
        if apart or old in history.centres():
            body = {"was": old, "centre": new, "apart": sorted(apart)}
            register.append("renamed", body, at=at)
        if apart or any(_n_rows(state, table, old) for table in OF_CENTRES):
            _rename_rows(state, old, new, apart)
            # Archives are unpacked anew where the centre now is.
            for code in (old, new):
                shutil.rmtree(study.work_path / "unpacked" / code, ignore_errors=True)


def _apart(history: History, inventory: DeliveryInventory | None, old: str, new: str) -> set[str]:
    """Return the names of deliveries that came under the old code, and are there under both."""
    lying = {f.delivery for f in inventory.found.get(new, ())} if inventory else set()
    found = set()
    for centre, delivery in history.arrivals:
        is_old = centre == old or history.came_under(centre, delivery) == old
        known_twice = centre == old and (new, delivery) in history.arrivals
        lies_twice = {delivery, f"{old}.{delivery}"} <= lying
        if centre in (old, new) and is_old and (known_twice or lies_twice):
            found.add(delivery)
    return found


def _rename_rows(state: State, old: str, new: str, apart: Collection[str]) -> None:
    with state.transaction():
        for delivery in apart:
            for table in OF_DELIVERIES:
                sql = (
                    f"UPDATE {table} SET centre = ?, delivery = ? WHERE centre = ? AND delivery = ?"
                )
                under = old if _has(state, old, delivery) else new
                state.run(sql, [new, f"{old}.{delivery}", under, delivery])
        for table in OF_CENTRES:
            state.run(f"UPDATE {table} SET centre = ? WHERE centre = ?", [new, old])


def _has(state: State, centre: str, delivery: str) -> bool:
    sql = "SELECT count(*) FROM deliveries WHERE centre = ? AND delivery = ?"
    return bool(state.value(sql, [centre, delivery]))


def _n_rows(state: State, table: str, centre: str) -> int:
    return int(state.value(f"SELECT count(*) FROM {table} WHERE centre = ?", [centre]))
