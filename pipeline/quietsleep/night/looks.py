"""The traces that a night looked: one small file each outside the warehouse, read without it.

`work/looked.json` is the last night that came to an end, an idle one included; `work/at_work.json`
is there while one is at work, and names its process, so that one that was killed counts as none.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from quietsleep.store.processes import is_alive, own_name

LOOKED, AT_WORK, EVERY = "looked.json", "at_work.json", "every.json"


@dataclass(frozen=True, slots=True)
class Look:
    """A night that looked: times in ISO 8601, and what it came to."""

    night: str
    began_at: str
    ended_at: str
    state: str
    idle: bool
    published: bool

    @property
    def began(self) -> datetime:
        """When it began."""
        return datetime.fromisoformat(self.began_at)

    @property
    def ended(self) -> datetime:
        """When it ended."""
        return datetime.fromisoformat(self.ended_at)


@dataclass(frozen=True, slots=True)
class Kept:
    """A schedule that a process keeps, or kept until it was killed."""

    cron: str
    owner: str
    began_at: str

    @property
    def began(self) -> datetime:
        """Since when it was kept."""
        return datetime.fromisoformat(self.began_at)

    @property
    def is_kept(self) -> bool:
        """Whether that process is alive."""
        return is_alive(self.owner)


def note_look(work: Path, look: Look) -> None:
    """Keep a night as the last that looked."""
    _write(work / LOOKED, asdict(look))


def last_look(work: Path) -> Look | None:
    """Return the last night that looked; None where none is known."""
    with suppress(TypeError, ValueError):
        look = Look(**_read(work / LOOKED))
        return look if look.began.tzinfo and look.ended.tzinfo else None
    return None


@contextmanager
def at_work(work: Path) -> Iterator[None]:
    """Say that a night is at work, as long as it is."""
    path = work / AT_WORK
    said = {"owner": own_name(), "began_at": datetime.now(UTC).isoformat(timespec="seconds")}
    with suppress(OSError):  # a full disk is for the night itself to find
        _write(path, said)
    try:
        yield
    finally:
        with suppress(OSError):
            path.unlink(missing_ok=True)


def begun_at(work: Path) -> datetime | None:
    """Return when the night began that is at work now; None where none is."""
    said = _read(work / AT_WORK)
    with suppress(KeyError, TypeError, ValueError):
        if is_alive(said["owner"]):
            return datetime.fromisoformat(said["began_at"])
    return None


@contextmanager
def schedule_kept(work: Path, cron: str) -> Iterator[None]:
    """Say that this process keeps a schedule; only one that was killed leaves that behind."""
    began = datetime.now(UTC).isoformat(timespec="seconds")
    _write(work / EVERY, {"cron": cron, "owner": own_name(), "began_at": began})
    try:
        yield
    finally:
        (work / EVERY).unlink(missing_ok=True)


def kept_schedule(work: Path) -> Kept | None:
    """Return the schedule that a process keeps or kept; None where none does."""
    with suppress(TypeError, ValueError):
        kept = Kept(**_read(work / EVERY))
        return kept if kept.began.tzinfo else None
    return None


def _read(path: Path) -> dict[str, Any]:
    try:
        said = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return said if isinstance(said, dict) else {}


def _write(path: Path, said: dict[str, Any]) -> None:
    fresh = path.with_suffix(".new")
    fresh.write_text(json.dumps(said) + "\n", encoding="utf-8")
    fresh.replace(path)
