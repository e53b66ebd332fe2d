"""Stored rows of a centre that has another code now: they go on under the new one."""

from __future__ import annotations

import shutil

from quietsleep.store.state import State
from quietsleep.study.study import Study

# The tables of the state whose rows belong to a centre.
TABLES = ("deliveries", "stats", "delivered", "problems", "ledger")


def follow_renames(study: Study, state: State) -> None:
    """Give the stored rows of every old code the code that its centre has now.

    A delivery whose name is stored under the new code as well has its old code before its name, as
    `find.named_apart` calls it.
    """
    for old, new in study.renamed.items():
        if not any(_n_rows(state, table, old) for table in TABLES):
            continue
        with state.transaction():
            for table in ("stats", "delivered", "problems", "deliveries"):
                state.run(
                    f"UPDATE {table} SET delivery = ? || '.' || delivery WHERE centre = ? AND "
                    "delivery IN (SELECT delivery FROM deliveries WHERE centre = ?)",
                    [old, old, new],
                )
            for table in TABLES:
                state.run(f"UPDATE {table} SET centre = ? WHERE centre = ?", [new, old])
        # Archives are unpacked anew where the centre now is.
        shutil.rmtree(study.work_path / "unpacked" / old, ignore_errors=True)


def _n_rows(state: State, table: str, centre: str) -> int:
    return int(state.value(f"SELECT count(*) FROM {table} WHERE centre = ?", [centre]))
