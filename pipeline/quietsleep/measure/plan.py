"""From the roster to jobs: what each recording or check needs to know, and its content key.

The key is a digest of the recording's bytes, of the session and device values the measurement
uses, and of the code that can change the number. Equal keys mean equal numbers, so an unchanged
night measures nothing. Checks are planned before recordings: box factor and half-life go into what
recordings are measured with.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from quietsleep import contract
from quietsleep.intake.store import Address, placed
from quietsleep.measure.fingerprint import device_digest, measuring_fingerprint
from quietsleep.measure.roster import Roster
from quietsleep.store.state import State
from quietsleep.study.study import Device, Study
from quietsleep.techniques.interface import technique_of


@dataclass(frozen=True, slots=True)
class Job:
    """One recording or check to measure: where it is, how to read it, what it needs to know."""

    key: str
    centre: str
    delivery: str
    session: str | None
    item: str
    technique: str
    path: Path | Address
    file: str
    device: Device
    context: Mapping[str, float]
    file_sha256: str = ""


@dataclass(frozen=True, slots=True)
class Plan:
    """A roster whose rows carry the content keys of their jobs, and the jobs."""

    roster: Roster
    jobs: Sequence[Job]

    def unmeasured(self, stored: Set[str]) -> list[Job]:
        """Return one job for each content key that is not among the stored ones."""
        return list({job.key: job for job in self.jobs if job.key not in stored}.values())


def plan_checks(roster: Roster, study: Study) -> Plan:
    """Plan every equipment check that was taken in."""
    roster = replace(roster, checks=with_devices(roster.checks, study))
    jobs = check_jobs(roster, study)
    return Plan(replace(roster, checks=with_keys(roster.checks, jobs, "check_id")), jobs)


def plan_recordings(roster: Roster, study: Study, state: State) -> Plan:
    """Plan every recording that was taken in.

    `roster` is that of `plan_checks`, once its checks are measured.
    """
    devices = roster.sessions[["centre", "session", "device"]]
    rows = roster.recordings.merge(devices, on=["centre", "session"], how="left")
    recordings = with_devices(rows, study).drop(columns="device")
    roster = replace(roster, recordings=recordings)
    stored = state.of_keys("trial_values", roster.checks["content_key"])
    values = values_of_checks(stored, roster.checks)
    jobs = recording_jobs(roster, study, values[values["level"] == "check"])
    return Plan(replace(roster, recordings=with_keys(roster.recordings, jobs, "item")), jobs)


def with_devices(rows: pd.DataFrame, study: Study) -> pd.DataFrame:
    """Hold the rows of a device that was not registered on their day, each with its reason.

    The border holds them as well; here it is what was taken in before a centre file was spoilt.
    """
    known = [
        held or study.device_on(device, day) is not None
        for held, device, day in zip(rows["held"], rows["device"], rows["on"], strict=True)
    ]
    lacking = ~pd.Series(known, index=rows.index, dtype="bool")
    if not lacking.any():
        return rows
    said = "Device " + rows["device"].astype("str") + " is not registered for that day."
    return rows.assign(held=rows["held"] | lacking, why=rows["why"].mask(lacking, said))


def chunks_of(jobs: Sequence[Job], *, workers: int, most: int) -> list[Sequence[Job]]:
    """Cut jobs into chunks of at most `most`, two a worker where there are enough."""
    size = min(most, max(1, -(-len(jobs) // (2 * workers))))
    return [jobs[at : at + size] for at in range(0, len(jobs), size)]


def values_of_checks(values: pd.DataFrame, checks: pd.DataFrame) -> pd.DataFrame:
    """Return the numbers of checks and of their strokes out of stored values.

    Columns: centre, check_id, kind, level, item, quantity, value, reason.
    """
    stored = values.merge(checks[["centre", "check_id", "kind", "content_key"]], on="content_key")
    whole = stored["trial_index"] == 0
    stored["level"] = np.where(whole, "check", "trial")
    number = "#" + stored["trial_index"].astype(str)
    stored["item"] = stored["check_id"] + number.where(~whole, "")
    names = ["centre", "check_id", "kind", "level", "item", "quantity", "value", "reason"]
    return stored[names]


def check_jobs(roster: Roster, study: Study) -> list[Job]:
    """Return one job per check that was taken in."""
    row: Any
    jobs = []
    for row in roster.checks[~roster.checks["held"]].itertuples():
        names = contract.CHECKS[row.kind].needs.check
        context = {name: float(getattr(row, name)) for name in names}
        if (device := study.device_on(row.device, row.on)) is None:
            continue  # held: see `with_devices`
        jobs.append(_job(row, device, item=row.check_id, technique=row.kind, context=context))
    return jobs


def recording_jobs(roster: Roster, study: Study, check_values: pd.DataFrame) -> list[Job]:
    """Return one job per recording that was taken in.

    `check_values` (centre, check_id, quantity, value) are the numbers of the measured checks: what
    a technique takes from the checks of the session goes into the context of its recordings.
    """
    columns = {name for spec in contract.TECHNIQUES.values() for name in spec.needs.session}
    sessions = roster.sessions[["centre", "session", "device", *sorted(columns)]]
    rows = roster.recordings[~roster.recordings["held"]].merge(sessions, on=["centre", "session"])
    from_checks = _numbers_from_checks(roster, check_values)
    contexts: dict[str, dict[str, float]] = {}
    row: Any
    jobs = []
    for row in rows.itertuples():
        if (device := study.device_on(row.device, row.on)) is None:
            continue  # held: see `with_devices`
        needed = contract.TECHNIQUES[row.technique].needs
        names = (*needed.session, *needed.recording)
        context = {name: float(getattr(row, name)) for name in names}
        context |= device_context(row.technique, device)
        for name, source in needed.from_checks.items():
            context[name] = from_checks.get((row.centre, row.session, source), np.nan)
        # Recordings of a session share contexts: kept once, a large study takes half the memory.
        context = contexts.setdefault(repr(context), context)
        jobs.append(_job(row, device, item=row.item, technique=row.technique, context=context))
    return jobs


def job_of_file(
    path: Path, *, technique: str, device: Device, context: Mapping[str, float], file_sha256: str
) -> Job:
    """Return the job of a file that belongs to no study; what nobody told of it is NaN."""
    needed = dict.fromkeys(technique_of(technique).SPEC.needs.names(), np.nan)
    return Job(
        key="",
        centre=device.centre,
        delivery="",
        session=None,
        item=path.stem,
        technique=technique,
        path=path,
        file=path.name,
        device=device,
        context={**needed, **context, **device_context(technique, device)},
        file_sha256=file_sha256,
    )


def device_context(technique: str, device: Device) -> dict[str, float]:
    """Return what a technique or check needs to know of the device."""
    names = technique_of(technique).SPEC.needs.device
    given = {name: getattr(device, name) for name in names}
    return {name: np.nan if value is None else float(value) for name, value in given.items()}


def _numbers_from_checks(
    roster: Roster, check_values: pd.DataFrame
) -> dict[tuple[str, str, str], float]:
    """Return the numbers of checks by centre, session and "check.quantity"."""
    linked = roster.session_checks.merge(check_values, on=["centre", "check_id", "kind"])
    names = ("centre", "session", "kind", "quantity", "value")
    found: dict[tuple[str, str, str], float] = {}
    for centre, session, kind, quantity, value in zip(*(linked[n] for n in names), strict=True):
        found[centre, session, f"{kind}.{quantity}"] = value
    return found


def content_key(
    *, file_sha256: str, technique: str, device: Device, context: Mapping[str, float]
) -> str:
    """Return the key under which the measures of one recording are stored."""
    parts = {
        "file": file_sha256,
        "technique": technique,
        "device": device_digest(device),
        "context": {name: repr(value) for name, value in sorted(context.items())},
        "code": measuring_fingerprint(technique),
    }
    return hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()[:32]


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
