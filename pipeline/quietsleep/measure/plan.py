"""From the roster to jobs: what each recording or check needs to know, and its content key."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from quietsleep.intake.store import placed
from quietsleep.measure.fingerprint import Job, content_key
from quietsleep.measure.roster import Roster
from quietsleep.study.study import Device, Study

SESSION_CONTEXT = (
    "weight_kg", "length_cm", "age_days", "room_temperature_c", "room_humidity_pct",
    "barometric_pressure_kpa",
)  # fmt: skip
RECORDING_CONTEXT = (
    "mask_dead_space_ml", "compressible_dead_space_ml", "apparatus_resistance_kpa_s_l",
    "jacket_pressure_set_kpa", "inflation_pressure_set_kpa", "box_closed_s",
)  # fmt: skip
CHECK_CONTEXT = ("heated_min", "known_volume_ml", "box_volume_l")
# What a technique takes from a check: kind, quantity of the check, name in the context.
FROM_CHECKS = (
    ("box_pump", "box_factor_ml_kpa", "box_factor_ml_kpa"),
    ("box_decay", "half_life_s", "box_half_life_s"),
)


def check_jobs(roster: Roster, study: Study) -> list[Job]:
    """Return one job per check that was taken in."""
    row: Any
    jobs = []
    for row in roster.checks[~roster.checks["held"]].itertuples():
        context = {name: float(getattr(row, name)) for name in CHECK_CONTEXT}
        device = study.devices[row.device]
        jobs.append(_job(row, device, item=row.check_id, technique=row.kind, context=context))
    return jobs


def recording_jobs(roster: Roster, study: Study, check_values: pd.DataFrame) -> list[Job]:
    """Return one job per recording that was taken in.

    `check_values` (centre, check_id, quantity, value) are the numbers of the measured checks:
    box factor and half-life of a session's last checks go into the context of its recordings.
    """
    needed = (*SESSION_CONTEXT, "device")
    visits = roster.sessions[["centre", "session", *needed]]
    rows = roster.recordings[~roster.recordings["held"]].merge(visits, on=["centre", "session"])
    from_checks = _numbers_from_checks(roster, check_values)
    contexts: dict[str, dict[str, float]] = {}
    row: Any
    jobs = []
    for row in rows.itertuples():
        device = study.devices[row.device]
        context = {name: float(getattr(row, name)) for name in SESSION_CONTEXT + RECORDING_CONTEXT}
        context |= device_context(device)
        for kind, quantity, name in FROM_CHECKS:
            context[name] = from_checks.get((row.centre, row.session, kind, quantity), np.nan)
        # Recordings of a visit share their context: kept once, a large study takes half the memory.
        context = contexts.setdefault(repr(context), context)
        jobs.append(_job(row, device, item=row.recording, technique=row.technique, context=context))
    return jobs


def device_context(device: Device) -> dict[str, float]:
    """Return what a technique needs to know of the device."""
    return {
        "box_volume_l": np.nan if device.box_volume_l is None else device.box_volume_l,
        "box_calibrated_empty": float(device.box_calibrated_empty),
    }


def _numbers_from_checks(
    roster: Roster, check_values: pd.DataFrame
) -> dict[tuple[str, str, str, str], float]:
    linked = roster.session_checks.merge(check_values, on=["centre", "check_id", "kind"])
    names = ("centre", "session", "kind", "quantity", "value")
    found: dict[tuple[str, str, str, str], float] = {}
    for centre, session, kind, quantity, value in zip(*(linked[n] for n in names), strict=True):
        found[centre, session, kind, quantity] = value
    return found


def _job(
    row: Any, device: Device, *, item: str, technique: str, context: Mapping[str, float]
) -> Job:
    key = content_key(
        file_sha256=row.file_sha256, technique=technique, device=device, context=context
    )
    return Job(
        key=key,
        centre=row.centre,
        delivery=row.delivery,
        session=getattr(row, "session", None),
        item=item,
        technique=technique,
        path=placed(row.folder) / row.file,
        file=row.file,
        device=device,
        context=context,
        file_sha256=row.file_sha256,
    )


def with_keys(rows: pd.DataFrame, jobs: Sequence[Job], item: str) -> pd.DataFrame:
    """Add to roster rows the content key of their job; held rows have none."""
    keys = pd.DataFrame(
        [(job.centre, job.item, job.key) for job in jobs],
        columns=["centre", item, "content_key"],
        dtype="str",
    )
    return rows.merge(keys, on=["centre", item], how="left")
