"""How recordings, trials and checks are called across a study: codes are a centre's own.

A recording is known by its session and its code, a check by device, local day and code: the same
code in a later session, or on another day, is another item. No code holds a slash or a hash.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from datetime import date
from typing import Any

import pandas as pd


def recording_item(session: str, code: str) -> str:
    """Return the name of a recording: ``session/code``."""
    return f"{session}/{code}"


def check_item(device: str, day: date, code: str) -> str:
    """Return the name of a check: ``device/day/code``."""
    return f"{device}/{day}/{code}"


def trial_item(recording: str, index: int) -> str:
    """Return the name of a trial of a recording that is given by its item: ``item#index``."""
    return f"{recording}#{index}"


def code_of_item(item: str) -> str:
    """Return the centre's own code out of the name of an item."""
    return item.rpartition("/")[2]


def day_of_check(check_id: str) -> date:
    """Return the local day out of the name of a check."""
    return date.fromisoformat(check_id.split("/")[1])


def keys_of(rows: pd.DataFrame, code: str) -> list[tuple[str, str]]:
    """Return the centre of each row with its code in the column `code`."""
    return list(zip(rows["centre"].tolist(), rows[code].tolist(), strict=True))


def item_of_row(table: str, row: Mapping[Hashable, Any]) -> str | None:
    """Return the item of a delivered row of `table`; None where it does not say all of its key.

    `on` is the local day of a check. An item of the table of reported results is
    ``session/technique/outcome``.
    """
    parts = {
        "sessions": ("session",),
        "recordings": ("session", "recording"),
        "checks": ("device", "on", "check"),
        "reported": ("session", "technique", "outcome"),
    }[table]
    said = [row[name] for name in parts]
    return None if any(pd.isna(part) for part in said) else "/".join(str(part) for part in said)
