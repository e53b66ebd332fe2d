"""Sending what waits in the outbox: bounded in time, never a failure of the night.

A way that does not answer is no data query: no centre and no reader can put it right, it mends
itself when the server is back, and an amber that stands for weeks would hide what is really open.
So it is one sentence of the night, said again each night that tries again, and when it is given up.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from time import monotonic
from typing import Protocol

from quietsleep.study.study import Study
from quietsleep.study.telling import SecretMissing, Telling
from quietsleep.tell import mail, webhook
from quietsleep.tell.mail import Mail, recipients_of
from quietsleep.tell.outbox import Message, Posting, Reply, Way, messages, outbox_of
from quietsleep.tell.webhook import Webhook

NAMES: dict[Way, str] = {"mail": "by mail", "webhook": "to the webhook"}


class Sender(Protocol):
    """A way out of the outbox."""

    def send(self, waiting: Iterable[Message], told: Callable[[Message, Reply], None]) -> None:
        """Send what waits, and tell what became of each."""

    def close(self) -> None:
        """Break off, from another thread."""


def ways_to(telling: Telling | None, centre: str) -> tuple[Way, ...]:
    """Return the ways by which a centre, or the coordinating centre (empty), is told."""
    found: list[Way] = []
    if telling is not None:
        if telling.mail is not None and recipients_of(telling.mail, centre):
            found.append("mail")
        if telling.webhook is not None and (not centre or telling.webhook.centres):
            found.append("webhook")
    return tuple(found)


def send_waiting(study: Study, *, now: datetime | None = None) -> list[str]:
    """Send what waits in the outbox; return a sentence for each way that did not take all of it."""
    telling = study.tell
    if telling is None:
        return []
    now, end = now or datetime.now(UTC), monotonic() + telling.seconds_at_most
    waiting = [*messages(outbox_of(study))]
    said: list[str] = []
    for way in NAMES:
        own = [m for m in waiting if m.waits(way)]
        # Whom nobody is told of any more by this way would wait for ever.
        own = [_unless_too_old(m, way, telling, now) for m in own]
        ready = [m for m in own if m.waits(way) and way in ways_to(telling, m.to)]
        problem, n_left = "", 0
        if ready:
            problem, n_left = _send(_sender(study, telling, way), ready, way, end, now)
        given_up = sum(m.ways[way].state == "given up" for m in own)
        said += _in_words(way, problem, n_left, given_up, telling)
    return said


def _unless_too_old(message: Message, way: Way, telling: Telling, now: datetime) -> Message:
    if now - message.written_at <= telling.patience:
        return message
    return message.after(way, replace(message.ways[way], state="given up"))


def _sender(study: Study, telling: Telling, way: Way) -> Sender:
    if way == "mail" and telling.mail is not None:
        return Mail(telling.mail, study.name)
    if way == "webhook" and telling.webhook is not None:
        return Webhook(telling.webhook, study.name)
    raise ValueError(f"nobody is told {NAMES[way]}")


@dataclass(slots=True)
class _Run:
    """What a thread that sends came to, read by the one that waits for it."""

    replies: dict[str, Reply] = field(default_factory=dict)
    error: Exception | None = None


def _send(
    sender: Sender, ready: Sequence[Message], way: Way, end: float, now: datetime
) -> tuple[str, int]:
    """Send in a thread, for no longer than until `end`; return what is wrong and how many wait.

    A server that answers a letter at a time never runs into a limit of a single answer.
    """
    run = _Run()

    def work() -> None:
        try:
            sender.send(ready, lambda message, reply: run.replies.update({message.name: reply}))
        except Exception as error:
            run.error = error

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    thread.join(max(0.0, end - monotonic()))
    too_slow = thread.is_alive()
    if too_slow:
        sender.close()
    replies = dict(run.replies)
    general = "it took too long" if too_slow else _said_of(sender, run.error)
    untold = Reply(False, general or "it was not tried")
    problem, n_left = "", 0
    for message in ready:
        reply = replies.get(message.name, untold)
        _note(message, way, reply, now)
        n_left += not reply.sent
        problem = problem or reply.why
    return problem, n_left


def _note(message: Message, way: Way, reply: Reply, now: datetime) -> None:
    tries, at = message.ways[way].tries + 1, now.isoformat(timespec="seconds")
    message.after(way, Posting("sent" if reply.sent else "waiting", tries, at, reply.why))


def _said_of(sender: Sender, error: Exception | None) -> str:
    if error is None:
        return ""
    if isinstance(error, SecretMissing):
        return str(error)
    return mail.in_words(error, sender.way) if isinstance(sender, Mail) else webhook.in_words(error)


def _in_words(way: Way, problem: str, n_left: int, n_given_up: int, telling: Telling) -> list[str]:
    said = []
    if n_left:
        digests, verb = ("1 digest", "waits") if n_left == 1 else (f"{n_left} digests", "wait")
        said.append(f"{digests} {verb} to go {NAMES[way]}: {problem}. Later nights try again.")
    elif problem:
        said.append(f"Not all of the digests went {NAMES[way]}: {problem}.")
    if n_given_up:
        digests, verb = (
            ("1 digest", "was") if n_given_up == 1 else (f"{n_given_up} digests", "were")
        )
        said.append(
            f"{digests} could not go {NAMES[way]} within {telling.give_up_after_days} days and "
            f"{verb} given up; the text lies in work/outbox."
        )
    return said
