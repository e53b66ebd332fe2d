"""What people do with the study register: look at it, mend it, say what is meant."""

from __future__ import annotations

from quietsleep.review.desk import check_note, check_signer, codes_of
from quietsleep.study.register import RegisterError
from quietsleep.study.study import Study
from quietsleep.warehouse.registered import open_register

NEXT_NIGHT = "Run: quietsleep nightly"


def look_at_register(study: Study) -> str:
    """Say how far the register goes; RegisterError where it is not as it was written down."""
    register = open_register(study)
    if register.broken:
        raise RegisterError(register.broken)
    last = register.entries[-1]
    return (
        f"The study register is as it was written down: {len(register.entries)} entries, the last "
        f"of {last.at}. Its key is {register.key_path}; keep a copy of both."
    )


def mend_register(study: Study) -> str:
    """Put back what was written down and say where the changed file is."""
    aside = open_register(study).mend()
    if aside is None:
        return "The study register is as it was written down; nothing to mend."
    place = aside.relative_to(study.path)
    return f"Put back; the changed file is {place}. {NEXT_NIGHT} {study.path.name}"


def say_meant(study: Study, *, by: str, reason: str, with_new_key: bool = False) -> str:
    """Write down that the register is to count as it is, or is to be sealed by another key."""
    check_signer(by)
    said = check_note(reason, words=codes_of(study), days=frozenset())
    if not said:
        raise RegisterError("Say why with --reason; it is kept in the register.")
    register = open_register(study, with_new_key=with_new_key)
    entry = (register.seal_anew if with_new_key else register.mean)(by=by, reason=said)
    place = (register.kept.parent / entry.body["aside"]).relative_to(study.path)
    return f"Written down; the register as it was found is {place}. {NEXT_NIGHT} {study.path.name}"
