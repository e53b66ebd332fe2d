"""When a night last looked, what it came to, and when the next is due: for whoever watches."""

from __future__ import annotations

from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import duckdb

from quietsleep.errors import WarehouseError
from quietsleep.night.looks import begun_at, kept_schedule, last_look
from quietsleep.study.study import Study
from quietsleep.study.telling import cron_of, due_after, due_between
from quietsleep.tell.outbox import messages, outbox_of
from quietsleep.warehouse.current import current_night, night_facts
from quietsleep.warehouse.database import open_night

# A timer need not be exact, and a night needs a while to begin; from then on it is missed.
LATE = timedelta(minutes=15)
MOST_MISSED = 1000


@dataclass(frozen=True, slots=True)
class CentreStatus:
    """The newest delivery of a centre, and its age; None where nothing came yet."""

    centre: str
    newest_delivery_at: datetime | None
    age_days: int | None


@dataclass(frozen=True, slots=True)
class StudyStatus:
    """How a study stands. `missed` counts nights that were due and did not look since the last.

    `state`, `queries_open` and `queries_answered` are those of the published night. `schedule_by`
    says where the schedule is from: a process that keeps it ("running"), one that was killed
    ("stopped"), "study.toml", or nowhere (empty).
    """

    study: str
    looked_at: datetime | None
    looked_night: str | None
    looked_state: str | None
    looked_idle: bool | None
    at_work_since: datetime | None
    schedule: str
    schedule_by: str
    next_due: datetime | None
    missed: int
    published_night: str | None
    published_at: datetime | None
    queries_open: int | None
    queries_answered: int | None
    digests_waiting: int
    digests_given_up: int
    centres: tuple[CentreStatus, ...]

    @property
    def is_missed(self) -> bool:
        """Whether a night was due and nobody looked, or none ever did."""
        return self.missed > 0 or (self.looked_at is None and self.at_work_since is None)


@dataclass(frozen=True, slots=True)
class _Published:
    night: str | None = None
    at: datetime | None = None
    n_open: int | None = None
    n_answered: int | None = None
    centres: tuple[CentreStatus, ...] = ()


def status_of(study: Study, *, now: datetime | None = None) -> StudyStatus:
    """Look at the traces that nights left; nothing is changed and no night is held up."""
    now = now or datetime.now(UTC)
    published = _published(study, now)
    look, since = last_look(study.work_path), begun_at(study.work_path)
    # Where the work folder was lost, the published night is the last that is known to have looked.
    looked_at = look.began if look else published.at
    cron, by, begun = _schedule(study)
    missed = 0
    if cron and looked_at is not None:
        # The one at work is the one that was due before it began.
        until = (since or now) - LATE
        # One that was due while another was at work found the study looked at.
        seen = max(look.began, look.ended) if look else looked_at
        seen = max(seen, begun) if begun else seen
        missed = len(due_between(cron, seen, until, most=MOST_MISSED))
    ways = [how.state for m in messages(outbox_of(study)) for how in m.ways.values()]
    return StudyStatus(
        study=study.name,
        looked_at=looked_at,
        looked_night=look.night if look else published.night,
        looked_state=look.state if look else None,
        looked_idle=look.idle if look else None,
        at_work_since=since,
        schedule=cron,
        schedule_by=by,
        next_due=due_after(cron, now).astimezone(UTC) if cron else None,
        missed=missed,
        published_night=published.night,
        published_at=published.at,
        queries_open=published.n_open,
        queries_answered=published.n_answered,
        digests_waiting=ways.count("waiting"),
        digests_given_up=ways.count("given up"),
        centres=published.centres,
    )


def _schedule(study: Study) -> tuple[str, str, datetime | None]:
    """Return the schedule, where it is from, and since when a process keeps or kept it.

    A process that is alive comes first, then the file, then a process that was killed.
    """
    kept = kept_schedule(study.work_path)
    if kept is not None and kept.is_kept:
        return cron_of(kept.cron), "running", kept.began
    if study.due:
        return study.due, "study.toml", None
    return (cron_of(kept.cron), "stopped", kept.began) if kept else ("", "", None)


def _published(study: Study, now: datetime) -> _Published:
    try:
        folder = current_night(study.path)
        began = datetime.fromisoformat(night_facts(folder)["started_at"])
        with closing(open_night(folder)) as warehouse:
            states = dict(
                warehouse.execute("SELECT state, count(*) FROM queries GROUP BY state").fetchall()
            )
            rows = warehouse.execute(
                "SELECT centre, last_delivery_at FROM centres ORDER BY centre"
            ).fetchall()
    except (WarehouseError, OSError, ValueError, KeyError, duckdb.Error):
        return _Published()
    return _Published(
        folder.name,
        began,
        states.get("open", 0),
        states.get("answered", 0),
        tuple(CentreStatus(centre, at, (now - at).days if at else None) for centre, at in rows),
    )
