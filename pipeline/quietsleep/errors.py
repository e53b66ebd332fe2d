"""Errors that carry one plain sentence, and what the machine puts in the way, in words.

Every error of ours that a person is to read derives from `QuietsleepError` and knows the exit code
it ends a command with; the command line alone prints it. An environment error (a full disk, a
closed folder) is no mistake of ours and none of a centre's: it passes, and the next night goes on.
"""

from __future__ import annotations

import errno
import sys

# Exit codes, also in README: what a scheduler or a script may rely on.
RED_NIGHT = 1
PROBLEMS_FOUND = 1
NIGHT_MISSED = 1
CANNOT_START = 2
ALREADY_RUNNING = 3
ENVIRONMENT = 4


class QuietsleepError(Exception):
    """Something cannot be done; the message is one plain sentence that says what to do."""

    exit_code = CANNOT_START


class ContractError(QuietsleepError):
    """A contract file or a unit cannot stand; the message names file, entry, key and reason."""


class StudyError(QuietsleepError):
    """A study file says something that cannot stand; the message names file, entry and key."""


class WarehouseError(QuietsleepError):
    """The warehouse cannot be read or written as asked; the message is a sentence for a person."""


NO_MEMORY = (
    "The machine has too little memory for this step: end other programs, or measure in fewer "
    "processes with --workers. The next night goes on from here."
)
NO_SPACE = "The disk is full: free some space. The next night goes on from here."
# Numbers of the operating system, and how a database says the same.
_BY_ERRNO = {
    errno.ENOSPC: NO_SPACE,
    errno.EDQUOT: NO_SPACE,
    errno.ENOMEM: NO_MEMORY,
    errno.EROFS: "{place} may only be read: make the study's folder writable.",
    errno.EACCES: "{place} may not be opened: permission denied.",
    errno.EPERM: "{place} may not be changed: permission denied.",
    errno.ENOENT: "{place} is not there any more.",
}
_BY_WORDS = (
    ("no space left", NO_SPACE),
    ("disk quota", NO_SPACE),
    ("out of memory", NO_MEMORY),
    ("failed to allocate", NO_MEMORY),
    ("could not allocate", NO_MEMORY),
    ("cannot allocate memory", NO_MEMORY),
    ("could not set lock", "The state of the study is open in another program: close it."),
    ("permission denied", "A file of the study may not be opened: permission denied."),
    ("read-only file system", "The study lies where it may only be read: make it writable."),
)
_DAMAGE = ("corrupt", "could not read enough bytes", "not a valid", "invalidated", "serializ")


def environment_error(error: BaseException) -> str | None:
    """Return a sentence for what the machine put in the way; None for any other error."""
    if isinstance(error, MemoryError):
        return NO_MEMORY
    if _is_of_database(error):
        said = str(error).lower()
        known = next((words for sign, words in _BY_WORDS if sign in said), None)
        return known or (damaged_words("A database") if is_damage(error) else None)
    if isinstance(error, OSError) and error.errno not in {None, errno.EPIPE}:
        place = str(error.filename or "A file or folder")
        known = _BY_ERRNO.get(error.errno or 0, "{place} cannot be used: " + (error.strerror or ""))
        return known.format(place=place)
    return None


def is_damage(error: BaseException) -> bool:
    """Say whether a database complains of its own file, not of what surrounds it."""
    said = str(error).lower()
    around = any(sign in said for sign, _ in _BY_WORDS)
    return _is_of_database(error) and not around and any(sign in said for sign in _DAMAGE)


def damaged_words(what: str) -> str:
    """Return the sentence for a damaged file."""
    return f"{what} of the study is damaged: run 'quietsleep doctor STUDY'."


def in_words(error: Exception) -> str:
    """Return an environment error as its sentence, any other error with its kind."""
    return environment_error(error) or f"{type(error).__name__}: {error}"


def _is_of_database(error: BaseException) -> bool:
    # Only a program that has loaded the database can have met an error of it.
    database = sys.modules.get("duckdb")
    return database is not None and isinstance(error, database.Error)
