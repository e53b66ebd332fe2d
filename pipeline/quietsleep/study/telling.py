"""Who is told of a night and by which way, and when nights are due, as study.toml says.

Secrets are named by the variable of the environment that holds them; a study folder is copied and
synchronised, so a secret in it is refused, and never repeated in the sentence that refuses it.
"""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from dataclasses import field
from datetime import datetime, timedelta
from typing import Annotated, Literal, Self
from urllib.parse import urlsplit

from cronsim import CronSim, CronSimError
from pydantic import AfterValidator, model_validator
from pydantic.dataclasses import dataclass as model

from quietsleep.contract.toml import CONFIG, Text, Whole, between
from quietsleep.errors import QuietsleepError

VARIABLES = "QUIETSLEEP_"
LOOPBACK = frozenset({"localhost", "127.0.0.1", "::1"})
_ADDRESS = re.compile(r"[^\s@<>,;\"]+@[^\s@<>,;\"]+")
_HOST = re.compile(r"[A-Za-z0-9]([A-Za-z0-9.-]*[A-Za-z0-9])?|::1")
# Only cron's own five fields: a sixth of seconds, or words, are known to some programs alone.
_FIELDS = 5


class SecretMissing(QuietsleepError):
    """The environment lacks what study.toml says it holds; the message names the variable."""


def _variable(name: str) -> str:
    # The value is not repeated: it may be the secret itself.
    if not re.fullmatch(VARIABLES + "[A-Z0-9_]+", name):
        raise ValueError(
            f"has to be the name of a variable of the environment that begins with {VARIABLES}; "
            "the secret itself stands in the environment and in no file of the study."
        )
    return name


def _mail_address(text: str) -> str:
    if not _ADDRESS.fullmatch(text):
        raise ValueError("is no address of a mailbox, such as night@study.example.")
    return text


def _host(text: str) -> str:
    if not _HOST.fullmatch(text):
        raise ValueError(
            "is no name of a machine, such as mail.study.example; name and password of an account "
            "stand in the environment."
        )
    return text


def cron_of(text: str) -> str:
    """Return a schedule in five fields; ValueError with the rest of a sentence for any other."""
    try:
        if len(text.split()) != _FIELDS:
            raise ValueError(text)
        schedule = CronSim(text, datetime(2026, 1, 1))
        next(schedule)
        # Words for the last day or the second Monday are known to some programs alone.
        if min(schedule.days) < 1 or not all(isinstance(day, int) for day in schedule.weekdays):
            raise ValueError(text)
    except (CronSimError, ValueError, StopIteration):
        raise ValueError(
            f'is "{text}", which is no schedule. Give five fields: minute, hour, day of month, '
            'month, day of week; "0 2 * * *" is every night at two.'
        ) from None
    return " ".join(text.split())


def due_after(cron: str, moment: datetime) -> datetime:
    """Return when the next night is due after a moment, by the clock of this machine."""
    return next(CronSim(cron, moment.astimezone()))


def due_between(cron: str, after: datetime, until: datetime, *, most: int) -> list[datetime]:
    """Return when nights were due after a moment and up to another, the first `most` of them."""
    found: list[datetime] = []
    for due in CronSim(cron, after.astimezone()):
        if due > until or len(found) == most:
            break
        found.append(due)
    return found


Variable = Annotated[str, AfterValidator(_variable)]
MailAddress = Annotated[Text, AfterValidator(_mail_address)]
MailAddresses = tuple[MailAddress, ...]


def secret(variable: str) -> str:
    """Return what a variable of the environment holds; SecretMissing where it is not set."""
    held = os.environ.get(variable, "")
    if not held:
        raise SecretMissing(f"{variable} is not set in the environment of the night")
    return held


def _refuse_secrets(what: Mapping[str, object], where: str) -> None:
    for name, value in what.items():
        if value is not None:
            raise ValueError(
                f"has {name} in it: a secret stands in the environment and in no file of the "
                f"study. Take it out, change it where it is used, and name its variable in {where}."
            )


@model(frozen=True, slots=True, config=CONFIG, kw_only=True)
class MailWay:
    """The table [tell.mail]: the server that takes mail, and who gets which digest.

    `encryption` is "starttls", "ssl", or "none" for a server on this very machine. The account is
    named by two variables of the environment. `centres` holds mailboxes by centre.
    """

    host: Annotated[str, AfterValidator(_host)]
    sender: MailAddress
    port: Annotated[Whole, between(1, 65535)] = 587
    encryption: Literal["starttls", "ssl", "none"] = "starttls"
    user_variable: Variable | None = None
    password_variable: Variable | None = None
    coordinating_centre: MailAddresses = ()
    centres: Mapping[str, MailAddresses] = field(default_factory=dict)
    # Known only to be refused with a sentence that says where they belong.
    user: object = None
    password: object = None

    @model_validator(mode="after")
    def _check(self) -> Self:
        _refuse_secrets(
            {"password": self.password, "user": self.user}, "user_variable and password_variable"
        )
        if self.encryption == "none" and self.host not in LOOPBACK:
            raise ValueError(
                'encryption is "none"; that may only be where host is this very machine. Use '
                '"starttls" or "ssl".'
            )
        if (self.user_variable is None) != (self.password_variable is None):
            raise ValueError("give user_variable and password_variable both, or neither.")
        if not (self.coordinating_centre or self.centres):
            raise ValueError("names nobody: give coordinating_centre, [tell.mail.centres] or both.")
        return self


@model(frozen=True, slots=True, config=CONFIG, kw_only=True)
class WebhookWay:
    """The table [tell.webhook]: where each digest is posted as JSON.

    The address is `url`, or stands in a variable where it is itself a secret. What
    `token_variable` names is sent as a bearer token.
    """

    url: str | None = None
    url_variable: Variable | None = None
    token_variable: Variable | None = None
    centres: bool = True
    token: object = None

    @model_validator(mode="after")
    def _check(self) -> Self:
        _refuse_secrets({"token": self.token}, "token_variable")
        if (self.url is None) == (self.url_variable is None):
            raise ValueError("give either url or url_variable.")
        if self.url is not None and (refusal := url_refusal(self.url)):
            raise ValueError(f"url {refusal}")
        return self


def url_refusal(url: str) -> str:
    """Say why an address cannot be posted to; empty where it can. It is never repeated."""
    try:
        parts = urlsplit(url)
        host, _ = parts.hostname or "", parts.port
    except ValueError:
        return "is no address, such as https://desk.study.example/nights."
    if parts.scheme != "https" and not (parts.scheme == "http" and host in LOOPBACK):
        return "has to begin with https://; only this very machine may be posted to without."
    if not host:
        return "names no machine."
    if parts.username or parts.password or parts.query or parts.fragment:
        return (
            "holds more than an address; where a part of it is a secret, put all of it into the "
            "environment and name the variable in url_variable."
        )
    return ""


@model(frozen=True, slots=True, config=CONFIG, kw_only=True)
class Telling:
    """The table [tell] of study.toml: by which ways people are told, and how long it is tried."""

    mail: MailWay | None = None
    webhook: WebhookWay | None = None
    give_up_after_days: Annotated[Whole, between(1, 60)] = 7
    seconds_at_most: Annotated[Whole, between(5, 600)] = 60

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.mail is None and self.webhook is None:
            raise ValueError("tells nobody: give [tell.mail] or [tell.webhook], or take it out.")
        return self

    @property
    def patience(self) -> timedelta:
        """How long a message is tried."""
        return timedelta(days=self.give_up_after_days)


@model(frozen=True, slots=True, config=CONFIG, kw_only=True)
class Timetable:
    """The table [nightly] of study.toml: when nights are due, by the clock of this machine."""

    every: Annotated[Text, AfterValidator(cron_of)]
