"""Files that let the system run the night: a systemd service and timer, and a line for crontab.

They name this installation and this study by their whole paths, so they are made, not shipped.
"""

from __future__ import annotations

import getpass
import os
import shlex
import sys
from datetime import datetime
from pathlib import Path

from cronsim import CronSim

from quietsleep.errors import StudyError
from quietsleep.study.register_key import KEY_VARIABLE
from quietsleep.study.study import Study
from quietsleep.study.telling import cron_of

USUAL = "0 2 * * *"
# What a night reads of the environment and that is no secret: it is written into the files.
CARRIED = (KEY_VARIABLE, "SSL_CERT_FILE")
_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")

SERVICE = """\
# One night of the study {study}, as a service of the system. What to do with it, as root:
#   cp {unit}.service {unit}.timer /etc/systemd/system/
#   systemctl daemon-reload
#   systemctl enable --now {unit}.timer
#   systemctl list-timers {unit}.timer        # when the next night is due
#   journalctl -u {unit}.service              # what the nights said
# Secrets ({secrets}) stand in {environment},
# one NAME=value a line, readable by root alone; the file may be left out.
[Unit]
Description=Night of the study {study_unit}
Wants=network-online.target
After=network-online.target

[Service]
Type=oneshot
User={user}
WorkingDirectory={folder}
{carried}EnvironmentFile=-{environment}
ExecStart={program} nightly {path}
TimeoutStartSec=infinity
Nice=10
UMask=0027
NoNewPrivileges=yes
"""

TIMER = """\
# When nights of the study {study} are due: {cron} in cron's words, local time.
# A night that was due while the machine was off is run when it is on again.
[Unit]
Description=Nights of the study {study_unit}

[Timer]
{calendar}Persistent=true
AccuracySec=1min
Unit={unit}.service

[Install]
WantedBy=timers.target
"""

CRONTAB = """\
# The same for cron, where there is no systemd: add this line with 'crontab -e', as {user}.
# Whether a night was missed: {status} (exit code 1 if so).
{cron} {command}
"""


def timer_files(study: Study, cron: str = "") -> dict[str, str]:
    """Return service, timer and crontab line of a study, by the names of their files.

    `cron` is when nights are due, two o'clock unless given; StudyError where it is no schedule.
    """
    try:
        cron = cron_of(cron or USUAL)
    except ValueError as error:
        raise StudyError(f"The schedule {error}") from None
    own = "quietsleep"
    unit = study.name if study.name.startswith(own) else f"{own}-{study.name}"
    path = study.path.resolve()
    program, user = _program(), getpass.getuser()
    carried = {name: os.environ[name] for name in CARRIED if os.environ.get(name)}
    said = {
        "study": study.name,
        "study_unit": _escaped(study.name),
        "unit": unit,
        "user": user,
        "cron": cron,
        "environment": f"/etc/quietsleep/{study.name}.env",
        "secrets": _secrets(study),
        "folder": _escaped(str(path.parent)),
        "path": _in_command(str(path)),
        "program": " ".join(map(_in_command, program)),
        "carried": "".join(f"Environment={_quoted(f'{k}={v}')}\n" for k, v in carried.items()),
        "calendar": "".join(f"OnCalendar={each}\n" for each in calendar_of(cron)),
        "command": _in_crontab([*program, "nightly", str(path)], carried),
        "status": shlex.join([*program, "status", str(path)]),
    }
    return {
        f"{unit}.service": SERVICE.format(**said),
        f"{unit}.timer": TIMER.format(**said),
        f"{unit}.crontab": CRONTAB.format(**said),
    }


def calendar_of(cron: str) -> list[str]:
    """Return a cron schedule in the words of systemd.time(7), one or two of them.

    Where both the day of the month and the day of the week are given, cron means either.
    """
    said = CronSim(cron, datetime(2026, 1, 1))
    times = f"{_set(said.hours, 24)}:{_set(said.minutes, 60)}:00"
    months, days = _set(said.months, 12, 1), _set(said.days, 31, 1)
    weekdays = {int(str(day)) % 7 for day in said.weekdays}
    named = ",".join(_DAYS[day - 1] for day in sorted(weekdays, key=lambda d: (d - 1) % 7))
    named = "" if len(weekdays) == 7 else f"{named} "
    if said.day_and:
        return [f"{named}*-{months}-{days} {times}"]
    return [f"*-{months}-{days} {times}", f"{named}*-{months}-* {times}"]


def _set(held: set[int], size: int, first: int = 0) -> str:
    full = held >= set(range(first, first + size))
    return "*" if full else ",".join(f"{n:02d}" for n in sorted(held))


def _secrets(study: Study) -> str:
    tell = study.tell
    named = []
    if tell is not None and tell.mail is not None:
        named += [tell.mail.user_variable, tell.mail.password_variable]
    if tell is not None and tell.webhook is not None:
        named += [tell.webhook.url_variable, tell.webhook.token_variable]
    return ", ".join(name for name in named if name) or "of mail, webhook or a store"


def _program() -> list[str]:
    """Return how this installation is called, by whole paths."""
    script = Path(sys.executable).with_name("quietsleep")
    if script.is_file():
        return [str(script)]
    return [sys.executable, "-c", "from quietsleep.cli.main import app; app()"]


def _in_command(word: str) -> str:
    """Return one word of a command as systemd.service(5) reads it."""
    return _quoted(word.replace("$", "$$"))


def _quoted(word: str) -> str:
    plain = _escaped(word).replace("\\", "\\\\").replace('"', '\\"')
    return plain if plain.isprintable() and not set(plain) & set(" \"'\\;") else f'"{plain}"'


def _escaped(text: str) -> str:
    return text.replace("%", "%%")


def _in_crontab(command: list[str], carried: dict[str, str]) -> str:
    words = [*(f"{name}={shlex.quote(value)}" for name, value in carried.items())]
    # A bare per cent sign ends the line for cron.
    return " ".join([*words, shlex.join(command)]).replace("%", "\\%")
