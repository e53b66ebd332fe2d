"""What commands say to other programs: one JSON object each, with keys that stay.

The keys of every object are described in `docs/json.md` and by the schemas beside it; a key may be
added, none is taken out or given another meaning without a new `format`.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from importlib.metadata import version
from typing import TYPE_CHECKING, Any

import typer

if TYPE_CHECKING:
    import pandas as pd

    from quietsleep.night.doctor import Finding
    from quietsleep.night.dry_run import DryRun
    from quietsleep.night.night import NightReport
    from quietsleep.night.preview import Preview
    from quietsleep.night.status import StudyStatus
    from quietsleep.night.trial_run import TrialTest
    from quietsleep.warehouse.database import QueryRows
    from quietsleep.warehouse.proof import Proof

FORMAT = 1


def print_json(command: str, said: Mapping[str, Any]) -> None:
    """Print the one object of a command."""
    head = {"format": FORMAT, "command": command, "version": version("quietsleep")}
    typer.echo(json.dumps(plain({**head, **said}), ensure_ascii=False, allow_nan=False))


def plain(value: Any) -> Any:
    """Return a value as JSON has it: null for what is missing or not finite, times in ISO 8601."""
    found = value
    if isinstance(value, Mapping):
        found = {str(key): plain(each) for key, each in value.items()}
    elif isinstance(value, list | tuple | set | frozenset):
        found = [plain(each) for each in value]
    elif isinstance(value, float | Decimal):
        found = float(value) if math.isfinite(value) else None
    elif isinstance(value, datetime | date | time):
        found = value.isoformat()
    elif isinstance(value, timedelta):
        found = value.total_seconds()
    elif isinstance(value, bytes):
        found = value.hex()
    elif not (value is None or isinstance(value, bool | int | str)):
        found = str(value)
    return found


def rows_of(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the rows of a frame, with None for what is missing and Python's own numbers."""
    named = {name: [*map(_own, frame[name])] for name in frame.columns}
    return [dict(zip(named, row, strict=True)) for row in zip(*named.values(), strict=True)]


def _own(value: Any) -> Any:
    import pandas as pd

    if pd.api.types.is_scalar(value) and pd.isna(value):
        return None
    return value.item() if hasattr(value, "item") else value


def of_night(report: NightReport) -> dict[str, Any]:
    """Return how a night ended."""
    return {
        "night": report.night,
        "state": report.state,
        "idle": report.idle,
        "published": report.published,
        "sentences": report.sentences,
        "queries_open": report.n_open,
        "queries_answered": report.n_answered,
        "measured": report.n_measured,
        "unchanged": report.n_unchanged,
        "problems": report.n_problems,
        "seconds": round(report.seconds, 3),
        "conservation": rows_of(report.conservation),
    }


def of_dry_run(dry: DryRun) -> dict[str, Any]:
    """Return what a night would do."""
    return {
        **of_night(dry.report),
        "against": dry.against,
        "sessions": [asdict(change) for change in dry.sessions],
        "counts": [asdict(change) for change in dry.counts],
        "new_queries": dry.new_queries,
        "settled_queries": dry.settled_queries,
    }


def of_preview(seen: Preview, tests: Sequence[TrialTest]) -> dict[str, Any]:
    """Return what is wrong with a delivery, what it changes, and what its tests come to."""
    return {
        "ready": seen.is_ready,
        "changes": seen.changes,
        "tests": [asdict(test) for test in tests],
        "problems": [asdict(problem) for problem in seen.problems],
    }


def of_release(proof: Proof) -> dict[str, Any]:
    """Return what of a release is not as it was released, and who vouches for its digest."""
    return {
        "unchanged": not proof.differences,
        "differences": proof.differences,
        "digest": proof.digest,
        "vouched_for_by": proof.by or None,
    }


def of_findings(told: Iterable[tuple[Finding, str]]) -> dict[str, Any]:
    """Return what is wrong with a study's own files, and what becomes of it."""
    findings = [
        {"sentence": f.sentence, "remedy": f.remedy, "by_repair": f.mend is not None, "said": said}
        for f, said in told
    ]
    return {"sound": not findings, "findings": findings}


def of_queries(rows: pd.DataFrame, *, total: pd.DataFrame) -> dict[str, Any]:
    """Return data queries, and how many of `total` stand in each state."""
    n = {state: int((total["state"] == state).sum()) for state in ("open", "answered", "closed")}
    return {**n, "queries": rows_of(rows)}


def of_rows(rows: QueryRows) -> dict[str, Any]:
    """Return the answer of the warehouse: columns with their types, and rows in their order."""
    columns = [{"name": name, "type": kind} for name, kind in rows.columns]
    return {"columns": columns, "rows": rows.rows}


def of_status(status: StudyStatus) -> dict[str, Any]:
    """Return when nights ran and are due."""
    return asdict(status)
