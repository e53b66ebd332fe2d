"""The outbox: the digests of the last nights, and beside each by which ways it went out.

`work/outbox/<night>/coordinating_centre/` and `.../centres/<centre>/` hold `digest.txt`,
`digest.html` and `state.json`. A message that could not be sent waits there for later nights; one
that waited too long is given up. Losing the folder loses messages, never data.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Collection, Iterator
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

if TYPE_CHECKING:
    from quietsleep.study.study import Study
    from quietsleep.tell.digest import Digest

NIGHTS_KEPT = 60
COORDINATING = "coordinating_centre"
CENTRES = "centres"

Way = Literal["mail", "webhook"]
PostState = Literal["waiting", "sent", "given up"]


@dataclass(frozen=True, slots=True)
class Posting:
    """How far a message came by one way; `said` is why it was not sent when it was last tried."""

    state: PostState = "waiting"
    tries: int = 0
    last_tried_at: str = ""
    said: str = ""


@dataclass(frozen=True, slots=True)
class Reply:
    """What became of one message when it was tried: whether it was taken, and what was wrong."""

    sent: bool
    why: str = ""


@dataclass(frozen=True, slots=True)
class Message:
    """One digest in the outbox; `to` is a centre, empty for the coordinating centre."""

    folder: Path
    night: str
    to: str
    subject: str
    written_at: datetime
    ways: dict[Way, Posting] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """A name that no other message of the study has, the same at every try."""
        return f"{self.night}.{self.to or '-'}"

    def body(self, kind: Literal["txt", "html"]) -> str:
        """Return the text or the HTML of the digest."""
        return (self.folder / f"digest.{kind}").read_text(encoding="utf-8")

    def waits(self, way: Way) -> bool:
        """Say whether it is still to be sent by a way."""
        return way in self.ways and self.ways[way].state == "waiting"

    def after(self, way: Way, posting: Posting) -> Message:
        """Write down how far it came, and return it so."""
        message = replace(self, ways=self.ways | {way: posting})
        _write_state(message)
        return message


def outbox_of(study: Study) -> Path:
    """Return the folder of the outbox."""
    return study.work_path / "outbox"


def nights_in(outbox: Path) -> list[str]:
    """Return the nights that have digests, oldest first."""
    return sorted(folder.name for folder in outbox.glob("n" + 6 * "[0-9]") if folder.is_dir())


def put(outbox: Path, night: str, digest: Digest, ways: Collection[Way], at: datetime) -> Message:
    """Put a digest into the outbox, to wait for the ways that it is to go."""
    folder = outbox / night / (f"{CENTRES}/{digest.to}" if digest.to else COORDINATING)
    folder.mkdir(parents=True, exist_ok=True)
    for kind, body in (("txt", digest.text), ("html", digest.html)):
        (folder / f"digest.{kind}").write_text(body, encoding="utf-8", errors="replace")
    message = Message(
        folder, night, digest.to, digest.subject, at, {way: Posting() for way in ways}
    )
    _write_state(message)
    return message


def messages(outbox: Path) -> Iterator[Message]:
    """Yield all messages, the oldest first; one whose state cannot be read is left alone."""
    for night in nights_in(outbox):
        for path in sorted((outbox / night).glob("**/state.json")):
            try:
                said = json.loads(path.read_text(encoding="utf-8"))
                if not all((path.parent / f"digest.{kind}").is_file() for kind in ("txt", "html")):
                    continue
                yield Message(
                    path.parent,
                    night,
                    said["to"],
                    said["subject"],
                    datetime.fromisoformat(said["written_at"]),
                    {way: Posting(**how) for way, how in said["ways"].items()},
                )
            except (OSError, ValueError, KeyError, TypeError, AttributeError):
                continue


def tidy(outbox: Path, *, may_stay: Collection[str] | None = None) -> None:
    """Remove all but the newest nights; where something was withdrawn, all that may not stay."""
    nights = nights_in(outbox)
    for number, night in enumerate(reversed(nights)):
        if number >= NIGHTS_KEPT or (may_stay is not None and night not in may_stay):
            shutil.rmtree(outbox / night, ignore_errors=True)


def _write_state(message: Message) -> None:
    said: dict[str, Any] = {
        "night": message.night,
        "to": message.to,
        "subject": message.subject,
        "written_at": message.written_at.isoformat(timespec="seconds"),
        "ways": {way: asdict(posting) for way, posting in message.ways.items()},
    }
    fresh = message.folder / "state.json.new"
    fresh.write_text(json.dumps(said, indent=2) + "\n", encoding="utf-8")
    fresh.replace(message.folder / "state.json")
